"""crop_to_coverage, crop, bin, orient, collapse_bayer: every fact of the image follows its pixels."""

import numpy as np
import pytest
from astropy.io.fits import Header

import nebulakit.steps as steps
from nebulakit.errors import StepError
from nebulakit.image import Image
from nebulakit.pixels.facts import Noise, Psf, StarList
from nebulakit.quantity import Position

SHAPE = (60, 80)


@pytest.fixture
def image():
    random = np.random.default_rng(0)
    header = Header()
    header.update({"CTYPE1": "RA---TAN", "CTYPE2": "DEC--TAN", "CRVAL1": 83.8, "CRVAL2": -5.4, "CRPIX1": 40.0, "CRPIX2": 30.0})
    header.update({"CDELT1": -0.001, "CDELT2": 0.001})
    planes = random.normal(0.1, 0.01, (3, *SHAPE)).astype(np.float32)
    cover = np.full(SHAPE, 100, np.float32)
    cover[:, :10], cover[:4] = 50, 50
    planes[:, 30, 40] += 1
    stars = StarList(*(np.array([v]) for v in (40.0, 30.0, 5.0, 1.0, 4.0)), np.array([False]))
    kernel = np.zeros((9, 9), np.float32)
    kernel[4, 3:6], kernel[3, 4] = 0.3, 0.1
    noise = Noise((0.01,) * 3, ((0.009, 0.002, 0.0008),) * 3, random.uniform(0.9, 1.1, SHAPE).astype(np.float32))
    psf = Psf(kernel / kernel.sum(), 2.5, 3.0, 0.2, 10.0, 5)
    return Image.from_array(
        planes, coverage=cover, header=header, noise=noise, psf=psf, fwhm=2.5, stars=stars, sky=(0.1,) * 3, white=(1.0,) * 3
    )


def follows(before, after, star):
    """The bright pixel, its star, its place on the sky and in the stack, map and coverage agree."""
    (x,), (y,) = after.stars.x, after.stars.y
    assert (x, y) == star
    assert after.planes[0, int(y), int(x)] == np.nanmax(after.planes[0])
    assert after.coverage.shape == after.shape
    assert after.noise is None or after.noise.map is None or after.noise.map.shape == after.shape
    assert np.allclose(after.wcs().wcs_pix2world([[x, y]], 0), before.wcs().wcs_pix2world([[40.0, 30.0]], 0), atol=1e-10)
    assert after.frame.to_stack(x, y) == pytest.approx((40, 30))


def test_crop_to_coverage_moves_every_fact(image):
    out = steps.crop_to_coverage(image)
    assert out.shape == (56, 70)
    follows(image, out, (30.0, 26.0))
    assert np.array_equal(out.planes, image.planes[:, 4:, 10:])
    assert np.array_equal(out.noise.map, image.noise.map[4:, 10:])
    assert out.record["box"] == [4, 10, 56, 70]
    assert out.record["keep"] == "85%"
    assert out.record["field_share"] == pytest.approx(56 * 70 / 4800, abs=1e-4)
    # what was recorded can be given back
    again = steps.crop_to_coverage(image, keep=out.record["keep"], map_counts=out.record["map_counts"])
    assert np.array_equal(again.planes, out.planes)
    wide = steps.crop_to_coverage(image, rim="5%")  # 3 px, where the frame has them
    assert wide.shape == (59, 73)
    follows(image, wide, (33.0, 29.0))
    assert np.array_equal(wide.noise.map, image.noise.map[1:, 7:])


def test_crop_to_coverage_aspect_centre_and_little_left(image):
    out = steps.crop_to_coverage(image, aspect=(1, 1))
    assert out.shape == (56, 56)
    middle = steps.crop_to_coverage(image, centre=["20 px", "20 px"])
    assert middle.frame.to_stack((middle.shape[1] - 1) / 2, (middle.shape[0] - 1) / 2) == (20, 20)
    assert [n.id for n in middle.notices] == ["little-field-left"]
    by_sky = steps.crop_to_coverage(image, centre=Position(83.8, -5.4, "deg"))
    assert by_sky.frame.to_stack((by_sky.shape[1] - 1) / 2, (by_sky.shape[0] - 1) / 2) == (39, 29)
    with pytest.raises(StepError, match="nebula"):
        steps.crop_to_coverage(Image.from_array(np.zeros((3, *SHAPE))), centre="nebula")


