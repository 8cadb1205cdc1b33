"""Drawings that only some steps have: where it cropped, what it took for sky, which stars it found, the curve it drew."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
import numpy.typing as npt

from nebulakit.image import Image
from nebulakit.pixels import colour, curves, hues, look, tone
from nebulakit.recipe.model import Call, Ref
from nebulakit.report import figures
from nebulakit.report.figures import Drawing, Plot

Planes = npt.NDArray[np.float32]
WIDTH = 380
MOST_STARS = 600
MOST_POINTS = 400


@dataclass(frozen=True)
class Seen:
    """What there is to draw a step from: its record and parameters, the layers, and how small pictures get onto the page."""

    call: Call
    record: Mapping[str, Any]
    params: Mapping[str, Any]
    before: Image
    after: Image
    small_before: Planes
    small_after: Planes
    layers: Mapping[Ref, Image]
    add: Callable[[str], str]
    """Takes a data URL, gives its key on the page."""
    picture: tuple[str, int, int]
    """Key, width and height of the layer that was read, as shown on the page."""

    def result(self, name: str) -> Image | None:
        """Give another result of the step, where it is there."""
        return self.layers.get(Ref(self.call.index, name))

    @property
    def scale(self) -> float:
        """Pixels of the picture for each of the layer that was read."""
        return self.picture[1] / self.before.shape[1]

    def over(self, caption: str, marks: Iterable[str], title: str, on: tuple[str, int, int] | None = None) -> Drawing:
        """Draw marks over the layer that was read, or over another picture (key, width, height)."""
        key, width, height = on or self.picture
        return Drawing(caption, figures.over(width, height, marks, title), key, width, height)

    def grey(self, plane: Planes) -> tuple[str, int, int, Planes]:
        """Put a plane (y, x) onto the page as a small grey picture, its least value black; give key, size and the shrunken plane."""
        small = look.shrink(plane[None], WIDTH)[0]
        low, top = float(small.min(initial=0.0)), float(small.max(initial=0.0))
        pixels = look.eight_bits((small[None] - np.float32(low)) / np.float32(max(top - low, 1e-12)))
        return self.add(look.data_url(pixels, lossless=True)), small.shape[1], small.shape[0], small


def special(seen: Seen) -> list[Drawing]:
    """Give the drawings of a step; an unknown step has none."""
    step, record, params = seen.call.step, seen.record, seen.params
    out: list[Drawing] = []
    if step == "crop_to_coverage":
        out.append(_crop(seen))
    if step == "remove_gradient":
        out += _gradient(seen)
    if step == "separate_stars":
        out += _stars(seen)
    if seen.after.content == "mask" and seen.before.shape == seen.after.shape:
        out.append(_outlined("The mask's outline, where it passes one half", seen, seen.small_after[0], 0.5))
    if step in ("separate_stars", "deconvolve"):
        out += _psf(seen)
    if record.get("noise_before") and record.get("noise_after"):
        out += _noise(seen)
    if isinstance(record.get("sensor"), list) and len(seen.small_before) == 3:
        out += _sensor(seen)
    if step == "curve":
        out.append(_curve(params["points"], seen.record))
    if step in ("stretch_asinh", "stretch_midtone"):
        out += _stretch(seen)
    if len(seen.small_after) == 3 and ("hues" in params or "ha_hue" in record):
        out.append(_hues(seen))
    return out


def _crop(seen: Seen) -> Drawing:
    """The coverage, or where it is not known the picture, with the rectangle that was kept."""
    on, what = seen.picture, "The rectangle kept; coverage was told from the noise"
    if seen.before.coverage is not None:
        on, what = seen.grey(seen.before.coverage)[:3], "Coverage (bright: more frames) and the rectangle kept"
    k = on[1] / seen.before.shape[1]
    corners = [seen.before.frame.from_stack(*c) for c in seen.after.frame.corners(seen.after.shape)]
    # pixels reach half a pixel about their centres
    (x0, x1), (y0, y1) = ((min(v), max(v) + 1) for v in zip(*corners, strict=True))
    box = f'<rect x="{x0 * k:.1f}" y="{y0 * k:.1f}" width="{(x1 - x0) * k:.1f}" height="{(y1 - y0) * k:.1f}"/>'
    return seen.over(what, [box], "the rectangle kept", on)


def _gradient(seen: Seen) -> list[Drawing]:
    out = []
    samples = [s for s in seen.record.get("samples", ()) if isinstance(s, Mapping)]
    at = [(float(s["x"]) * seen.scale, float(s["y"]) * seen.scale) for s in samples]
    shown = _apart(at, seen.picture[1] / 30)
    if shown:
        size = seen.picture[1] / WIDTH
        marks = [
            figures.cross(*at[n], 3 * size)
            if samples[n].get("rejected")
            else figures.circle(*at[n], size * (1.5 + 3.5 * min(1.0, float(samples[n]["weight"]))))
            for n in shown
        ]
        why = ", ".join(sorted({str(s["rejected"]) for s in samples if s.get("rejected")}))
        told = "Sky samples: circles are used, larger ones weigh more" + (f"; crosses are left out ({why})" if why else "")
        out.append(seen.over(told, marks, "sky samples on the picture"))
    model = seen.result("model")
    if model is None:
        return out
    key, w, h, small = seen.grey(np.nan_to_num(np.mean(model.planes, axis=0)))
    low, high = float(small.min()), float(small.max())
    if high > low:
        lines = [figures.outline(small, low + (high - low) * n / 6) for n in range(1, 6)]
        rise = max(seen.record.get("gradient_sigma") or [0.0])
        told = f"The skyglow that was fitted; it rises by {rise:.0f} σ from its lowest place to its highest, lines at each sixth of that"
        out.append(seen.over(told, lines, "skyglow with contour lines", (key, w, h)))
    return out


def _apart(places: Sequence[tuple[float, float]], least: float) -> list[int]:
    """Give the indices of places of which no two are nearer than ``least``, the first coming first."""
    taken: dict[tuple[int, int], tuple[float, float]] = {}
    out = []
    for n, (x, y) in enumerate(places):
        i, j = int(x // least), int(y // least)
        near = (taken.get((i + a, j + b)) for a in (-1, 0, 1) for b in (-1, 0, 1))
        if all(p is None or (p[0] - x) ** 2 + (p[1] - y) ** 2 >= least**2 for p in near):
            taken[i, j] = (x, y)
            out.append(n)
    return out


def _stars(seen: Seen) -> list[Drawing]:
    out = []
    k, found = seen.scale, seen.after.stars
    if found is not None:
        brightest = np.argsort(-found.peak, kind="stable")[:MOST_STARS]
        marks = [figures.circle(found.x[i] * k, found.y[i] * k, max(1.6, found.radius[i] * k)) for i in brightest]
        rest = f", the {MOST_STARS} brightest circled" if len(found) > MOST_STARS else ""
        told = f"{len(found)} stars found{rest}; a circle ends where the star's light sinks into the noise"
        out.append(seen.over(told, marks, "stars found"))
    filled = seen.result("filled")
    if filled is not None:
        key, w, h, small = seen.grey(filled.planes[0])
        told = "What was filled in or had starlight subtracted (white); the rest is untouched"
        out.append(seen.over(told, [figures.outline(small, 0.5)], "outline of what was touched", (key, w, h)))
    return out


def _outlined(caption: str, seen: Seen, plane: Planes, level: float) -> Drawing:
    k = seen.picture[1] / plane.shape[1]
    line = f'<g transform="scale({k:.4f})">{figures.outline(plane, level)}</g>'
    return seen.over(caption, [line], caption)


def _psf(seen: Seen) -> list[Drawing]:
    psf = (seen.before.psf or seen.after.psf) if seen.call.step == "deconvolve" else seen.after.psf
    if psf is None:
        return []
    n = psf.kernel.shape[0] // 2
    y, x = np.mgrid[-n : n + 1, -n : n + 1]
    r, v = np.hypot(y, x).ravel(), psf.kernel.ravel() / (float(psf.kernel.max()) or 1.0)
    reach = 2.5 * psf.fwhm
    keep = r <= reach
    a = psf.fwhm / 2 / np.sqrt(2 ** (1 / psf.beta) - 1)
    fine = np.linspace(0, reach, 80)
    plot = Plot((0, reach), (0, 1), across="from the star's middle, px", up="")
    plot.points("measured", r[keep], v[keep], 1, r=2).line("Moffat", fine, (1 + (fine / a) ** 2) ** -psf.beta)
    told = f"The stars' profile, on {psf.stars} stars: FWHM {psf.fwhm:.2f} px, Moffat beta {psf.beta:.1f}, ellipticity {psf.ellipticity:.2f}"
    return [Drawing(told, plot.svg("profile of the stars and its fit"))]


def _noise(seen: Seen) -> list[Drawing]:
    was, now = seen.record["noise_before"], seen.record["noise_after"]
    if not isinstance(was[0], list):
        return []
    unit = seen.record.get("sigma") or [1.0] * len(was)
    out = []
    for name, one, other, sigma in zip(seen.after.channels, was, now, unit, strict=False):
        pair = [np.array([v or 0.0 for v in row]) / (sigma or 1.0) for row in (one, other)]
        values = np.concatenate(pair)
        if not (values > 0).any():
            continue
        low, high = float(values[values > 0].min()), float(values.max())
        scales = np.arange(1, len(pair[0]) + 1)
        plot = Plot(
            (0.5, len(scales) + 0.5), (10 ** np.floor(np.log10(low)), 10 ** np.ceil(np.log10(high))), ylog=True,
            across="starlet scale, fine to coarse", up="σ",
        )  # fmt: skip
        for n, (label, row) in enumerate(zip(("before", "after"), pair, strict=True)):
            plot.line(label, scales, row, n, named=False).points(label, scales, row, n)
        told = f"Noise per starlet scale, {figures.NAMES.get(name, name)}"
        out.append(Drawing(told, plot.svg(f"noise per starlet scale, {name}")))
    return out


def _sensor(seen: Seen) -> list[Drawing]:
    """The response that was used, and the colours it came from: box means, with the direction of each line."""
    sensor = np.array(seen.record["sensor"], float)
    names = ("red", "green", "blue")
    rows = [[n, *(f"{v:.3f}" for v in row)] for n, row in zip(names, sensor, strict=True)]
    out = [Drawing("How the sensor sees the two lines", figures.table(("channel", "Hα", "[O III]"), rows))]
    boxes = look.shrink(seen.small_before, 80)
    colours = (boxes - look.levels(boxes)[:, None, None]).reshape(3, -1)
    noise = seen.before.noise
    unit = 0.0 if noise is None else float(np.mean(noise.sigma))
    unit = unit or max(float(np.abs(colours).max()), 1e-12)
    red, *others = colours / unit
    every = np.argsort(-red, kind="stable")[:: max(1, red.size // MOST_POINTS)]
    for n, other in enumerate(others, 1):
        x, y = red[every], other[every]
        right, top = (float(np.percentile(v, 99.5)) * 1.1 or 1.0 for v in (x, y))
        left, low = (min(0.0, float(np.percentile(v, 0.5))) for v in (x, y))
        inside = (x >= left) & (x <= right) & (y >= low) & (y <= top)
        plot = Plot((left, right), (low, top), across="red above the sky, σ", up=f"{names[n]} above the sky, σ")
        plot.points("boxes", x[inside], y[inside], 1, named=False, r=1.4)
        for line, column in (("ha", 0), ("oiii", 1)):
            direction = sensor[[0, n], column]
            far = min(edge / d if d > 0 else np.inf for edge, d in zip((right, top), direction, strict=True))
            if np.isfinite(far):
                plot.line(line, [0, direction[0] * far], [0, direction[1] * far])
        told = f"Colours of boxes, {names[n]} against red, and the colour of each line alone"
        out.append(Drawing(told, plot.svg(f"{names[n]} against red")))
    return out


def _curve(points: Sequence[Sequence[float]], record: Mapping[str, Any]) -> Drawing:
    given = [(float(x), float(y)) for x, y in points]
    ends = ([(0.0, 0.0)] if not given or given[0][0] > 0 else []) + given
    ends += [(1.0, 1.0)] if ends[-1][0] < 1 else []
    fine = np.linspace(0, 1, 121, dtype=np.float32)
    dark, to = float(record.get("darkest", 0.0)), float(record.get("darkest_lowered_to", 0.0))
    lowered = curves.Lowered(dark, to)(fine) if to < dark else fine
    plot = Plot((0, 1), (0, 1), across="level in", up="level out").rule([0, 1], [0, 1])
    plot.line("curve", fine, curves.Curve(ends)(lowered), named=False)
    if given:
        xs, ys = zip(*given, strict=True)
        plot.points("given", np.interp(xs, lowered, fine).tolist(), ys, 1, named=False)
    first = "The curve, after dark levels are brought down, " if to < dark else "The curve, "
    return Drawing(first + "through the points given (circles); the thin line changes nothing", plot.svg("tone curve"))


def _stretch(seen: Seen) -> list[Drawing]:
    """The curve from light above the sky, in the stack's noise, to the level shown."""
    r = seen.record
    shape = r.get("softening", r.get("bend"))
    if shape is None or seen.before.noise is None:
        return []
    sigma, zero = float(np.mean(seen.before.noise.sigma)), float(r["sky_level"])
    kind: Any = "asinh" if "softening" in r else "midtone"
    how = tone.Stretch(kind, float(shape), max(zero - float(r["black"]), 0.0), float(r["white"]) - zero, float(r["sky"]))
    if not (sigma > 0 and how.white > 2 * sigma):
        return []
    light = np.geomspace(sigma / 2, how.white, 100).astype(np.float32)
    right = float(how.white / sigma)
    plot = Plot((0.5, right), (0, 1), xlog=True, across="light above the sky, σ", up="level shown")
    plot.rule([0.5, right], [float(r["sky"])] * 2).line("curve", light / np.float32(sigma), how.level(light), named=False)
    return [Drawing("The stretch; the thin line is the level of the sky", plot.svg("stretch"))]


