"""Finding and fitting all stars of a linear stack, round by round: what is left tells of the law, and of stars missed."""

from __future__ import annotations

import math
from collections.abc import Sequence
from typing import Any

import numpy as np
import numpy.typing as npt

from nebulakit.pixels import kriging, starlet
from nebulakit.pixels.facts import Noise, StarList
from nebulakit.pixels.inpaint import halved, push_pull
from nebulakit.pixels.median import median
from nebulakit.pixels.parallel import over
from nebulakit.pixels.stars import first, ghosts, learn, spikes
from nebulakit.pixels.stars.beyond import find_beyond
from nebulakit.pixels.stars.coloured import star_coloured
from nebulakit.pixels.stars.cutouts import peaks_at
from nebulakit.pixels.stars.find import WIDE, find_stars
from nebulakit.pixels.stars.fit import COARSE, DOUBT, UNSETTLED, StarFit
from nebulakit.pixels.stars.flanks import learn_ghosts, learn_own
from nebulakit.pixels.stars.law import FREEDOM, PAD, Law
from nebulakit.pixels.stars.maxima import REACH, ROWS
from nebulakit.pixels.stars.plateaus import sky_of
from nebulakit.pixels.stars.tints import learn_tints
from nebulakit.pixels.stars.wings import learn_law

Array = npt.NDArray[np.float64]
Planes = npt.NDArray[np.float32]
Plane = npt.NDArray[np.float32]
Mask = npt.NDArray[np.bool_]
Ints = npt.NDArray[np.int_]

ROUNDS = 5
# as a logarithm, by how much a round may still move a law's flank, of Moffat stars and of others; and rounds more until it stays
MOVED, MORE = (0.2, 0.1), 4
LOOKS = 9  # times that stars are looked for before anything is learned
# of the stars, and how many: more missed at first are a crowd's (0.04 to 0.17 on twelve ordinary scenes, 0.4 to 1 in crowds)
MANY, LEAST = 0.2, 30
FEW = 0.04  # of the stars: less missed are left to the rounds
AGAIN = 2  # times that groups are solved for again within a round
CLEAR = 30.0  # sigma, in every channel
MISSED = 0.3, 0.15, 0.1, 0.1  # by round: of the doubt about a cut-off star's flank, what a star must stand out from it
BARE = 60.0  # sigma: under less star light than this the first heights leave the nebula nearly as it is
ASTRAY = 2.5  # px from where it was found: a star that went further is none
TOGETHER = 0.4  # of a star's width: closer pairs cannot be told from one star with a shape of its own
WELL = 0.02  # of its height: what a star leaves that is there, whichever way it came


def inner(plane: Any) -> Any:
    """Give what lies inside the margin that a fit adds."""
    return plane[..., PAD:-PAD, PAD:-PAD]


def fit_stars(
    planes: Planes,
    noise: Noise,
    coverage: Plane | None = None,
    white: tuple[float, ...] | None = None,
    stars: StarList | None = None,
    spare: Sequence[tuple[float, float, float]] = (),
) -> StarFit:
    """Fit all stars of linear planes; there are none within ``spare`` (x, y, radius)."""
    fit = _begun(planes, noise, coverage, white, find_stars(planes, noise, coverage, white) if stars is None else stars)
    _solve(fit, 0, 0)
    learn.learn_shifts(fit)
    _gather(fit, noise, spare)
    first_laws, fresh = list(fit.laws), 0
    k = more = 0
    while True:
        last = k == ROUNDS - 1
        if k:
            _solve(fit, k, fresh)
        learn_tints(fit)
        if not last:
            learn.learn_shifts(fit)
        elif fit.spikes is not None:
            spikes.draw_spikes(fit)
        fit.redraw(anew=last)
        if last:
            break
        learn.learn_scatter(fit)
        _learn(fit, k, first_laws)
        fresh = _renew(fit, k, noise, spare)
        # where stars are none of Moffat's, heights and flanks take longer to agree
        if k == ROUNDS - 3 and fit.moved > MOVED[fit.bent] and more < MORE:
            more += 1
        else:
            k += 1
    return fit