def test_crop_by_percent_px_and_sky_name_the_same_box(image):
    percent = steps.crop(image, box=[["25%", "10%"], ["75%", "90%"]])
    pixels = steps.crop(image, box=[["20 px", "6 px"], ["60 px", "54 px"]])
    assert np.array_equal(percent.planes, image.planes[:, 6:54, 20:60])
    assert np.array_equal(pixels.planes, percent.planes)
    follows(image, percent, (20.0, 24.0))
    world = image.wcs().wcs_pix2world([[19.7, 5.7], [59.7, 53.7]], 0)
    sky = steps.crop(image, box=[[f"{a} deg", f"{d} deg"] for a, d in world])
    assert np.array_equal(sky.planes, percent.planes)


def test_crop_outlives_an_earlier_crop_turn_and_bin(image):
    box = [["25%", "10%"], ["75%", "90%"]]
    want = steps.crop(image, box=box)
    cropped = steps.crop(steps.crop_to_coverage(image), box=box)
    assert np.array_equal(cropped.planes, want.planes)
    turned = steps.orient(steps.crop(steps.orient(image, turn=90), box=box), turn=270)
    assert np.array_equal(turned.planes, want.planes)
    binned = steps.crop(steps.bin(image), box=box)
    assert np.array_equal(binned.planes, steps.bin(want).planes)


def test_crop_beyond_the_picture(image):
    out = steps.crop(image, box=[["-10 px", "50 px"], ["20 px", "90 px"]])
    assert out.shape == (10, 20)
    assert [n.id for n in out.notices] == ["box-cut-off"]
    with pytest.raises(StepError, match="there is nothing left"):
        steps.crop(image, box=[["100%", "0%"], ["120%", "50%"]])


def test_bin_moves_every_fact(image):
    out = steps.bin(image, factor=2)
    assert out.shape == (30, 40)
    assert out.stars.x == 19.75
    assert out.frame.to_stack(19.75, 14.75) == (40, 30)
    assert np.allclose(out.wcs().wcs_pix2world([[19.75, 14.75]], 0), image.wcs().wcs_pix2world([[40.0, 30.0]], 0), atol=1e-10)
    assert np.allclose(out.planes, image.planes.reshape(3, 30, 2, 40, 2).mean((2, 4)), atol=1e-7)
    # white noise (the scales say so nearly) falls by two
    assert out.noise.sigma[0] == pytest.approx(0.005, rel=0.05)
    assert out.fwhm < image.fwhm
    assert out.stars.flux == image.stars.flux / 4
    assert out.coverage[0, 0] == 50


@pytest.mark.parametrize("turn", [0, 90, 180, 270])
@pytest.mark.parametrize("mirror", ["none", "horizontal", "vertical"])
def test_orient_moves_every_fact_and_can_be_undone(image, turn, mirror):
    out = steps.orient(image, turn=turn, mirror=mirror)
    follows(image, out, (float(out.stars.x[0]), float(out.stars.y[0])))
    back = steps.orient(out, turn=(turn if mirror != "none" and turn % 180 else (360 - turn) % 360), mirror="none")
    back = back if mirror == "none" else steps.orient(out, mirror=mirror)
    back = back if mirror == "none" else steps.orient(back, turn=(360 - turn) % 360)
    assert np.array_equal(back.planes, image.planes)
    assert np.array_equal(back.psf.kernel, image.psf.kernel)
    assert back.psf.angle == pytest.approx(image.psf.angle)
    assert back.frame == image.frame


def test_collapse_follows_the_pattern_through_crop_and_turn():
    pattern = "GBRG"
    value = {"R": 1.0, "G": 2.0, "B": 3.0}
    mosaic = np.array([[value[pattern[y % 2 * 2 + x % 2]] for x in range(20)] for y in range(16)])
    image = Image.from_array(mosaic, channels=("mosaic",), header=Header({"BAYERPAT": pattern}), coverage=np.ones((16, 20)))
    for before in (
        image,
        steps.crop(image, box=[["3 px", "1 px"], ["15 px", "12 px"]]),
        steps.orient(image, turn=90, mirror="vertical"),
    ):
        for given in ("auto", pattern):
            out = steps.collapse_bayer(before, pattern=given)
            assert out.channels == ("red", "green", "blue")
            assert [np.unique(p).tolist() for p in out.planes] == [[1], [2], [3]]
            assert out.coverage.shape == out.shape
    assert "BAYERPAT" not in out.header


