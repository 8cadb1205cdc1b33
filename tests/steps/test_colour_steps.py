"""bicolour, limit_tint, saturate, turn_hue, curve, blend and the masks: as steps, with the facts they keep."""

from __future__ import annotations

import numpy as np
import pytest

from nebulakit import steps
from nebulakit.errors import StepError
from nebulakit.image import Image
from nebulakit.pixels import colour
from nebulakit.pixels.facts import Noise


def noise(*sigma: float) -> Noise:
    return Noise(sigma, tuple((0.89 * s, 0.2 * s, 0.086 * s) for s in sigma))


def line(name: str, sky: float = 0.1, sigma: float = 0.004, seed: int = 0) -> Image:
    y, x = np.mgrid[:90, :120] / 90
    centre = 0.45 if name == "ha" else 0.75
    glow = 0.75 * np.exp(-(((x - centre) / 0.2) ** 2) - ((y - 0.5) / 0.18) ** 2)
    planes = sky + glow + np.random.default_rng(seed).normal(0, sigma, glow.shape)
    return Image(planes.astype(np.float32)[None], (name,), "display", "starless", sky=(sky,), noise=noise(sigma), fwhm=2.5)


def picture() -> Image:
    made: Image = steps.bicolour(line("ha"), line("oiii", seed=1))
    return made


def lch(planes: np.ndarray) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    lab = colour.to_lab(colour.decode(planes))
    return lab[0], np.hypot(lab[1], lab[2]), np.degrees(np.arctan2(lab[2], lab[1])) % 360


def test_a_picture_of_two_lines() -> None:
    made = picture()
    assert made.is_rgb
    assert made.scale == "display"
    assert made.content == "starless"
    assert made.sky == (0.1,) * 3
    corner = made.planes[:, :12, :12]
    assert np.ptp(np.median(corner, (1, 2))) < 0.002
    assert np.median(corner) == pytest.approx(0.1, abs=0.002)
    _, chroma, hue = lch(made.planes)
    assert chroma[45, 20] > 0.045
    assert abs(hue[45, 20] - 25) < 8
    assert abs(hue[45, 90] - 205) < 8
    assert chroma[45, 54] < 0.02  # where both are alike
    assert (made.record["ha_hue"], made.record["oiii_hue"]) == (25.0, 205.0)
    again = steps.bicolour(line("ha"), line("oiii", seed=1), softening=made.record["softening"])
    assert np.array_equal(made.planes, again.planes)


@pytest.mark.parametrize(
    "change",
    [
        lambda i: steps.saturate(i, gain=0),
        lambda i: steps.turn_hue(i, by="30 deg"),
        steps.limit_tint,
        lambda i: steps.balance_stars(i, gains=(0.8, 1.0, 1.2)),
        lambda i: steps.add_stars(i, i.replace(content="stars"), brightness=0.3),
    ],
    ids=["grey", "turn_hue", "limit_tint", "balance_stars", "add_stars"],
)
def test_a_coloured_sky_and_its_noise_are_told_as_they_become(change) -> None:
    grain = np.random.default_rng(4).normal(0, 0.004, (3, 100, 120))
    levels = (0.14, 0.2, 0.16)
    planes = (grain + np.reshape(levels, (3, 1, 1))).astype(np.float32)
    facts = {"sky": levels, "noise": noise(*[0.004] * 3), "white": (1.0, 0.8, 1.0)}
    image = Image(planes, ("red", "green", "blue"), "display", "stars", **facts)
    made = change(image)
    assert made.sky == pytest.approx(np.median(made.planes, (1, 2)).tolist(), abs=6e-4)  # 0.15 of the noise
    if made.content == "scene":
        return  # the sum of two layers: its noise is the nebula's
    if made.noise is not None:
        assert made.noise.sigma == pytest.approx(made.planes.std((1, 2)).tolist(), rel=0.1)
    white = change(image.replace(np.zeros_like(planes) + np.float32([[[1.0]], [[0.8]], [[1.0]]])))
    assert made.white == pytest.approx(white.planes[:, 0, 0].tolist(), abs=1e-5)


def test_noise_of_the_picture_is_told_within_a_fifth() -> None:
    flat = [
        Image(
            (0.1 + np.random.default_rng(s).normal(0, 0.004, (1, 100, 120))).astype(np.float32),
            (n,),
            "display",
            sky=(0.1,),
            noise=noise(0.004),
        )
        for s, n in enumerate(("ha", "oiii"))
    ]
    made = steps.bicolour(*flat)
    assert made.noise is not None
    np.testing.assert_allclose(made.planes.std((1, 2)), made.noise.sigma, rtol=0.2)


