"""rotate: any angle, north up, and every fact behind it."""

import numpy as np
import pytest
from astropy.io.fits import Header
from scipy import ndimage as ndi

import nebulakit.steps as steps
from nebulakit.errors import StepError
from nebulakit.image import Image
from nebulakit.pixels import geometry, rotation, starlet
from nebulakit.pixels.facts import Noise, Psf, StarList

SHAPE = (90, 120)


def star_at(x, y, shape=SHAPE, sigma=1.6):
    yy, xx = np.mgrid[: shape[0], : shape[1]]
    return np.exp(-((xx - x) ** 2 + (yy - y) ** 2) / 2 / sigma**2)


@pytest.fixture
def image():
    header = Header({"CTYPE1": "RA---TAN", "CTYPE2": "DEC--TAN", "CRVAL1": 83.8, "CRVAL2": -5.4, "CRPIX1": 60.0, "CRPIX2": 45.0})
    header.update({"CD1_1": -0.0008, "CD1_2": 0.0006, "CD2_1": 0.0006, "CD2_2": 0.0008})
    stars = StarList(*(np.array([v]) for v in (70.0, 30.0, 16.0, 1.0, 5.0)), np.array([False]))
    return Image.from_array(np.stack([star_at(70, 30)] * 3), header=header, stars=stars, fwhm=3.77, coverage=np.ones(SHAPE))


@pytest.mark.parametrize("angle", [7.3, -31.0, 135.0])
def test_star_lands_where_frame_wcs_and_list_say(image, angle):
    out = steps.rotate(image, angle=f"{angle} deg")
    (x,), (y,) = out.stars.x, out.stars.y
    # a cubic spline through samples of a star 3.8 px wide misses it by up to 0.24 % of its peak
    assert np.nanmax(np.abs(out.planes[0] - star_at(x, y, out.shape))) < 3e-3
    assert out.frame.to_stack(x, y) == pytest.approx((70, 30))
    assert np.allclose(out.wcs().wcs_pix2world([[x, y]], 0), image.wcs().wcs_pix2world([[70, 30]], 0), atol=1e-10)
    assert np.isnan(out.planes[:, 0, 0]).all()
    assert out.coverage[0, 0] == 0
    # all of the picture is there: the empty share is that of the corners
    assert np.isfinite(out.planes[0]).sum() == pytest.approx(SHAPE[0] * SHAPE[1], rel=0.03)


def test_positive_angles_turn_clockwise_as_orient_does(image):
    quarter = steps.rotate(image, angle="90 deg")
    assert np.array_equal(quarter.planes, steps.orient(image, turn=90).planes)
    nearly = steps.rotate(image, angle="89.9 deg")
    assert abs(nearly.stars.x[0] - quarter.stars.x[0]) < 1.5
    assert abs(nearly.stars.y[0] - quarter.stars.y[0]) < 1.5


def test_north_up(image):
    out = steps.rotate(image, north="up")
    h, w = out.shape
    ra, dec = out.wcs().wcs_pix2world([[(w - 1) / 2, (h - 1) / 2]], 0)[0]
    x, y = out.pixel_of_sky(ra, dec + 0.01)
    assert x == pytest.approx((w - 1) / 2, abs=0.01)
    assert y < (h - 1) / 2 - 5
    mirrored = [n.id for n in out.notices]
    other = [n.id for n in steps.rotate(steps.orient(image, mirror="horizontal"), north="up").notices]
    assert sorted([*mirrored, *other]) == ["mirrored-sky"]  # one of the two, not both
    with pytest.raises(StepError, match="needs a sky position"):
        steps.rotate(Image.from_array(np.zeros((1, 9, 9))), north="up")


def test_same_canvas_display_and_nothing(image):
    planes = np.full((3, *SHAPE), 0.5, np.float32)
    planes[:, 40:44, 50:54] = np.nan
    planes[:, 20, 20] = 1
    out = steps.rotate(Image.from_array(planes, scale="display"), angle=20, canvas="same")
    assert out.shape == SHAPE
    assert np.nanmin(out.planes) >= 0
    assert np.nanmax(out.planes) <= 1
    x, y = out.frame.from_stack(51.5, 41.5)
    assert np.isnan(out.planes[:, round(y), round(x)]).all()
    assert np.isfinite(out.planes[:, round(y) + 8, round(x)]).all()
    with pytest.raises(StepError, match="mosaic"):
        steps.rotate(Image.from_array(np.zeros((1, 9, 9)), channels=("mosaic",)), angle=3)