def _begun(planes: Planes, noise: Noise, coverage: Plane | None, white: tuple[float, ...] | None, found: StarList) -> StarFit:
    """Give a fit of the stars that were found, with their first laws and heights."""
    import cv2

    hidden = ~np.isfinite(planes)
    if coverage is not None:
        hidden = hidden | (coverage <= 0)
    z = np.stack(over(lambda c: push_pull(planes[c], hidden[c]), range(len(planes))))
    z /= np.array(noise.sigma, np.float32)[:, None, None]
    if white is not None:
        hidden = hidden | _cut(planes, white)
    fwhm = _width(found)
    many = first.alone(hidden, found, fwhm)
    varying = first.varies(z, found.x[many], found.y[many], fwhm)
    laws = first.first_laws(z, found.x[many[: first.MOST]], found.y[many[: first.MOST]], fwhm, varying=varying)
    ratio = float(np.median([row[1] / row[0] if row[0] > 0 else 0 for row in noise.scales]))
    field = kriging.Field(kriging.noise_blur(ratio), fwhm / 2.355)
    fit = StarFit(z, hidden, noise.map, laws, field)
    fit.fwhm, fit.sigma = fwhm, noise.sigma
    fit.freedom = np.tile(FREEDOM / 4, (len(planes), 1))
    h, w = planes.shape[1:]
    px, py = np.clip(np.rint(found.x).astype(int), 0, w - 1), np.clip(np.rint(found.y).astype(int), 0, h - 1)
    cut = found.saturated | (hidden[:, py, px].any(0) if white is not None else False)
    # of a cut-off star only what is seen of its flank tells its height
    lost: Mask = np.asarray(hidden.any(0))
    deep = cv2.distanceTransform(np.asarray(lost, np.uint8), cv2.DIST_L2, 5)[py, px]
    r_sat = np.where(found.saturated, np.maximum(deep, 1.5), 0.0)
    heights = peaks_at(inner(fit.data), lost, found.x, found.y, r_sat, fwhm)
    above = inner(fit.data)[:, py, px] - np.array([[sky_of(plane)] for plane in inner(fit.data)])
    heights = np.maximum(heights, np.where(cut & hidden[:, py, px], above, 1))
    fit.add(found.x, found.y, np.maximum(heights, 1), cut)
    _prepare(fit)
    return fit


def _gather(fit: StarFit, noise: Noise, spare: Sequence[tuple[float, float, float]]) -> None:
    """In a crowd, where most stars are seen only without the others, look for them in what is left until few are missed."""
    for _ in range(LOOKS):
        fit.redraw()
        x, y, height = _missed(fit, noise, MISSED[0], spare)
        fit.crowded |= len(x) > max(MANY * fit.count, LEAST) or fit.fwhm > WIDE
        if not fit.crowded or len(x) <= FEW * fit.count:
            break
        first.laws_again(fit)
        fit.add(x, y, height, np.zeros(len(x), bool))
        fit.redraw()
        _prepare(fit, again=True)
        _solve(fit, 0, len(x))


def _solve(fit: StarFit, k: int, fresh: int) -> None:
    """Solve for the stars, ``fresh`` of which are new, for groups that are not settled again, and at last for all again."""
    last = k == ROUNDS - 1
    all_inside = np.nonzero(~fit.outside)[0]
    fit.sweep(_active(fit, fresh) if k >= 2 and not last else all_inside, wide=last)
    seen = fit.seen
    for _ in range(AGAIN):
        unsure = _unsure(fit)
        if not len(unsure):
            break
        fit.sweep(unsure, wide=last)
    if last:  # the first time, each is solved beside neighbours that do not know the new law yet
        for c in range(len(fit.data)):
            fit.mirror_margin(c)
        fit.sweep(all_inside)
    fit.seen = seen