def _hues(seen: Seen) -> Drawing:
    """Where the picture's colour lies on the ring of hues, and the range that was worked on or the lines' hues."""
    lab = colour.to_lab(colour.decode(np.clip(seen.small_after, 0, 1)))
    chroma = np.hypot(lab[1], lab[2])
    angle = np.degrees(np.arctan2(lab[2], lab[1])) % 360
    share = np.bincount(
        ((angle + 2.5) // 5).astype(int).ravel() % 72, weights=np.where(chroma > 0.02, chroma, 0).ravel(), minlength=72
    )
    arcs: list[tuple[float, float]] = []
    marks: dict[str, float] = {}
    feather = 0.0
    chosen = seen.params.get("hues")
    if isinstance(chosen, (list, tuple)):
        low, high = (_degrees(v) for v in chosen)
        arcs, marks, feather = [(low, high)], {f"{low:.0f}°": low, f"{high:.0f}°": high}, _degrees(seen.params.get("feather", 0))
        told = "Hues worked on (line outside the ring, dashed where it fades)"
    elif chosen == "all":
        arcs, told = [(0.0, 360.0)], "All hues were worked on"
    else:
        pair = float(seen.record["ha_hue"]), float(seen.record["oiii_hue"])
        marks, told = {"Hα": pair[0], "[O III]": pair[1]}, "The hues of the two lines"
        if "width" in seen.params:
            left = [(start, start + span) for start, span in hues.gaps(pair, _degrees(seen.params["width"]))]
            arcs = [(a[1], b[0]) for a, b in zip(left, left[1:] + left[:1], strict=True)] or [(0.0, 360.0)]
            told = "The hues of the two lines, and the range left as it is (line outside the ring)"
    return Drawing(
        told + "; the bars show where the picture's colour lies",
        figures.hue_ring(np.asarray(share, float), arcs, marks, told, feather),
    )


def _degrees(value: Any) -> float:
    return float(str(value).removesuffix("deg"))
