"""A nebula that hides all sky, told as a correlated field: where its structure is strong, its light is strong.

Skyglow has no small structure. A nebula has, and how strong it is speaks for how much light there is: over a box and its
neighbours it was found to vary by a tenth to a third of its level, in made and in observed nebulae alike. So the level of a line
is taken as its local structure times a number near :data:`LEVEL`, times a field of large-scale waves whose strength
is learned, beside the glow's surfaces; what lies between is noise, and where no nebula fits below the surface, light
cannot be negative. All unknowns enter linearly: one penalised least-squares problem, solved again as weights change.
Sources: linear mixed models with variances by expectation and maximisation, and their evidence, as in Bishop 2006, Pattern
Recognition and Machine Learning, 3.5 and 9.3.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from nebulakit.pixels.glow.fit import Fit

Doubles = npt.NDArray[np.float64]

LEVEL, SPREAD = 6.0, 1.2  # a nebula's light over its structure between neighbouring boxes, and how well that is known
BASE = 0.03  # structure that even the smoothest part is thought to have, of the line's mean
WAVES = 7  # half waves over the short side that the field's finest wave has
STEEP = 2.0  # power falls off as the frequency to this power
TRUST = 0.03  # what one box counts: structure that the waves do not hold is shared by some thirty


@dataclass
class _Line:
    """What is known of one line's nebula: its structure per box, its waves and their variance."""

    sky: Doubles
    level: Doubles  # of nebula expected per unit of LEVEL
    spread: Doubles  # variance that the waves do not hold, plus the floor's
    columns: Doubles  # (boxes, 1 + waves): what LEVEL and each wave add
    power: float = 0.0


def refine(fit: Fit, sky: list[Doubles], rounds: int = 20) -> tuple[float, Doubles]:
    """Fit the surfaces of ``fit`` anew beside a field per line; give the evidence and the coefficients' inverse covariance.

    Boxes are sky as ``sky`` says (0..1, per line).
    """
    waves, fall = _waves(fit)
    lines = [_line(fit, k, sky[k], waves) for k in range(fit.lines)]
    for line, r in zip(lines, fit.residual(), strict=False):
        line.power = 0.3 * max(float(r.std()), 0.3) ** 2 / float(fall.sum()) / max(float(line.level.mean()) ** 2, 1e-12)
    for _ in range(rounds):
        told, certainty, moved = _solve(fit, lines, fall)
        if moved < 0.05:
            break
    return told, certainty


def _solve(fit: Fit, lines: list[_Line], fall: Doubles) -> tuple[float, Doubles, float]:
    """Solve for surfaces, levels and waves at the weights of now; give what :func:`refine` gives, and how far the surfaces moved.

    The waves are eliminated line by line, so that all matrices stay small.
    """
    r, prior = fit.residual(), fit.precision()
    h, b, told = prior.copy(), np.zeros(len(prior)), 0.0

    def sees(k: int, weight: Doubles) -> None:
        """Let row ``k`` of the turned channels count by ``weight`` per box, as far as the surfaces go."""
        nonlocal told
        t, aw = fit.turn[k], fit.a * weight[:, None]
        h[...] += np.kron(np.outer(t, t), fit.a.T @ aw)
        b[...] += np.kron(t, aw.T @ fit.seen[k])
        told -= 0.5 * float((weight * fit.seen[k] ** 2).sum())

    solved = []
    for k, line in enumerate(lines):
        weight = TRUST / line.spread
        sees(k, weight)
        sees(k, TRUST * _under(r[k], fit.floor) * (1 - line.sky))
        cw = line.columns * weight[:, None]
        both = np.kron(fit.turn[k][:, None], fit.a.T @ cw)
        alone = line.columns.T @ cw + np.diag(np.r_[1 / SPREAD**2, 1 / (line.power * fall)])
        right = cw.T @ fit.seen[k]
        right[0] += LEVEL / SPREAD**2
        inverse = np.linalg.inv(alone)
        h -= both @ inverse @ both.T
        b -= both @ (inverse @ right)
        told += 0.5 * float(right @ inverse @ right) - 0.5 * float(np.linalg.slogdet(alone)[1])
        told -= 0.5 * float(np.log(line.power * fall).sum())
        solved.append((both, inverse, right))
    for k in range(len(lines), fit.n):
        weight = TRUST * fit.neither(r[k])
        sees(k, weight)
        e = max(0.15, fit.boxes.error)  # Student's t in place of the square that stands for it
        told += 0.5 * float((weight * r[k] ** 2).sum()) - 1.5 * TRUST * float(np.log1p(r[k] ** 2 / 2 / e**2).sum())
    h[np.diag_indices(len(h))] += 1e-9
    spread = np.linalg.inv(h)
    found = spread @ b
    free = np.ix_(*2 * [np.flatnonzero(np.tile(fit.degree > 0, fit.n))])
    told += 0.5 * float(found @ b) - 0.5 * float(np.linalg.slogdet(h)[1]) + 0.5 * float(np.linalg.slogdet(prior[free])[1])
    for line, (both, inverse, right) in zip(lines, solved, strict=True):
        pulled = both @ inverse  # by how much the waves give way to the surfaces
        waves = inverse @ right - pulled.T @ found
        unsure = np.diag(inverse) + (pulled * (spread @ pulled)).sum(axis=0)
        line.power = max(float(((waves[1:] ** 2 + unsure[1:]) / fall).mean()), 1e-6)
    return told, h, fit.move(found.reshape(fit.theta.shape))


def _under(r: Doubles, floor: float) -> Doubles:
    """Weigh boxes that lie under the surface, where no nebula can put them; far under it less (Huber)."""
    return np.where(r < 0, np.minimum(1, 3 * floor / np.maximum(-r, 1e-9)), 0) / floor**2


def _line(fit: Fit, k: int, sky: Doubles, waves: Doubles) -> _Line:
    """Tell from a line's structure how much nebula each box holds, and how far off that may be."""
    rough = fit.structure(k, 7)
    level = (rough + BASE * rough.mean()) / (1 + BASE) * (1 - sky)
    spread = fit.floor**2 + (rough * (1 - sky)) ** 2
    return _Line(sky, level, spread, np.column_stack([level, waves * level[:, None]]))


def _waves(fit: Fit) -> tuple[Doubles, Doubles]:
    """Give the field's waves at the boxes (boxes, waves), and the share of power each has (waves)."""
    x, y = fit.boxes.x[fit.index], fit.boxes.y[fit.index]
    rows, columns = fit.boxes.shape
    short = min(rows, columns)
    out, fall = [], []
    for p in range(WAVES + 1):
        for q in range(WAVES + 1):
            frequency = math.hypot(p * short / columns, q * short / rows)
            if 0 < frequency <= WAVES:
                scale = math.sqrt(2 if p * q == 0 else 4)
                out.append(scale * np.cos(math.pi * p * (x + 1) / 2) * np.cos(math.pi * q * (y + 1) / 2))
                fall.append(frequency**-STEEP)
    return np.stack(out, axis=1), np.array(fall)
