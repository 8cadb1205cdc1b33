"""Stars that no Moffat law describes: out of focus, behind an opening with a hole, in haze."""

import numpy as np
import pytest

from nebulakit.pixels.noise import measure_noise
from nebulakit.pixels.stars import first
from nebulakit.pixels.stars import law as starlaw
from nebulakit.pixels.stars.law import RADII
from nebulakit.pixels.stars.separate import separate
from nebulakit.pixels.stars.wings import learn_law
from tests.pixels.test_crowds import drawn, fit_of

ALPHA, BETA = 2.2, 3.0
ROUND = (1.0, 0.0, 1.0)


def out_of_focus(radius: float, hole: float = 0.0, haze: float = 0.0) -> starlaw.Law:
    """Give the law of a Moffat star spread over a disc, or a ring, with a part of its light in an aureole of 6 px."""
    span = np.linspace(-radius, radius, 41)
    x, y = (v.ravel() for v in np.meshgrid(span, span))
    inside = (np.hypot(x, y) <= radius) & (np.hypot(x, y) >= hole * radius)
    coarse = np.append(np.arange(0, 40, 0.1), np.arange(40, 245, 2.0))
    far2 = (coarse[:, None] - x[inside]) ** 2 + y[inside] ** 2
    table = np.interp(RADII, coarse, ((1 + far2 / ALPHA**2) ** -BETA).mean(1))
    light = np.pi * ALPHA**2 / (BETA - 1)
    table += haze * light * np.exp(-RADII / 6) / (2 * np.pi * 36)
    return starlaw.Law(ROUND, (table / table[0]).astype(np.float32))


def field_of(law: starlaw.Law, giants: int = 0, seed: int = 3) -> tuple[np.ndarray, np.ndarray, np.ndarray, np.ndarray]:
    """Give three planes of stars in noise of 1, and x, y and height of the stars: some giants, others up to 30000."""
    rng = np.random.default_rng(seed)
    x, y = (v.ravel() + rng.uniform(-9, 9, 144) for v in np.meshgrid(np.arange(30.0, 570, 45), np.arange(30.0, 570, 45)))
    height = np.exp(rng.uniform(np.log(100), np.log(30000), len(x)))
    height[rng.choice(len(x), giants, replace=False)] = np.geomspace(1e5, 1e6, giants)
    plane = drawn(law, x, y, height, (570, 570))
    return plane + rng.normal(0, 1, (3, 570, 570)).astype(np.float32), x, y, height


@pytest.mark.parametrize(("radius", "hole", "far"), [(1.5, 0.0, 0.25), (2.0, 0.0, 0.5), (3.0, 0.0, 0.8), (2.0, 0.5, 0.8)])
def test_first_laws_tell_stars_that_are_out_of_focus(radius, hole, far):
    """To 6 % where they shine; what the ground of a cut-out hides, giants tell later: a Moffat law has 0.06 to 1e-6 of it there."""
    true = out_of_focus(radius, hole)
    planes, x, y, height = field_of(true)
    bright = np.argsort(-height)[:60]
    near, beyond = (np.array(at) * true.width for at in ([0.45, 0.6, 1.0, 1.25, 1.5, 1.75], [3.0, 3.5]))
    for law in first.first_laws(planes, x[bright], y[bright], true.width):
        assert np.interp(near, RADII, law.table) == pytest.approx(np.interp(near, RADII, true.table), rel=0.09 if hole else 0.06)
        assert np.interp(beyond, RADII, law.table) == pytest.approx(np.interp(beyond, RADII, true.table), rel=far)


def test_moffat_stars_keep_their_moffat_law():
    """Nothing speaks for a factor then, and noise in it would be drawn with every star."""
    true = starlaw.moffat_law(ROUND, ALPHA, BETA)
    planes, x, y, height = field_of(true)
    bright = np.argsort(-height)[:60]
    for law in first.first_laws(planes, x[bright], y[bright], true.width):
        inner = np.log(law.table[2 * true.width > RADII].astype(float))
        exact = (RADII[2 * true.width > RADII] ** 2)[1:]
        # ln I = -beta ln(1 + r^2 / alpha^2): of such a curve all points tell one alpha, given beta
        beta = -0.5 * np.gradient(np.log(law.table.astype(float)), np.log(np.maximum(RADII, 1e-9)))[-2000]
        alpha2 = exact / np.expm1(-inner[1:] / beta)
        assert np.ptp(alpha2[exact > 1]) < 0.02 * alpha2.mean()


@pytest.mark.parametrize("how", [{"radius": 2.0}, {"radius": 2.0, "hole": 0.5}, {"radius": 0.3, "haze": 0.03}])
def test_giants_out_of_focus_or_in_haze_leave_no_disc(how):
    """The goals of parting, 1.6 and 5 sigma, where Moffat laws left 86, 107 and 5, and 462, 548 and 16."""
    planes = field_of(out_of_focus(**how), giants=8)[0] + np.float32(200)
    white = 8e4
    cut = np.minimum(planes, np.float32(white))
    noise = measure_noise(cut)
    parted = separate(cut, noise, None, (white,) * 3, None)
    off = (parted.nebula - 200)[:, 20:-20, 20:-20]
    lit = (planes - 200 > 5).any(0)[20:-20, 20:-20]
    assert 0.02 < lit.mean() < 0.6
    assert float(np.sqrt((off[:, lit] ** 2).mean())) < 1.6
    assert float(np.percentile(np.abs(off[:, lit]), 99)) < 5


def test_a_law_says_how_far_it_moved():
    """By it the rounds go on where stars are none of Moffat's."""
    true = out_of_focus(0.3, haze=0.05)
    planes, x, y, height = field_of(true, giants=8)
    fit = fit_of(planes)
    fit.add(x, y, np.tile(height, (3, 1)), height > 5e4)
    moved = []
    for _ in range(5):
        fit.redraw()
        learn_law(fit, 80.0)
        moved.append(fit.moved)
    assert moved[0] > 0.5
    assert moved[-1] < 0.2
    for law in fit.laws:
        assert np.interp([8.0, 12, 16, 20], RADII, law.table) == pytest.approx(
            np.interp([8.0, 12, 16, 20], RADII, true.table), rel=0.2
        )
