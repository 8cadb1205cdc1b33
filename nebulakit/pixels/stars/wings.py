"""How a star's light goes down from its core to its wide wings, learned from the bright stars in spite of the nebula they shine through."""

from __future__ import annotations

import math
from typing import NamedTuple

import numpy as np
import numpy.typing as npt

from nebulakit.pixels.stars.fit import StarFit
from nebulakit.pixels.stars.law import RADII, Law
from nebulakit.pixels.stars.rings import NODES, TOLD, Rings, leading, rings_around, uneven_here

Array = npt.NDArray[np.float64]
Ints = npt.NDArray[np.int_]

WINGS = np.geomspace(10, 70, 10)  # px: lengths of the exponential wings that a law may have
USUAL, SPREAD = 27.0, 0.25  # where lengths are expected before anything is seen: px, and in e-folds
SHARE, DOUBTFUL = 0.004, 0.004  # of a star's light in its wings: all optics and all air scatter some (King 1971, PASP 83:199)
PLACE = np.sqrt(NODES[:-1] * NODES[1:])
LOGS = np.log(PLACE)
TAIL = 10.0  # degrees of freedom of what is expected: where plainly more is seen, it counts less (Student's law)
# how far a flank may be off the law that the cores show, standard deviations of its logarithm that are tried; and at most at once
BENT, MOST = (0.2, 0.5, 1.0, 2.0), 1.0
ALIKE = 0.03  # how far, beyond that, the channels' flanks may differ
WIDER = 2.5  # whether flanks differ as widths do is not known: by so much, times the logarithm of the widths' ratio
SMOOTH = 0.7  # e-folds of radius over which both stay alike
CORE, FLANK = 1.0, 1.6  # widths: within the first the law is left alone, beyond the second it may change


class Prior(NamedTuple):
    """What is expected of the factors' logarithms."""

    precision: Array
    expected: Array  # the precision times the mean
    sure: float  # the logarithm of what its density is at the most, by which priors are told from each other


def learn_law(fit: StarFit, longest: float) -> None:
    """Bring the laws in line with what is left around the cut-off and other bright stars: their flanks and their wings.

    All channels have the same wings, exponential ones, as shares of a star's light: they come from the same glass and
    air, and it is where there is least nebula that they are seen. The factor on the rest of a law is a Gaussian random
    function of the logarithm of the radius, most of it alike in all channels; far out, where nothing is told, the rest
    goes back to the Moffat law of the cores. Both are fitted together by generalised least squares, every star on a
    level of its own, against what the nebula does to means over rings, which is measured on rings around every place of
    the picture. Sources: Rasmussen & Williams 2006, Gaussian Processes for Machine Learning, 2.7 (explicit basis
    functions) and 9.1 (several outputs).
    """
    fit.moved, fit.bent = 0.0, False
    widths = np.array([law.width for law in fit.laws])
    lengths = WINGS[(3 * max(widths) < WINGS) & (0.6 * longest > WINGS)]
    lead = leading(fit)
    order = np.argsort(-fit.height[lead] - 1e12 * fit.saturated, kind="stable")
    order = order[~fit.outside[order]]
    bright = order[(fit.height[lead, order] > 3000) | fit.saturated[order]][:60]
    stars = rings_around(fit, bright, FLANK * float(max(widths)), longest)
    if not len(lengths) or not stars:
        return
    cores = [law.table.astype(np.float64) - law.wings for law in fit.laws]
    if fit.flank is None:
        # as it would be if stars were 3 px wide
        scaled = [np.interp(PLACE * (w / 3), RADII, core) for w, core in zip(widths, cores, strict=True)]
        fit.flank = np.log(np.maximum(scaled, 1e-12)).mean(0)
    channel, node = (v.ravel() for v in np.indices((len(cores), len(PLACE))))
    use = PLACE[node] > CORE * widths[channel]
    channel, node = channel[use], node[use]
    atoms = np.exp(-RADII[None] / lengths[:, None]) / (2 * np.pi * lengths[:, None] ** 2)  # of unit light
    areas = np.array([2 * math.pi * float(np.trapezoid(core * RADII, RADII)) for core in cores])
    designs = [_design(s, areas, atoms, cores, channel, node) for s in stars]
    values = [
        s.value + sum(s.scale**2 * h * np.interp(s.radius, RADII, law.wings) for h, law in zip(s.height, fit.laws, strict=True))
        for s in stars
    ]
    amounts, chosen = _amounts(stars, designs, values, lengths, _priors(fit.flank, cores, widths, channel, node))
    fit.bent = chosen > 0
    for c, law in enumerate(fit.laws):
        wings = areas[c] * (amounts[: len(lengths)] @ atoms)
        factor = np.zeros(len(PLACE))
        factor[node[channel == c]] = np.clip(amounts[len(lengths) :][channel == c], -MOST, MOST)
        factor[FLANK * widths[c] > PLACE] = 0
        table = cores[c] * np.exp(np.interp(np.log(np.maximum(RADII, 0.05)), LOGS, factor, left=0.0)) + wings
        fit.laws[c] = law.told(table / table[0], wings / table[0])
        fit.moved = max(fit.moved, _moved(law, fit.laws[c], FLANK * widths[c]))
        fit.height[c] *= table[0]
        fit.due[c] *= table[0]


def _moved(before: Law, now: Law, nearest: float) -> float:
    """Give how far a law's flank has moved, as a logarithm, where a star shines a noise that is 100000 noises high."""
    seen = (nearest < RADII) & (before.table > 1e-5)
    return float(np.abs(np.log(np.maximum(now.table[seen], 1e-12) / before.table[seen])).max(initial=0.0))


