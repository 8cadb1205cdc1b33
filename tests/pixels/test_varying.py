"""Stars whose image is not the same all over the picture."""

from dataclasses import replace
from types import SimpleNamespace

import numpy as np
import pytest
from scipy import ndimage as ndi

from nebulakit.image import Image
from nebulakit.pixels.stars import first, kernels
from nebulakit.pixels.stars.law import RADII, moffat_law
from nebulakit.pixels.stars.separate import how_shaped, separate
from nebulakit.pixels.stars.varying import Varying, terms, varying_over

from .test_kernels import drawn

MIDDLE, UNIT = (29.5, 24.5), 38.3
AMOUNTS = np.array([[0.1, 0.0, 0.05], [0.3, 0.1, 0.0], [0, 0, 0.2], [-0.5, 0, -0.3], [0, 0.2, 0], [-0.3, 0, -0.6]])


@pytest.mark.parametrize("blurred", [0.0, 1.0])
@pytest.mark.parametrize("linear", [0.0, 0.4, 1.0])
def test_a_star_is_drawn_as_the_law_of_its_place_says(linear, blurred):
    law = moffat_law((1.2, 0.1, 0.9), 2.5, 3.0, linear)
    wings = (0.001 * np.exp(-RADII / 20)).astype(np.float32)
    law = replace(law, wings=wings, varying=Varying(MIDDLE, UNIT, AMOUNTS, (-20, 20), blurred, 3.0))
    x, y = np.array([12.3, 45.0]), np.array([31.6, 10.2])
    plane, none = np.zeros((50, 60), np.float32), np.zeros((2, 5, 5), np.float32)
    kernels.draw(plane, 0, 50, law.placed(x, y), x, y, np.array([100.0, 50.0]), np.full(2, 8.0), none, np.zeros(2))
    yy, xx = np.mgrid[-8:9, -8:9]
    for height, a, b in ((100, 12.3, 31.6), (50, 45.0, 10.2)):
        px, py = round(a), round(b)
        want = height * drawn(law.near(a, b), a - px, b - py, 8)
        inside = np.hypot(yy, xx) <= 8
        assert np.abs(plane[py - 8 : py + 9, px - 8 : px + 9] - want)[inside].max() < 2e-3  # float32, on 100


def test_what_is_wider_is_wider_by_its_core_and_not_by_its_wings():
    wings = (0.001 * np.exp(-RADII / 20)).astype(np.float32)
    core = moffat_law((1.0, 0.0, 1.0), 2.0, 3.0)
    law = replace(
        core.told(core.table + wings, wings), varying=Varying((0.0, 0.0), 1.0, np.array([[-0.4, 0.0, -0.4]]), (-20, 20))
    )
    x, scale = np.arange(1.0, 120.0), np.exp(0.2)
    want = core.at(x / scale, 0 * x) + scale**2 * wings[(x / RADII[1]).astype(int)]
    # the wings' radius follows the width within half a grade (2 %)
    assert np.allclose(law.near(0.0, 0.0).at(x, 0 * x), want, rtol=0.04, atol=1e-6)


def test_a_blurred_star_keeps_its_flanks():
    """Against a Moffat star truly blurred across, of which its half width along and across is all that is told."""
    fine, n = 5, 200
    y, x = np.mgrid[-n : n + 1, -n : n + 1] / fine
    alpha, beta = 3 / 2 / np.sqrt(2 ** (1 / 3.2) - 1), 3.2
    star = ndi.gaussian_filter((1 + (x * x + y * y) / alpha**2) ** -beta, (0.2 * fine, 0.8 * fine))
    star /= star.max()
    along, across = (np.interp(-0.5, -line, np.arange(n + 1) / fine) for line in (star[n, n:], star[n:, n]))
    logs = -2 * np.log(np.array([[along / 1.5, 1.0, across / 1.5]]))
    errors = []
    for blurred in (0.0, 1.0):
        varying = Varying((0.0, 0.0), 1.0, logs, (-20, 20), blurred, 3.0)
        near = replace(moffat_law((1.0, 0.0, 1.0), alpha, beta), varying=varying).near(0.0, 0.0)
        use = np.hypot(x, y) < 12
        errors.append(float(np.abs(near.at(x, y) / star - 1)[use].max()))
    assert errors[1] < 0.05  # the law's own, and half a grade
    assert errors[0] > 1


