"""Detection: what is a star, where it stands, and where stars are cut off."""

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy import ndimage as ndi

from nebulakit.demo import make_scene
from nebulakit.image import Image
from nebulakit.pixels import starlet
from nebulakit.pixels.facts import Noise
from nebulakit.pixels.noise import measure_noise
from nebulakit.pixels.stars import maxima, plateaus
from nebulakit.pixels.stars.coloured import coloured_as, star_coloured, usual_colours
from nebulakit.pixels.stars.find import find_stars
from nebulakit.pixels.stars.plateaus import white_level

SHAPE = (300, 400)


@pytest.fixture(scope="module")
def scene():
    return make_scene(seed=4, shape=(500, 650), nebula="bubble")


def covered(scene):
    stack = scene.stack.copy()
    stack[:, scene.coverage == 0] = np.nan
    return stack


def stars_on(shape, places, peaks, fwhm=3.0, beta=3.0, oval=0.0):
    y, x = np.mgrid[: shape[0], : shape[1]].astype(np.float64)
    a2 = fwhm**2 / 4 / (2 ** (1 / beta) - 1)
    out = np.zeros(shape)
    for (sx, sy), peak in zip(places, peaks, strict=True):
        out += peak * (1 + ((x - sx) ** 2 * (1 + oval) + (y - sy) ** 2 / (1 + oval)) / a2) ** -beta
    return out


def grid_of_stars(peak, fwhm, seed=1, **shape):
    rng = np.random.default_rng(seed)
    places = [(25 + 50 * i + rng.uniform(-5, 5), 25 + 50 * j + rng.uniform(-5, 5)) for i in range(8) for j in range(6)]
    plane = stars_on(SHAPE, places, [peak] * len(places), fwhm, **shape) + rng.normal(0, 1, SHAPE) + 100
    return plane[None].astype(np.float32), np.array(places)


def nearest(found, places):
    return np.hypot(found.x[:, None] - places[:, 0], found.y[:, None] - places[:, 1]).min(0)


@pytest.mark.parametrize("fwhm", [2.0, 3.0, 4.5])
def test_all_clear_stars_are_found_at_a_tenth_of_a_pixel(fwhm):
    planes, places = grid_of_stars(40.0, fwhm)
    found = find_stars(planes, measure_noise(planes))
    off = nearest(found, places)
    assert len(found) == len(places)
    assert np.median(off) < 0.05
    assert (off < 0.15).all()  # 3 sigma of a centroid at S/N 100 and more


@pytest.mark.parametrize("far", [1.2, 1.5])
def test_two_stars_side_by_side_stay_apart(far):
    """The centroid of the fainter runs into the brighter one, which has its light on one side."""
    rng = np.random.default_rng(1)
    places = [(60.3, 94.6), (60.3 + 3.5 * far * 0.8, 94.6 + 3.5 * far * 0.6), *((25.0 + 40 * i, 25.0) for i in range(8))]
    planes = (stars_on(SHAPE, places, [500, 200, *[400] * 8], 3.5) + rng.normal(0, 1, SHAPE))[None].astype(np.float32)
    # on the pixel of the maximum, which the flank of the other may move by one
    assert nearest(find_stars(planes, measure_noise(planes)), np.array(places[:2])).max() < 1.5


def test_oval_stars_are_stars():
    planes, places = grid_of_stars(60.0, 3.2, oval=0.3)
    found = find_stars(planes, measure_noise(planes))
    assert (nearest(found, places) < 0.3).all()


def test_pure_noise_holds_no_stars():
    planes = np.random.default_rng(5).normal(3, 1, (3, 400, 400)).astype(np.float32)
    assert len(find_stars(planes, measure_noise(planes))) == 0


def test_filaments_edges_and_broad_knots_are_no_stars():
    rng = np.random.default_rng(2)
    y, x = np.mgrid[: SHAPE[0], : SHAPE[1]]
    filament = 60 * np.exp(-((y - 150 - 40 * np.sin(x / 60)) ** 2) / (2 * 1.5**2))
    edge = 80 / (1 + np.exp(-(x - 250) / 1.5))
    knot = 50 * np.exp(-((y - 60) ** 2 + (x - 80) ** 2) / (2 * 6.0**2))
    planes, places = grid_of_stars(150.0, 3.0, seed=3)
    planes = planes + (filament + edge + knot + rng.normal(0, 0.1, SHAPE)).astype(np.float32)
    found = find_stars(planes, Noise((1.0,), ((0.89, 0.2, 0.086, 0.041, 0.02, 0.01),)))
    lonely = np.hypot(found.x[:, None] - places[:, 0], found.y[:, None] - places[:, 1]).min(1) > 2
    assert lonely.sum() <= 1  # of some thousand pixels of rims and filaments
    assert (nearest(found, places) < 1).mean() > 0.9


