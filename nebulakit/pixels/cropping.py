"""Decide which part of a stack to keep: the largest rectangle that is covered well enough everywhere."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any, Literal, NoReturn

import numpy as np
import numpy.typing as npt

from nebulakit.errors import StepError
from nebulakit.pixels import coverage as cov
from nebulakit.pixels.borders import empty_border
from nebulakit.pixels.rectangle import Box, largest_rectangle

Floats = npt.NDArray[np.float32]
Mask = npt.NDArray[np.bool_]

_KEEPS = np.arange(0.40, 0.991, 0.01)


@dataclass(frozen=True)
class Crop:
    """What was decided: the box, the coverage map in its true sense (None where none was given), and how it came about."""

    box: Box
    keep: float
    coverage: Floats | None
    there: Mask  # where a rim may lie: every channel has a value, and coverage is not below a sixth of the best
    source: Literal["map", "noise", "border"]
    record: dict[str, Any]
    doubts: tuple[tuple[str, str], ...]  # (id, text)


def decide_crop(
    planes: Floats,
    coverage: Floats | None,
    *,
    keep: float | None,
    aspect: float | None = None,
    centre: tuple[float, float] | None = None,
    counts: Literal["auto", "frames", "rejections", "variance"] = "auto",
    linear: bool = True,
) -> Crop:
    """Find the largest rectangle whose coverage is at least ``keep`` of the best everywhere (None: area times coverage).

    With a map it is exact. A map with which the noise has nothing to do raises a doubt, and is set aside if it would
    leave little. Without one coverage is estimated
    from the noise of linear data; of display data only the empty border is cut off.
    """
    good: Mask = np.asarray(np.isfinite(planes).all(axis=0))
    # a stretched sky may well be black; in linear data a solid even border is no sky
    empty = empty_border(planes) if linear else None
    if empty is not None:
        good &= ~empty
    if not good.any():
        raise StepError("there is no pixel with a value in all channels; nothing can be cropped to")
    doubts: list[tuple[str, str]] = []
    record: dict[str, Any] = {}
    if coverage is not None:
        known = np.isfinite(coverage)
        coverage = coverage if known.all() else np.where(known, coverage, np.float32(0))
        coverage = _understood(coverage, planes, good & known, counts, linear, record, doubts)
        if coverage is not None:
            return _by_map(coverage, good & (coverage > 0), keep, aspect, centre, record, doubts)
    return _by_noise(planes, good, keep, aspect, centre, linear, record, doubts)


def _understood(
    map_: Floats, planes: Floats, good: Mask, counts: str, linear: bool, record: dict[str, Any], doubts: list[tuple[str, str]]
) -> Floats | None:
    """Bring a map to "more is better", or None where it cannot be used."""
    meaning: Any = counts
    if counts == "auto":
        meaning = "frames"
        if linear:
            sense = cov.sense_of(map_, planes, good)
            record["noise_correlation"] = round(sense.correlation, 3)
            meaning = sense.meaning
    if meaning is None:
        text = f"the coverage map has nothing to do with the noise of the stack (rank correlation {record['noise_correlation']:+.2f})"
        tell = "If it is the right map, say what it counts, e.g. crop_to_coverage: {map_counts: frames}"
        box = largest_rectangle(good & (map_ >= np.float32(0.5 * cov.best_level(map_)[0])))
        if box is None or box.area < 0.25 * good.size:
            doubts.append(("coverage-unrelated", f"{text}, so it was set aside. {tell}"))
            return None
        doubts.append(("coverage-unrelated", f"{text}; it is taken to count frames all the same. {tell}"))
        meaning = "frames"
    record["map_counts"] = meaning
    if meaning != "frames":
        what = {"rejections": "rejected frames", "variance": "variance"}[meaning]
        if counts == "auto":
            text = f"the map is brighter where the stack is noisier, so it is taken to count {what} and was turned over"
            doubts.append(("coverage-inverted", f"{text}. If it counts frames, say crop_to_coverage: {{map_counts: frames}}"))
        return cov.as_frames(map_, meaning, planes, good)
    return np.where(good, map_, np.float32(0)).astype(np.float32)


def _by_map(
    coverage: Floats,
    there: Mask,
    keep: float | None,
    aspect: float | None,
    centre: tuple[float, float] | None,
    record: dict[str, Any],
    doubts: list[tuple[str, str]],
) -> Crop:
    """Crop by a map."""
    best, plain = cov.best_level(coverage)
    if best <= 0:
        raise StepError("the coverage map is zero wherever the stack has a value; give the map that belongs to this stack")
    if not plain:
        top = float(coverage.max())
        text = f"fewer than one pixel in a thousand comes near the map's highest value {top:.6g}; the best coverage is taken to be {best:.6g}"
        doubts.append(("coverage-spike", text))
    if keep is None:
        keep = _best_keep(lambda k, s: _pooled(coverage, there, k * best, s), coverage.shape, aspect, centre)
    box = largest_rectangle(there & (coverage >= np.float32(keep * best)), aspect, centre)
    if box is None:
        _nothing(keep, aspect, centre)
    # the rim of a grainy map shatters any rectangle; then the map without its grain decides, and that is said
    smooth = _grainless(coverage)
    wider = largest_rectangle(there & (smooth >= np.float32(keep * best)), aspect, centre)
    if wider is not None and wider.area > 1.2 * box.area:
        low = float(np.mean(wider.cut(coverage) < keep * best))
        text = f"the map is grainy: {low:.2%} of the pixels kept lie below {keep:.0%} one by one, their surroundings do not"
        doubts.append(("coverage-grainy", text))
        box = wider
    record.update(best_coverage=best, worst_coverage=float(box.cut(coverage).min() / best))
    return Crop(box, keep, coverage, there & (coverage >= np.float32(best / 6)), "map", record, tuple(doubts))


def _grainless(coverage: Floats) -> Floats:
    """Median over 5x5 pixels."""
    import cv2

    return np.asarray(cv2.medianBlur(coverage, 5), np.float32)


def _pooled(coverage: Floats, there: Mask, level: float, scale: int) -> Mask:
    """Where blocks of ``scale`` px lie wholly above a level."""
    ok = there & (coverage >= level)
    h, w = (n // scale for n in ok.shape)
    return np.asarray(ok[: h * scale, : w * scale].reshape(h, scale, w, scale).all((1, 3)))


def _best_keep(mask_at: Any, shape: tuple[int, ...], aspect: float | None, centre: tuple[float, float] | None) -> float:
    """Find the share at which area times coverage is largest: the light gathered in the rectangle."""
    scale = max(1, max(shape) // 500)
    at = None if centre is None else ((centre[0] + 0.5) / scale - 0.5, (centre[1] + 0.5) / scale - 0.5)
    worth = []
    for keep in _KEEPS:
        box = largest_rectangle(mask_at(float(keep), scale), aspect, at)
        worth.append(0.0 if box is None else box.area * float(keep))
    # of equals the better covered
    return round(float(_KEEPS[len(worth) - 1 - int(np.argmax(worth[::-1]))]), 4)


def _by_noise(
    planes: Floats,
    good: Mask,
    keep: float | None,
    aspect: float | None,
    centre: tuple[float, float] | None,
    linear: bool,
    record: dict[str, Any],
    doubts: list[tuple[str, str]],
) -> Crop:
    """Crop by what the noise tells, or at least by the empty border."""
    profile = cov.profile_of(planes, good) if linear else None
    if profile is None:
        box = largest_rectangle(good, aspect, centre)
        if box is None:
            _nothing(keep or 0.0, aspect, centre)
        return Crop(box, keep if keep is not None else 1.0, None, good, "border", record, tuple(doubts))
    if keep is None:

        def at(k: float, scale: int) -> Mask:
            h, w = (n // scale for n in good.shape)
            solid = good[: h * scale, : w * scale].reshape(h, scale, w, scale).all((1, 3))
            return np.asarray(profile.mask((h, w), k, 1 / scale) & solid)

        keep = _best_keep(at, good.shape, aspect, centre)
    box = largest_rectangle(profile.mask(good.shape, keep) & good, aspect, centre)
    if box is None:
        _nothing(keep, aspect, centre)
    return Crop(box, keep, None, good & profile.mask(good.shape, 1 / 3), "noise", record, tuple(doubts))


def _nothing(keep: float, aspect: float | None, centre: tuple[float, float] | None) -> NoReturn:
    shape = "" if aspect is None else f", or too few for a rectangle {aspect:.4g} times as wide as high"
    if centre is not None:
        raise StepError(
            f"the pixel x={centre[0]:.0f}, y={centre[1]:.0f} that shall be the centre is not covered to {keep:.0%} of the best (or lies "
            f"outside){shape}; choose another centre or a lower keep"
        )
    other = "" if aspect is None else " or another aspect"
    raise StepError(f"no pixel is covered to {keep:.0%} of the best{shape}; choose a lower keep{other}")


def nebula_centre(planes: Floats, good: Mask) -> tuple[float, float] | None:
    """Find the middle (x, y) of the nebula's light: the centroid of what stands out of the skyglow in the first channel.

    The skyglow is fitted as `remove_gradient` does: it is often hundreds of times as strong as the nebula, and a surface of
    second order is off by more than that. Stars are left out by medians, and the brightest tenth counts no more than what
    is just under it. None where nothing stands out.
    """
    import cv2

    from nebulakit.pixels.glow import gradient, legendre
    from nebulakit.pixels.noise import measure_noise

    seen = np.where(good, planes, np.float32(np.nan))
    sigma = gradient.unit(seen, measure_noise(seen).sigma)
    found = gradient.decide_gradient(seen, sigma)
    flat = seen[:1] - legendre.surface(found.coefficients[:1], good.shape, found.order)
    blocks = cov.block_noise(flat, good, int(np.clip(min(good.shape) // 40, 6, 64)))
    level = blocks.level[0] / sigma[0]
    known = np.isfinite(level)
    if known.sum() < 30:
        return None
    level = cv2.medianBlur(np.where(known, level, 0).astype(np.float32), 5)
    below = -level[known & (level < 0)]
    above = np.where(known & (level > 3 * 1.4826 * float(np.median(below))), level, 0) if below.size else np.zeros_like(level)
    if np.count_nonzero(above) < 5:
        return None
    above = np.minimum(above, np.percentile(above[above > 0], 90))
    yy, xx = (np.mgrid[: level.shape[0], : level.shape[1]] + 0.5) * blocks.size - 0.5
    return float((xx * above).sum() / above.sum()), float((yy * above).sum() / above.sum())
