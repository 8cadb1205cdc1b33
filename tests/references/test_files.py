"""Published values for files and rectangles, each with its source."""

import io

import numpy as np
import pytest
import tifffile
from astropy.io import fits
from astropy.nddata import Cutout2D
from astropy.wcs import WCS

import nebulakit.steps as steps
from nebulakit.files import read, write
from nebulakit.files.icc import srgb_profile
from nebulakit.image import Image
from nebulakit.pixels import geometry as g
from nebulakit.pixels.rectangle import largest_rectangle

# --- the FITS standard ------------------------------------------------------------------------------------------------
# FITS Standard 4.0, Pence et al.; section and table numbers from memory. Values recomputed with astropy.


def raw_fits(path, bitpix, stored, **cards):
    """Write a FITS file byte by byte, without the library that reads it."""
    stored = np.asarray(stored)
    lines = [("SIMPLE", "T"), ("BITPIX", bitpix), ("NAXIS", stored.ndim)]
    lines += [(f"NAXIS{i}", n) for i, n in enumerate(reversed(stored.shape), 1)] + list(cards.items())
    text = "".join(f"{k:<8}= {v!s:>20}".ljust(80) for k, v in lines) + "END".ljust(80)
    text += " " * (-len(text) % 2880)
    kind = {8: ">u1", 16: ">i2", 32: ">i4", 64: ">i8", -32: ">f4", -64: ">f8"}[bitpix]
    data = stored.astype(kind).tobytes()
    path.write_bytes(text.encode() + data + b"\0" * (-len(data) % 2880))
    return path


@pytest.mark.parametrize(
    ("bitpix", "zero", "low", "high"),
    [(8, -128, 0, 255), (16, 32768, -(2**15), 2**15 - 1), (32, 2**31, -(2**31), 2**31 - 1), (64, 2**63, -(2**63), 2**63 - 1)],
)
def test_unsigned_and_signed_integers_by_bzero(tmp_path, bitpix, zero, low, high):
    """Section 4.4.2.5, Table 11: int8 -128, uint16 32768, uint32 2147483648, uint64 9223372036854775808."""
    image = read(raw_fits(tmp_path / "a.fits", bitpix, [[low, high, low]], BZERO=zero, BSCALE=1))
    # int8 is signed: its lowest value is -128 of 127
    assert image.planes[0, 0] == pytest.approx([-128 / 127, 1, -128 / 127] if bitpix == 8 else [0, 1, 0])


def test_uint16_stored_values(tmp_path):
    """0 is stored as -32768, 32768 as 0, 65535 as 32767 (section 4.4.2.5)."""
    image = read(raw_fits(tmp_path / "a.fits", 16, [[-32768, 0, 32767]], BZERO=32768, BSCALE=1))
    assert np.rint(image.planes[0, 0] * 65535).tolist() == [0, 32768, 65535]


def test_blank_is_the_stored_integer(tmp_path):
    """Section 4.4.2.5: BLANK is compared before scaling; int16 [1, 2, -99] with BLANK -99 is [1, 2, nan]."""
    image = read(raw_fits(tmp_path / "a.fits", 16, [[1, 2, -99]], BLANK=-99))
    assert image.planes[0, 0] * 32767 == pytest.approx([1, 2, np.nan], nan_ok=True)
    shifted = read(raw_fits(tmp_path / "b.fits", 16, [[-32767, -32766, -99]], BLANK=-99, BZERO=32768, BSCALE=1))
    assert shifted.planes[0, 0] * 65535 == pytest.approx([1, 2, np.nan], nan_ok=True)


def test_bscale_and_bzero_give_the_physical_value(tmp_path):
    """physical = BZERO + BSCALE * stored (section 4.4.2.5)."""
    image = read(raw_fits(tmp_path / "a.fits", 16, [[-2, 0, 10]], BZERO=100.0, BSCALE=0.5))
    assert image.planes[0, 0].tolist() == [99, 100, 105]


def test_block_size_byte_order_and_axis_order(tmp_path):
    """Sections 3.1, 3.3.2, 5.3: multiples of 2880 bytes, big-endian, NAXIS1 fastest: (3, 4, 5) is NAXIS1 5, 2 4, 3 3."""
    write(Image.from_array(np.full((3, 4, 5), 1.0)), tmp_path / "a.fits")
    content = (tmp_path / "a.fits").read_bytes()
    assert len(content) % 2880 == 0
    assert content[2880:2884] == b"\x3f\x80\x00\x00"  # 1.0 in IEEE 754, high byte first
    header = fits.getheader(tmp_path / "a.fits")
    assert [header[k] for k in ("NAXIS1", "NAXIS2", "NAXIS3", "BITPIX")] == [5, 4, 3, -32]


