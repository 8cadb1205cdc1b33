"""Crop, turn, bin: pixels, WCS, PSF and noise keep telling of the same sky."""

import numpy as np
import pytest
from astropy.io.fits import Header
from astropy.wcs import WCS
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy import ndimage as ndi

from nebulakit.pixels import geometry as g
from nebulakit.pixels import starlet
from nebulakit.pixels.facts import Noise, Psf, StarList

SIP = {"A_ORDER": 3, "B_ORDER": 2, "A_2_0": 1e-5, "A_1_1": -2e-5, "A_0_3": 3e-8, "B_0_2": 2e-5, "B_2_0": 1e-6}
LINEAR = {
    "cd": {"CD1_1": -1e-3, "CD1_2": 2e-4, "CD2_1": 1.5e-4, "CD2_2": 1.1e-3},
    "pc": {"CDELT1": -1e-3, "CDELT2": 1.1e-3, "PC1_1": 0.9, "PC1_2": 0.1, "PC2_1": -0.12, "PC2_2": 0.95},
    "crota": {"CDELT1": -1e-3, "CDELT2": 1.1e-3, "CROTA2": 23.0},
    "plain": {"CDELT1": -1e-3, "CDELT2": 1.1e-3},
}
SHAPE = (120, 200)
MATRICES = {
    "crop": g.shift_matrix(60, 40),
    "bin2": g.bin_matrix(2),
    "bin3": g.bin_matrix(3),
    "turned": np.array([[0.8, -0.6, 3.0], [0.6, 0.8, -7.0]]),
} | {
    f"{turn}-{mirror}": g.orient_matrix(SHAPE, turn, mirror)
    for turn in (0, 90, 180, 270)
    for mirror in ("none", "horizontal", "vertical")
}


def header(kind):
    made = Header()
    made.update(
        {"CTYPE1": "RA---TAN-SIP", "CTYPE2": "DEC--TAN-SIP", "CRVAL1": 83.8, "CRVAL2": -5.4, "CRPIX1": 100.0, "CRPIX2": 80.0}
    )
    made.update(LINEAR[kind] | SIP)
    return made


@pytest.mark.filterwarnings("ignore::astropy.wcs.FITSFixedWarning")
@pytest.mark.parametrize("kind", LINEAR)
@pytest.mark.parametrize("name", MATRICES)
def test_sky_position_of_every_pixel_is_kept(kind, name):
    matrix = MATRICES[name]
    old, new = WCS(header(kind)), WCS(g.move_header(header(kind), matrix))
    at = np.random.default_rng(1).uniform(0, 100, (50, 2))
    # 1e-11 degrees is 0.04 microarcsec: only rounding is left, SIP included
    assert np.allclose(old.all_pix2world(at @ matrix[:, :2].T + matrix[:, 2], 0), new.all_pix2world(at, 0), rtol=0, atol=1e-11)


def test_cards_of_the_old_pixels_go_and_pixel_sizes_follow():
    old = Header([("LTV1", 3.0), ("DATASEC", "[1:10,1:10]"), ("XPIXSZ", 2.9), ("XBINNING", 1), ("EXPTIME", 10.0)])
    new = g.move_header(old, g.bin_matrix(2))
    assert dict(new) == {"XPIXSZ": 5.8, "XBINNING": 2, "EXPTIME": 10.0}
    assert "LTV1" in old  # the input is not changed


@settings(max_examples=60)
@given(
    st.sampled_from([0, 90, 180, 270]), st.sampled_from(["none", "horizontal", "vertical"]), st.integers(1, 5), st.integers(1, 5)
)
def test_orient_matrix_tells_where_each_pixel_came_from(turn, mirror, h, w):
    old = np.arange(h * w).reshape(h, w)
    new, matrix = g.orient(old, turn, mirror), g.orient_matrix((h, w), turn, mirror)
    for y in range(new.shape[0]):
        for x in range(new.shape[1]):
            ox, oy = matrix @ [x, y, 1]
            assert new[y, x] == old[round(oy), round(ox)]


def test_binning_leaves_nan_out_and_keeps_empty_blocks_empty():
    planes = np.float32([[[1, 3, np.nan, np.nan, 7], [np.nan, 5, np.nan, np.nan, 7]]])
    assert np.array_equal(g.bin_planes(planes, 2), np.float32([[[3, np.nan]]]), equal_nan=True)


def test_softening_widens_as_told_keeps_light_and_spreads_no_hole():
    planes = np.zeros((2, 41, 41), np.float32)
    planes[:, 20, 20] = 5.0
    planes[1, 3, 4] = np.nan
    soft = g.soften(planes, 1.5)
    x = np.arange(41) - 20.0
    # a sampled Gaussian of 1.5 px has the variance of the true one to 1e-4; the kernel is cut at 4 sigma
    assert float((soft[0].sum(0) * x**2).sum() / soft[0].sum()) == pytest.approx(1.5**2, rel=5e-3)
    assert soft[0].sum() == pytest.approx(5.0, rel=1e-5)
    assert np.argwhere(np.isnan(soft)).tolist() == [[1, 3, 4]]
    flat = np.full((1, 9, 9), 7.0, np.float32)
    flat[0, 4, 4] = np.nan
    assert np.nanmax(np.abs(g.soften(flat, 1.0) - 7.0)) < 1e-5  # a hole is no darkness