def test_collapse_says_when_the_header_is_overruled_or_says_nothing():
    grey = Image.from_array(np.ones((8, 8)))
    with pytest.raises(StepError, match="states no colour pattern"):
        steps.collapse_bayer(grey)
    assert steps.collapse_bayer(grey, pattern="RGGB").shape == (4, 4)
    stated = Image.from_array(np.ones((8, 8)), channels=("mosaic",), header=Header({"BAYERPAT": "RGGB"}))
    assert [n.id for n in steps.collapse_bayer(stated, pattern="GBRG").notices] == ["pattern-overruled"]
    with pytest.raises(StepError, match="mosaic"):
        steps.bin(stated)
    with pytest.raises(StepError, match="single plane"):
        steps.collapse_bayer(Image.from_array(np.ones((3, 8, 8))), pattern="RGGB")


def test_nan_stays_nothing_and_inputs_are_not_changed(image):
    planes = image.planes.copy()
    planes[:, 10:12, 20:22] = np.nan
    holed = image.replace(planes)
    kept = planes.copy()
    assert np.isnan(steps.crop(holed, box=[["0%", "0%"], ["100%", "100%"]]).planes).sum() == 12
    assert np.isnan(steps.orient(holed, turn=90).planes).sum() == 12
    assert np.isnan(steps.bin(holed).planes).sum() == 3
    assert np.isfinite(steps.crop_to_coverage(holed).planes).all()
    assert np.array_equal(holed.planes, kept, equal_nan=True)


def test_a_rim_is_left_and_taken_off_again():
    """With a rim and without its rim is the crop without one, also after other geometry."""
    rng = np.random.default_rng(3)
    planes = rng.normal(0, 1, (1, 120, 160)).astype(np.float32)
    y, x = np.mgrid[0:120, 0:160]
    coverage = np.where((np.abs(y - 60) < 40) & (np.abs(x - 84) < 50), 100, 60).astype(np.float32)
    coverage[:, :12] = 0
    image = Image.from_array(planes, coverage=coverage)
    plain = steps.crop_to_coverage(image, map_counts="frames")
    wide = steps.crop_to_coverage(image, map_counts="frames", rim="20%")
    assert wide.shape == (plain.shape[0] + 32, plain.shape[1] + 32)  # a fifth of 79 px on each side
    trimmed = steps.crop(wide, box="inside")
    assert np.array_equal(trimmed.planes, plain.planes)
    assert np.array_equal(trimmed.coverage, plain.coverage)
    assert trimmed.frame == plain.frame
    # a mirror between them changes nothing in what is left
    turned = steps.crop(steps.orient(wide, mirror="horizontal"), box="inside")
    assert np.array_equal(turned.planes[:, :, ::-1], plain.planes)
    # nothing is cut off twice, nor where no rim was left; no rim lies where no frame does
    assert steps.crop(trimmed, box="inside").shape == trimmed.shape
    assert steps.crop_to_coverage(image, map_counts="frames", rim="25%", keep="50%").frame.to_stack(0, 0)[0] >= 12


@pytest.mark.parametrize("angle", [0.5, 20, -135])
def test_a_rim_is_not_taken_off_askew(image, angle):
    """After a turn by an odd angle no upright box is the one the rim was left around; before it, it is."""
    wide = steps.crop_to_coverage(image, rim="10%")
    assert wide.frame.inside is not None
    with pytest.raises(StepError, match=rf"turned by {angle:g} degrees.*before rotate"):
        steps.crop(steps.rotate(wide, angle=angle), box="inside")
    quarter = steps.crop(steps.rotate(wide, angle=90), box="inside")
    assert quarter.shape == steps.crop(wide, box="inside").shape[::-1]


def test_after_an_odd_turn_a_box_stands_upright_between_its_corners(image):
    turned = steps.rotate(image, angle=20)
    corners = [turned.frame.to_stack(*at) for at in ((20, 30), (70, 60))]
    part = steps.crop(turned, box=[[f"{x} px", f"{y} px"] for x, y in corners])
    assert np.array_equal(part.planes, turned.planes[:, 30:60, 20:70])
