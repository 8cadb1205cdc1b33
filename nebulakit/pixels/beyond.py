"""Stars on the edge of the picture or just beyond it, of which only a flank is seen."""

from __future__ import annotations

import math

import numpy as np
import numpy.typing as npt

from nebulakit.pixels.starfit import PAD, StarFit

Array = npt.NDArray[np.float64]

DEEP = 11  # px into the picture
WIDE = 9  # px along the edge, to either side
PLACES = (-1.0, -0.3, 0.4, 1.0, 1.7, 2.5, 3.5, 5.0, 7.0, 9.5, 12.5, 16.0, 20.0, 26.0)  # px beyond the edge
SURE = 8.0


def find_beyond(fit: StarFit) -> None:
    """Find stars whose light comes in over an edge, and take it off; those known from before are found anew."""
    known = np.nonzero(fit.outside)[0]
    for c in range(len(fit.data)):
        for k in known[fit.height[c, known] > 0]:
            fit.paint(fit.rest[c], c, np.array([k]), 60, 1.0)
    before = list(zip((fit.x.mean(0)[known] - PAD).tolist(), (fit.y.mean(0)[known] - PAD).tolist(), strict=True))
    fit.drop(~fit.outside)
    h, w = fit.data.shape[1] - 2 * PAD, fit.data.shape[2] - 2 * PAD
    found: list[tuple[float, float]] = []
    giants = np.column_stack([fit.x.mean(0) - PAD, fit.y.mean(0) - PAD])[fit.saturated & ~fit.outside]
    for edge in range(4):
        length = w if edge < 2 else h
        if length < 4 * WIDE or min(h, w) < 3 * DEEP:
            continue
        for middle in _bumps(_strips(fit, edge, 24)[0]):
            # what shines near the edge itself floods it
            inside = [((x, y), (x, h - 1 - y), (y, x), (y, w - 1 - x))[edge] for x, y in giants.tolist()]
            if any(abs(along - middle) < 15 and depth < 15 for along, depth in inside):
                continue
            old = None
            for x, y in before:
                along, out = ((x, -y), (x, y - h + 1), (y, -x), (y, x - w + 1))[edge]
                if out > 0 and abs(along - middle) < 4:
                    old = np.array([along, out])
            star = _solve(fit, edge, middle, length, old)
            if star is None:
                continue
            along, out, height = star
            x, y = {0: (along, -out), 1: (along, h - 1 + out), 2: (-out, along), 3: (w - 1 + out, along)}[edge]
            if all(math.hypot(x - a, y - b) > 2.5 for a, b in found):
                found.append((x, y))
                fit.add(np.array([x]), np.array([y]), height[:, None], np.zeros(1, bool))
                fit.outside[-1] = out > 0
                # the bright ones throw ghosts like those in the picture
                brightest = fit.height[:, fit.saturated & ~fit.outside]
                fit.saturated[-1] = bool(out > 0 and brightest.size and (height > 0.5 * brightest.min(1)).all())
                for c in range(len(fit.data)):
                    fit.paint(fit.rest[c], c, np.array([fit.count - 1]), 60, -1.0)


def _strips(fit: StarFit, edge: int, deep: int) -> tuple[Array, Array]:
    """Give (channel, depth, along) of what is left at an edge of the picture, the outermost first, and its variance."""

    def cut(plane: npt.NDArray[np.generic]) -> Array:
        a = plane[PAD:-PAD, PAD:-PAD]
        return np.asarray((a[:deep], a[::-1][:deep], a[:, :deep].T, a[:, ::-1][:, :deep].T)[edge], np.float64)

    rest = np.stack([cut(p) for p in fit.rest])
    light = np.maximum(np.stack([cut(p) for p in fit.data]) - rest, 0)
    variance = 1 + np.stack([cut(p) for p in fit.doubt]) ** 2 + 1e9 * np.stack([cut(p) for p in fit.hidden])
    variance += fit.photons[:, None, None] * light + (0.01 * light) ** 2
    return rest, variance


