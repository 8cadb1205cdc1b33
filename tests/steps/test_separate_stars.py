"""separate_stars: what it promises on layers, facts and figures."""

import numpy as np
import pytest
from scipy import ndimage as ndi

from nebulakit.demo import make_scene
from nebulakit.errors import StepError
from nebulakit.image import Image
from nebulakit.pixels.stars import separate as parting
from nebulakit.steps import add_stars, blend, level_mask, reduce_stars, separate_stars, stretch_asinh, stretch_midtone
from tests.quality import stars as quality
from tests.quality import stretched

NIGHT = {"shape": (400, 520), "seed": 22, "nebula": "bubble", "bright": 20}


@pytest.fixture(scope="module")
def truth():
    return quality.own(**NIGHT)


@pytest.fixture(scope="module")
def parted(truth):
    return separate_stars(Image.from_array(truth.stack, coverage=truth.coverage))


def test_the_sum_is_exact_and_nothing_else_is_touched(truth, parted):
    nebula, stars, filled = (layer.planes for layer in parted)
    assert np.array_equal(nebula + stars, truth.stack)
    untouched = filled[0] == 0
    assert np.array_equal(nebula[:, untouched], truth.stack[:, untouched])
    assert not stars[:, untouched].any()
    assert set(np.unique(filled)) <= {0.0, 1.0}


def test_figures(truth, parted):
    found = quality.figures(truth, parted.nebula.planes)
    # a small scene has few bright stars to learn the wings from; the goals on large ones are 1.6 and 5
    assert found["rms"] < 3.0  # measured 2.95
    assert found["p99"] < 9.0
    assert 0.85 < found["grain"] < 1.2
    assert found["structure"] > 0.4
    assert abs(found["bias"]) < 0.8
    assert found["outside"] < 1.15


def test_stars_are_subtracted_not_filled(truth, parted):
    """Where a star is below 100 sigma the noise of the data is still there."""
    light = (truth.stars / truth.sigma).max(0)
    faint = (light > 3) & (light < 60)
    kept = parted.nebula.planes[1] - (truth.nebula + truth.sky)[1]
    # what a halo is off by is smooth, and judged by the figures
    fine = [(plane - ndi.gaussian_filter(plane, 3.0))[faint] for plane in (kept, truth.noise[1])]
    assert np.corrcoef(*fine)[0, 1] > 0.7


def test_facts_follow(truth, parted):
    nebula, stars, filled = parted
    assert (nebula.content, stars.content, filled.content) == ("starless", "stars", "mask")
    assert filled.channels == ("mask",)
    assert stars.sky == (0.0, 0.0, 0.0)
    for layer in (nebula, stars):
        assert layer.noise is not None
        assert layer.white == pytest.approx((1.0,) * 3, rel=0.01)
        assert layer.fwhm == pytest.approx(3.0, rel=0.1)
        assert layer.stars is not None
        assert len(layer.stars) > 100
        assert layer.coverage is not None
    record = nebula.record
    assert record["stars"] == len(nebula.stars)
    assert 0 < record["share_filled"] < record["share_touched"] < 1
    assert len(record["widths_px"]) == 3


def test_the_star_list_is_photometry_of_a_kind(truth, parted):
    found = parted.nebula.stars
    total = float(parted.stars.planes.sum())
    assert total == pytest.approx(float(truth.stars.clip(max=1).sum()), rel=0.15)
    assert float(found.flux.max()) < 2 * float(make_scene(**NIGHT).catalogue.flux.max())


def small(truth):
    """A cut-out that is quickly done, around a star that is cut off."""
    return Image.from_array(truth.stack[:, *around(truth)].copy(), coverage=truth.coverage[around(truth)])


def around(truth):
    """The rows and columns of that cut-out."""
    h, w = truth.coverage.shape
    y, x = np.unravel_index(np.argmax(truth.stars[1, 40:-40, 40:-40]), (h - 80, w - 80))
    y, x = min(int(y) + 40, h - 75), min(int(x) + 40, w - 95)
    return np.s_[max(y - 75, 0) : max(y + 75, 150), max(x - 95, 0) : max(x + 95, 190)]


