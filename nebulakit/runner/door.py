"""At the door: what was done to a stack before it came here, told from its pixels, before an evening is lost.

Each doubt is one :class:`Notice`: what was seen with its number, what it means, what to do. A good stack gets none.
"""

from __future__ import annotations

import dataclasses
import traceback
from collections.abc import Callable, Iterator
from pathlib import Path

import numpy as np

from nebulakit import __version__
from nebulakit.image import Image, Notice
from nebulakit.pixels import mosaic, signs
from nebulakit.runner.door_pixels import of_pixels
from nebulakit.runner.examine import mirrored


def doubts(image: Image) -> list[Notice]:
    """Give what looks wrong about a stack as it was read; nothing for a good one.

    ``assume: linear`` in the image's record (the user has said so) silences the doubt that it is stretched.
    """
    found, rest = first_doubts(image)
    return found + rest()


def first_doubts(image: Image) -> tuple[list[Notice], Callable[[], list[Notice]]]:
    """Give the doubts that are found at once, and a function that looks for the others, which takes seconds.

    A fault of ours in looking costs doubts, never the picture: it is told as one of them.
    """
    try:
        found, rest = _first(image)
    except Exception as fault:
        return [_fault_of_ours(fault)], list

    def later() -> list[Notice]:
        try:
            return rest()
        except Exception as fault:
            return [_fault_of_ours(fault)]

    return found, later


def _fault_of_ours(fault: Exception) -> Notice:
    at = traceback.extract_tb(fault.__traceback__)[-1]
    told = f"{type(fault).__name__}: {fault} ({Path(at.filename).name}, line {at.lineno}; nebulakit {__version__})"
    return Notice(
        "not-looked-through",
        "the stack could not be looked through for signs of trouble, by a fault of nebulakit, not of yours; the picture "
        f"is not touched by it. Please report this sentence to the place you have nebulakit from: {told}",
    )


def _first(image: Image) -> tuple[list[Notice], Callable[[], list[Notice]]]:
    """Give the doubts that are found at once, and what looks for the others; ``list`` where there are none."""
    if image.channels == ("mosaic",):
        return list(_of_mosaic(image)), list
    if min(image.shape) < 64 or not np.isfinite(image.planes).any():
        return [], list
    if len(image.channels) == 1 and image.scale == "linear":
        unnamed = list(_of_grey(image))
        if unnamed:
            return unnamed, list  # what follows means nothing on a mosaic
    found = list(_of_header(image))
    # row by row: mostly the first row is another
    if image.is_rgb and all(
        np.array_equal(red, green, equal_nan=True) and np.array_equal(green, blue, equal_nan=True)
        for red, green, blue in zip(*image.planes, strict=True)
    ):
        found.append(
            Notice(
                "three-equal-planes",
                "red, green and blue are the same to the last bit: this is a grey picture saved as colour, and there "
                "are no lines to part in it. Use the recipe one_line.",
            )
        )
        unknown = {"white": None, "stars": None, "noise": None, "sky": None, "psf": None}
        image = dataclasses.replace(image, planes=image.planes[:1], channels=("grey",), **unknown)  # type: ignore[arg-type]
    if image.scale == "display":
        return found, list  # it says itself what it is; what follows is about linear data
    return found, lambda: list(_of_coverage(image)) + list(of_pixels(image))


def _of_mosaic(image: Image) -> Iterator[Notice]:
    """Doubt the colour pattern of a mosaic."""
    said = str(image.header.get("BAYERPAT", "")).upper() if image.header is not None else ""
    seen = mosaic.cells(image.planes[0], image.covered())
    if seen.spread == 0.0:
        return
    if seen.spread < 2.0:
        yield Notice(
            "colour-lost",
            f"the header speaks of a colour pattern ({said or 'none named'}), but the four cells of 2x2 pixels show "
            f"the same to {seen.spread:.1f} times their noise: frames were averaged after they were turned, and the "
            "colour is gone. Make colour of the single frames first, then stack; of this file only  nebulakit run "
            "one_line  is left, with the pattern taken out of its header.",
        )
        return
    small, large = sorted(seen.diagonals)
    if large < 2 * small + 1:
        return
    green = (0, 3) if seen.diagonals[0] < seen.diagonals[1] else (1, 2)
    letters = ["B"] * 4
    for k in green:
        letters[k] = "G"
    letters[seen.bright] = "R"
    fits = "".join(letters)
    greens_wrong = any(said[k : k + 1] != "G" for k in green) if len(said) == 4 else False
    if len(said) == 4 and said != fits and (greens_wrong or seen.sure):
        yield Notice(
            "wrong-pattern",
            f"the header says {said}, but the pixels fit {fits}: the two cells that agree, to {small:.1f} times their "
            f"noise (the others to {large:.1f}), are the green ones. With the wrong pattern H-alpha lands in the wrong "
            f"colour. Write  - collapse_bayer: {{pattern: {fits}}}",
        )


