"""Drawings that only some steps have: where it cropped, what it took for sky, which stars it found, the curve it drew."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from typing import Any

import numpy as np
from markupsafe import Markup, escape

from nebulakit.image import Image
from nebulakit.recipe.model import Call, Ref
from nebulakit.report import figures, render

Drawing = tuple[str, Markup]


def special(
    step: str,
    record: Mapping[str, Any],
    params: Mapping[str, Any],
    before: Image,
    after: Image,
    layers: Mapping[Ref, Image],
    call: Call,
    url: Callable[[Ref], tuple[str, int, int]],
) -> list[Drawing]:
    """Give the drawings of a step, by what it recorded and made; an unknown step has none."""
    out: list[Drawing] = []
    if step == "crop_to_coverage" and before.coverage is not None:
        out.append(_crop(before, after))
    if (samples := record.get("samples")) and call.first in layers:
        out.append(_samples(samples, before, url(call.first) if call.first else None))
    for result in ("model", "filled"):
        ref = Ref(call.index, result)
        if ref in layers:
            out.append(
                _layer(
                    layers[ref],
                    {"model": "The gradient that was fitted", "filled": "What was filled in or subtracted (white)"}[result],
                )
            )
    if after.stars is not None and step == "separate_stars":
        out.append(_stars(after, url(call.first) if call.first else None))
    if step == "deconvolve" and before.psf is not None:
        out.append(_psf(before))
    if "noise_before" in record and "noise_after" in record:
        out += _noise(record, after)
    if "sensor" in record and isinstance(record["sensor"], list):
        rows = [[name, *(f"{v:.3f}" for v in row)] for name, row in zip(("red", "green", "blue"), record["sensor"], strict=False)]
        out.append(("The sensor's response to the lines", figures.table(("channel", "H-alpha", "[O III]"), rows)))
    if isinstance(points := params.get("points"), list) and points:
        xs, ys = zip(*points, strict=True)
        fine = np.linspace(min(xs), max(xs), 60)
        from scipy.interpolate import PchipInterpolator

        drawn = PchipInterpolator(xs, ys)(fine) if len(xs) > 1 else np.full_like(fine, ys[0])
        out.append(("The curve", figures.lines({"curve": (fine, drawn)}, "tone curve", "value in", (0, 0), (1, 1))))
    return out


def _small(plane: Any) -> tuple[str, int, int]:
    """Give a plane (y, x) as a small grey picture."""
    shown = render.shrink(plane[None], 360)
    top, low = float(np.nanmax(shown, initial=0.0)), float(np.nanmin(shown, initial=0.0))
    pixels = render.eight_bits((shown - low) / max(top - low, 1e-12))
    return render.data_url(pixels, True), pixels.shape[1], pixels.shape[0]


def _crop(before: Image, after: Image) -> Drawing:
    picture, w, h = _small(before.coverage)
    k = w / before.shape[1]
    y0, x0, ch, cw = after.frame.bounding_box(after.shape)
    by0, bx0, _, _ = before.frame.bounding_box(before.shape)
    box = f'<rect x="{(x0 - bx0) * k:.1f}" y="{(y0 - by0) * k:.1f}" width="{cw * k:.1f}" height="{ch * k:.1f}" fill="none" class="mark"/>'
    return "Coverage (bright: more frames) and the rectangle kept", figures.overlay(
        picture, w, h, box, "coverage map with the rectangle kept"
    )


def _samples(samples: list[Any], image: Image, under: tuple[str, int, int] | None) -> Drawing:
    """Open circles sized by weight; crosses for the rejected, with the reason on hover."""
    if under is None:
        return "Sky samples", Markup("")
    picture, w, h = under
    k = w / image.shape[1]
    marks = ""
    for s in samples:
        if not isinstance(s, Mapping):
            continue
        x, y = image.frame.from_stack(float(s["x"]), float(s["y"])) if s.get("stack", False) else (float(s["x"]), float(s["y"]))
        why = str(s.get("rejected") or "")
        if why:
            marks += (
                f'<g><title>{escape(why)}</title><path d="M{x * k - 3:.1f} {y * k - 3:.1f}l6 6m0 -6l-6 6" class="mark thin"/></g>'
            )
        else:
            marks += f'<circle cx="{x * k:.1f}" cy="{y * k:.1f}" r="{1.5 + 4 * min(1.0, float(s.get("weight", 1))):.1f}" fill="none" class="mark thin"/>'
    return "Sky samples: circles used (sized by weight), crosses left out", figures.overlay(
        picture, w, h, marks, "sky samples on the picture"
    )


def _layer(image: Image, title: str) -> Drawing:
    picture, w, h = _small(np.nan_to_num(np.mean(image.planes, axis=0)))
    return title, figures.overlay(picture, w, h, "", title)


def _stars(image: Image, under: tuple[str, int, int] | None) -> Drawing:
    if under is None or image.stars is None:
        return "Stars found", Markup("")
    picture, w, h = under
    k = w / image.shape[1]
    s = image.stars
    brightest = np.argsort(s.peak)[::-1][:1500]
    marks = "".join(
        f'<circle cx="{s.x[i] * k:.1f}" cy="{s.y[i] * k:.1f}" r="{max(1.6, s.radius[i] * k):.1f}" fill="none" class="mark thin"/>'
        for i in brightest
    )
    return f"Stars found: {len(s)}", figures.overlay(picture, w, h, marks, "stars found, circled")


def _psf(image: Image) -> Drawing:
    assert image.psf is not None
    kernel = image.psf.kernel
    n = kernel.shape[0] // 2
    y, x = np.mgrid[-n : n + 1, -n : n + 1]
    r = np.hypot(y, x).ravel()
    order = np.argsort(r)
    top = float(kernel.max()) or 1.0
    a = image.psf.fwhm / 2 / np.sqrt(2 ** (1 / image.psf.beta) - 1)
    fine = np.linspace(0, 3 * image.psf.fwhm, 60)
    keep = order[r[order] <= fine[-1]]
    drawn = {"measured": (r[keep], kernel.ravel()[keep] / top), "Moffat": (fine, (1 + (fine / a) ** 2) ** -image.psf.beta)}
    return f"The star profile ({image.psf.stars} stars)", figures.lines(
        drawn, "PSF and its fit", "radius, px", (0, 0), (float(fine[-1]), 1)
    )


def _noise(record: Mapping[str, Any], after: Image) -> list[Drawing]:
    was, now = record["noise_before"], record["noise_after"]
    if not was or not isinstance(was[0], list):
        return []
    labels = [str(j + 1) for j in range(len(was[0]))]
    return [
        (
            f"Noise per starlet scale, {name}",
            figures.bars({"before": b, "after": a}, labels, f"noise per scale, {name}", "starlet scale"),
        )
        for name, b, a in zip(after.channels, was, now, strict=False)
    ]
