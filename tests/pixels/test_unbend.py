"""The curve of a stretched picture, told from its stars and its noise: known curves come back."""

import math

import numpy as np
import pytest

from nebulakit.pixels.facts import StarList
from nebulakit.pixels.noise import measure_noise
from nebulakit.pixels.stars import separate, unbend, windows
from nebulakit.pixels.stars import straighten as straight
from nebulakit.pixels.stars.straighten import straighten

CURVES = {
    "asinh": lambda z: 0.1 + 0.9 * np.arcsinh(z / 0.01) / math.asinh(100),
    "power": lambda z: np.sign(z + 0.02) * np.abs(z + 0.02) ** 0.4,
    "rational": lambda z: 0.1 + 0.9 * 60 * z / (59 * np.abs(z) + 1),
    "straight": lambda z: 0.1 + 0.9 * z,
}
SIGMA = 1e-4  # of white


def scene(seed=1, size=300, stars=64):
    """Light in units of white: a nebula 40 noises bright over half the plane, stars of 60 to 5000 noises, and where these are."""
    rng = np.random.default_rng(seed)
    y, x = np.mgrid[0:size, 0:size].astype(np.float64)
    light = 40 / (1 + np.exp((x - size / 2 + 20 * np.sin(y / 40)) / 25))
    side = round(math.sqrt(stars))
    places = np.linspace(20, size - 20, side)
    sx, sy = (v.ravel() + rng.uniform(-3, 3, side**2) for v in np.meshgrid(places, places))
    for a, b, height in zip(sx, sy, rng.permutation(np.geomspace(60, 5000, side**2)), strict=True):
        light += height * (1 + ((x - a) ** 2 + (y - b) ** 2) / 2.5**2) ** -3.0
    return SIGMA * (light + rng.normal(0, 1, light.shape)), sx, sy


WIDTH = 2 * 2.5 * math.sqrt(2 ** (1 / 3) - 1)


def problem(light, x, y, name):
    shown = CURVES[name](light).astype(np.float32)
    free = np.ones(shown.shape, bool)
    yy, xx = np.mgrid[0 : shown.shape[0], 0 : shown.shape[1]]
    for a, b in zip(x, y, strict=True):
        free &= np.hypot(xx - a, yy - b) > 12
    radii = unbend.RADII * WIDTH
    rings = unbend.sample(shown, np.full(shown.shape, -1), x, y, np.arange(len(x)), radii, float(shown.max()))
    return unbend.Problem(rings, unbend.noise_by_level(shown, free), radii, 0.05, 1.0, sky_of(light, name))


def sky_of(light, name):
    return float(np.quantile(CURVES[name](light).astype(np.float32), 0.2))


def told(name):
    light, x, y = scene()
    return unbend.tell_curves([problem(light, x, y, name)])[0], sky_of(light, name)


def slope_error(found, name, sky):
    """The logarithm of light per level, told over true, from the sky to where stars told; a factor is not known, and not needed."""
    z = np.linspace(-0.005, 0.6, 200_000)
    level = sky + (found.highest - sky) * np.geomspace(0.003, 0.98, 30)
    step = (found.highest - sky) * 1e-3
    slopes = [
        np.log(np.interp(level + step, *table) - np.interp(level - step, *table))
        for table in ((found.curve.level, found.curve.light), (CURVES[name](z), z / SIGMA))
    ]
    assert np.ptp(slopes[1]) > 1.5 or name == "straight"
    return slopes[0] - slopes[1]


@pytest.mark.parametrize("name", CURVES)
def test_known_curves_come_back(name):
    found, sky = told(name)
    off = slope_error(found, name, sky)
    # a power of the light above the sky is known from the noise alone: over eight e-folds of light a few percent of it are some tenths
    assert np.ptp(off) < 0.45
    # and in steps of an e-fold of light, which is what laws of stars hang on, hardly anything
    assert np.abs(np.diff(off)).max() < 0.12
    assert found.stars > 40
    assert found.stars_off < 1.35
    assert found.noise_off < 1.2
    assert found.width == pytest.approx(WIDTH, rel=0.15)