def test_the_same_bits_again_and_the_input_as_it_was(truth):
    image = small(truth)
    before = image.planes.copy()
    one, again, other = separate_stars(image), separate_stars(image), separate_stars(image, seed=2)
    assert np.array_equal(image.planes, before)
    assert all(np.array_equal(a.planes, b.planes) for a, b in zip(one, again, strict=True))
    # another seed changes the grain of what was filled, and nothing else
    assert 0 < (other.nebula.planes != one.nebula.planes).any(0).mean() < 0.3
    assert np.array_equal(other.filled.planes, one.filled.planes)


def test_nan_stays_where_it_was():
    scene = make_scene(seed=12, shape=(190, 240), nebula="veil", empty=float("nan"))
    nebula, stars, filled = separate_stars(scene.image())
    gone = np.isnan(scene.stack)
    assert np.array_equal(np.isnan(nebula.planes), gone)
    assert np.array_equal(np.isnan(stars.planes), gone)
    assert np.array_equal((nebula.planes + stars.planes)[~gone], scene.stack[~gone])
    assert not filled.planes[0][gone.all(0)].any()


def test_stars_without_the_sky_are_cut_off_so_much_lower():
    scene = make_scene(seed=12, shape=(190, 240), nebula="veil")
    image = scene.image(sky=(0.3, 0.2, 0.1), white=(1.0, 1.0, 1.0))
    parted = separate_stars(image)
    assert parted.stars.white == pytest.approx((0.7, 0.8, 0.9))
    assert parted.nebula.white == image.white


def test_without_stars_hardly_anything_happens():
    scene = make_scene(seed=13, shape=(260, 330), nebula="cove", stars=0, bright=0)
    nebula, stars, filled = separate_stars(scene.image())
    assert filled.planes.mean() < 0.02
    if not filled.planes.any():
        assert [n.id for n in nebula.notices] == ["no-stars"]
        assert not stars.planes.any()


def test_halos_can_be_dropped(truth, parted):
    """The nebula is the same, the stars come back without their wide wings, and nothing else is lost."""
    image = Image.from_array(truth.stack, coverage=truth.coverage)
    bare = separate_stars(image, halos="dropped")
    assert np.array_equal(bare.nebula.planes, parted.nebula.planes)
    lost = truth.stack - (bare.nebula.planes + bare.stars.planes)
    assert not lost[:, parted.filled.planes[0] == 0].any()
    sigma = truth.sigma.reshape(3, 1, 1) if truth.sigma.size == 3 else truth.sigma
    # only light is dropped; a rounding of cores near 1.0 is some hundredths of this noise
    assert float((lost / sigma).min()) > -0.05
    # far from the brightest stars' middles hardly anything; close to them more than the noise, and less than the star
    k = int(np.argmax(parted.nebula.stars.flux))
    x, y = float(parted.nebula.stars.x[k]), float(parted.nebula.stars.y[k])
    r = np.hypot(np.arange(lost.shape[2])[None] - x, np.arange(lost.shape[1])[:, None] - y)
    around = (r > 25) & (r < 35)
    dropped, light = float(lost[1][around].mean()), float(parted.stars.planes[1][around].mean())
    assert 0.3 * light < dropped < 1.05 * light
    assert float(bare.stars.planes.max()) > 0.95 * float(parted.stars.planes.max())


def test_reflections_go_with_the_halos(truth):
    """The discs beside bright stars are in the star layer; with dropped halos in neither."""
    lit = quality.own(**NIGHT, reflection=0.01)
    disc = (lit.stars - truth.stars)[1]
    image = Image.from_array(lit.stack, coverage=lit.coverage)
    whole, bare = separate_stars(image), separate_stars(image, halos="dropped")
    on = (disc > 3 * lit.sigma[1].mean()) & (truth.stars[1] < 0.3 * disc)
    assert on.sum() > 1000
    shares = [float(layer.stars.planes[1][on].sum() / disc[on].sum()) for layer in (whole, bare)]
    assert 0.9 < shares[0] < 1.3  # with the wings of all stars
    assert shares[1] < 0.12
    assert np.array_equal(whole.nebula.planes, bare.nebula.planes)