def _of_grey(image: Image) -> Iterator[Notice]:
    """Doubt that a single plane is grey: the cells of a mosaic stand at levels of their own, the two green ones at the same."""
    levels = mosaic.cell_levels(image.planes[0], image.covered())
    diagonals = abs(levels[0] - levels[3]), abs(levels[1] - levels[2])
    spread = float(np.ptp(levels))
    if spread < 0.5 or min(diagonals) > spread / 3:
        return
    if signs.repeats(image.planes, image.covered()) > 0.25:
        return  # every pixel was made two: so the slopes are stairs
    fit = ("GRBG", "GBRG") if diagonals[0] < diagonals[1] else ("RGGB", "BGGR")
    yield Notice(
        "pattern-missing",
        f"the file speaks of one grey plane, but the four cells of 2x2 pixels stand up to {spread:.1f} times the noise apart, and the two of "
        f"one diagonal within {min(diagonals):.1f}: this is a colour-filter mosaic whose header states no pattern. Its colours are lost if "
        f"it is finished in grey. Begin with  - collapse_bayer: {{pattern: {fit[0]}}}  or {fit[1]}, whichever shows the nebula red",
    )


def _of_header(image: Image) -> Iterator[Notice]:
    """Doubt the parity that the sky position states."""
    wcs = image.wcs()
    if wcs is not None and mirrored(image):
        turn = float(np.linalg.det(wcs.pixel_scale_matrix))
        yield Notice(
            "mirrored",
            f"by the sky position in its header (determinant {turn:+.2g} square degrees) the stack is a mirror image "
            "of the sky, or its rows were turned over without the header being told. Compare with a known picture; if "
            "it is mirrored, write  - orient: {mirror: horizontal}",
        )


def _of_coverage(image: Image) -> Iterator[Notice]:
    """Doubt the map of coverage."""
    if image.coverage is None:
        return
    from nebulakit.pixels import coverage

    good = image.covered()
    if good.sum() < 10_000:
        return
    here = image.coverage[good][:: max(1, int(good.sum()) // 200_000)]
    low, high = (float(v) for v in np.percentile(here, [10, 90]))
    if low > 0 and high / low > 1.25:
        sense = coverage.sense_of(image.coverage, image.planes, good)
        if sense.meaning is None:
            yield Notice(
                "coverage-unrelated",
                "the coverage map has nothing to do with the noise of the stack (rank correlation "
                f"{sense.correlation:+.2f}; frames give below -0.1): it may belong to another stack, or be turned "
                "over. It is not trusted where the noise says otherwise; run without it, or give the right one with  "
                "--input coverage=FILE",
            )
        elif sense.meaning != "frames":
            yield Notice(
                "coverage-inverted",
                f"the coverage map is more where the noise is more (rank correlation {sense.correlation:+.2f}): it "
                f"counts {sense.meaning}, not frames. Write  - crop_to_coverage: {{map_counts: {sense.meaning}}}  or "
                "export the map of frames or weights.",
            )
    share, level = signs.lower_plateau(image.coverage)
    if share > 0:
        yield Notice(
            "several-nights",
            f"coverage has a second plateau ({share:.0%} of the frame at {level:.0%} of the best): several nights or "
            "fields, turned against each other. Expect straight edges where one ends, in level and in noise. Keep what "
            "all share:  - crop_to_coverage: {keep: 85%}",
        )