def test_colours_by_name_and_by_hue() -> None:
    named = steps.bicolour(line("ha"), line("oiii", seed=1), colours="gold-blue")
    by_hue = steps.bicolour(line("ha"), line("oiii", seed=1), ha_hue="80 deg", oiii_hue=255)
    assert np.array_equal(named.planes, by_hue.planes)
    with pytest.raises(StepError, match="same size"):
        steps.bicolour(line("ha"), line("oiii").replace(line("oiii").planes[:, :50]))


def test_what_lies_below_the_sky_is_grey() -> None:
    """Where one line is taken below the sky (by a glow that is told too high) the other's sky has no colour for it."""
    ha, oiii = line("ha"), line("oiii", seed=1)
    dark = ha.planes.copy()
    dark[0, :12, :12] = np.linspace(0, 0.1, 12)
    sky = oiii.planes.copy()
    sky[0, :12, :12] = 0.1
    made = steps.bicolour(ha.replace(dark), oiii.replace(sky))
    assert lch(made.planes)[1][:12, :12].max() < 0.003


@pytest.mark.parametrize("oiii_sky", [0.1, 0.07])
def test_what_a_glow_left_has_no_colour_and_faint_light_has_all_of_its(oiii_sky: float) -> None:
    """Fractions of a noise above the sky are grey and as light as they were; from a few noises on nothing changes."""
    flat = np.full((1, 40, 90), 0.1, np.float32)
    ha = Image(flat, ("ha",), "display", "starless", sky=(0.1,), noise=noise(0.01))
    patches = np.full_like(flat, oiii_sky)
    for i, noises in enumerate((0.15, 0.3, 0.6, 3.0)):
        patches[0, :, 10 + 20 * i : 20 + 20 * i] += np.float32(noises * 0.01)
    oiii = Image(patches, ("oiii",), "display", "starless", sky=(oiii_sky,), noise=noise(0.01))
    made = lch(steps.bicolour(ha, oiii, softening=0.3).planes)
    plain = lch(steps.bicolour(ha.replace(noise=noise(1e-9)), oiii.replace(noise=noise(1e-9)), softening=0.3).planes)
    share = (made[1] / np.maximum(plain[1], 1e-6))[20, 15::20]
    assert share[0] < 0.2
    assert share[1] == pytest.approx(0.5, abs=0.05)
    assert share[2:] == pytest.approx(1, abs=0.02)
    assert np.abs(made[0] - plain[0]).max() < 0.003


def test_other_sky_levels_are_brought_together() -> None:
    made = steps.bicolour(line("ha", sky=0.12), line("oiii", sky=0.08, seed=1))
    assert np.ptp(np.median(made.planes[:, :12, :12], (1, 2))) < 0.003
    assert made.sky == (0.12,) * 3


def test_casts_go_and_the_lines_stay() -> None:
    made = picture()
    cast = made.replace(made.planes * np.float32([0.95, 1.12, 0.95])[:, None, None])
    cast = cast.replace(np.minimum(cast.planes, 1))
    mended = steps.limit_tint(cast)
    grey = (slice(None), slice(0, 12), slice(0, 12))
    green = [float(np.median(p.planes[grey][1] - p.planes[grey][[0, 2]].mean(0))) for p in (cast, mended)]
    assert green[1] < 0.35 * green[0]
    clean = steps.limit_tint(made)
    strong = lch(made.planes)[1] > 0.06
    np.testing.assert_allclose(clean.planes[:, strong], made.planes[:, strong], atol=2e-3)
    assert np.abs(steps.limit_tint(cast, strength="0%").planes[grey] - cast.planes[grey]).max() < 1e-4


@pytest.mark.parametrize("colours", ["red-teal", "gold-blue", "rose-cyan"])
def test_the_lines_stay_whatever_their_colours(colours: str) -> None:
    made = steps.bicolour(line("ha"), line("oiii", seed=1), colours=colours)
    turned = steps.turn_hue(made, by="40 deg")
    for known in (made, turned, steps.turn_hue(made, by="15 deg", hues=[0, 120], feather="60 deg")):
        strong = lch(known.planes)[1] > 0.06
        np.testing.assert_allclose(steps.limit_tint(known).planes[:, strong], known.planes[:, strong], atol=2e-3)
    assert steps.limit_tint(turned).record["ha_hue"] == pytest.approx(made.record["ha_hue"] + 40)
    told = steps.limit_tint(made, colours="rose-cyan")
    assert (told.record["ha_hue"], told.record["oiii_hue"]) == (5, 200)