def test_history_is_cut_into_cards_of_72_characters(tmp_path):
    """Section 4.4.2.4: 72 characters a card; 200 characters are 3 cards; only ASCII 32 to 126."""
    write(Image.from_array(np.zeros((4, 5))), tmp_path / "a.fits", steps_done=["h" * 200, "µ\t"])
    cards = [str(line) for line in fits.getheader(tmp_path / "a.fits")["HISTORY"]]
    assert [len(card) for card in cards] == [72, 72, 56, 2]
    assert cards[-1] == "??"


def test_datasum_of_four_floats(tmp_path):
    """Section 4.4.2.7 and appendix J: the ones'-complement sum of float32 0, 1, 2, 3 is 3217031168 (0x3f800000 + ...)."""
    write(Image.from_array(np.arange(4.0).reshape(1, 4)), tmp_path / "a.fits")
    with fits.open(tmp_path / "a.fits") as hdus:
        assert hdus[0].add_datasum() == 3217031168


# --- WCS --------------------------------------------------------------------------------------------------------------
# Greisen & Calabretta 2002, A&A 395:1061; pixel 1 spans 0.5 to 1.5. Compared with astropy's own slicing.


def sky():
    header = fits.Header(
        {"CTYPE1": "RA---TAN", "CTYPE2": "DEC--TAN", "CRVAL1": 83.8, "CRVAL2": -5.4, "CRPIX1": 100.0, "CRPIX2": 80.0}
    )
    header.update({"CD1_1": -0.001, "CD1_2": 2e-4, "CD2_1": 2e-4, "CD2_2": 0.001})
    return Image.from_array(np.random.default_rng(0).random((200, 300)), header=header)


def test_crop_moves_crpix():
    """CRPIX 100, 80 becomes 40, 40 when 60 columns and 40 rows are cut off; CRVAL and CD stay."""
    image = sky()
    out = steps.crop(image, box=[["60 px", "40 px"], ["260 px", "180 px"]])
    assert (out.header["CRPIX1"], out.header["CRPIX2"]) == (40, 40)
    assert all(out.header[k] == image.header[k] for k in ("CRVAL1", "CRVAL2", "CD1_1", "CD1_2", "CD2_1", "CD2_2"))
    cut = Cutout2D(image.planes[0], (159.5, 109.5), (140, 200), wcs=image.wcs())
    assert np.array_equal(cut.data, out.planes[0])
    assert np.allclose(cut.wcs.wcs.crpix, out.wcs().wcs.crpix, atol=1e-12)


def test_bin_moves_crpix_by_blocks():
    """CRPIX' = (CRPIX - 0.5) / f + 0.5: 100 becomes 50.25, 80 becomes 40.25 for f = 2, as astropy's slicing by 2 gives."""
    image = sky()
    out = steps.bin(image, factor=2)
    assert (out.header["CRPIX1"], out.header["CRPIX2"]) == (50.25, 40.25)
    assert out.header["CD1_1"] == -0.002
    plain = WCS(
        fits.Header(
            {"CTYPE1": "RA---TAN", "CTYPE2": "DEC--TAN", "CRPIX1": 100.0, "CRPIX2": 80.0, "CDELT1": -0.001, "CDELT2": 0.001}
        )
    )
    assert np.allclose(plain[::2, ::2].wcs.crpix, [50.25, 40.25])


def test_flip_moves_crpix():
    """CRPIX2' = NAXIS2 + 1 - CRPIX2: 80 of 200 becomes 121, and CD*_2 changes its sign."""
    image = sky()
    out = steps.orient(image, mirror="vertical")
    assert out.header["CRPIX2"] == 121
    assert (out.header["CD1_2"], out.header["CD2_2"]) == (-image.header["CD1_2"], -image.header["CD2_2"])
    at = np.random.default_rng(1).uniform(0, 190, (20, 2))
    # world(x, y) = world_flipped(x, 199 - y), to rounding
    assert np.allclose(image.wcs().wcs_pix2world(at, 0), out.wcs().wcs_pix2world(at * [1, -1] + [0, 199], 0), rtol=0, atol=1e-10)