@pytest.mark.parametrize("factor", [2, 3])
@pytest.mark.parametrize("blur", [0.0, 0.45, 1.0])
def test_noise_is_carried_through_binning(factor, blur):
    """Drawn noise, white and correlated, against the spectrum's word."""
    drawn = np.random.default_rng(5).standard_normal((1, 1200, 1200)).astype(np.float32)
    drawn[0] = ndi.gaussian_filter(drawn[0], blur, mode="wrap") if blur else drawn[0]

    def scales(plane):
        return tuple(float(w.std()) for w in starlet.transform(plane, 4)[0])

    told = g.bin_noise(Noise((float(drawn.std()),), (scales(drawn[0]),)), factor)
    binned = g.bin_planes(drawn, factor)
    # the Gaussian taken for the blur is not what a sampled one of 0.45 px is: 2 %; coarse scales of 400 px scatter by 3 %
    assert told.sigma[0] == pytest.approx(binned.std(), rel=0.025)
    assert told.scales[0][:2] == pytest.approx(scales(binned[0])[:2], rel=0.03)
    assert told.scales[0][2:] == pytest.approx(scales(binned[0])[2:], rel=0.08)


@pytest.mark.parametrize("factor", [2, 3])
def test_psf_and_stars_follow_binning(factor):
    """A star on the centre of a binned pixel, made by hand, against the binned kernel."""
    radius, fwhm = 24, 5.0
    y, x = np.mgrid[-radius : radius + 1, -radius : radius + 1]
    sigma = fwhm / 2.3548

    def gauss(dx, dy):
        return np.exp(-((x - dx) ** 2 + (y - dy) ** 2) / 2 / sigma**2)

    kernel = gauss(0, 0)
    psf = g.bin_psf(Psf((kernel / kernel.sum()).astype(np.float32), fwhm, 3.0), factor)
    assert psf.kernel.shape[0] % 2 == 1
    assert psf.kernel.sum() == pytest.approx(1, abs=1e-6)
    size = 20 * factor
    grid = np.mgrid[0:size, 0:size]
    centre = (size / factor // 2) * factor + (factor - 1) / 2  # the middle of a block
    star = np.exp(-((grid[0] - centre) ** 2 + (grid[1] - centre) ** 2) / 2 / sigma**2)[None].astype(np.float32)
    made = g.bin_planes(star, factor)[0]
    made /= made.sum()
    at, reach = int(size / factor // 2), psf.kernel.shape[0] // 2
    assert np.allclose(
        made[at - 3 : at + 4, at - 3 : at + 4], psf.kernel[reach - 3 : reach + 4, reach - 3 : reach + 4], atol=2e-3
    )
    # width by the second moment, which adds: within the moment's own cut-off at the border
    yy, xx = np.mgrid[: made.shape[0], : made.shape[1]]
    width = 2.3548 * np.sqrt((made * ((xx - at) ** 2 + (yy - at) ** 2)).sum() / 2)
    assert psf.fwhm == pytest.approx(width, rel=0.01)


def test_stars_outside_are_dropped_and_the_rest_moved():
    one = np.ones(3)
    stars = StarList(np.array([5.0, 50.0, 80.0]), np.array([5.0, 30.0, 30.0]), one, one, one, one > 0)
    moved = g.move_stars(stars, g.shift_matrix(40, 20), (30, 30))
    assert moved.x.tolist() == [10.0]
    assert moved.y.tolist() == [10.0]


@pytest.mark.parametrize("pattern", g.PATTERNS)
def test_pattern_follows_crop_and_turn(pattern):
    """A mosaic whose pixels name their colour: the pattern told is the one found."""
    mosaic = np.array([[pattern[y % 2 * 2 + x % 2] for x in range(9)] for y in range(7)])
    for x0 in (0, 1):
        for y0 in (0, 1):
            told = g.move_pattern(pattern, g.shift_matrix(x0, y0))
            assert told == "".join(mosaic[y0 : y0 + 2, x0 : x0 + 2].ravel())
    for turn in (0, 90, 180, 270):
        told = g.move_pattern(pattern, g.orient_matrix(mosaic.shape, turn, "vertical"))
        assert told == "".join(g.orient(mosaic, turn, "vertical")[:2, :2].ravel())
    assert g.move_pattern(pattern, g.bin_matrix(2)) is None


@pytest.mark.parametrize("pattern", g.PATTERNS)
def test_cells_become_colours(pattern):
    value = {"R": 10.0, "G": 20.0, "B": 30.0}
    mosaic = np.array([[value[pattern[y % 2 * 2 + x % 2]] for x in range(6)] for y in range(5)], np.float32)
    out = g.collapse(mosaic, pattern)
    assert out.shape == (3, 2, 3)
    assert [np.unique(p).tolist() for p in out] == [[10], [20], [30]]