def test_saturation_by_the_steps_defaults() -> None:
    made = picture()
    more = steps.saturate(made)
    (l0, c0, h0), (l1, c1, h1) = lch(made.planes), lch(more.planes)
    strong = (c0 > 0.05) & (made.planes.mean(0) > 0.2)
    assert 1.15 < np.median(c1[strong] / c0[strong]) <= 1.2501
    assert np.abs(l1 - l0).max() < 1e-4
    assert np.abs((h1 - h0 + 180) % 360 - 180)[strong].max() < 0.05
    dark = made.planes[:, :12, :12]
    assert np.abs(more.planes[:, :12, :12] - dark).max() < 0.006
    reds = steps.saturate(made, hues=["340 deg", "60 deg"], gain=1.5)
    teal = (np.abs(h0 - 205) < 40) & strong
    np.testing.assert_allclose(reds.planes[:, teal], made.planes[:, teal], atol=1e-4)


def test_turning_only_the_reds() -> None:
    made = picture()
    turned = steps.turn_hue(made, by="30 deg", hues=[350, 60])
    _, c0, h0 = lch(made.planes)
    h1 = lch(turned.planes)[2]
    red, teal = (c0 > 0.05) & (np.abs(h0 - 25) < 10), (c0 > 0.05) & (np.abs(h0 - 205) < 10)
    assert np.abs(h1 - h0 - 30)[red].max() < 0.1
    assert np.abs(h1 - h0)[teal].max() < 0.05
    with pytest.raises(StepError, match="by"):
        steps.turn_hue(made)


def test_a_curve_and_its_facts() -> None:
    made = picture()
    lighter = steps.curve(made, points=[[0.1, 0.1], [0.3, 0.45]])
    np.testing.assert_allclose(lighter.sky, made.sky, atol=1e-4)
    assert lighter.noise is not None
    np.testing.assert_allclose(
        lighter.planes[:, :12, :12].std((1, 2)) / made.planes[:, :12, :12].std((1, 2)),
        np.array(lighter.noise.sigma) / np.array(made.noise.sigma),  # type: ignore[union-attr]
        rtol=0.25,
    )
    one = steps.curve(line("ha"), points=[[0.5, 0.6]])
    assert float(one.planes.max()) > float(line("ha").planes.max())
    red = steps.curve(made, points=[[0.5, 0.6]], of="red")
    assert np.array_equal(red.planes[1:], made.planes[1:])
    with pytest.raises(StepError, match="must rise from point to point"):
        steps.curve(made, points=[[0.5, 0.6], [0.4, 0.7]])
    with pytest.raises(StepError, match="there is no red"):
        steps.curve(line("ha"), of="red")


def test_the_darkest_of_a_picture_without_sky_comes_to_the_level_of_the_sky() -> None:
    filled = [line(n, seed=i) for i, n in enumerate(("ha", "oiii"))]
    filled = [f.replace(0.15 + 0.85 * f.planes) for f in filled]  # light all over: 0.235 where the sky would be
    made = steps.bicolour(*filled)
    straight = [[0.5, 0.5]]
    lowered = steps.curve(made, points=straight, darkest="auto")
    grey = colour.encode(colour.lightness(colour.decode(lowered.planes)) ** 3)
    assert np.quantile(grey, 0.05) == pytest.approx(0.1, abs=0.01)  # the grain of single pixels is 0.004
    assert (lowered.planes > 0).all()
    (_, c0, h0), (_, c1, h1) = lch(made.planes), lch(lowered.planes)
    strong = (c0 > 0.03) & (c1 > 0.03)
    assert np.abs((h1 - h0 + 180) % 360 - 180)[strong].max() < 0.1  # float32 at that chroma
    again = steps.curve(made, points=straight, darkest=lowered.record["darkest"])
    assert np.array_equal(again.planes, lowered.planes)
    assert lowered.record["darkest_lowered_to"] == pytest.approx(0.1)
    one = steps.curve(filled[0], points=straight, darkest="auto")
    assert np.quantile(one.planes, 0.05) == pytest.approx(0.1, abs=0.01)


def test_a_picture_with_sky_stays_as_it_is_where_its_darkest_would_be_lowered() -> None:
    lines = [line(n, seed=i) for i, n in enumerate(("ha", "oiii"))]
    made = steps.bicolour(*(f.replace(np.where(f.planes < 0.12, np.minimum(f.planes, 0.1), f.planes)) for f in lines))
    asked = steps.curve(made, darkest="auto")
    assert np.array_equal(asked.planes, steps.curve(made).planes)
    assert asked.record["darkest"] <= 0.1
    assert steps.curve(made, darkest="kept").record == {}
    with pytest.raises(StepError, match="works on lightness"):
        steps.curve(made, darkest="auto", of="each")