def test_sip_survives_a_crop():
    """SIP polynomials are functions of the distance from CRPIX (Shupe et al. 2005, ASP Conf. 347:491), so a crop leaves them alone."""
    header = sky().header.copy()
    header.update({"CTYPE1": "RA---TAN-SIP", "CTYPE2": "DEC--TAN-SIP", "A_ORDER": 2, "B_ORDER": 2, "A_2_0": 1e-5, "B_1_1": 2e-5})
    moved = g.move_header(header, g.shift_matrix(60, 40))
    assert [moved[k] for k in ("A_2_0", "B_1_1")] == [1e-5, 2e-5]
    assert np.allclose(WCS(header).all_pix2world([[70, 50]], 0), WCS(moved).all_pix2world([[10, 10]], 0), rtol=0, atol=1e-12)


# --- TIFF, ICC and rounding -------------------------------------------------------------------------------------------


def test_tiff_baseline_tags(tmp_path):
    """TIFF 6.0 section 6 (baseline RGB) with PlanarConfig 1, SampleFormat and the ICC tag 34675 (ICC.1:2010, annex B.4)."""
    write(Image.from_array(np.zeros((3, 4, 5)), scale="display"), tmp_path / "a.tif")
    with tifffile.TiffFile(tmp_path / "a.tif") as file:
        assert not file.is_bigtiff
        tags = {tag.code: tag.value for tag in file.pages[0].tags}
    assert {256, 257, 258, 259, 262, 273, 277, 278, 279, 282, 283, 296, 284, 34675} <= tags.keys()
    assert (tags[256], tags[257], tags[258], tags[259], tags[262], tags[277], tags[284]) == (5, 4, (16, 16, 16), 1, 2, 3, 1)
    write(Image.from_array(np.zeros((3, 4, 5)), scale="display"), tmp_path / "b.tif", options=None)
    assert (tmp_path / "b.tif").read_bytes()[:4] == b"II*\0"  # classic TIFF, magic 42


def test_float_tiff_is_exact(tmp_path):
    """TIFF 6.0 section 19: SampleFormat 3 is IEEE floating point; float32 goes through without loss."""
    from nebulakit.files import WriteOptions

    planes = np.random.default_rng(0).normal(0, 1e-3, (3, 9, 7)).astype(np.float32)
    write(Image.from_array(planes), tmp_path / "a.tif", WriteOptions(bits=32))
    with tifffile.TiffFile(tmp_path / "a.tif") as file:
        assert file.pages[0].tags[339].value == (3, 3, 3)
    assert np.array_equal(read(tmp_path / "a.tif").planes, planes)


def test_icc_header():
    """ICC.1 section 7.2: size in bytes 0-3, colour space at 16-19, signature acsp at 36-39; littleCMS' sRGB has 588 bytes."""
    profile = srgb_profile()
    assert int.from_bytes(profile[:4], "big") == len(profile) == 588
    assert profile[16:20] == b"RGB "
    assert profile[36:40] == b"acsp"


def test_rounding_to_16_bits(tmp_path):
    """round(x * 65535): at most 1/(2*65535) = 7.6295e-6 off and without bias (truncation would lose half a level)."""
    planes = np.random.default_rng(0).random((3, 200, 200), np.float32)
    write(Image.from_array(planes, scale="display"), tmp_path / "a.tif")
    error = read(tmp_path / "a.tif").planes.astype(float) - planes
    # float32 itself is good to 6e-8
    assert np.abs(error).max() < 7.6295e-6 + 1e-7
    # the mean of 120000 rounding errors: 5 standard errors of 1/sqrt(12) level
    assert abs(error.mean()) < 5 / np.sqrt(12 * error.size) / 65535
    levels = np.arange(65536, dtype=np.float32).reshape(1, 256, 256) / np.float32(65535)
    write(Image.from_array(np.repeat(levels, 3, 0), scale="display"), tmp_path / "b.tif")
    assert np.array_equal(tifffile.imread(tmp_path / "b.tif")[..., 0].ravel(), np.arange(65536))


def test_no_illegal_date_is_written(tmp_path):
    """FITS Standard 4.4.2: no file date is written at all, so none can be in an illegal form."""
    write(
        Image.from_array(
            np.zeros((3, 4, 5)), header=fits.Header({"DATE": "2024-03-01T21:00:00Z", "DATE-OBS": "2024-03-01T21:00:00"})
        ),
        tmp_path / "a.fits",
    )
    header = fits.getheader(tmp_path / "a.fits")
    assert "DATE" not in header
    assert header["DATE-OBS"] == "2024-03-01T21:00:00"


# --- rectangles and field rotation --------------------------------------------------------------------------------------