def test_hot_pixels_are_no_stars():
    planes, places = grid_of_stars(100.0, 3.0)
    rng = np.random.default_rng(9)
    hot = rng.integers(10, 290, (30, 2))
    planes[0, hot[:, 0], hot[:, 1]] += 80
    found = find_stars(planes, measure_noise(planes))
    apart = np.hypot(found.x[:, None] - hot[:, 1], found.y[:, None] - hot[:, 0]).min(1)
    by_star = np.hypot(found.x[:, None] - places[:, 0], found.y[:, None] - places[:, 1]).min(1)
    assert not ((apart < 1) & (by_star > 2)).any()


def test_a_scene_with_its_truth(scene):
    stack = covered(scene)
    white = white_level(stack)
    found = find_stars(stack, measure_noise(stack, scene.coverage), scene.coverage, white)
    cat = scene.catalogue
    h, w = scene.coverage.shape
    xi, yi = np.rint(cat.x).astype(int), np.rint(cat.y).astype(int)
    inside = (xi > 5) & (yi > 5) & (xi < w - 6) & (yi < h - 6)
    inside[inside] &= scene.coverage[yi[inside], xi[inside]] > 0.5 * scene.coverage.max()
    off = nearest(found, np.column_stack([cat.x, cat.y])[inside])
    assert (off < 1.5).mean() > 0.85  # the others stand beside or behind brighter ones
    assert np.median(off[off < 1.5]) < 0.06
    false = np.hypot(found.x[:, None] - cat.x, found.y[:, None] - cat.y).min(1) > 2.5
    assert false.mean() < 0.03
    # every plateau is told as one cut-off star (two that touch may be one)
    assert abs(found.saturated.sum() - cat.saturated[inside].sum()) <= 2
    assert (np.diff(found.flux) <= 0).all()


def test_stars_are_found_in_parts_as_in_one(scene, monkeypatch):
    """A few rows at once take little memory; what lies around them is seen beyond."""
    known = Image.from_array(covered(scene)).measured("noise")
    found = [find_stars(known.planes, known.noise)]
    monkeypatch.setattr(maxima, "ROWS", 37)
    found.append(find_stars(known.planes, known.noise))
    assert len(found[0]) > 50
    for name in ("x", "y", "flux", "peak", "radius", "saturated"):
        assert np.array_equal(*(getattr(stars, name) for stars in found))


def test_a_scene_without_stars_holds_hardly_any():
    bare = make_scene(seed=4, shape=(500, 650), nebula="veil", stars=0, bright=0)
    stack = covered(bare)
    assert len(find_stars(stack, measure_noise(stack, bare.coverage), bare.coverage)) <= 2


def test_nothing_is_found_where_there_is_nothing(scene):
    stack = covered(scene)
    found = find_stars(stack, measure_noise(stack, scene.coverage), scene.coverage)
    there = scene.coverage[np.rint(found.y).astype(int), np.rint(found.x).astype(int)]
    assert (there > 0).mean() > 0.99  # a centroid may step over the rim


@pytest.mark.parametrize("level", [0.7, 0.9, 1.0])
def test_white_is_found_from_the_plateaus(level):
    scene = make_scene(seed=6, shape=(400, 500), white=level)
    found = white_level(covered(scene))
    assert found is not None
    assert found == pytest.approx((level,) * 3, rel=0.002)  # the plateau's noise, averaged over its pixels


def test_channels_have_white_levels_of_their_own():
    scene = make_scene(seed=6, shape=(400, 500))
    found = white_level(covered(scene) * np.float32([1.0, 0.8, 0.6])[:, None, None])
    assert found == pytest.approx((1.0, 0.8, 0.6), rel=0.002)