def test_a_mask_between_levels() -> None:
    ha = line("ha")
    mask = steps.level_mask(ha, above="20 sigma")
    assert mask.channels == ("mask",)
    assert mask.content == "mask"
    assert mask.scale == "display"
    assert mask.fwhm == ha.fwhm
    plain = ha.planes[0] >= 0.1 + 20 * 0.004
    assert np.array_equal(steps.level_mask(ha, above="20 sigma", feather="0 px").planes[0], plain.astype(np.float32))
    assert float(mask.planes.sum()) == pytest.approx(plain.sum(), rel=0.02)
    ring = steps.level_mask(ha, above=0.3, below=0.6, feather="0 px").planes[0]
    assert np.array_equal(ring > 0, (ha.planes[0] >= np.float32(0.3)) & (ha.planes[0] <= np.float32(0.6)))
    with pytest.raises(StepError, match="not above the lower level"):
        steps.level_mask(ha, above=0.5, below=0.4)


def test_a_mask_without_stars_to_measure_says_what_it_took() -> None:
    flat = np.random.default_rng(0).normal(0, 1, (60, 60)).astype(np.float32)
    mask = steps.level_mask(Image(flat[None], ("ha",), content="starless", noise=noise(1.0), sky=(0.0,)))
    assert [n.id for n in mask.notices] == ["fwhm-assumed"]


def test_masks_combine() -> None:
    one, two = steps.level_mask(line("ha"), above=0.3), steps.level_mask(line("oiii"), above=0.3)
    both, either = steps.combine_masks(one, two, how="and"), steps.combine_masks(one, two, how="or")
    assert float(both.planes.mean()) < float(one.planes.mean()) < float(either.planes.mean())
    assert np.array_equal(steps.combine_masks(one, how="not").planes, 1 - one.planes)
    with pytest.raises(StepError, match="needs a second mask"):
        steps.combine_masks(one, how="or")
    with pytest.raises(StepError, match="b must be a single plane, but has 3 channels"):
        steps.combine_masks(one, picture(), how="or")


def test_blending_and_its_facts() -> None:
    a, b = picture(), picture().replace(picture().planes[::-1].copy(), content="stars")
    made = steps.blend(a, b, opacity="25%")
    np.testing.assert_allclose(made.planes, 0.75 * a.planes + 0.25 * b.planes, atol=1e-6)
    assert made.content == "scene"
    assert made.sky == pytest.approx((0.1,) * 3, abs=1e-6)
    assert made.noise is not None
    both = zip(a.noise.sigma, b.noise.sigma, strict=True)  # type: ignore[union-attr]
    assert made.noise.sigma == pytest.approx([np.hypot(0.75 * s, 0.25 * t) for s, t in both])
    assert np.array_equal(steps.blend(a, b, opacity=0).planes, a.planes)
    linear = Image(np.full((1, 9, 9), 3.0, np.float32), ("ha",))
    assert float(steps.blend(linear, linear, mode="add", opacity=1).planes.max()) == 6
    with pytest.raises(StepError, match="screen needs stretched data"):
        steps.blend(linear, linear, mode="screen")
    with pytest.raises(StepError, match="It needs as many, or one"):
        steps.blend(line("ha"), a)
    with pytest.raises(StepError, match="stretch both, or neither"):
        steps.blend(line("ha"), linear.replace(np.zeros((1, 90, 120), np.float32)))


def test_a_region_stays_on_the_sky_when_the_crop_changes() -> None:
    ha = line("ha")
    whole = steps.region_mask(ha, at=["40%", "60%"], radius="20%", across="8 px", angle=30)
    cut = ha.replace(ha.planes[:, 20:, 30:], frame=ha.frame.then([[1, 0, 30], [0, 1, 20]]), coverage=None)
    inside = steps.region_mask(cut, at=["40%", "60%"], radius="20%", across="8 px", angle=30, feather="0 px")
    sharp = steps.region_mask(ha, at=["40%", "60%"], radius="20%", across="8 px", angle=30, feather="0 px")
    assert np.array_equal(sharp.planes[:, 20:, 30:], inside.planes)
    assert float(sharp.planes.sum()) == pytest.approx(np.pi * 24 * 8, rel=0.03)
    assert float(whole.planes.sum()) == pytest.approx(float(sharp.planes.sum()), rel=0.15)
    assert 0 < np.median(whole.planes[(whole.planes > 0.01) & (whole.planes < 0.99)]) < 1