def _learn(fit: StarFit, k: int, first_laws: list[Law]) -> None:
    """Learn from what is left what stars share, and what giants have of their own."""
    longest = min(0.2 * min(inner(fit.data).shape[1:]), 120.0)
    if k <= 1 or fit.spikes is not None:
        spikes.learn_spikes(fit, 0.25 * min(inner(fit.data).shape[1:]), spikes.SURE[min(k, 1)])
    if k == 1 or (k > 1 and any(fit.ghosts)):
        fit.ghosts = ghosts.find_ghosts(fit)
        if any(fit.ghosts):
            if k == 1:  # what the law has learned so far was in part the discs
                fit.laws = list(first_laws)
            fit.redraw()
    learn_law(fit, longest)
    fit.redraw()
    if k >= 1 and fit.saturated.any():
        learn_own(fit, longest)
        learn_ghosts(fit)
        fit.redraw()


def _renew(fit: StarFit, k: int, noise: Noise, spare: Sequence[tuple[float, float, float]]) -> int:
    """Drop what is no star, find those beyond the edges anew, and add stars that were missed: how many, they are the last."""
    last = k == ROUNDS - 2  # what is new is solved only once more
    if last:
        fit.drop(_kept(fit, merge=False))  # two that part a star well are better than one bent to be both
        fit.redraw()
    if k > 0:
        find_beyond(fit, last)
        learn_ghosts(fit, beyond=True)
    x, y, height = _missed(fit, noise, MISSED[k], spare)
    if not last:
        fit.drop(_kept(fit))
    if last:  # must stand out clearly: most are stars of groups that fell apart
        clear = height.min(0) > CLEAR
        x, y, height = x[clear], y[clear], height[:, clear]
    fit.add(x, y, height, np.zeros(len(x), bool))
    fit.redraw()
    if not last:
        _prepare(fit, again=True)
    return len(x)


def _cut(planes: Planes, white: tuple[float, ...]) -> Mask:
    """Give the pixels that are cut off at white, and their neighbours."""
    import cv2

    out = np.zeros(planes.shape, bool)
    for c, (plane, level) in enumerate(zip(planes, white, strict=True)):
        sky = sky_of(plane)
        with np.errstate(invalid="ignore"):
            cut = (plane > level - 0.06 * (level - sky)).astype(np.uint8)
        out[c] = cv2.dilate(cut, np.ones((3, 3), np.uint8)) > 0
    return out


def _width(stars: StarList) -> float:
    """Give a first width of the stars, from their flux and height."""
    # find_stars told the flux by a Moffat law of the usual width: flux = peak * pi alpha^2 / (beta - 1), beta 3
    if not len(stars):
        return 3.0
    alpha = math.sqrt(float(median(stars.flux / stars.peak)) * 2 / math.pi)
    return float(np.clip(alpha * 2 * math.sqrt(2 ** (1 / 3) - 1), 1.2, 12))