@pytest.mark.parametrize("glow", [0.05, 0.25])
def test_where_a_glow_was_taken_off_the_lowest_plateau_is_white(glow):
    """Else the others' plateaus would pass for nebula."""
    places = [(x, y) for x in (30, 80, 130, 180) for y in (25.3, 75.6)]
    plane = np.minimum(stars_on((100, 210), places, [20.0, 3.0, 40.0, 8.0] * 2), 1.0)
    plane -= glow * np.linspace(0, 1, 210)
    at = [float(plane[round(y), x]) for x, y in places]
    # less than a percent is not looked at; and of the plateau's own slope, 9 px wide
    assert white_level(plane[None].astype(np.float32)) == pytest.approx((min(at),), abs=max(0.05 * glow, 0.01))
    assert len(plateaus.plateaus(plane[None].astype(np.float32), (min(at),), np.zeros((100, 210), bool))) == 8


def test_a_lower_hill_that_is_no_star_does_not_tell_white():
    """Sources of light that are flat, but wide, as a nebula is."""
    plane = np.minimum(stars_on((120, 210), [(30, 25.3), (80, 75.6)], [20.0, 30.0]), 1.0)
    y, x = np.mgrid[:120, :210]
    plane = np.maximum(plane, 0.8 / (1 + np.exp((np.hypot(x - 150, y - 60) - 20) / 6)))
    assert white_level(plane[None].astype(np.float32)) == pytest.approx((1.0,), abs=1e-6)


def test_a_bright_corner_of_the_sky_does_not_tell_white():
    """Under a white level near the sky, one side of it may be nearer to white than the other: flat, and not cut off."""
    y, x = np.mgrid[:400, :600]
    plane = 0.02 + 0.016 * np.exp(-((np.hypot(x - 600, y - 400) / 250) ** 2))
    plane += stars_on((400, 600), [(60.2, 70.1), (300, 211.3), (160, 330), (420.4, 80)], [20.0, 30.0, 12.0, 3.0])
    assert plane[390, 590] - 0.02 > 0.3 * 0.04
    assert white_level(np.minimum(plane, 0.06)[None].astype(np.float32)) == pytest.approx((0.06,), rel=1e-6)


def test_a_plateau_cut_by_the_edge_tells_white():
    plane = np.minimum(stars_on((60, 60), [(30.3, 58.6), (15.2, 20.1)], [15.0, 0.4]), 1.0)[None].astype(np.float32)
    assert white_level(plane) == pytest.approx((1.0,), abs=1e-6)


def test_without_plateaus_there_is_no_white_level():
    planes, _ = grid_of_stars(5000.0, 2.2)
    assert white_level(planes) is None
    assert white_level(np.full((1, 9, 9), np.nan, np.float32)) is None


@given(st.floats(0.05, 3.0), st.floats(-50, 50))
def test_white_goes_with_the_scale(factor, offset):
    star = np.minimum(np.exp(-0.08 * (np.mgrid[-20:21, -20:21] ** 2).sum(0)) * 3, 1.0)
    plane = (100 * factor * star + offset).astype(np.float32)
    found = white_level(plane[None])
    assert found is not None
    assert found[0] == pytest.approx(100 * factor + offset, rel=1e-3, abs=0.05)


def test_detection_does_not_depend_on_the_unit(scene):
    stack = covered(scene)[:, 100:400, 100:500]
    one = find_stars(stack, measure_noise(stack))
    other = find_stars(stack * np.float32(65536), measure_noise(stack * np.float32(65536)))
    assert len(one) == len(other)
    assert np.allclose(one.x, other.x, atol=1e-3)


def test_light_of_one_line_is_no_star():
    heights = np.array([[10.0] * 20 + [10.0], [8.0] * 20 + [0.4], [9.0] * 20 + [0.2]])
    assert star_coloured(heights, np.full(heights.shape, 0.01)).tolist() == [True] * 20 + [False]
    assert star_coloured(heights[:1], np.full((1, 21), 0.01)).all()


@pytest.mark.parametrize("strict", [False, True])
def test_stars_that_tell_the_usual_colour_may_be_told_before(strict):
    rng = np.random.default_rng(3)
    heights = rng.lognormal(5, 0.15, (3, 60)) * np.array([[1.0], [0.6], [0.4]])
    heights[1:, ::7] *= 0.01  # knots of one line
    error = 0.02 * heights + 0.1
    whole = star_coloured(heights, error, strict)
    parts = coloured_as(usual_colours(heights[:, :50], error[:, :50]), heights[:, 50:], error[:, 50:], strict)
    assert parts.tolist() == whole[50:].tolist()
    assert whole[::7].sum() == 0
    assert whole.sum() > 40
    assert usual_colours(heights[:, :9], error[:, :9]) is None  # too few tell