def _design(star: Rings, areas: Array, atoms: Array, cores: list[Array], channel: Ints, node: Ints) -> Array:
    """Give (ring, unknown) what each length of the wings, and each factor's logarithm, does on the rings of a star."""
    design = np.zeros((len(star.radius), len(atoms) + len(node)))
    design[:, : len(atoms)] = np.stack(
        [(star.scale**2 * areas @ star.height) * np.interp(star.radius, RADII, a) for a in atoms], -1
    )
    own = [height * np.interp(star.inner, RADII, core) for height, core in zip(star.height, cores, strict=True)]
    near = np.stack([np.interp(np.log(star.inner), LOGS, unit) for unit in np.eye(len(PLACE))], -1)
    design[:, len(atoms) :] = np.array(own)[channel].T * near[:, node]
    return design


def _amounts(
    stars: list[Rings], designs: list[Array], values: list[Array], lengths: Array, priors: list[Prior]
) -> tuple[Array, int]:
    """Give what :func:`_solved` does of all stars, each weighed by how uneven the nebula proves to be around it, and with the
    freedom of the flanks that is the most probable; then which that is."""
    scales = [np.ones(len(s.radius)) for s in stars]
    for _ in range(5):
        covers = [s.nebula * np.sqrt(np.outer(k, k)) + s.own for k, s in zip(scales, stars, strict=True)]
        roots = [np.linalg.inv(np.linalg.cholesky(cover)) for cover in covers]
        whole = np.concatenate([root @ design for root, design in zip(roots, designs, strict=True)])
        value = np.concatenate([root @ v for root, v in zip(roots, values, strict=True)])
        normal, right = whole.T @ whole, whole.T @ value
        tries = [_solved(normal, right, lengths, prior) for prior in priors]
        chosen = max(range(len(tries)), key=lambda k: tries[k][1])
        amounts = tries[chosen][0]
        left = [v - design @ amounts for v, design in zip(values, designs, strict=True)]
        scales = [uneven_here(k, v, c, len(s.height)) for k, v, c, s in zip(scales, left, covers, stars, strict=True)]
    return amounts, chosen


def _priors(flank: Array, cores: list[Array], widths: Array, channel: Ints, node: Ints) -> list[Prior]:
    """Give what is expected of the factors' logarithms at these nodes for each of :data:`BENT`."""
    usual = np.array([np.interp(LOGS[k] - math.log(widths[c] / 3), LOGS, flank) for c, k in zip(channel, node, strict=True)])
    now = np.array(
        [math.log(max(float(np.interp(PLACE[k], RADII, cores[c])), 1e-12)) for c, k in zip(channel, node, strict=True)]
    )
    at = LOGS[node] - np.log(widths[channel])
    near = np.exp(-((at[:, None] - at[None]) ** 2) / (2 * SMOOTH**2))
    # where channels differ in width it is not known whether their flanks do; if in one channel, so in all
    wider = WIDER * np.log(widths / np.median(widths))[channel]
    apart = (channel[:, None] == channel[None]) * ALIKE**2 + np.outer(wider, wider)
    # the cores themselves are known
    sure = np.diag(np.where(PLACE[node] < FLANK * widths[channel], TOLD**-2.0, 0))
    priors = []
    for bent in BENT:
        precision = np.linalg.inv((bent**2 + apart) * near + TOLD**2 * np.eye(len(node)))
        expected, known = precision @ (usual - now), precision + sure
        density = 0.5 * np.linalg.slogdet(known)[1] - 0.5 * expected @ np.linalg.solve(known, expected)
        priors.append(Prior(known, expected, float(density)))
    return priors


def _solved(normal: Array, right: Array, lengths: Array, prior: Prior) -> tuple[Array, float]:
    """Give the amounts of wings of every length, and the factors' logarithms: the mean over the lengths, as probable as they are.

    Then the logarithm of how probable what is seen is with this prior, but for what is the same with all.
    """
    count = len(lengths)
    merit, tries = np.full(count, -np.inf), np.zeros((count, len(right)))
    for j in range(count):
        pick = np.array([j, *range(count, len(right))])
        own, mine = normal[np.ix_(pick, pick)], right[pick]
        own[1:, 1:] += prior.precision
        mine[1:] += prior.expected
        seen, told, doubt2 = own[0, 0], mine[0], DOUBTFUL**2
        for _ in range(4):
            own[0, 0], mine[0] = seen + 1 / doubt2, told + SHARE / doubt2
            found = np.linalg.solve(own, mine)
            wider2 = max((TAIL * DOUBTFUL**2 + max(found[0] - SHARE, 0) ** 2) / (TAIL + 1), DOUBTFUL**2)
            if wider2 == doubt2:
                break
            doubt2 = wider2
        if found[0] < 0:
            found = np.concatenate([[0.0], np.linalg.solve(own[1:, 1:], mine[1:])])
        tries[j, pick] = found
        # how probable this length is with the amounts that fit it best, times how widely amounts fit as well
        merit[j] = found @ mine - 0.5 * found @ own @ found - 0.5 * np.linalg.slogdet(own)[1]
        merit[j] -= 0.5 * (math.log(lengths[j] / USUAL) / SPREAD) ** 2
    probable = np.exp(merit - merit.max())
    return np.asarray(probable @ tries / probable.sum(), np.float64), float(merit.max() + math.log(probable.sum())) + prior.sure