def test_channels_tell_one_another():
    """Of few stars, over a nebula whose structure passes for noise, a channel's curve is poorly told; the others know it better."""
    light, x, y = scene()
    bright = np.arange(light.shape[1]) > light.shape[1] / 2
    rough = np.random.default_rng(5).normal(0, 1.2 * SIGMA, light.shape) * bright
    asked = [problem(light + rough, x[::7], y[::7], "asinh"), *(problem(shown, x, y, "asinh") for shown in (light, 0.6 * light))]
    alone, together = unbend.tell_curves(asked[:1])[0], unbend.tell_curves(asked, straight.TIE)[0]
    off = [float(np.ptp(slope_error(t, "asinh", sky_of(light + rough, "asinh")))) for t in (alone, together)]
    assert off[1] < 0.7 * off[0], off


@pytest.mark.parametrize(("green", "alike"), [("asinh", True), ("power", False)])
def test_only_what_is_alike_is_held_alike(green, alike):
    light, x, y = scene()
    asked = [problem(light, x, y, name) for name in ("asinh", green, "asinh")]
    rise = sum(t.cost for t in unbend.tell_curves(asked, straight.TIE)) - sum(unbend.tell_curves([a])[0].cost for a in asked)
    assert (rise < straight.RISE) == alike


def test_a_curve_and_back():
    found, _ = told("asinh")
    shown = np.linspace(found.curve.level[0], found.curve.level[-1], 999, dtype=np.float32)
    assert (np.diff(found.curve.light) > 0).all()
    assert found.curve.light[0] == 0
    assert np.abs(found.curve.to_level(found.curve.to_light(shown)) - shown).max() < 1e-5


def test_noise_by_level():
    rng = np.random.default_rng(2)
    ramp = np.broadcast_to(np.linspace(0.1, 0.6, 400), (300, 400))
    plane = (ramp + 0.02 * ramp * rng.normal(0, 1, ramp.shape)).astype(np.float32)
    found = unbend.noise_by_level(plane, np.ones(plane.shape, bool))
    assert found.noise[found.error < 0.1] == pytest.approx(0.02 * found.level[found.error < 0.1], rel=0.1)


def test_noise_that_black_cuts_off_tells_nothing():
    """Under one and a half noises above black a plane has less noise than it was given: only brighter levels tell of it."""
    ramp = np.broadcast_to(np.linspace(0, 0.6, 400), (300, 400))
    plane = np.maximum(ramp + 0.02 * np.random.default_rng(2).normal(0, 1, ramp.shape), 0).astype(np.float32)
    found = unbend.noise_by_level(plane, np.ones(plane.shape, bool))
    assert 0.02 < found.level[0] < 0.08
    assert found.noise == pytest.approx(0.02, rel=0.1)  # as where nothing is cut off


def rings_of(plane):
    """Rings around places all over a plane of one noise, and this noise."""
    places = np.meshgrid(np.arange(30.0, 371, 17), np.arange(30.0, 371, 17))
    x, y = (v.ravel() for v in places)
    rings = unbend.sample(plane, np.full(plane.shape, -1), x, y, np.full(len(x), -1), unbend.RADII * WIDTH, 1e9)
    return rings, unbend.NoiseByLevel(np.array([0.0]), np.array([1.0]), np.array([0.1]))


def test_how_uneven_the_ground_is():
    """Waves of 15 px on the noise: their height over a small ring less that over far ones, which see all of them."""
    rng = np.random.default_rng(4)
    y, x = np.mgrid[:400, :400]
    waves = 2.0 * np.sin(2 * np.pi * x / 15) * np.sin(2 * np.pi * y / 15)
    noise, both = (rng.normal(0, 1, x.shape).astype(np.float32) + np.float32(w) for w in (0, waves))
    even, uneven = (unbend.uneven_ground(*rings_of(plane)) for plane in (noise, both))
    assert even == pytest.approx(np.full(len(even), unbend.GROUND), abs=0.05)  # noise alone is no unevenness
    # the product of two sines has a median size of 0.26, so that of the smallest ring is 1.4826 * 0.26 * 2 noises
    assert uneven[0] == pytest.approx(unbend.ALONG * 1.4826 * 0.26 * 2, rel=0.25)
    assert uneven[-1] < 0.5 * uneven[0]


def test_a_place_of_which_nothing_is_known_tells_no_ground():
    rings, noise = rings_of(np.zeros((400, 400), np.float32))
    rings.value[:] = np.nan
    assert (unbend.uneven_ground(rings, noise) == unbend.GROUND).all()
    none = unbend.Rings(np.zeros((0, len(unbend.RADII))), np.zeros((0, len(unbend.RADII))))
    assert (unbend.uneven_ground(none, noise) == unbend.GROUND).all()