def _bumps(strip: Array) -> list[float]:
    """Give where along an edge something bright stands right at it."""
    from scipy.ndimage import gaussian_filter1d, median_filter

    rim = strip[:, :3].mean((0, 1)) * math.sqrt(3 * len(strip))
    ground = np.median(strip[:, 10:], axis=1).mean(0) * math.sqrt(3 * len(strip))
    rise = gaussian_filter1d(rim - median_filter(ground, 15, mode="nearest"), 1.0, mode="nearest")
    out: list[float] = []
    # narrow ones on an uneven nebula, then broad ones, that come from far beyond
    for window in (31, 0):
        bare = rise - (median_filter(rise, window, mode="nearest") if window else np.median(rise))
        spread = max(1.4826 * float(np.median(np.abs(bare - np.median(bare)))), 1.0)
        top = (bare[1:-1] >= bare[:-2]) & (bare[1:-1] > bare[2:]) & (bare[1:-1] > 7 * spread)
        places = np.nonzero(top)[0] + 1
        for p in places[np.argsort(-bare[places], kind="stable")].tolist():
            if all(abs(p - q) > 4 for q in out):
                out.append(float(p))
    return sorted(out, key=lambda p: -rise[int(p)])[: 40 + len(rise) // 50]


def _solve(fit: StarFit, edge: int, middle: float, length: int, old: Array | None) -> tuple[float, float, Array] | None:
    """Find place along and beyond an edge, and the heights, of the star that best explains what comes in there."""
    from scipy.optimize import least_squares

    value, variance = _strips(fit, edge, DEEP)
    a, b = max(round(middle) - WIDE, 0), min(round(middle) + WIDE + 1, length)
    value, variance = value[:, :, a:b], variance[:, :, a:b]
    # the star is not known yet, but what stands out is its light, and the law is a few percent off so far out
    light = np.maximum(value - np.median(value[:, -3:], axis=(1, 2), keepdims=True), 0)
    weight = 1 / np.sqrt(variance + fit.photons[:, None, None] * light + (0.03 * light) ** 2)
    depth, along = np.mgrid[0:DEEP, a:b].astype(np.float64)
    ground = np.stack([np.ones_like(depth), depth / DEEP, (along - middle) / WIDE], -1).reshape(-1, 3)
    sideways = edge >= 2
    sign = -1.0 if edge % 2 else 1.0

    def left(p: Array) -> tuple[Array, Array]:
        rest, heights = [], []
        for c, law in enumerate(fit.laws):
            d, s = (depth + p[1]) * sign, along - p[0]
            star = law.at(d, s) if sideways else law.at(s, d)
            root = weight[c].reshape(-1)
            columns = np.column_stack([star.reshape(-1), ground]) * root[:, None]
            normal, right = columns.T @ columns, columns.T @ (value[c].reshape(-1) * root)
            normal += 1e-12 * np.diag(normal.diagonal() + 1e-30)
            amounts = np.linalg.solve(normal, right)
            if amounts[0] < 0:
                amounts = np.concatenate([[0.0], np.linalg.solve(normal[1:, 1:], right[1:])])
            rest.append(value[c].reshape(-1) * root - columns @ amounts)
            heights.append(amounts[0])
        return np.concatenate(rest), np.array(heights)

    nothing = float(np.minimum(left(np.array([middle, 1e3]))[0] ** 2, 25).sum())
    tries = [np.array([middle + s, out]) for out in PLACES for s in (-1.5, 0.0, 1.5)]
    outcome = [left(p) for p in tries] if old is None else []
    costs = np.array([float(np.minimum(rest**2, 25).sum()) for rest, _ in outcome])
    # bright stars are rare: as many as there are with at least this light, f^-1.1, a place further out must explain more
    rare = np.array([4.2 * math.log(max(float(heights.max()), 1.0)) for _, heights in outcome])
    freedom = weight.size - 6 * len(fit.laws)
    best = old if old is not None else tries[int(np.argmin(costs / max(1.0, float(costs.min()) / freedom) + rare))]
    near = (best - 3, best + 3)
    best = least_squares(lambda p: left(p)[0], best, loss="soft_l1", f_scale=3.0, bounds=near, max_nfev=15).x
    rest, heights = left(best)
    after = float(np.minimum(rest**2, 25).sum())
    if nothing - after < SURE**2 or (heights > 0).sum() * 2 <= len(heights):
        return None
    far = best[1] > 1
    # what is further out must explain most of what comes in; if little comes in, it is not brighter than any star inside
    if after > (0.75 if far else 0.85) * nothing:
        return None
    faint = float(light[:, 0].max()) < 50
    if far and faint and (heights > 4 * fit.height.max(1, initial=1e3)).any():
        return None
    return float(best[0]), float(best[1]), heights
