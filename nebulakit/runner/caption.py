"""The text that belongs under a picture: how deep, through what, by which steps, what was filled in, whose colours are real."""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from typing import Any

from nebulakit.declare import STEPS
from nebulakit.recipe.model import Ref
from nebulakit.runner.depth import frames_of, hours
from nebulakit.runner.execute import Run, StepRun

CAPTION = "caption.txt"

WORDS = {
    "add_stars": "stars put back",
    "balance_lines": "[O III] brought to H-alpha's scale",
    "balance_stars": "the stars' mean colour made white",
    "bicolour": "each line given a colour",
    "bin": "pixels averaged in blocks",
    "blend": "layers laid over each other",
    "collapse_bayer": "colour made of the mosaic",
    "compress_range": "bright and faint parts drawn together",
    "crop": "cropped",
    "crop_to_coverage": "cropped to where most frames lie",
    "curve": "contrast by a curve",
    "deconvolve": "sharpened by deconvolution",
    "denoise_wavelet": "denoised",
    "level_sky": "sky levelled",
    "limit_tint": "hues of neither line taken back",
    "local_contrast": "local contrast strengthened",
    "mix_channels": "channels mixed",
    "orient": "turned or mirrored",
    "patch": "trails or spots filled in",
    "reduce_stars": "stars made smaller",
    "remove_gradient": "skyglow fitted and taken out",
    "rotate": "turned",
    "saturate": "colour strengthened or weakened",
    "separate_stars": "stars and nebula parted",
    "sharpen": "fine structure strengthened",
    "stretch_asinh": "stretched",
    "stretch_midtone": "stretched",
    "turn_hue": "hues turned",
    "unmix_lines": "H-alpha and [O III] unmixed",
}
"""What each step does, as one would say it under a picture; masks only say where, and are not told."""


def caption(run: Run, pictures: Mapping[Ref, Sequence[str]], planes: Mapping[Ref, int], header: Any, preview: int = 1) -> str:
    """Write the caption of a run's ``pictures`` (stretched layers, each with its files) from the header and what was recorded.

    ``planes``: how many each picture has. ``header``: an :class:`astropy.io.fits.Header` as the stack's, or None.

    The same run always gives the same text. It tells no date, place, person or machine.
    """
    parts = []
    for ref, files in pictures.items():
        needed = run.recipe.needed(ref)
        done = [s for s in run.steps if s.call.index in needed and s.state != "skipped"]
        head = [f"{', '.join(files)}"] if len(pictures) > 1 else []
        parts.append("\n".join([*head, *_lines(done, planes[ref], header, preview)]))
    return "\n\n".join(parts) + "\n"


def _lines(done: Sequence[StepRun], planes: int, header: Any, preview: int) -> Iterator[str]:
    told, (frames, seconds) = hours(header), frames_of(header)
    of = f" ({frames:.0f} frames of {seconds:g} s)" if frames and seconds else ""
    if told is None:
        yield "Exposure: unknown (the stack's header does not tell)."
    else:
        yield f"Exposure: {f'{told:.1f} hours' if told >= 1 else f'{60 * told:.0f} minutes'}{of}."
    through = str(header.get("FILTER", "")).strip() if header is not None else ""
    yield f"Filter: {through}." if through else "Filter: unknown (the stack's header does not tell)."
    words = list(dict.fromkeys(WORDS.get(s.call.step, s.call.step) for s in done if STEPS[s.call.step].gives != "mask"))
    yield f"Steps: {', '.join(words)}." if words else "Steps: none."
    if preview > 1:
        yield f"A preview, made of {preview}x{preview} pixels averaged: not for judging stars or noise."
    yield _filled(done)
    if any(getattr(s.call.params, "halos", "") == "dropped" for s in done):
        yield "Left out: wide halos and reflections of bright stars."
    yield _colours(done, planes)
    yield "Made with nebulakit."


def _filled(done: Sequence[StepRun]) -> str:
    shares = [
        (s.record["share_filled"], "lost cores of stars" if s.call.step == "separate_stars" else "places told by hand")
        for s in done
        if isinstance(s.record.get("share_filled"), (int, float))
    ]
    if not any(share > 0 for share, _ in shares):
        return "Filled in: nothing."
    return (
        "Filled in from around: "
        + ", ".join(f"{100 * share:.2g}% of the frame ({what})" for share, what in shares if share)
        + "."
    )


def _colours(done: Sequence[StepRun], planes: int) -> str:
    used = {s.call.step: s for s in done}
    if planes == 1:
        return "Colours: none; this is brightness alone."
    stars = " The stars' colours are what is left of them behind the filter" if "add_stars" in used else ""
    if stars:
        stars += ", their mean made white." if "balance_stars" in used else "."
    if "bicolour" in used:
        record = used["bicolour"].record
        hues = " and ".join(
            f"{n} as {hue_word(record[k])}" for n, k in (("H-alpha", "ha_hue"), ("[O III]", "oiii_hue")) if k in record
        )
        return f"Colours: chosen, to tell the two lines apart ({hues}); no eye would see them so.{stars}"
    touched = [
        w for k, w in (("saturate", "strengthened or weakened"), ("turn_hue", "turned"), ("mix_channels", "mixed")) if k in used
    ]
    return f"Colours: the camera's own through its filter{', ' + ', '.join(touched) if touched else ''}.{stars}"


def hue_word(degrees: float) -> str:
    """Name a hue (OKLCh, degrees) by a plain colour word.

    >>> [hue_word(h) for h in (25, 205, 355)]
    ['red', 'teal', 'pink']
    """
    words = ((10, "pink"), (45, "red"), (65, "orange"), (100, "gold"), (125, "yellow-green"), (170, "green"), (225, "teal"))
    more = ((280, "blue"), (310, "violet"), (345, "magenta"), (361, "pink"))
    return next(word for limit, word in (*words, *more) if degrees % 360 < limit)