def way(kind, off, white):
    """A way to light by which stars are off by so much and which holds up to ``white``."""
    curve = unbend.Curve(np.array([0.0, 1.0]), np.array([0.0, white]))
    told = [unbend.Told(curve, 100, off, 1.0, 1.0, 3.0, 0.0, None)] * 3
    factor = None if kind is None else straight.Factor.of(kind, curve, 0.0, [1.0] * 3, 1.0)
    return straight._Try(straight.Each([curve] * 3, [1.0] * 3) if factor is None else factor, told, (white,) * 3, off)


@pytest.mark.parametrize(("off", "taken"), [(0.7, 0), (1.0, 1)])
def test_our_own_stretch_is_taken_only_where_it_brings_stars_nearer_to_one_law(off, taken):
    """It tells of far brighter light, as an undone roll-off does; by what else is asked the lower stars are 0.75 off."""
    ours = next(k for k in straight.KINDS if k.rolled == "asinh")
    ways = [way(ours, off, 1e5), way(None, 0.75, 5e3)]
    assert straight._nearest(ways) is ways[taken]
    assert straight._nearest([]) is None


def test_rings_know_what_is_not_theirs():
    """A ring of a cut-off star, one beyond the edge, and one that others own are not known; of a slope the median is the middle."""
    plane = np.tile(np.arange(60, dtype=np.float32) / 60, (60, 1))
    owner = np.full(plane.shape, -1)
    owner[:, 30:] = 7
    place = np.array([30.0])
    free = unbend.sample(plane, np.full(plane.shape, -1), place, place, np.array([0]), np.array([5.0, 29.5]), 1.0)
    assert free.value[0, 0] == pytest.approx(0.5, abs=0.01)
    assert np.isnan(free.value[0, 1])
    assert np.isnan(unbend.sample(plane, owner, place + 4, place, np.array([0]), np.array([5.0]), 1.0).value).all()
    assert np.isfinite(unbend.sample(plane, owner, place + 4, place, np.array([7]), np.array([5.0]), 1.0).value).all()
    assert np.isnan(unbend.sample(plane, np.full(plane.shape, -1), place, place, np.array([0]), np.array([5.0]), 0.5).value).all()


def listed(x, y, peak):
    return StarList(x, y, peak, peak, np.full(len(x), 3.0), np.zeros(len(x), bool))


def in_light(planes, found, fwhm):
    return next((way for way, _ in straighten(planes, None, found, fwhm) if way is not None), None)


def test_without_stars_no_curve():
    rng = np.random.default_rng(3)
    plain = rng.normal(0.1, 0.01, (3, 120, 140)).astype(np.float32)
    none = np.zeros(0)
    assert in_light(plain, listed(none, none, none), 3.0) is None
    some = rng.uniform(10, 110, 30)
    assert in_light(plain, listed(some, rng.permutation(some), some), 3.0) is None


def test_where_no_pixel_is_known_in_all_channels_no_curve(monkeypatch):
    shown, stars = colours(60, 16)
    shown[2] = np.nan
    monkeypatch.setattr(windows, "ENOUGH", 1000)
    monkeypatch.setattr(windows, "SIDES", (24, 24))
    assert not list(straighten(shown, None, stars, WIDTH))


def test_where_all_stars_are_spared_nothing_is_parted(monkeypatch):
    """A fit would look for those that were missed, beyond the edges too."""
    monkeypatch.setattr(separate, "fit_stars", None)
    light, _, _ = scene()
    shown = CURVES["asinh"](light)[None].astype(np.float32)
    parted = separate.separate_shown(shown, measure_noise(shown), fwhm=WIDTH, spare=[(150.0, 150.0, 999.0)])
    assert parted.record["parted_in"] == "light"
    assert not parted.touched.any()
    assert np.array_equal(parted.nebula, shown)


def test_what_no_curve_undoes_is_not_believed():
    """Each star by a curve of its own: as levels that a local tone curve made."""
    light, x, y = scene()
    yy, xx = np.mgrid[0 : light.shape[0], 0 : light.shape[1]]
    nearest = np.argmin(np.hypot(xx[..., None] - x, yy[..., None] - y), axis=-1)
    strength = np.random.default_rng(4).uniform(0.3, 1.7, len(x))[nearest]
    z = np.maximum(light, 0)
    shown = (0.1 + 0.9 * np.arcsinh(z / 0.01) ** strength / math.asinh(100) ** strength).astype(np.float32)
    peak = shown[np.rint(y).astype(int), np.rint(x).astype(int)].astype(np.float64)
    assert in_light(shown[None], listed(x, y, peak), WIDTH) is None
    even = CURVES["asinh"](light).astype(np.float32)
    assert in_light(even[None], listed(x, y, peak), WIDTH) is not None