def test_by_hand(truth, parted):
    """A star that is spared stays, a place that is added is filled, halos can be left to the nebula."""
    star = parted.nebula.stars
    h, w = truth.stack.shape[1:]
    inside = (star.x > 20) & (star.y > 20) & (star.x < w - 20) & (star.y < h - 20) & ~star.saturated
    k = int(np.argmax(np.where(inside, star.peak, 0)))
    free = np.argwhere((truth.stars.max(0) < 0.5 * truth.sigma.min()) & (parted.filled.planes[0] == 0))
    free = free[(free > 12).all(1) & (free[:, 0] < h - 12) & (free[:, 1] < w - 12)]
    fy, fx = (int(v) for v in free[len(free) // 2])
    image = Image.from_array(truth.stack, coverage=truth.coverage)
    by_hand = {
        "spare": [{"at": [f"{star.x[k]:.1f} px", f"{star.y[k]:.1f} px"], "radius": "4 px"}],
        "add": [{"at": [f"{fx} px", f"{fy} px"], "radius": "3 px"}],
    }
    done = separate_stars(image, **by_hand, halos="nebula")
    y, x = round(float(star.y[k])), round(float(star.x[k]))
    assert done.nebula.planes[1, y, x] == pytest.approx(float(truth.stack[1, y, x]), rel=0.05)
    assert done.filled.planes[0, fy, fx] == 1
    assert np.abs(done.nebula.planes[:, fy, fx] - truth.stack[:, fy, fx]).max() < 12 * truth.sigma.max()
    assert done.filled.planes.mean() <= parted.filled.planes.mean()
    assert np.array_equal(done.nebula.planes + done.stars.planes, truth.stack)
    # what was found in the wings is told, whoever keeps it
    kept = separate_stars(image, **by_hand)
    assert done.nebula.record["wings_share"] == kept.nebula.record["wings_share"]
    assert min(done.nebula.record["wings_share"]) > 1e-3
    # the halo that is left goes on behind the core: without its light a dark disc would stand in its middle
    giant = int(
        np.argmax(np.where(star.saturated & (star.x > 20) & (star.x < w - 20) & (star.y > 20) & (star.y < h - 20), star.flux, 0))
    )
    far = np.hypot(np.arange(w)[None] - star.x[giant], np.arange(h)[:, None] - star.y[giant])
    halo = (done.nebula.planes - parted.nebula.planes)[1]
    core, ring = (float(np.median(halo[(far >= r) & (far < r + 4)])) for r in (0, 15))
    assert core > ring > 2 * truth.sigma[1, 0, 0]


def test_one_plane_and_any_unit(truth):
    plane = truth.stack[1:2, *around(truth)] * np.float32(65535)
    nebula, stars, _ = separate_stars(plane)
    assert np.array_equal(nebula + stars, plane)
    assert nebula.max() < 0.2 * plane.max()


@pytest.fixture(scope="module", params=[stretch_asinh, stretch_midtone])
def shown(request, truth):
    """A strongly stretched picture, parted; and the same without stars, with and without noise."""
    flat = truth.sky - truth.sky.mean((1, 2), keepdims=True)
    linear = Image.from_array(truth.stack - flat, coverage=truth.coverage)

    def stretched(light):
        return request.param(Image.from_array(light.astype(np.float32), coverage=truth.coverage), like=linear).planes

    starless = truth.nebula + truth.sky - flat
    picture = request.param(linear)
    return picture, separate_stars(picture), stretched(starless), stretched(starless + truth.noise)


def test_stretched_pictures_keep_their_promises(shown):
    picture, (nebula, stars, filled), _, _ = shown
    assert nebula.scale == stars.scale == "display"
    assert np.array_equal(nebula.planes + stars.planes, picture.planes)
    untouched = filled.planes[0] == 0
    assert np.array_equal(nebula.planes[:, untouched], picture.planes[:, untouched])
    assert nebula.planes.min() >= picture.planes.min()
    assert nebula.planes.max() <= picture.planes.max()
    assert nebula.record["stars"] == len(nebula.stars) > 100


def test_stretched_pictures_come_back_from_their_parts(shown):
    """Screened they came back too dark; the stars may go through steps that leave them as they are."""
    picture, (nebula, stars, _), _, _ = shown
    assert np.array_equal(add_stars(nebula, stars).planes, picture.planes)
    assert np.array_equal(add_stars(nebula, reduce_stars(stars, size="100%")).planes, picture.planes)
    half = add_stars(nebula, stars, brightness="50%").planes
    assert np.allclose(half, (picture.planes + nebula.planes) / 2, atol=1e-6)
    both = add_stars(nebula, stars, brightness="200%")
    assert both.planes.max() <= 1
    assert not both.by_levels


@pytest.mark.parametrize("other", ["nebula", "mask"])
def test_what_is_no_layer_of_stars_any_more_is_none_of_levels(shown, other):
    _, (nebula, stars, _), _, _ = shown
    made = blend(stars, nebula) if other == "nebula" else level_mask(stars)
    assert made.content != "stars"
    assert not made.by_levels


def test_stars_that_were_stretched_by_themselves_are_screened(truth, parted):
    layer = stretch_asinh(parted.stars, lift="8%")
    nebula = stretch_asinh(parted.nebula)
    light = layer.planes.clip(0, 1)
    assert np.allclose(add_stars(nebula, layer).planes, 1 - (1 - nebula.planes) * (1 - light), atol=1e-6)


@pytest.mark.parametrize("flat", [False, True])
def test_stars_that_a_bright_sky_cuts_off_low_leave_no_plateau(flat):
    """Where white is near the sky a giant's plateau is wider than all that its height was first told from, and where the sky was
    taken off before each plateau lies at a level of its own.
    """
    night = make_scene(3, (400, 500), "cove")
    sigma = np.median(np.abs(np.diff(night.stack, axis=2)), axis=(1, 2))[:, None, None] * np.float32(1.4826 / np.sqrt(2))
    white = np.median(night.stack, axis=(1, 2)).max() + 1500 * sigma.max()
    taken = night.sky if flat else np.float32(0)
    nebula, _, _ = separate_stars(Image.from_array(np.minimum(night.stack, white) - taken, coverage=night.coverage))
    behind = night.starless + night.sky - taken
    wide = ndi.binary_dilation((night.stack >= white).any(0), iterations=3)
    off = ((nebula.planes - behind) / sigma)[:, wide]
    assert wide.sum() > 1000
    assert np.abs(off).max() < 8  # measured 4.6; where a plateau is left over 1500
    assert np.sqrt((off**2).mean()) < 1.6  # the goal; measured 0.98


def test_stretched_pictures_lose_their_stars(truth, shown):
    picture, (nebula, _, _), clean, noisy = shown
    sigma = 1.4826 * np.median(np.abs(noisy - clean), axis=(1, 2))[:, None, None]
    light = (truth.stars / truth.sigma).max(0)
    foot = light > 2
    before, after = (((planes - clean) / sigma)[:, foot] for planes in (picture.planes, nebula.planes))
    # told from around, not measured: a stretch lifts halos that no ring shows to end, so more than the noise is left
    assert np.sqrt((after**2).mean()) < min(3, 0.5 * np.sqrt((before**2).mean()))
    assert abs(np.median(after)) < 2
    # no holes: nothing lies far under the darkest that the true nebula shows there, nor are cores left
    assert (after < -8).mean() < 0.01
    core = light > 1000
    assert np.percentile(((nebula.planes - clean) / sigma)[:, core], 98) < 15
    # the grain of what was filled is that of the true picture, less where a halo is left that lifts the level
    fine = [quality.spread((p - ndi.gaussian_filter(p, (0, 1, 1)))[:, foot]) for p in (nebula.planes, noisy)]
    assert 0.7 < fine[0] / fine[1] < 1.2


def test_stretched_pictures_by_hand(shown):
    """A place that is added is filled, a star that is spared stays, halos can be left."""
    picture, parted, _, _ = shown
    star = parted.nebula.stars
    k = int(np.argmax(np.where((star.x > 50) & (star.y > 50) & (star.x < 300) & (star.y < 200) & ~star.saturated, star.peak, 0)))
    free = np.argwhere(ndi.binary_erosion(parted.filled.planes[0] == 0, iterations=4))
    fy, fx = (int(v) for v in free[len(free) // 2])
    done = separate_stars(
        picture,
        spare=[{"at": [f"{star.x[k]:.1f} px", f"{star.y[k]:.1f} px"], "radius": "4 px"}],
        add=[{"at": [f"{fx} px", f"{fy} px"], "radius": "3 px"}],
        halos="nebula",
    )
    assert done.filled.planes[0, fy, fx] == 1
    y, x = round(float(star.y[k])), round(float(star.x[k]))
    assert done.nebula.planes[1, y, x] > 0.5 * picture.planes[1, y, x] + 0.5 * parted.nebula.planes[1, y, x]
    # whoever keeps the halos, a curve is believed by what is left without them
    assert done.nebula.record["parted_in"] == parted.nebula.record["parted_in"]
    assert done.filled.planes.mean() < parted.filled.planes.mean()


@pytest.fixture(scope="module")
def curved(truth):
    """A picture whose channels were stretched by a curve each, parted."""
    shown = stretched.show(truth, "asinh 0.002")
    return shown, separate_stars(shown.picture)


def test_a_curve_is_told_and_undone(curved):
    """Where the curve can be told a stretched picture is parted as well as a linear one."""
    shown, (nebula, stars, filled) = curved
    picture = shown.picture
    assert nebula.record["parted_in"] == "light"
    assert np.array_equal(nebula.planes + stars.planes, picture.planes)
    untouched = filled.planes[0] == 0
    assert np.array_equal(nebula.planes[:, untouched], picture.planes[:, untouched])
    assert nebula.scale == stars.scale == "display"
    assert nebula.planes.dtype == np.float32
    assert nebula.planes.min() >= picture.planes.min()
    assert nebula.planes.max() <= picture.planes.max()
    found = stretched.figures(shown, nebula.planes)
    # no worse than the same scene in light, above
    assert found["rms"] < 3.0  # measured 2.86
    assert found["p99"] < 9.0
    assert 0.8 < found["grain"] < 1.2
    assert found["structure"] > 0.5
    # the recorded curve rises, and asinh is nearly straight up to its softening of 0.002, some 70 noises
    lights, levels = nebula.record["curve_light"], np.array(nebula.record["curve_levels"])
    assert (np.diff(levels, axis=1) > 0).all()
    slopes = np.diff(levels, axis=1) / np.diff(lights)
    assert (slopes[:, 1] > 0.7 * slopes[:, 0]).all()
    assert (slopes[:, -1] < 0.1 * slopes[:, 0]).all()


def test_halos_of_a_curved_picture_can_be_dropped(curved):
    shown, parted = curved
    bare = separate_stars(shown.picture, halos="dropped")
    assert np.array_equal(bare.nebula.planes, parted.nebula.planes)
    lost = shown.picture.planes - (bare.nebula.planes + bare.stars.planes)
    assert not lost[:, parted.filled.planes[0] == 0].any()
    assert float(lost.min()) > -1e-4  # only light is dropped; a table of the curve is off by its last digits
    assert float(lost.max()) > 0.003  # more than the noise, 0.0018


def test_one_factor_for_all_channels_is_told_and_undone():
    """Where hues were kept no channel has a curve of its own, but their brightness has."""
    truth = stretched.quality.own(stretched.SHAPE, **stretched.quality.OWN["cove"])
    shown = stretched.show(truth, "hues, asinh 0.002 of luma")
    picture = shown.picture
    nebula, stars, filled = separate_stars(picture)
    assert nebula.record["parted_in"] == "light"
    assert nebula.record["curve_of"] in ("luma", "mean")
    assert np.array_equal(nebula.planes + stars.planes, picture.planes)
    untouched = filled.planes[0] == 0
    assert np.array_equal(nebula.planes[:, untouched], picture.planes[:, untouched])
    found = stretched.figures(shown, nebula.planes)
    assert found["rms"] < 1.6  # measured 1.20, with a curve for each channel 2.20
    assert found["p99"] < 5.0
    assert 0.8 < found["grain"] < 1.2
    assert found["structure"] > 0.5


@pytest.mark.parametrize("how", ["stretch_asinh", "hues, asinh 0.002 of luma"])
def test_a_black_border_tells_nothing(how):
    """It is darker than all light: counted as such it took the level above which all channels have one factor, and no curve held."""
    shown = stretched.show(quality.own(shape=(300, 380), seed=3, nebula="cove", bright=20), how)
    planes = shown.picture.planes.copy()
    yy, xx = np.mgrid[0 : planes.shape[1], 0 : planes.shape[2]]
    border = yy / planes.shape[1] + xx / planes.shape[2] < 0.4  # 8 % of the picture
    planes[:, border] = 0
    nebula, stars, filled = separate_stars(shown.picture.replace(planes))
    assert nebula.record["parted_in"] == "light"
    assert nebula.record["curve_of"] != "channels"
    assert np.array_equal(nebula.planes + stars.planes, planes)
    for layer in (nebula, stars, filled):
        assert not layer.planes[:, border].any()
    found = stretched.figures(
        shown._replace(light=np.where(border, 0, shown.light)), np.where(border, shown.clean, nebula.planes)
    )
    assert found["rms"] < 1.6  # measured 1.32 and 1.22, filled 3.2 and 5.3


@pytest.mark.parametrize(("left", "way", "rms"), [(False, "mean", 1.6), (True, "channels", 2.5)])
def test_where_one_factor_leaves_bright_stars_the_channels_curves_are_tried(monkeypatch, left, way, rms):
    """Filled, the structure of what is behind the stars would be lost."""
    truth = stretched.quality.own(stretched.SHAPE, **stretched.quality.OWN["veil, white noise"])
    shown = stretched.show(truth, "hues, asinh 0.003, over the sky")
    verdicts, judge = ([(30, 0)] if left else []), parting.still_there
    monkeypatch.setattr(parting, "still_there", lambda *facts: verdicts.pop() if verdicts else judge(*facts))
    nebula, stars, _ = separate_stars(shown.picture)
    assert nebula.record["parted_in"] == "light"
    assert nebula.record["curve_of"] == way
    assert len(nebula.record.get("given_up", [])) == left
    assert np.array_equal(nebula.planes + stars.planes, shown.picture.planes)
    found = stretched.figures(shown, nebula.planes)
    assert found["rms"] < rms  # measured 1.46 and 1.76, filled 4.45
    assert found["structure"] > 0.5  # measured 0.81 where left, filled 0.23


@pytest.mark.parametrize("shown", [stretch_asinh], indirect=True)
def test_our_own_stretches_are_undone(truth, shown):
    """They roll off highlights twice, so that no one curve brings the light back."""
    picture, (nebula, _, _), clean, noisy = shown
    assert nebula.record["parted_in"] == "light"
    assert "as stretch_" in nebula.record["curve_of"]
    assert max(nebula.record["curve_levels"][0]) < 1
    found = stretched.figures(stretched.Shown(picture, clean, noisy, (truth.stars / truth.sigma).max(0)), nebula.planes)
    assert found["rms"] < 1.6  # measured 1.17
    assert found["p99"] < 5.0
    assert 0.8 < found["grain"] < 1.2
    assert found["structure"] > 0.5  # measured 0.92


def test_what_no_one_curve_made_is_parted_as_it_is(truth):
    """Where local contrast was lifted stars stand on levels of their own, and the brightest are left."""
    nebula, _, _ = separate_stars(stretched.show(truth, "stretch_asinh + local contrast").picture)
    assert nebula.record["parted_in"] == "levels"


def test_stretched_without_stars_nothing_happens():
    rng = np.random.default_rng(3)
    plain = rng.normal(0.1, 0.01, (3, 90, 120)).astype(np.float32)
    plain[:, 20:30, 40:50] = np.nan
    nebula, stars, filled = separate_stars(Image.from_array(plain, scale="display"))
    assert np.array_equal(np.isnan(nebula.planes), np.isnan(plain))
    assert not filled.planes.any()
    assert not np.nan_to_num(stars.planes).any()


def test_tiny_and_even_pictures_pass():
    for planes in (np.zeros((3, 16, 16)), np.full((1, 40, 40), 0.5), np.random.default_rng(0).normal(0, 1, (3, 33, 47))):
        given = planes.astype(np.float32)
        nebula, stars, _ = separate_stars(given)
        assert np.array_equal(nebula + stars, given)


def test_only_nan_is_refused():
    with pytest.raises(StepError, match="every pixel is NaN"):
        separate_stars(np.full((3, 20, 20), np.nan))
