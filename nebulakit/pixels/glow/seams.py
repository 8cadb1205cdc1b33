"""Seams: steps of the sky's level along the edges of nights or fields that a stack was put together from.

A stack is the mean of its frames. Where all frames of a night end, its skyglow ends with them, along a straight edge that
no smooth surface follows. The map of coverage shows these edges: it jumps there. The step is measured beside the edge
alone, where nebula and skyglow run on.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

Plane = npt.NDArray[np.float32]
Planes = npt.NDArray[np.float32]
Mask = npt.NDArray[np.bool_]
Ints = npt.NDArray[np.int32]
Doubles = npt.NDArray[np.float64]

JUMP = 0.12  # of the best coverage, within a hundredth of the frame: more than a turning field changes it
LEAST = 0.015  # of the frame: smaller zones hold too little of their edge to measure
CELL = 4  # px: the medians of cells are fitted
TILE = 14  # cells: the piece of an edge at which a step is fitted once
ALIKE = 4.0  # neighbouring cells that tell the same
SURE = 5.0  # by how many of its errors a step must differ from none
TELLING = 0.4  # sigma: smaller steps are not seen, also not after the stretch


@dataclass(frozen=True)
class Zones:
    """Where coverage is of a kind: ``label`` (y, x) is 1.. in zones, 0 in the transitions and where nothing is."""

    label: Ints
    coverage: Doubles  # of each zone, the median
    share: Doubles  # of the frame


@dataclass(frozen=True)
class Seams:
    """Steps that were found: the level of each zone over that of the largest, (channel, zone); ``edges`` tells how."""

    zones: Zones
    offset: Doubles
    edges: tuple[dict[str, object], ...]


def find_zones(coverage: Plane) -> Zones | None:
    """Give the zones between the jumps of a coverage map; None where there are fewer than two."""
    import cv2

    cover = np.nan_to_num(coverage, nan=0.0).astype(np.float32)
    best = float(np.quantile(cover[::3, ::3], 0.999))
    if best <= 0:
        return None
    reach = max(3, round(0.01 * min(cover.shape)) | 1)
    kernel = np.ones((reach, reach), np.uint8)
    soft = cv2.medianBlur(cover, 5)
    jump = cv2.dilate(soft, kernel) - cv2.erode(soft, kernel) > np.float32(JUMP * best)
    inside = ~jump & (cover > 0.05 * best)
    count, labels, boxes, _ = cv2.connectedComponentsWithStats(inside.astype(np.uint8), connectivity=4)
    large = [k for k in range(1, count) if boxes[k, cv2.CC_STAT_AREA] >= LEAST * cover.size]
    if len(large) < 2:
        return None
    number = np.zeros(count, np.int32)
    number[large] = np.arange(1, len(large) + 1)
    label = np.asarray(number[labels], np.int32)
    return Zones(
        label,
        np.array([float(np.median(cover[label == k])) for k in range(1, len(large) + 1)]),
        np.array([boxes[k, cv2.CC_STAT_AREA] / cover.size for k in large]),
    )


def decide_seams(planes: Planes, sigma: npt.ArrayLike, coverage: Plane, left_out: Mask) -> Seams | None:
    """Measure the steps of planes (channel, y, x) between zones of ``coverage`` (y, x); None where none is clear.

    ``sigma``: noise per channel. ``left_out`` (y, x): what is not to be looked at; stars are outvoted. A step counts where, over
    all pieces of its edge, it differs from none by :data:`SURE` errors and is :data:`TELLING` sigma high in some channel.
    """
    zones = find_zones(coverage)
    if zones is None:
        return None
    scale = np.maximum(np.asarray(sigma, float), 1e-30)
    level, label = _cells(planes, scale, zones.label, left_out)
    n, c = len(zones.coverage), len(planes)
    rows, steps, errors, edges = [], [], [], []
    for a in range(1, n + 1):
        for b in range(a + 1, n + 1):
            found, doubt = _steps(level, label, a, b)
            if len(found) < 4:
                continue
            weight = 1 / (doubt**2 + TELLING**2)
            step = (weight * found).sum(0) / weight.sum(0)
            scatter = (weight**2 * (found - step) ** 2).sum(0) / weight.sum(0) ** 2
            # pieces overlap by half: two tell what one does
            error = np.sqrt(2 * np.maximum(scatter, (weight**2 * doubt**2).sum(0) / weight.sum(0) ** 2))
            rows.append((a - 1, b - 1))
            steps.append(step)
            errors.append(error)
            edges.append({"zones": [a, b], "step_sigma": step.tolist(), "error_sigma": error.tolist(), "pieces": len(found)})
    clear = [bool(((np.abs(s) > SURE * e) & (np.abs(s) > TELLING)).any()) for s, e in zip(steps, errors, strict=True)]
    if not any(clear):
        return None
    first = int(np.argmax(zones.share))
    offset = np.zeros((c, n))
    for k in range(c):
        # the levels that agree best with all steps; a zone that no edge ties to another stays at 0
        weight = np.array([1 / e[k] for e in errors])
        design = np.zeros((len(rows) + n, n))
        for r, (a, b) in enumerate(rows):
            design[r, a], design[r, b] = -weight[r], weight[r]
        design[len(rows) :] = np.eye(n) * 1e-3
        design[len(rows) + first, first] = 1e6
        told = np.concatenate([weight * np.array([s[k] for s in steps]), np.zeros(n)])
        offset[k] = np.linalg.lstsq(design, told, rcond=None)[0] * scale[k]
    return Seams(zones, offset, tuple(edges))


def _cells(planes: Planes, scale: Doubles, label: Ints, left_out: Mask) -> tuple[Doubles, Ints]:
    """Take the median of each cell, in units of the noise, and its zone: 0 where it lies in several, or something is left out."""
    h, w = (v // CELL * CELL for v in label.shape)
    ny, nx = h // CELL, w // CELL

    def parts(plane: npt.NDArray[np.float32] | Ints) -> npt.NDArray[np.float64]:
        cells = plane[:h, :w].reshape(ny, CELL, nx, CELL).transpose(0, 2, 1, 3)
        return np.asarray(cells.reshape(ny, nx, CELL * CELL), np.float64)

    zone = parts(np.where(left_out | ~np.isfinite(planes).all(0), 0, label).astype(np.int32))
    low = np.where(zone.min(-1) == zone.max(-1), zone.min(-1), 0).astype(np.int32)
    middle = CELL * CELL // 2
    levels = [np.partition(np.nan_to_num(parts(p)), middle, -1)[..., middle] / s for p, s in zip(planes, scale, strict=True)]
    return np.stack(levels), low


def _steps(level: Doubles, label: Ints, a: int, b: int) -> tuple[Doubles, Doubles]:
    """Fit, in each piece of the edge between two zones, a plane and a step from ``a`` to ``b``; give steps and errors (piece, channel)."""
    steps, errors = [], []
    ny, nx = label.shape
    yy, xx = np.mgrid[-1 : 1 : TILE * 1j, -1 : 1 : TILE * 1j]
    shape = np.stack([np.ones_like(xx), xx, yy], -1)
    for y in range(0, ny - TILE + 1, TILE // 2):
        for x in range(0, nx - TILE + 1, TILE // 2):
            zone = label[y : y + TILE, x : x + TILE]
            in_a, in_b = zone == a, zone == b
            if min(in_a.sum(), in_b.sum()) < TILE * TILE // 7:
                continue
            use = in_a | in_b
            design = np.concatenate([shape[use], in_b[use][:, None].astype(float)], 1)
            step, error = [], []
            for seen in level[:, y : y + TILE, x : x + TILE][:, use]:
                fit, spread, weight = np.zeros(4), 0.0, np.ones(len(seen))
                for _ in range(5):
                    fit = np.linalg.solve((design.T * weight) @ design, (design.T * weight) @ seen)
                    rest = seen - design @ fit
                    spread = 1.4826 * float(np.median(np.abs(rest))) + 1e-9
                    weight = 1 / (1 + (rest / (2 * spread)) ** 2)
                step.append(fit[3])
                # what is left of nebula and halos is alike in neighbouring cells: they count as a few
                error.append(spread * math.sqrt(ALIKE * float(np.linalg.inv((design.T * weight) @ design)[3, 3])))
            steps.append(step)
            errors.append(error)
    return np.array(steps).reshape(-1, len(level)), np.array(errors).reshape(-1, len(level))


def surface(seams: Seams, coverage: Plane) -> Planes:
    """Give the level of the zones on every pixel, float32 (channel, y, x), running from one to the other as coverage does.

    Where frames of a night end one after the other, coverage falls from ``high`` to ``low``; the share of that night in
    the mean, hence its part of the step, is (c - low) / (high - low) * high / c.
    """
    import cv2

    zones = seams.zones
    cover = np.nan_to_num(coverage, nan=0.0).astype(np.float32)
    every = np.arange(1, len(zones.coverage) + 1)
    far = np.stack([cv2.distanceTransform((zones.label != k).astype(np.uint8), cv2.DIST_L2, 5) for k in every])
    order = np.argsort(far, axis=0)
    near, other = order[0], order[1]
    low = np.where(zones.coverage[near] <= zones.coverage[other], near, other)
    high = near + other - low
    least, most = zones.coverage[low], zones.coverage[high]
    part = np.clip((cover - least) / np.maximum(most - least, 1e-9), 0, 1) * np.minimum(most / np.maximum(cover, 1e-9), 10)
    part = np.clip(part, 0, 1)
    inside = zones.label > 0
    own = np.maximum(zones.label - 1, 0)
    out = [np.where(inside, o[own], o[low] + part * (o[high] - o[low])) for o in seams.offset]
    return np.asarray(out, np.float32)