def shapes(seed, amounts, count=150):
    """Give places, logarithms of contours as noise leaves them (a tenth is no star), how clear, and what pixels do."""
    rng = np.random.default_rng(seed)
    x, y, clear = rng.uniform(0, 900, count), rng.uniform(0, 700, count), 30 * rng.pareto(1.0, count) + 30
    truth = terms((x - 449.5) / 570, (y - 349.5) / 570, 6) @ amounts
    logs = truth + rng.normal(0, 1, (count, 3)) * np.hypot(0.01, 1.5 / clear)[:, None]
    logs[: count // 10] -= rng.uniform(0, 1.5, (count // 10, 3))
    beside = rng.uniform(0, 0.2, (count, 2))
    logs[:, [0, 2]] -= 0.5 * beside
    return truth, (3.0, x, y, logs, clear, beside, (700, 900))


def test_it_is_told_in_spite_of_doubles_and_pixels():
    truth, given = shapes(1, AMOUNTS)
    found = varying_over(*given)
    off = found.logs(*given[1:3]) - (truth - truth.mean(0))
    assert np.abs(off - off.mean(0)).max() < 0.05  # of 0.5; single stars are off by 0.02 and more


@pytest.mark.parametrize("seed", range(5))
def test_nothing_is_told_where_all_are_alike(seed):
    assert varying_over(*shapes(seed, np.zeros((6, 3)))[1]) is None


@pytest.mark.parametrize("smear", [0.0, 2.0])
def test_flanks_say_what_is_blur(smear):
    """Stars drawn out along circles by a mount that turns keep their flanks; those drawn out by a law that is so itself do not."""
    rng = np.random.default_rng(2)
    h, w, count = 400, 520, 80
    grid = np.array([(40 + 48 * i, 36 + 46 * j) for i in range(10) for j in range(8)])
    x, y = (grid + rng.uniform(-8, 8, grid.shape)).T
    height = np.geomspace(300, 3000, count)[rng.permutation(count)]
    yy, xx = np.mgrid[-20:21, -20:21].astype(float)
    plane = rng.normal(0, 1, (h, w))
    for a, b, tall in zip(x, y, height, strict=True):
        u, v = (a - w / 2) / 328, (b - h / 2) / 328
        r, px, py = np.hypot(u, v), round(a), round(b)
        moved = [(t * smear * v, -t * smear * u) for t in (np.linspace(-0.5, 0.5, 9) if smear else (0.0,))]
        long = 1.0 if smear else 1 + 0.4 * r * r
        for dx, dy in moved:
            left, up = xx + px - a - dx, yy + py - b - dy
            aside, out = (left * v - up * u) / r / long, (left * u + up * v) / r
            plane[py - 20 : py + 21, px - 20 : px + 21] += tall / len(moved) * (1 + (aside**2 + out**2) / 4) ** -3.0
    planes = plane[None]
    varying = first.varies(planes, x, y, 3.0)
    assert varying is not None
    law = first.first_laws(planes, x, y, 3.0, varying=varying)[0]
    assert law.varying.blurred == (1.0 if smear else 0.0)


def field(shape=(300, 400), count=110, seed=4):
    """Give a stack of stars that are half as wide again at the corners, and drawn out towards them; stars, noise."""
    rng = np.random.default_rng(seed)
    h, w = shape
    x, y = rng.uniform(0, w, count), rng.uniform(0, h, count)
    height = np.minimum(25 * (1 - rng.random(count)) ** -1.0, 3000)
    yy, xx = np.mgrid[0:h, 0:w].astype(np.float64)
    plane = np.zeros(shape)
    for a, b, tall in zip(x, y, height, strict=True):
        u, v = (a - w / 2) / np.hypot(w / 2, h / 2), (b - h / 2) / np.hypot(w / 2, h / 2)
        r = np.hypot(u, v)
        dx, dy = xx - a, yy - b
        out, aside = (dx * u + dy * v) / r, (dy * u - dx * v) / r
        alpha = 2.9 * (1 + 0.5 * r * r)
        plane += tall * (1 + (out / (1 + 0.3 * r * r) / alpha) ** 2 + (aside / alpha) ** 2) ** -3.2
    stars = np.stack([0.9 * plane, plane, 0.8 * plane])
    noise = rng.normal(0, 1, (3, *shape)) * np.sqrt(1 + stars / 500)
    return stars, (100 + stars + noise).astype(np.float32)


def test_stars_that_are_wider_in_the_corners_leave_nothing():
    stars, stack = field()
    image = Image.from_array(stack).measured("noise", "white", "stars")
    parted = separate(image.planes, image.noise, None, None, image.stars)
    foot = stars.max(0) > 2
    off = (parted.nebula - 100)[:, foot]
    assert np.sqrt((off**2).mean()) < 1.2  # noise alone is 1; by one law for all, 1.6
    assert np.percentile(np.abs(off), 99) < 4
    least, most = parted.record["widths_vary"]
    # drawn out by 30 % and wider by 50 %, a star is sqrt(1.3) * 1.5 times as wide in the corners as in the middle
    assert most / least == pytest.approx(1.5 * 1.3**0.5, rel=0.1)


@pytest.mark.parametrize("trailed", [True, False])
def test_stars_drawn_out_alike_have_the_flanks_they_show(trailed):
    """A trail leaves flanks rounder than cores; a law that is oval itself does not. Both are told from clear stars."""
    rng = np.random.default_rng(5)
    yy, xx = np.mgrid[-20:21, -20:21].astype(float)
    plane = rng.normal(0, 1, (420, 420))
    grid = np.array([(40 + 48 * i, 40 + 48 * j) for i in range(8) for j in range(8)])
    x, y = (grid + rng.uniform(-8, 8, grid.shape)).T

    def star(dx, dy):
        if trailed:
            return np.mean([(1 + ((dx - t) ** 2 + dy**2) / 6) ** -3.0 for t in np.linspace(-1.4, 1.4, 15)], axis=0)
        return (1 + (dx**2 / 1.3 + dy**2 * 1.3) / 6) ** -3.0

    for a, b, tall in zip(x, y, np.geomspace(500, 20000, len(x)), strict=True):
        px, py = round(a), round(b)
        plane[py - 20 : py + 21, px - 20 : px + 21] += tall * star(xx + px - a, yy + py - b)
    law = first.first_laws(plane[None].astype(np.float32), x, y, 3.0)[0]
    assert (law.varying is not None) == trailed
    here = law.near(200.0, 200.0)
    turns = np.arange(0, 2 * np.pi, np.pi / 12)
    for radius in (3, 5, 8, 12):
        dx, dy = radius * np.cos(turns), radius * np.sin(turns)
        truth, told = star(dx, dy), here.at(dx, dy)
        # how much brighter along the axis than across it: told within 0.06; an oval law would be off by 0.2 to 0.4 from 5 px on
        lobes = [float((v * np.cos(2 * turns)).mean() / v.mean()) for v in (truth, told)]
        assert lobes[1] == pytest.approx(lobes[0], abs=0.07)
    told = how_shaped(SimpleNamespace(laws=[law]))
    if trailed:
        fine = np.arange(0, 5, 0.01)
        along, across = (fine[np.argmax(v < 0.5 * star(0.0, 0.0))] for v in (star(fine, 0 * fine), star(0 * fine, fine)))
        assert told["trailed"] == pytest.approx(along / across, abs=0.05)
        assert min(told["trailed_deg"], 180 - told["trailed_deg"]) < 3
    else:
        assert not told