def test_stars_are_seen_beside_the_structure_of_one_line():
    """Clear in green and blue, lost in red, where a nebula's structure is as high as they are."""
    rng = np.random.default_rng(0)
    planes = rng.normal(0, 1, (3, 240, 240)).astype(np.float32)
    clouds = ndi.gaussian_filter(rng.normal(0, 1, (240, 240)), 2.5)
    planes[0] += (40 * clouds / clouds.std()).astype(np.float32)
    x, y = (v.ravel() + rng.uniform(-6, 6, 36) for v in np.meshgrid(np.arange(20, 240, 40.0), np.arange(20, 240, 40.0)))
    yy, xx = np.mgrid[:240, :240]
    for a, b in zip(x, y, strict=True):
        planes += (60 * (1 + ((xx - a) ** 2 + (yy - b) ** 2) / 4.5) ** -3).astype(np.float32)
    found = find_stars(planes, Noise((1.0,) * 3, (tuple(starlet.white_sigmas(6)),) * 3))
    near = np.hypot(found.x[:, None] - x, found.y[:, None] - y) < 1.5
    assert near.any(0).sum() >= 28  # of 36; all channels alike, it was none
    assert (~near.any(1)).sum() <= 2


@pytest.mark.parametrize("x", [1.3, 0.4, -0.3, -1.2, -2.0])
def test_a_cut_off_star_at_the_edge_is_in_the_list(x):
    """Its plateau reaches in; where its middle lies, inside or just beyond, the disc tells of which that is a part."""
    plane = stars_on((120, 160), [(x, 60.0), (80.0, 40.0), (110.0, 90.0)], [4000.0, 3000.0, 80.0])
    planes = np.minimum(plane, 700).astype(np.float32)[None] + np.random.default_rng(2).normal(0, 1, (1, 120, 160)).astype(
        np.float32
    )
    found = find_stars(planes, Noise((1.0,), (tuple(starlet.white_sigmas(6)),)), None, (700.0,))
    near = np.hypot(found.x - x, found.y - 60.0) < 0.7  # of the plateau whole pixels are seen, a dozen in the worst case
    assert (near & found.saturated).sum() == 1


def test_a_channel_without_any_value_is_measured_without_a_word():
    """Such an array, given from Python, made numpy warn; here that is an error."""
    planes = make_scene(31, (150, 200), "cove").stack
    planes[2] = np.nan
    known = Image.from_array(planes).measured("white", "noise", "stars", "fwhm", "sky", "psf")
    assert known.white is not None
    assert known.white[2] == max(known.white[:2])


@pytest.mark.parametrize("oval", [0.0, 0.25])
def test_two_cut_off_stars_may_share_a_plateau(oval):
    """Also where all stars are as long as that; those by themselves stay one each."""
    places = [(40.0, 40.0), (46.0, 40.5), (100.0, 30.0), (130.0, 80.0), (40.0, 90.0), (90.0, 95.0)]
    plane = stars_on((120, 160), places, [2e5, 1e5, 2e5, 1e5, 3e5, 8e4], oval=-oval)
    planes = np.minimum(plane, 20000).astype(np.float32)[None] + np.random.default_rng(2).normal(0, 1, (1, 120, 160)).astype(
        np.float32
    )
    found = find_stars(planes, Noise((1.0,), (tuple(starlet.white_sigmas(6)),)), None, (20000.0,))
    near = nearest(found, np.array(places))
    assert found.saturated.sum() == len(places)
    # plateaus are drawn in whole pixels; a star whose flank lifts the other's is not a disc's middle to better than a pixel
    assert near.max() < 1.0


def test_a_plateau_that_an_edge_cuts_is_of_one_star():
    places = [(-1.0, 60.0), (80.0, 120.0), (80.0, 40.0), (110.0, 80.0), (40.0, 30.0), (-3.6, 95.0)]  # of the last two columns
    plane = stars_on((120, 160), places, [2e5] * 6)
    plane[119] = np.nan
    plane[:70, 108] = np.nan
    planes = np.minimum(plane, 4000).astype(np.float32)[None] + np.random.default_rng(2).normal(0, 1, (1, 120, 160)).astype(
        np.float32
    )
    found = find_stars(planes, Noise((1.0,), (tuple(starlet.white_sigmas(6)),)), None, (4000.0,))
    assert found.saturated.sum() == 6