def test_largest_rectangle_textbook_examples():
    """The maximal-rectangle problem as set in textbooks: 6 in the matrix, 10 under the histogram 2 1 5 6 2 3."""
    matrix = np.array([[1, 0, 1, 0, 0], [1, 0, 1, 1, 1], [1, 1, 1, 1, 1], [1, 0, 0, 1, 0]], bool)
    histogram = np.arange(6, 0, -1)[:, None] <= np.array([2, 1, 5, 6, 2, 3])
    for ok, area in (
        (matrix, 6),
        (histogram, 10),
        (np.ones((7, 9), bool), 63),
        (np.random.default_rng(2).random((14, 17)) < 0.8, 30),
    ):
        found = largest_rectangle(ok)
        assert found is not None
        assert found.area == area


def test_largest_rectangle_in_a_disc():
    """Radius 100 px: 141 x 143 = 20163 pixels (the continuum has 2 r^2 = 20000); recomputed by brute force."""
    y, x = np.mgrid[-100:101, -100:101]
    found = largest_rectangle(x * x + y * y <= 100**2)
    assert found is not None
    assert found.area == 20163


@pytest.mark.parametrize(
    ("angle", "width", "height"),
    [(2, 2935.52, 1898.71), (5, 2857.69, 1757.62), (10, 2774.45, 1541.64), (30, 2000.00, 1154.70), (45, 1414.21, 1414.21)],
)
def test_largest_rectangle_in_a_turned_frame(angle, width, height):
    """Inside a 3000 x 2000 frame turned by some degrees: standard geometry, checked by an aspect scan."""
    import cv2

    scale = 0.4  # at 45 degrees a whole family of rectangles is equally large, so areas are compared
    a = np.radians(angle)
    turn = np.array([[np.cos(a), np.sin(a)], [-np.sin(a), np.cos(a)]])
    side = int(3700 * scale)
    corners = np.array([[-1500, -1000], [1500, -1000], [1500, 1000], [-1500, 1000]]) * scale @ turn + side / 2
    ok = np.zeros((side, side), np.uint8)
    cv2.fillPoly(ok, [np.round(corners * 16).astype(np.int32)], 1, shift=4)
    found = largest_rectangle(ok.view(bool))
    assert found is not None
    # a pixel's width on each of four sides of some 500 px
    assert found.area / scale**2 == pytest.approx(width * height, rel=0.006)


@pytest.mark.parametrize(("angle", "share"), [(1, 0.990697), (10, 0.919185), (45, 0.779612), (90, 0.666667)])
def test_common_part_of_two_turned_frames(angle, share):
    """Overlap of a 3:2 frame with itself turned about its centre (own derivation, = cv2.rotatedRectangleIntersection)."""
    y, x = np.mgrid[-400:400, -400:400] + 0.5
    a = np.radians(angle)
    p, q = x * np.cos(a) + y * np.sin(a), -x * np.sin(a) + y * np.cos(a)
    both = (np.abs(x) < 300) & (np.abs(y) < 200) & (np.abs(p) < 300) & (np.abs(q) < 200)
    # counting pixels of a 600 x 400 frame: some border pixels in 240000
    assert both.sum() / 240000 == pytest.approx(share, abs=1e-3)
    crop = largest_rectangle(both)
    assert crop is not None
    assert crop.area <= both.sum()


def test_area_common_to_all_rotations():
    """A 3:2 frame turned by 0 to 180 degrees: the disc of radius h/2 is pi/6 = 0.523599 of it; raster tolerance 1 %."""
    y, x = np.mgrid[-160:160, -160:160] + 0.5
    common = np.ones(x.shape, bool)
    for angle in np.radians(np.arange(0, 180)):
        p, q = x * np.cos(angle) + y * np.sin(angle), -x * np.sin(angle) + y * np.cos(angle)
        common &= (np.abs(p) <= 150) & (np.abs(q) <= 100)
    assert common.sum() / (300 * 200) == pytest.approx(np.pi / 6, rel=0.01)
    found = largest_rectangle(common)
    assert found is not None
    assert found.area == pytest.approx(2 * 100**2, rel=0.02)  # the square in that disc


def test_fits_in_memory_is_what_is_on_disk(tmp_path):
    """The bytes written by hand here are those the library would write of the same header and data."""
    planes = np.random.default_rng(0).random((3, 5, 6), np.float32)
    write(Image.from_array(planes), tmp_path / "a.fits")
    with fits.open(tmp_path / "a.fits") as hdus:
        again = io.BytesIO()
        fits.PrimaryHDU(hdus[0].data, hdus[0].header).writeto(again)
    assert again.getvalue()[2880:] == (tmp_path / "a.fits").read_bytes()[2880:]