def colours(size, stars):
    """Three channels of one scene, each stretched by one curve, and its stars."""
    light, x, y = scene(1, size, stars)
    rng = np.random.default_rng(7)
    noise = SIGMA * rng.normal(0, 1, (3, *light.shape))
    shown = np.stack([CURVES["asinh"](share * light + more) for share, more in zip((1, 0.8, 0.6), noise, strict=True)])
    return shown.astype(np.float32), listed(x, y, shown.mean(0)[np.rint(y).astype(int), np.rint(x).astype(int)])


def test_a_large_picture_is_told_by_windows(monkeypatch):
    """A part of the pixels tells nearly the curve that all tell, and all are brought to light."""
    shown, stars = colours(440, 256)
    shown = shown[:1]
    whole = in_light(shown, stars, WIDTH)
    monkeypatch.setattr(windows, "ENOUGH", 80_000)
    seen = []
    monkeypatch.setattr(
        straight, "_limit", lambda plane, step, real=straight._limit: (seen.append(plane.size), real(plane, step))[1]
    )
    part = in_light(shown, stars, WIDTH)
    assert max(seen) < 0.6 * shown[0].size
    assert part.planes.shape == shown.shape
    # between the sky and where stars told both are the same light, but for a factor
    known = (shown > np.median(shown)) & (shown < 0.8)
    assert np.ptp(np.quantile(np.log(part.planes[known] / whole.planes[known]), [0.1, 0.9])) < 0.25


def test_where_a_factor_does_not_hold_the_channels_are_asked(monkeypatch):
    shown, stars = colours(300, 144)
    real, asked = straight._one, []

    def one(view, whom, kind):
        asked.append(kind)
        found = real(view, whom, kind)
        return None if found is None or len(asked) > len(straight.KINDS) else found._replace(off=0.0)

    monkeypatch.setattr(straight, "_one", one)
    ways = [type(way.way) for way, _ in straighten(shown, None, stars, WIDTH) if way is not None]
    assert len(asked) == len(straight.KINDS) + 1
    assert ways == [straight.Each]


def test_beside_nothing_no_star_passes_for_left():
    """There the levels around are not known: as zeros they made a bright sky look like a star."""
    nebula = np.full((3, 120, 120), 0.5, np.float32)
    nebula[:, :, :58] = np.nan
    nebula[:, :58] = np.nan
    x, y = np.array([64.0, 100.0]), np.array([64.0, 64.0])
    planes = nebula.copy()
    planes[:, 64, 64] = planes[:, 64, 100] = 0.9
    stars = listed(x, y, np.array([2.0, 1.0]))
    assert straight.still_there(planes, lambda y, x: nebula[:, y, x], stars, 3.0)[0] == 0
    nebula[:, 64, 100] = 0.8
    assert straight.still_there(planes, lambda y, x: nebula[:, y, x], stars, 3.0)[0] == 1


@pytest.mark.parametrize(
    ("side", "rank", "told"),
    [(30, 29, (1, 0)), (30, 30, (0, 0)), (99, 97, (1, 0)), (130, 168, (1, 1)), (130, 169, (0, 1))],
)
def test_of_very_many_stars_few_may_be_left(side, rank, told):
    """The 30 brightest are asked, or one in a hundred of all; of these one in a hundred may be left."""
    y, x = (v.ravel() * 4.0 for v in np.mgrid[0:side, 0:side])
    nebula = np.full((3, 4 * side, 4 * side), 0.1, np.float32)
    planes = nebula.copy()
    planes[:, ::4, ::4] = 0.9
    nebula[:, int(y[rank]), int(x[rank])] = 0.5
    stars = listed(x, y, np.arange(len(x))[::-1] + 1.0)
    assert straight.still_there(planes, lambda y, x: nebula[:, y, x], stars, 3.0) == told


@pytest.mark.parametrize(("left", "way"), [((2, 2), "light"), ((3, 2), "levels")])
def test_no_more_stars_are_left_than_may_be(monkeypatch, left, way):
    light, _, _ = scene()
    shown = CURVES["asinh"](light)[None].astype(np.float32)
    monkeypatch.setattr(separate, "still_there", lambda *_: left)
    record = separate.separate_shown(shown, measure_noise(shown), fwhm=WIDTH).record
    assert record["parted_in"] == way
    assert record["stars_left"] == left[0]