def test_a_region_turns_with_the_layer() -> None:
    ha = line("ha")
    options = {"at": ["30%", "40%"], "radius": "20%", "across": "5 px", "angle": 20, "feather": "0 px"}
    h = ha.shape[0]
    # turned by a quarter: new (x, y) shows old (y', h - 1 - x')
    turned = ha.replace(np.rot90(ha.planes, -1, (1, 2)).copy(), frame=ha.frame.then([[0, 1, 0], [-1, 0, h - 1]]))
    straight = steps.region_mask(ha, **options).planes
    assert np.abs(np.rot90(straight, -1, (1, 2)) - steps.region_mask(turned, **options).planes).sum() <= 4


def test_polygons_and_ramps() -> None:
    ha = line("ha")
    box = steps.region_mask(
        ha,
        shape="polygon",
        points=[["30 px", "20 px"], ["80 px", "20 px"], ["80 px", "60 px"], ["30 px", "60 px"]],
        feather="0 px",
    )
    assert float(box.planes.sum()) == 50 * 40  # as many pixels as `crop` keeps between these corners
    ramp = steps.region_mask(ha, shape="ramp", points=[["0%", "0%"], ["100%", "0%"]])
    assert (np.diff(ramp.planes[0], axis=1) >= 0).all()
    assert ramp.planes[0, 5, 60] == pytest.approx(0.5, abs=0.02)
    with pytest.raises(StepError, match="at least three points, found 1"):
        steps.region_mask(ha, shape="polygon", points=[["1%", "1%"]])
    with pytest.raises(StepError, match="a ramp needs two points"):
        steps.region_mask(ha, shape="ramp")
    with pytest.raises(StepError, match="no sky position"):
        steps.region_mask(ha, at=["83.8 deg", "-5.4 deg"])


def test_contrast_steps_keep_the_sky_and_say_what_they_measured() -> None:
    made = picture()
    sky = (slice(None), slice(0, 10), slice(0, 10))
    for work in (steps.local_contrast, steps.compress_range, steps.sharpen):
        got = work(made)
        assert got.sky == made.sky
        assert got.noise == made.noise
        assert float(np.median(got.planes[sky])) == pytest.approx(float(np.median(made.planes[sky])), abs=0.012)
        assert got.planes[sky].std() < 1.1 * made.planes[sky].std()
    pressed = steps.compress_range(made, strength="50%")
    faint = (made.planes.mean(0) > 0.2) & (made.planes.mean(0) < 0.3)
    assert pressed.planes[:, faint].mean() > made.planes[:, faint].mean() + 0.03
    assert 0.3 < pressed.record["bright"] < 0.9
    blind = made.replace(fwhm=None)
    assert [n.id for n in steps.sharpen(blind).notices] == ["fwhm-assumed"]
    assert not steps.sharpen(made).notices


def test_a_mask_is_no_light_beside_light() -> None:
    mask = steps.level_mask(line("ha"), above=0.3)
    with pytest.raises(StepError, match="add_stars needs light as 'stars', but what it was given is a mask"):
        steps.add_stars(line("ha"), mask)
    with pytest.raises(StepError, match="stretch_asinh needs light as 'like'"):
        steps.stretch_asinh(line("ha").replace(scale="linear"), mask)
    assert steps.add_stars(mask, mask).content == "mask"


def test_a_picture_is_no_line_beside_a_line() -> None:
    with pytest.raises(StepError, match="oiii must be a single plane, but has 3 channels"):
        steps.bicolour(line("ha"), picture())
    with pytest.raises(StepError, match="It needs as many, or one"):
        steps.add_stars(line("ha"), picture())
    with pytest.raises(StepError, match="stars is a colour-filter mosaic"):
        steps.add_stars(line("ha"), line("ha").replace(channels=("mosaic",)))


def test_stars_from_a_file_are_screened_on_a_stretched_picture_and_that_is_told() -> None:
    shown, stars = picture(), picture()
    made = steps.add_stars(shown, stars)
    assert [n.id for n in made.notices] == ["stars-of-unknown-origin"]
    np.testing.assert_allclose(made.planes, 1 - (1 - shown.planes) * (1 - stars.planes), atol=1e-6)
    assert not steps.add_stars(shown, stars.replace(content="stars")).notices
    linear = Image(np.full((1, 9, 9), 3.0, np.float32), ("ha",))
    summed = steps.add_stars(linear, linear)
    assert not summed.notices
    assert float(summed.planes.max()) == 6