def test_stars_hardly_wider_than_a_pixel_are_found_in_its_middle_and_hot_pixels_are_not():
    rng = np.random.default_rng(12)
    alpha = 1.2 / (2 * np.sqrt(2 ** (1 / 3) - 1))
    x, y = (v.ravel().astype(float) for v in np.meshgrid(np.arange(20, 300, 20), np.arange(20, 200, 20)))
    between = np.arange(len(x)) % 3 > 0
    x, y = x + between * rng.uniform(-0.5, 0.5, len(x)), y + between * rng.uniform(-0.5, 0.5, len(y))
    hot = np.arange(len(x)) % 7 == 3
    yy, xx = np.mgrid[:200, :300]
    plane = rng.normal(0, 1, (200, 300))
    for i in np.flatnonzero(~hot):
        plane += 300 * (1 + ((xx - x[i]) ** 2 + (yy - y[i]) ** 2) / alpha**2) ** -3
    plane[np.rint(y[hot]).astype(int), np.rint(x[hot]).astype(int)] += 300
    planes = np.stack([plane] * 3).astype(np.float32)
    found = find_stars(planes, measure_noise(planes))
    near = np.hypot(found.x[:, None] - x, found.y[:, None] - y) < 1
    assert near.any(0)[~hot].all()
    assert not near.any(0)[hot].any()


def test_a_star_is_known_by_its_form_on_a_nebula_as_rough_as_itself():
    rng = np.random.default_rng(3)
    rough = ndi.gaussian_filter(rng.normal(0, 1, (300, 400)), 2.5)
    far = np.hypot(*np.mgrid[-150:150, -200:200])
    nebula = 120 * np.exp(-((far / 60) ** 2)) * (3 + rough / rough.std())
    places = [(200.0 + 40 * i, 150.0 + 25 * j) for i in (-1, 0, 1) for j in (-1, 0, 1)] + [(30.0 * i, 15.0) for i in range(1, 13)]
    stars = stars_on((300, 400), places, [140.0] * len(places))
    planes = np.stack([nebula + stars + rng.normal(0, 1, (300, 400)) for _ in range(3)]).astype(np.float32)
    found = find_stars(planes, measure_noise(planes), fwhm=3.0)  # as in looks that follow
    near = nearest(found, np.array(places)) < 1
    assert near[:9].sum() >= 5  # two by their contrast alone
    assert near.sum() == len(found)


def test_a_small_plateau_that_touches_a_large_one_is_another_star():
    """Its moments are hardly those of a long one; what spikes add on both sides is no star."""
    y, x = np.mgrid[:19, :26]
    large = np.hypot(x - 9, y - 9) < 7.3
    discs = plateaus._two_stars(large | (np.hypot(x - 19, y - 9) < 2.6), np.eye(2))
    assert discs is not None
    (x1, y1, r1), (x2, y2, r2) = sorted(discs)
    assert (x1, y1, x2, y2) == pytest.approx((9, 9, 19, 9), abs=0.7)
    assert r2 < 3 < 6.5 < r1
    assert plateaus._two_stars(large, np.eye(2)) is None
    y, x = np.mgrid[:27, :27]
    spikes = (np.minimum(np.abs(x - 13), np.abs(y - 13)) < 2) & (np.hypot(x - 13, y - 13) < 13)
    assert plateaus._two_stars((np.hypot(x - 13, y - 13) < 7.3) | spikes, np.eye(2)) is None


def test_a_small_plateau_on_a_giants_flank_is_a_star():
    """What is seen of its own flank slopes down from the giant all around."""
    y, x = np.mgrid[:160, :160]
    light = sum(h * (1 + ((x - a) ** 2 + (y - 80) ** 2) / 4.0) ** -3.0 for a, h in ((70, 4e6), (81, 9e3)))
    noise = np.random.default_rng(2).normal(0, 1, (3, *y.shape))
    planes = (np.minimum(light, 3000) + noise).astype(np.float32)
    found = find_stars(planes, measure_noise(planes), None, (3000.0,) * 3)
    near = [(round(float(a)), round(float(b))) for a, b, cut in zip(found.x, found.y, found.saturated, strict=True) if cut]
    assert sorted(near) == [(70, 80), (81, 80)]
    assert (found.peak[found.saturated] > 3 * 2800).all()  # all three channels reach white