def _prepare(fit: StarFit, again: bool = False) -> None:
    """Start with the stars drawn from their first heights, the holes filled from around, and the nebula's strength."""
    import cv2

    if not again:
        fit.redraw()

    def channel(c: int) -> None:
        data, rest = inner(fit.data[c]), inner(fit.rest[c])
        if not again:
            # a step between what is told from around and what is left would be taken for structure of the nebula
            inner(fit.cores[c])[:] = core = data - rest > BARE
            inner(fit.behind[c])[:] = push_pull(rest, core)
            for plane in (fit.cores[c], fit.behind[c]):
                fit.mirror(plane)
        # the third starlet scale at every second pixel, where it is the same as at all, and its power at every fourth
        seen = data - rest <= 2
        half, told = halved(data, seen)
        filled = push_pull(np.asarray(half / np.maximum(told, np.float32(1e-3)), np.float32), told < 0.25)
        free = seen[::2, ::2].astype(np.float32)
        second = starlet.smooth(filled, 1)
        third = second - starlet.smooth(second, 2)
        blurred = (cv2.GaussianBlur(cv2.pyrDown(a), (0, 0), 2) for a in (free, third * third * free))
        share, power = (np.asarray(a, np.float32) for a in blurred)
        power /= np.maximum(share, np.float32(1e-3))
        # in the middle of a large star nothing is seen from so near
        power = push_pull(power, share < 0.05)
        fit.strength[c] = np.pad(np.maximum(power - fit.third2[c], 0), PAD // COARSE, mode="edge")

    over(channel, range(len(fit.data)))


def _missed(fit: StarFit, noise: Noise, doubt: float, spare: Sequence[tuple[float, float, float]]) -> tuple[Array, Array, Array]:
    """Find stars in what is left, but none within ``spare`` (x, y, radius): x, y, and heights (channel, star).

    ``doubt``: of how far a cut-off star's flank may be off, what one beside it must stand out by.
    """
    import cv2
    from scipy.spatial import cKDTree

    planes = _standing_out(fit)
    cut = cv2.dilate(np.asarray(fit.hidden.any(0), np.uint8), np.ones((5, 5), np.uint8)) > 0
    cut[:PAD] = cut[-PAD:] = cut[:, :PAD] = cut[:, -PAD:] = False  # the margin mirrors what is inside
    seen = (~cut).astype(np.float32)
    sigma = np.asarray(noise.sigma, np.float32)[:, None, None]
    planes *= sigma
    found = find_stars(
        planes, Noise(noise.sigma, noise.scales, fit.level), seen, None, threshold=7.0, fwhm=fit.fwhm, crowded=fit.crowded
    )
    planes /= sigma
    x, y = found.x - PAD, found.y - PAD
    h, w = inner(planes).shape[1:]
    keep = (x > 0.7) & (y > 0.7) & (x < w - 1.7) & (y < h - 1.7)
    if fit.count and len(found):
        near = cKDTree(np.column_stack([fit.x.mean(0) - PAD, fit.y.mean(0) - PAD])).query(np.column_stack([x, y]))[0]
        keep &= near > max(1.2, 0.25 * fit.fwhm)
    x, y = x[keep], y[keep]
    bx, by = _beside(fit, planes)
    if len(x) and len(bx):
        alone = cKDTree(np.column_stack([x, y])).query(np.column_stack([bx, by]))[0] > 2
        bx, by = bx[alone], by[alone]
    x, y = np.concatenate([x, bx]), np.concatenate([y, by])
    far = np.ones(len(x), bool)
    for a, b, r in spare:
        far &= np.hypot(x - a, y - b) > r
    return _believed(fit, x[far], y[far], doubt)


def _standing_out(fit: StarFit) -> Planes:
    """Give what is left without the nebula, in units of what it may be off by."""
    import cv2

    from nebulakit.pixels.stars import kernels

    planes = np.empty_like(fit.rest)
    nowhere = np.zeros((0, 0), np.float32)
    scales, reach = ((1, 2, 3), REACH) if fit.fwhm < WIDE else ((1, 2, 3, 4), 2 * REACH + 2)

    def channel(c: int) -> None:
        for top in range(0, len(planes[c]), ROWS):  # little memory at once
            rows, first = slice(top, top + ROWS), max(top - reach, 0)
            wide = slice(first, top + ROWS + reach)
            # the nebula is taken off, so that what stands out of the light of a star is not measured by it
            behind, cores = fit.behind[c, wide], fit.cores[c, wide].view(np.uint8)
            ground = np.asarray(cv2.copyTo(behind, cores, fit.rest[c, wide].copy()), np.float32)
            for scale in scales:
                ground = starlet.smooth(ground, scale)
            doubt = fit.doubt[c, rows]
            kernels.stand_out(
                (fit.rest[c, rows], fit.data[c, rows], fit.hidden[c, rows], ground[top - first :][:ROWS]),
                doubt.astype(np.float32) if doubt.view(np.int16).any() else nowhere,
                (float(fit.photons[c]), float(fit.misfit[c])),
                planes[c, rows],
            )
        fit.mirror(planes[c])

    over(channel, range(len(planes)))
    return planes


def _believed(fit: StarFit, x: Array, y: Array, doubt: float) -> tuple[Array, Array, Array]:
    """Give those of the places that stars are believed in, and their heights: x, y, (channel, star)."""
    rest = inner(fit.rest)
    h, w = rest.shape[1:]
    height = peaks_at(rest, np.zeros((h, w), bool), x, y, np.zeros(len(x)), 3.0)
    # beside a cut-off star only what stands well out of its light, and not as a part of its flank, is believed
    py, px = np.clip(np.rint(y).astype(int), 0, h - 1), np.clip(np.rint(x).astype(int), 0, w - 1)
    turns = np.arange(16) * (2 * math.pi / 16)
    ry, rx = (
        np.rint(np.concatenate([r * f(turns) for r in (1.3 * fit.fwhm, 1.8 * fit.fwhm)])).astype(int) for f in (np.sin, np.cos)
    )
    around = median(rest[:, np.clip(py[:, None] + ry, 0, h - 1), np.clip(px[:, None] + rx, 0, w - 1)], axis=2)
    stands = rest[:, py, px] - around
    flank = inner(fit.doubt)[:, py, px].astype(np.float32) / np.float32(DOUBT)
    keep = (stands > doubt * flank).sum(0) * 2 > len(height)
    height = np.clip(height, 0.5 * stands, 2.5 * np.maximum(stands, 1))
    return x[keep], y[keep], np.maximum(height[:, keep], 1.0)


def _beside(fit: StarFit, planes: Planes) -> tuple[Array, Array]:
    """Give the brightest places close to stars that are poorly fitted: most are two stars taken for one."""
    poor = np.nonzero((fit.poor.max(0) > 5) & ~fit.saturated)[0]
    poor = poor[np.argsort(-fit.poor.max(0)[poor], kind="stable")]
    x, y = fit.x.mean(0)[poor], fit.y.mean(0)[poor]
    h, w = planes.shape[1:]
    span = np.arange(-5, 6)
    rows, cols = (np.clip(np.rint(at)[:, None].astype(int) + span, 0, n - 1) for at, n in ((y, h), (x, w)))
    cut = np.zeros((len(poor), len(span), len(span)), np.float32)

    def look(top: int) -> None:
        first = max(top - REACH - len(span), 0)
        light = planes[:, first : top + ROWS + REACH + len(span)].sum(0) / math.sqrt(len(planes))
        smooth = starlet.smooth(light, 1)
        fine = smooth - starlet.smooth(starlet.smooth(smooth, 2), 3)
        here = np.nonzero((rows[:, 5] >= top) & (rows[:, 5] < top + ROWS))[0]
        cut[here] = fine[rows[here][:, :, None] - first, cols[here][:, None]]

    over(look, range(0, h, ROWS))
    far = np.hypot(cols[:, None] - x[:, None, None], rows[:, :, None] - y[:, None, None])
    cut[(far < 1.0) | (far > 5.2)] = -np.inf
    brightest = cut.reshape(len(poor), len(span) ** 2).argmax(1)
    j, k = np.divmod(brightest, len(span))
    index = np.arange(len(poor))
    places = np.column_stack([cols[index, k], rows[index, j]])[cut[index, j, k] > 5].astype(np.float64)
    out, n = np.zeros((len(places), 2)), 0
    for place in places:
        if (np.hypot(*(out[:n] - place).T) > 3).all():
            out[n], n = place, n + 1
    return out[:n, 0] - PAD, out[:n, 1] - PAD


def _kept(fit: StarFit, merge: bool = True) -> Mask:
    """Say which stars stay: those that are seen in some channel and did not fall together with a brighter one, which takes their light."""
    from scipy.spatial import cKDTree

    keep = (fit.height.max(0) > 5) | fit.saturated
    x, y = fit.place
    # what a clear star that is well fitted was found as, beside a cut-off one, may lie farther off than a star goes
    settled = median(np.sqrt(fit.poor) / np.maximum(fit.height, 1e-6), axis=0) < WELL
    fit.origin[settled] = np.column_stack([x, y])[settled]
    # one beyond the edge moves along it while it is told
    astray = (np.hypot(x - fit.origin[:, 0], y - fit.origin[:, 1]) >= ASTRAY) & ~fit.outside
    h, w = fit.data.shape[1:]
    hidden = inner(fit.hidden).any(0)
    px = np.clip(np.rint(x).astype(int) - PAD, 0, w - 2 * PAD - 1)
    py = np.clip(np.rint(y).astype(int) - PAD, 0, h - 2 * PAD - 1)
    keep &= fit.saturated | ~hidden[py, px]
    within = (x > PAD - 0.5) & (y > PAD - 0.5) & (x < w - PAD - 0.5) & (y < h - PAD - 0.5)
    keep = (keep & (within | fit.saturated)) | fit.outside
    order = np.argsort(-fit.height.sum(0) - 1e12 * fit.saturated, kind="stable")
    rank = np.empty(len(order), int)
    rank[order] = np.arange(len(order))
    pairs = cKDTree(np.column_stack([x, y])).query_pairs(TOGETHER * fit.fwhm, output_type="ndarray")
    # one takes the other's light, or is judged with it: two that part a star may share out its colours, too
    light = fit.height if merge else fit.height.copy()
    first, second = np.take_along_axis(pairs, np.argsort(rank[pairs], axis=1), axis=1).T if len(pairs) else (pairs, pairs)
    for a, b in sorted(zip(first.tolist(), second.tolist(), strict=True), key=lambda p: (rank[p[0]], rank[p[1]])):
        if not merge:
            light[:, [a, b]] += fit.height[:, [b, a]]
        elif keep[a] and keep[b] and not fit.outside[b]:
            # also the light of one that went astray: without it the other would not have a star's colour
            light[:, a] += 0 if fit.saturated[a] else light[:, b]
            fit.trust[:, a] = 0
            astray[a] &= astray[b]
            keep[b] = False
    keep &= ~astray
    sigma = np.asarray(fit.sigma)[:, None]
    level = np.sqrt(fit.strength[:, (py + PAD) // COARSE, (px + PAD) // COARSE])
    coloured = star_coloured(light * sigma, (2 + 0.02 * light.max(0) + 0.2 * level) * sigma, strict=True)
    return np.asarray(keep & (coloured | fit.saturated | fit.outside), bool)


def _unsure(fit: StarFit) -> Ints:
    """Give the stars of groups that are not settled: poorly fitted ones and those beside them."""
    from scipy.spatial import cKDTree

    place = np.column_stack([fit.x.mean(0), fit.y.mean(0)])
    poor = (fit.poor.max(0) > UNSETTLED) & ~fit.outside & ~fit.saturated
    near = cKDTree(place[poor]).query(place)[0] < 8 if poor.any() else np.zeros(fit.count, bool)
    return np.asarray(np.nonzero(near & ~fit.outside & ~fit.saturated)[0])


def _active(fit: StarFit, fresh: int) -> Ints:
    """Give the stars for which another round may change something: new and poorly fitted ones, those near them, bright ones."""
    from scipy.spatial import cKDTree

    place = np.column_stack([fit.x.mean(0), fit.y.mean(0)])
    stirred = (fit.poor.max(0) > 2) | fit.saturated
    if fresh:
        stirred[-fresh:] = True
    near = cKDTree(place[stirred]).query(place)[0] < 15 if stirred.any() else np.zeros(fit.count, bool)
    return np.asarray(np.nonzero((near | (fit.height.max(0) > 500)) & ~fit.outside)[0])