@pytest.mark.parametrize("blur", [0.0, 0.6])
def test_noise_after_the_turn(blur):
    drawn = np.random.default_rng(3).standard_normal((700, 700)).astype(np.float32)
    drawn = ndi.gaussian_filter(drawn, blur, mode="wrap") if blur else drawn

    def scales(plane):
        return tuple(float(w[60:-60, 60:-60].std()) for w in starlet.transform(plane, 4)[0])

    matrix, shape = rotation.rotation(drawn.shape, 23.0, False)
    turned = rotation.resample(drawn[None], matrix, shape)[0]
    inner = turned[200:500, 200:500]
    told = rotation.turn_noise(Noise((float(drawn.std()),), (scales(drawn),)), matrix, shape)
    # made noise of 200 px a side against 300 px: each good to about 1 % at the finest scale
    assert told.sigma[0] == pytest.approx(inner.std(), rel=0.03)
    found = [float(w[200:500, 200:500].std()) for w in starlet.transform(np.nan_to_num(turned), 3)[0]]
    assert told.scales[0][:2] == pytest.approx(found[:2], rel=0.05)


@pytest.mark.parametrize("shape", [(90, 120), (3, 200), (1, 60)])
def test_the_spline_is_that_of_scipy(shape):
    planes = np.random.default_rng(5).normal(10, 1, (2, *shape)).astype(np.float32)
    matrix, new = rotation.rotation(shape, 33.0, True)
    turned = rotation.resample(planes, matrix, new)
    back = matrix[::-1]
    for plane, got in zip(planes, turned, strict=True):
        known = ndi.affine_transform(plane.astype(np.float64), back[:, 1::-1], back[:, 2], new, order=3, mode="mirror")
        assert np.isfinite(got).any()
        assert np.abs(got - known)[np.isfinite(got)].max() < 1e-4  # single precision on values of 10


def test_a_hole_spreads_to_what_draws_on_it_and_no_further():
    plane = np.full((1, 60, 70), 5.0, np.float32)
    plane[0, 30, 35] = np.nan
    matrix, new = rotation.rotation((60, 70), 20.0, False)
    turned = rotation.resample(plane, matrix, new)[0]
    y, x = np.mgrid[: new[0], : new[1]]
    away = np.hypot(
        matrix[0] @ [x.ravel(), y.ravel(), np.ones(x.size)] - 35, matrix[1] @ [x.ravel(), y.ravel(), np.ones(x.size)] - 30
    )
    near, far = (
        (away < 1.0).reshape(new),
        ((away > 3.0) & (np.abs(x.ravel() - 35) < 20) & (np.abs(y.ravel() - 30) < 20)).reshape(new),
    )
    assert np.isnan(turned[near]).all()
    assert np.abs(turned[far] - 5).max() < 1e-5


def test_coverage_ends_where_the_picture_does(image):
    out = steps.rotate(image.replace(image.planes, coverage=np.full(SHAPE, 7.0, np.float32)), angle=17)
    assert np.array_equal(out.coverage > 0, np.isfinite(out.planes[0]))
    assert set(np.unique(out.coverage)) == {0.0, 7.0}


def test_psf_turns_with_the_picture():
    y, x = np.mgrid[-10:11, -10:11]
    kernel = np.exp(-(x**2) / 2 / 3.0**2 - y**2 / 2 / 1.5**2)
    psf = rotation.rotate_psf(Psf((kernel / kernel.sum()).astype(np.float32), 5.0, 3.0, 0.5, 0.0), 30.0)
    assert psf.angle == pytest.approx(30)
    moment = np.array([[(psf.kernel * a * b).sum() for a in (x, y)] for b in (x, y)])
    axis = np.linalg.eigh(moment)[1][:, 1]
    assert np.degrees(np.arctan2(axis[1], axis[0])) % 180 == pytest.approx(30, abs=1)
    assert psf.kernel.sum() == pytest.approx(1)
    assert np.allclose(geometry.turn_psf(psf, 90, "none").angle, 120)
