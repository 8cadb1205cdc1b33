"""Files in: every kind of number, layout and fault."""

import gzip
import struct
import warnings
import zlib

import imagecodecs
import numpy as np
import pytest
import tifffile
from astropy.io import fits
from astropy.wcs import WCS
from PIL import Image as Pictures

from nebulakit import steps
from nebulakit.errors import InputError, StepError, UsageError
from nebulakit.files import count_values, read, read_map, within_reach, write
from nebulakit.files.icc import srgb_profile
from nebulakit.image import Image
from nebulakit.pixels.facts import StarList
from nebulakit.recipe import loads
from nebulakit.runner.inputs import taken

H, W = 12, 17
rng = np.random.default_rng(3)


def put(path, data, header=None, **more):
    hdu = fits.PrimaryHDU(data, fits.Header(header or {}))
    hdu.writeto(path, **more)
    return path


def with_chunk(png, name, body):
    """Put a chunk behind the header of a PNG."""
    chunk = struct.pack(">I", len(body)) + name + body + struct.pack(">I", zlib.crc32(name + body))
    return bytes(png[:33]) + chunk + bytes(png[33:])


# --- FITS: numbers ----------------------------------------------------------------------------------------------------


@pytest.mark.parametrize("kind", ["u1", "i2", "u2", "i4", "u4", "i8", "u8", "f4", "f8"])
@pytest.mark.parametrize("packed", [False, True])
def test_fits_numbers(tmp_path, kind, packed):
    """Whole numbers become 0..1 of their type, negative ones stay negative; floats are kept."""
    dtype = np.dtype(kind)
    if dtype.kind == "f":
        data, want = rng.normal(0, 3, (H, W)).astype(dtype), None
    else:
        info = np.iinfo(dtype)
        data = rng.integers(info.min // 2, info.max // 2, (H, W), dtype=dtype)
        data[0, 0] = info.max
        want = data / info.max
    path = put(tmp_path / "a.fits", data)
    if packed:
        path.with_suffix(".fits.gz").write_bytes(gzip.compress(path.read_bytes()))
        path = path.with_suffix(".fits.gz")
    image = read(path)
    assert image.channels == ("grey",)
    assert image.scale == "linear"
    # float32 holds 24 bits
    assert np.allclose(image.planes[0], data if want is None else want, rtol=2e-7, atol=0)
    assert image.record["file_values"] == str(dtype.newbyteorder("="))


def test_nan_and_infinities_are_not_covered(tmp_path):
    data = np.ones((H, W), np.float32)
    data[0, 0], data[1, 1], data[2, 2], data[3, 3] = np.nan, np.inf, -np.inf, -5
    image = read(put(tmp_path / "a.fits", data), coverage=np.full((H, W), 7.0))
    assert np.isnan(image.planes[0][[0, 1, 2], [0, 1, 2]]).all()
    assert image.planes[0, 3, 3] == -5
    assert image.coverage is not None
    assert (image.coverage == 0).sum() == 3
    assert image.covered().sum() == H * W - 3


# --- FITS: layouts ----------------------------------------------------------------------------------------------------


def test_fits_planes_first_and_last(tmp_path):
    data = rng.random((3, H, W), np.float32)
    first = read(put(tmp_path / "a.fits", data))
    last = read(put(tmp_path / "b.fits", np.moveaxis(data, 0, -1)))
    for image in (first, last):
        assert image.channels == ("red", "green", "blue")
        assert np.array_equal(image.planes, data)


def test_fits_axes_of_one_are_dropped(tmp_path):
    assert read(put(tmp_path / "a.fits", np.ones((1, 1, H, W), np.float32))).planes.shape == (1, H, W)


def test_fits_largest_image_is_taken_and_named(tmp_path):
    small, large = np.zeros((4, 4), np.float32), rng.random((H, W), np.float32)
    hdus = [fits.PrimaryHDU(), fits.ImageHDU(small, name="A"), fits.ImageHDU(large, name="B"), fits.ImageHDU(large + 1, name="C")]
    fits.HDUList(hdus).writeto(tmp_path / "a.fits")
    image = read(tmp_path / "a.fits")
    assert np.array_equal(image.planes[0], large)
    assert [n.id for n in image.notices] == ["one-of-several-images"]
    assert "2 (B)" in image.notices[0].text


@pytest.mark.parametrize("kind", ["RICE_1", "GZIP_1", "GZIP_2", "HCOMPRESS_1"])
def test_fits_tile_compressed(tmp_path, kind):
    data = rng.integers(0, 60000, (64, 48), dtype=np.uint16)
    fits.HDUList([fits.PrimaryHDU(), fits.CompImageHDU(data, compression_type=kind)]).writeto(tmp_path / "a.fits.fz")
    image = read(tmp_path / "a.fits.fz")
    assert np.allclose(image.planes[0] * 65535, data, atol=0.01)
    assert image.notices == ()


@pytest.mark.parametrize("shape", [(2, H, W), (7, 10, 11), (5,), (4, H, W)])
def test_fits_other_cubes_are_refused(tmp_path, shape):
    with pytest.raises(InputError, match=r"neither one plane nor|no opacity"):
        read(put(tmp_path / "a.fits", rng.normal(0, 1, shape)))


def test_fits_opacity_is_dropped_with_a_note(tmp_path):
    data = rng.random((4, H, W), np.float32)
    data[3] = 1
    image = read(put(tmp_path / "a.fits", data))
    assert np.array_equal(image.planes, data[:3])
    assert [n.id for n in image.notices] == ["alpha-dropped"]


def test_header_is_kept_without_what_describes_the_file(tmp_path):
    card = {"OBJECT": "a nebula", "BSCALE": 1.0, "CTYPE3": "RGB", "DATE": "2020-01-01", "CRPIX1": 3.0}
    image = read(put(tmp_path / "a.fits", np.ones((H, W), np.float32), card))
    assert dict(image.header) == {"OBJECT": "a nebula", "CRPIX1": 3.0}


# --- FITS: rows and mosaics -------------------------------------------------------------------------------------------


def test_stated_row_order_is_honoured(tmp_path):
    data = rng.random((H, W), np.float32)
    wcs = {
        "CTYPE1": "RA---TAN",
        "CTYPE2": "DEC--TAN",
        "CRPIX1": 5.0,
        "CRPIX2": 3.0,
        "CRVAL1": 10.0,
        "CRVAL2": 20.0,
        "CDELT1": -0.01,
        "CDELT2": 0.01,
    }
    plain = read(put(tmp_path / "a.fits", data, wcs))
    down = read(put(tmp_path / "b.fits", data, wcs | {"ROWORDER": "TOP-DOWN"}), coverage=np.arange(H * W).reshape(H, W))
    up = read(put(tmp_path / "c.fits", data, wcs | {"ROWORDER": "BOTTOM-UP"}), coverage=np.arange(H * W).reshape(H, W))
    assert np.array_equal(plain.planes[0], data)  # without the card the first row is the top
    assert np.array_equal(down.planes[0], data)
    assert np.array_equal(up.planes[0], data[::-1])
    assert up.coverage is not None
    assert up.coverage[0, 0] == (H - 1) * W
    # the sky stays on its pixels, and run.json's rows are the file's
    assert np.allclose(up.wcs().wcs_pix2world([[4.0, 2.0]], 0), WCS(fits.Header(wcs)).wcs_pix2world([[4.0, H - 1 - 2.0]], 0))
    assert up.frame.to_stack(4, 0) == (4, H - 1)
    assert up.header["ROWORDER"] == "TOP-DOWN"


@pytest.mark.parametrize("order", [None, "TOP-DOWN", "BOTTOM-UP"])
def test_mosaic_by_its_header(tmp_path, order):
    """The pattern speaks of the picture with its top row first, however the rows lie in the file."""
    from nebulakit.steps import collapse_bayer

    seen = np.tile(np.float32([[1, 2], [2, 3]]), (5, 6))  # R G / G B
    cards = {"BAYERPAT": "RGGB"} | ({"ROWORDER": order} if order else {})
    image = read(put(tmp_path / "a.fits", seen[::-1] if order == "BOTTOM-UP" else seen, cards))
    assert image.channels == ("mosaic",)
    assert [float(p.mean()) for p in collapse_bayer(image).planes] == [1, 2, 3]
    assert [float(p.mean()) for p in collapse_bayer(image, pattern="RGGB").planes] == [1, 2, 3]


def test_mosaic_pattern_offsets_and_override(tmp_path):
    path = put(tmp_path / "a.fits", np.ones((H, W), np.float32), {"BAYERPAT": "RGGB", "XBAYROFF": 1})
    assert read(path).header["BAYERPAT"] == "GRBG"
    assert read(path, pattern="BGGR").header["BAYERPAT"] == "BGGR"
    with pytest.raises(InputError, match="no colour pattern"):
        read(path, pattern="XYZ")
    with pytest.raises(InputError, match="is no mosaic"):
        read(put(tmp_path / "b.fits", np.ones((3, H, W), np.float32)), pattern="RGGB")


# --- borders and coverage ---------------------------------------------------------------------------------------------


def test_empty_border_becomes_nan_but_scattered_zeros_stay(tmp_path):
    data = rng.normal(1, 0.1, (3, 60, 80)).astype(np.float32)
    data[:, :, :9] = 0
    data[:, 30, 40] = 0
    image = read(put(tmp_path / "a.fits", data))
    assert np.isnan(image.planes[:, :, :9]).all()
    assert np.isfinite(image.planes[:, :, 9:]).all()
    assert image.planes[0, 30, 40] == 0
    assert image.record["empty_border"] == pytest.approx(9 / 80, abs=1e-5)


def test_sky_cut_off_at_black_is_no_border(tmp_path):
    data = np.maximum(rng.normal(0, 1, (3, 60, 80)), 0.9).astype(np.float32)  # 82 % of each channel at 0.9
    data[:, :20, :20] = 0.9
    assert np.isfinite(read(put(tmp_path / "a.fits", data)).planes).all()


def test_burnt_out_corner_is_no_border(tmp_path):
    data = rng.normal(0.2, 0.01, (3, 60, 80)).astype(np.float32)
    data[:, :15, :15] = 1
    assert np.isfinite(read(put(tmp_path / "a.fits", data)).planes).all()


def test_coverage_map_of_another_size_is_refused_with_both_sizes(tmp_path):
    path = put(tmp_path / "a.fits", np.ones((H, W), np.float32))
    cover = put(tmp_path / "c.fits", np.ones((H, W + 1), np.float32))
    with pytest.raises(InputError, match=r"c\.fits is 18 x 12 px, but the stack is 17 x 12 px"):
        read(path, coverage=cover)


def test_a_coverage_map_of_another_size_with_the_same_outline_is_refused_with_the_offset(tmp_path):
    stack = rng.normal(1, 0.1, (60, 80)).astype(np.float32)
    stack[:9], stack[:, -14:], stack[40:, :20] = 0, 0, 0
    path = put(tmp_path / "a.fits", stack)
    covered = np.pad((stack != 0).astype(np.float32), ((0, 7), (4, 0)))[3:]
    with pytest.raises(InputError, match=r"moved by -4 px to the right and \+3 px down the map fits"):
        read(path, coverage=put(tmp_path / "c.fits", covered))
    covered[20:40, 30:60] = 0
    with pytest.raises(InputError) as fault:
        read(path, coverage=put(tmp_path / "other.fits", covered))
    assert "outlines" not in str(fault.value)


def test_coverage_keeps_its_counts_and_a_mask_is_scaled(tmp_path):
    path = put(tmp_path / "c.fits", np.full((H, W), 1500, np.uint16))
    image = read(put(tmp_path / "a.fits", np.ones((H, W), np.float32)), coverage=path)
    assert image.coverage is not None
    assert np.unique(image.coverage).tolist() == [1500]
    assert read_map(path)[0, 0] == pytest.approx(1500 / 65535)


PLACES = ("red", "red, opaque", "red and green", "grey, nothing opaque")
PLACES += ("opacity, black", "opacity, white", "opacity, grey alone", "opacity, white brush")


def painted(kind, mask, where):
    """A colour picture of whole numbers that holds a mask in one place only, with opacity where that is the place."""
    top = np.iinfo(kind).max
    mask = np.rint(mask * top).astype(kind)
    full, none = np.full_like(mask, top), np.zeros_like(mask)
    planes = {
        "red": (mask, none, none),
        "red, opaque": (mask, none, none, full),
        "red and green": (mask, mask, none),
        "grey, nothing opaque": (mask, mask, mask, none),
        "opacity, black": (none, none, none, mask),
        "opacity, white": (full, full, full, mask),
        "opacity, grey alone": (none, mask),
        "opacity, white brush": (*[np.where(mask > 0, full, none)] * 3, mask),
    }[where]
    return np.stack(planes, -1)


@pytest.mark.parametrize("kind", ["u1", "u2"])
@pytest.mark.parametrize("as_tiff", [False, True])
@pytest.mark.parametrize("where", PLACES)
def test_a_mask_is_read_from_where_it_is(tmp_path, kind, as_tiff, where):
    """In red alone it was a third of itself, in the opacity alone it was nothing, or everything."""
    y, x = np.mgrid[:H, :W]
    mask = np.clip(1.2 - np.hypot(x - 0.4 * W, y - 0.5 * H) / (0.3 * W), 0, 1)  # a round place with a soft rim
    data, path = painted(kind, mask, where), tmp_path / "mask"
    if as_tiff:
        kinds = ["unassalpha"] if data.shape[-1] in (2, 4) else None
        tifffile.imwrite(
            path, data, photometric="rgb" if data.shape[-1] > 2 else "minisblack", extrasamples=kinds, planarconfig="contig"
        )
    else:
        path.write_bytes(imagecodecs.png_encode(data))
    assert np.allclose(read_map(path), mask, atol=1 / np.iinfo(kind).max)


@pytest.mark.parametrize("how", ["jpeg", "image", "array"])
def test_a_red_mask_is_whole_however_it_is_given(tmp_path, how):
    """Of JPEG, which leaves some red in green and blue, of an image and of an array it was a third of itself."""
    mask = np.zeros((80, 120), np.uint8)
    mask[19:51, 21:78] = 255
    red = painted("u1", mask / 255, "red")
    (tmp_path / "mask.jpg").write_bytes(imagecodecs.jpeg_encode(red, level=90))
    cube = red.transpose(2, 0, 1)
    given = {"jpeg": tmp_path / "mask.jpg", "array": cube, "image": Image.from_array(cube / 255, scale="display")}[how]
    recipe = loads(
        "version: 1\ninputs:\n  place: {scale: mask}\nsteps:\n  - bin: {factor: 2}\noutputs:\n  - {layer: last, file: a.fits}\n"
    )
    assert np.abs(taken(recipe, "place", given).planes - mask / 255).mean() < 0.02


def test_colours_that_opacity_multiplied_already_are_the_mask(tmp_path):
    mask = rng.integers(0, 255, (H, W), dtype=np.uint8)
    path = tmp_path / "a.tif"
    tifffile.imwrite(path, np.stack([mask] * 4, -1), photometric="rgb", extrasamples=["assocalpha"])
    assert np.allclose(read_map(path) * 255, mask, atol=1e-3)


def test_a_mask_in_the_fourth_plane_of_fits(tmp_path):
    mask = np.zeros((H, W), np.float32)
    mask[3:9, 4:12] = 1
    none = np.zeros_like(mask)
    assert np.array_equal(read_map(put(tmp_path / "a.fits", np.stack([none, none, none, mask]))), mask)
    assert np.array_equal(read_map(put(tmp_path / "b.fits", np.stack([mask, none, none]))), mask)


def test_the_size_of_a_packed_stack_is_told_by_its_header_alone(tmp_path, monkeypatch):
    """All of it was unpacked, before each run and each plan, and twice after a run."""
    data = put(tmp_path / "a.fits", rng.random((3, 400, 500)).astype(np.float32)).read_bytes()
    (tmp_path / "a.fits.gz").write_bytes(gzip.compress(data))
    with open(tmp_path / "a.fits.gz", "rb") as stored:
        monkeypatch.setattr(gzip, "open", lambda _: gzip.GzipFile(fileobj=stored))
        assert count_values(tmp_path / "a.fits.gz") == 3 * 400 * 500
        assert stored.tell() < len(data) / 4


@pytest.mark.parametrize("shape", [(3, 1, 1), (3, 1, 5), (3, 5, 1), (1, 3, 1, 5), (3, 4, 5), (1, 4, 5), (1, 1, 4, 5), (4, 5)])
def test_a_side_of_one_pixel_is_no_plane_less(tmp_path, shape):
    data = np.arange(np.prod(shape), dtype=np.float32).reshape(shape)
    image = read(put(tmp_path / "a.fits", data))
    assert image.is_rgb == (3 in shape)
    assert np.array_equal(image.planes.ravel(), data.ravel())


@pytest.mark.parametrize("shape", [(7, 1, 3), (1, 7, 1, 3), (7, 1, 4)])
def test_colours_last_of_a_picture_one_pixel_wide_are_colours(tmp_path, shape):
    data = np.arange(1, np.prod(shape) + 1, dtype=np.float32).reshape(shape)
    data[..., 3:] = 1  # an opacity
    image = read(put(tmp_path / "a.fits", data))
    assert image.is_rgb
    assert np.array_equal(image.planes[:, :, 0], data.reshape(7, -1)[:, :3].T)


def test_how_a_file_is_taken_is_linear_or_display(tmp_path):
    """A capital letter made a picture of no scale, which no step took."""
    with pytest.raises(UsageError, match="assume is 'linear' or 'display', found 'Display'"):
        read(put(tmp_path / "a.fits", np.ones((3, H, W), np.float32)), assume="Display")


def test_a_name_that_no_file_can_have_is_refused_in_words():
    for name in ("a" * 400 + ".fits", "a\0.fits"):
        with pytest.raises(InputError, match=r"it cannot be opened \((File name too long|embedded null byte)\)"):
            read(name)


def test_a_mask_given_to_a_function_is_told_in_one_line():
    """The whole array stood in a TypeError."""
    image = Image.from_array(np.full((3, H, W), 0.1, np.float32), scale="display")
    with pytest.raises(
        StepError, match=r"^curve: unknown parameter 'mask'; in a recipe it stands beside a step, a function has none$"
    ):
        steps.curve(image, points=[[0.5, 0.6]], mask=image)


def test_what_is_no_array_of_numbers_is_refused_in_words():
    for nothing in (None, np.ones((3, 4)) * 1j):
        with pytest.raises(StepError, match="expected an array of numbers"):
            Image.from_array(nothing)


def test_an_array_with_its_colours_last_is_refused_in_words():
    with pytest.raises(StepError, match=r"found shape \(30, 40, 3\), whose colours come last; give numpy.moveaxis"):
        Image.from_array(np.zeros((30, 40, 3)))


@pytest.mark.parametrize("pages", [3, 40])
def test_pages_of_one_plane_are_no_colour_picture_and_it_is_said(tmp_path, pages):
    tifffile.imwrite(tmp_path / "a.tif", rng.random((pages, 33, 41), np.float32), photometric="minisblack")
    (notice,) = read(tmp_path / "a.tif").notices
    assert f"holds {'3' if pages == 3 else '32 or more'} pages of one plane each; the first alone was read" in notice.text


@pytest.mark.parametrize("how", ["file", "array", "image"])
def test_a_coverage_map_in_colour_is_refused_and_one_of_equal_channels_taken(tmp_path, how):
    stack = put(tmp_path / "a.fits", np.ones((H, W), np.float32))
    recipe = loads("version: 1\nsteps:\n  - bin: {factor: 2}\noutputs:\n  - {layer: last, file: a.fits}\n")
    counts = rng.integers(1, 1500, (H, W), dtype=np.uint16)
    for name, planes in (("grey", [counts] * 3), ("colour", [counts, counts, counts + 1])):
        cube = np.stack(planes)
        file = put(tmp_path / f"{name}.fits", cube)
        given = {"file": file, "array": cube, "image": Image.from_array(cube)}[how]
        if name == "grey":
            assert np.array_equal(taken(recipe, "stack", stack, coverage=given).coverage, counts)
        else:
            with pytest.raises(InputError, match="is a colour picture: its 3 planes differ"):
                taken(recipe, "stack", stack, coverage=given)


# --- TIFF -------------------------------------------------------------------------------------------------------------


@pytest.mark.parametrize("order", ["<", ">"])
@pytest.mark.parametrize(
    "extra", [{}, {"compression": "zlib", "predictor": True}, {"compression": "lzw"}, {"tile": (16, 16)}, {"bigtiff": True}]
)
@pytest.mark.parametrize("kind", ["u2", "u4", "f4", "i2"])
def test_tiff_layouts(tmp_path, order, extra, kind):
    dtype = np.dtype(kind)
    data = rng.random((3, 33, 41)) if dtype.kind == "f" else rng.integers(0, np.iinfo(dtype).max, (3, 33, 41), dtype=dtype)
    data = data.astype(dtype)
    want = data if dtype.kind == "f" else data / np.iinfo(dtype).max
    tifffile.imwrite(tmp_path / "p.tif", data, photometric="rgb", planarconfig="separate", byteorder=order, **extra)
    tifffile.imwrite(tmp_path / "c.tif", np.moveaxis(data, 0, -1), photometric="rgb", byteorder=order, **extra)
    for name in ("p.tif", "c.tif"):
        image = read(tmp_path / name)
        assert image.channels == ("red", "green", "blue")
        assert image.scale == "linear"
        assert np.allclose(image.planes, want, rtol=2e-7)


@pytest.mark.parametrize("kind", ["tif", "png", "png with alpha"])
def test_a_picture_is_shown_as_it_says_that_it_lies(tmp_path, kind) -> None:
    """Only a first row at the bottom of a TIFF was heeded."""
    seen = np.random.default_rng(2).integers(1, 2**16, (40, 60, 4 if "alpha" in kind else 3), dtype=np.uint16)
    # what lies at the file's first row and first column, by the tag's number
    stored = {1: seen, 2: seen[:, ::-1], 3: seen[::-1, ::-1], 4: seen[::-1], 5: seen.swapaxes(0, 1)}
    stored |= {6: stored[5][::-1], 7: stored[5][::-1, ::-1], 8: stored[5][:, ::-1]}
    for tag, rows in stored.items():
        if kind == "tif":
            extra = [(274, "H", 1, tag, True)]
            tifffile.imwrite(tmp_path / "t", np.ascontiguousarray(rows), photometric="rgb", metadata=None, extratags=extra)
        else:
            exif = Pictures.Exif()
            exif[274] = tag
            (tmp_path / "t").write_bytes(with_chunk(imagecodecs.png_encode(np.ascontiguousarray(rows)), b"eXIf", exif.tobytes()))
        assert np.array_equal(np.rint(read(tmp_path / "t").planes * 65535), np.moveaxis(seen[..., :3], -1, 0)), tag
        if seen.shape[2] == 4:  # of which a mask is what is seen on black
            mask = (seen[..., :3].mean(-1) * seen[..., 3]) / 65535**2
            assert np.allclose(read_map(tmp_path / "t"), mask, atol=1e-6), tag


def test_a_fits_file_that_was_cut_short_is_told_so(tmp_path):
    """Within its header, or packed, it was told to be corrupt."""
    whole = put(tmp_path / "a.fits", rng.normal(0, 1, (H, W)).astype(np.float32)).read_bytes()
    packed = gzip.compress(whole)
    for cut in (whole[:80], whole[:1000], packed[: len(packed) // 2]):
        (tmp_path / "a.fits").write_bytes(cut)
        with pytest.raises(InputError, match=r"a.fits: the file ends too early \(was the copy interrupted"):
            read(tmp_path / "a.fits")
    (tmp_path / "a.fits").write_bytes(gzip.compress(b"none of it"))
    with pytest.raises(InputError, match=r"not a FITS file that can be read"):
        read(tmp_path / "a.fits")


def test_how_many_values_a_damaged_file_claims_is_not_believed(tmp_path):
    """A run was refused for want of terabytes."""
    path = put(tmp_path / "a.fits", np.ones((H, W), np.float32))
    path.write_bytes(path.read_bytes().replace(f"NAXIS1  = {W:20}".encode(), b"NAXIS1  =            300000000"))
    assert count_values(path) is None


@pytest.mark.parametrize("shape", [(10, 12), (11, 12), (10, 13), (11, 13)])
def test_the_colours_of_a_mosaic_are_turned_along_with_it(tmp_path, shape) -> None:
    """It was left as it lay, or turned over with its pattern left."""
    stored = np.tile(np.uint16([[100, 200], [200, 300]]), (7, 7))[: shape[0], : shape[1]]  # R G / G B
    whole = np.arange(stored.size).reshape(shape)
    for tag in range(1, 9):
        extra = [(33421, "H", 2, (2, 2), True), (33422, "B", 4, bytes([0, 1, 1, 2]), True), (274, "H", 1, tag, True)]
        tifffile.imwrite(tmp_path / "m.tif", stored, photometric="cfa", metadata=None, extratags=extra)
        image = read(tmp_path / "m.tif")
        assert image.channels == ("mosaic",)
        levels = steps.collapse_bayer(image).planes * 65535
        assert np.allclose(levels, np.array([100, 200, 300])[:, None, None], rtol=1e-6), tag
        tifffile.imwrite(
            tmp_path / "g.tif", whole.astype(np.float32), photometric="minisblack", metadata=None, extratags=extra[2:]
        )
        lies = read(tmp_path / "g.tif").planes[0].astype(int)
        assert np.array_equal(np.rint(image.planes[0] * 65535), stored.ravel()[lies]), tag


@pytest.mark.parametrize("exif", [b"", b"II*\0", b"MM\0*\0\0\0\x08\xff\xff", b"none of it"])
def test_a_picture_whose_tags_are_damaged_is_shown_as_it_is_stored(tmp_path, exif) -> None:
    data = rng.integers(1, 2**16, (H, W), dtype=np.uint16)
    (tmp_path / "t.png").write_bytes(with_chunk(imagecodecs.png_encode(data), b"eXIf", exif))
    assert np.array_equal(np.rint(read(tmp_path / "t.png").planes[0] * 65535), data)


def test_tiff_half_and_double_floats(tmp_path):
    for kind in ("f2", "f8"):
        data = rng.normal(0, 1, (H, W)).astype(kind)
        tifffile.imwrite(tmp_path / f"{kind}.tif", data)
        assert np.array_equal(read(tmp_path / f"{kind}.tif").planes[0], data.astype(np.float32))


def test_tiff_white_is_zero_is_turned(tmp_path):
    tifffile.imwrite(tmp_path / "a.tif", np.uint16([[0, 65535], [13107, 0]]), photometric="miniswhite")
    assert read(tmp_path / "a.tif").planes[0].tolist() == [[1, 0], [pytest.approx(0.8), 1]]


def test_tiff_palette_is_looked_up(tmp_path):
    table = np.zeros((3, 256), np.uint16)
    table[0, 1], table[2, 2] = 65535, 65535
    tifffile.imwrite(tmp_path / "a.tif", np.uint8([[0, 1], [2, 0]]), photometric="palette", colormap=table)
    image = read(tmp_path / "a.tif")
    assert image.planes[:, 0, 1].tolist() == [1, 0, 0]
    assert image.planes[:, 1, 0].tolist() == [0, 0, 1]
    assert image.scale == "display"


def test_tiff_alpha_is_dropped_with_a_note(tmp_path):
    data = rng.integers(0, 65535, (H, W, 4), dtype=np.uint16)
    tifffile.imwrite(tmp_path / "a.tif", data, photometric="rgb", extrasamples=["unassalpha"])
    image = read(tmp_path / "a.tif")
    assert np.allclose(np.moveaxis(image.planes, 0, -1) * 65535, data[..., :3], atol=0.01)
    assert [n.id for n in image.notices] == ["alpha-dropped"]


@pytest.mark.parametrize(
    ("kind", "profile", "scale"),
    [("u2", False, "linear"), ("u2", True, "display"), ("u1", False, "display"), ("f4", False, "linear")],
)
def test_linear_or_display_by_what_the_file_says(tmp_path, kind, profile, scale):
    data = (rng.random((H, W, 3)) * (1 if kind == "f4" else 200)).astype(kind)
    tifffile.imwrite(tmp_path / "a.tif", data, photometric="rgb", iccprofile=srgb_profile() if profile else None)
    image = read(tmp_path / "a.tif")
    assert image.scale == scale
    assert image.record["scale_because"]
    assert read(tmp_path / "a.tif", assume="linear").scale == "linear"
    assert read(tmp_path / "a.tif", assume="display").record["assume"] == "display"


# --- PNG and JPEG -----------------------------------------------------------------------------------------------------


@pytest.mark.parametrize("kind", ["u1", "u2"])
@pytest.mark.parametrize("planes", [1, 2, 3, 4])
def test_png_keeps_all_its_bits(tmp_path, kind, planes):
    top = np.iinfo(kind).max
    data = rng.integers(0, top, (H, W, planes), dtype=kind)
    (tmp_path / "a.png").write_bytes(imagecodecs.png_encode(data if planes > 1 else data[..., 0]))
    image = read(tmp_path / "a.png")
    colours = {1: 1, 2: 1, 3: 3, 4: 3}[planes]
    assert np.allclose(np.moveaxis(image.planes, 0, -1) * top, data[..., :colours], atol=0.01)
    assert [n.id for n in image.notices] == (["alpha-dropped"] if planes in (2, 4) else [])
    assert image.scale == ("display" if kind == "u1" else "linear")


@pytest.mark.parametrize(("gamma", "scale"), [(100000, "linear"), (45455, "display")])
def test_png_gamma(tmp_path, gamma, scale):
    made = imagecodecs.png_encode(np.zeros((4, 4), np.uint16))
    (tmp_path / "a.png").write_bytes(with_chunk(made, b"gAMA", struct.pack(">I", gamma)))
    assert read(tmp_path / "a.png").scale == scale


def test_jpeg_is_display(tmp_path):
    Pictures.new("RGB", (W, H), (255, 0, 51)).save(tmp_path / "a.jpg", quality=100, subsampling=0)
    image = read(tmp_path / "a.jpg")
    assert image.scale == "display"
    assert image.planes[:, 0, 0] == pytest.approx([1, 0, 0.2], abs=0.01)


# --- what is no picture, or a damaged one -----------------------------------------------------------------------------


def test_names_do_not_count_contents_do(tmp_path):
    put(tmp_path / "a.fits", np.ones((H, W), np.float32))
    (tmp_path / "a.fits").rename(tmp_path / "a.tif")
    assert read(tmp_path / "a.tif").shape == (H, W)


@pytest.mark.parametrize(
    ("content", "words"),
    [(b"", "empty"), (b"hello, this is text", "neither FITS, TIFF, PNG nor JPEG"), (b"\x1f\x8b\x08rest", "not a FITS file")],
)
def test_no_picture(tmp_path, content, words):
    (tmp_path / "a.fits").write_bytes(content)
    with pytest.raises(InputError, match=words):
        read(tmp_path / "a.fits")


def test_missing_file_and_folder(tmp_path):
    with pytest.raises(InputError, match=r"no file nowhere\.fits"):
        read(tmp_path / "nowhere.fits")
    with pytest.raises(InputError, match="folder"):
        read(tmp_path)


def test_all_nan_is_refused(tmp_path):
    with pytest.raises(InputError, match="every pixel is empty"):
        read(put(tmp_path / "a.fits", np.full((H, W), np.nan, np.float32)))


def test_tables_alone_are_refused(tmp_path):
    table = fits.BinTableHDU.from_columns([fits.Column("x", "E", array=np.arange(3.0))])
    fits.HDUList([fits.PrimaryHDU(), table]).writeto(tmp_path / "a.fits")
    with pytest.raises(InputError, match="no image in it, only a header without data, a table"):
        read(tmp_path / "a.fits")


def whole_files(folder):
    data = rng.integers(0, 60000, (40, 50, 3), dtype=np.uint16)
    put(folder / "a.fits", np.moveaxis(data, -1, 0))
    (folder / "b.fits.gz").write_bytes(gzip.compress((folder / "a.fits").read_bytes()))
    fits.HDUList([fits.PrimaryHDU(), fits.CompImageHDU(data[..., 0])]).writeto(folder / "c.fits.fz")
    tifffile.imwrite(folder / "d.tif", data, photometric="rgb")
    tifffile.imwrite(folder / "e.tif", data, photometric="rgb", compression="zlib")
    (folder / "f.png").write_bytes(imagecodecs.png_encode(data))
    Pictures.fromarray((data >> 8).astype(np.uint8)).save(folder / "g.jpg")
    return sorted(folder.iterdir())


def test_a_file_cut_short_anywhere_is_a_sentence(tmp_path):
    """No cut may give a picture made of nothing, another error, or a warning."""
    for path in whole_files(tmp_path):
        content = path.read_bytes()
        for share in (0.02, 0.3, 0.5, 0.8):  # the last tenth of a small FITS file may be padding
            path.write_bytes(content[: int(len(content) * share)])
            with warnings.catch_warnings():
                warnings.simplefilter("error")
                with pytest.raises(InputError):
                    read(path)


def test_random_damage_is_a_picture_or_a_sentence(tmp_path):
    for path in whole_files(tmp_path):
        content = path.read_bytes()
        random = np.random.default_rng(len(content))
        for _ in range(25):
            bad = bytearray(content)
            for at in random.integers(0, len(bad) if random.random() < 0.5 else 400, 6):
                bad[int(at)] = int(random.integers(256))
            path.write_bytes(bytes(bad))
            with warnings.catch_warnings():
                warnings.simplefilter("error")
                try:
                    read(path)
                except InputError:
                    continue


def test_a_claim_of_terabytes_takes_no_memory(tmp_path):
    header = fits.Header({"SIMPLE": True, "BITPIX": -32, "NAXIS": 2, "NAXIS1": 2_000_000, "NAXIS2": 2_000_000})
    (tmp_path / "a.fits").write_bytes(header.tostring().encode() + b"\0" * 2880)
    with pytest.raises(InputError, match="claims to hold"):
        read(tmp_path / "a.fits")


def test_a_further_input_of_the_wrong_kind_is_refused_before_any_step():
    recipe = loads(
        "version: 1\ninputs: {other: {}}\nsteps:\n  - unmix_lines: {}\n    as: {ha: ha}\n  - balance_lines: {oiii: other}\n"
        "    from: ha\n  - add_stars: {stars: stack}\noutputs:\n  - {layer: last, file: a.fits}\n"
    )
    colour, plane = np.ones((3, 20, 20), np.float32), np.ones((1, 20, 20), np.float32)
    with pytest.raises(
        InputError, match=r"^other has red, green and blue, but balance_lines in line 6 .* a single plane as 'oiii'"
    ):
        taken(recipe, "other", colour)
    assert taken(recipe, "other", plane).shape == (20, 20)
    with pytest.raises(
        InputError, match=r"^other is a colour-filter mosaic, and balance_lines in line 6 .* Put  - collapse_bayer"
    ):
        taken(recipe, "other", Image(plane, ("mosaic",)))
    with pytest.raises(InputError, match=r"^stack has red, green and blue, but add_stars in line 8 .* a single plane as 'stars'"):
        taken(recipe, "stack", colour)


@pytest.mark.parametrize("kind", ["fits", "tif"])
def test_values_of_any_unit_come_within_reach_and_are_written_in_their_own(tmp_path, kind):
    """Squares of 1e-36 are nothing in 32-bit floats, those of 1e+30 are infinite."""
    data = rng.random((3, H, W)).astype(np.float32) + 1
    for power in (-100, 0, 100):
        scaled = np.ldexp(data, power)
        if kind == "fits":
            put(tmp_path / "a.fits", scaled, overwrite=True)
        else:
            tifffile.imwrite(tmp_path / "a.tif", scaled, photometric="rgb", planarconfig="separate")
        image = read(tmp_path / f"a.{kind}")
        assert 2.0**-16 <= image.planes.max() <= 2.0**16
        assert np.array_equal(
            np.ldexp(image.planes, -100), np.ldexp(data, round(np.log2(image.planes[0, 0, 0] / data[0, 0, 0])) - 100)
        )
        assert [n.id for n in image.notices] == ["values-scaled"] * (power != 0)
        write(image, tmp_path / "b.fits")
        assert np.array_equal(fits.getdata(tmp_path / "b.fits"), scaled)
        again = read(tmp_path / "b.fits")
        assert np.array_equal(again.planes, image.planes)
        shown = image.replace(image.planes / image.planes.max(), scale="display")
        write(shown, tmp_path / "c.fits")
        assert fits.getdata(tmp_path / "c.fits").max() == 1


def test_the_factor_of_a_written_file_is_a_32_bit_float(tmp_path):
    """Programs that multiply by it as one read infinities."""
    data = np.ldexp(np.ones((3, H, W), np.float32), 126)
    write(read(put(tmp_path / "a.fits", data)), tmp_path / "b.fits")
    assert np.array_equal(fits.getdata(tmp_path / "b.fits"), data)


def test_numbers_beyond_32_bits_are_refused_plainly(tmp_path):
    for value in (1e-50, 1e50):
        with pytest.raises(InputError, match=r"a.fits: its largest value is 1e[-+]50, beyond what 32-bit floats hold"):
            read(put(tmp_path / "a.fits", np.full((H, W), value), overwrite=True))
        tifffile.imwrite(tmp_path / "a.tif", np.full((H, W), value))
        with pytest.raises(InputError, match=r"a.tif: its largest value is 1e[-+]50, beyond what 32-bit floats hold"):
            read(tmp_path / "a.tif")
    with pytest.raises(InputError, match="largest value is 1e-40"):
        read(put(tmp_path / "a.fits", np.full((H, W), 1e-40, np.float32), overwrite=True))


def test_arrays_of_such_numbers_too():
    """They became empty, with a warning of numpy's, or black."""
    for value in (1e-50, 1e50):
        array = np.full((H, W), value)
        array[0, :3] = np.nan, np.inf, 0
        with pytest.raises(StepError, match=r"the largest value is 1e[-+]50, beyond what 32-bit floats hold"):
            Image.from_array(array)
    assert np.isnan(Image.from_array(np.full((H, W), np.inf)).planes).all()
    assert not Image.from_array(np.zeros((H, W))).planes.any()


@pytest.mark.parametrize("scale", [1e-42, 1e40])
def test_whole_numbers_that_the_header_scales_beyond_32_bits_are_refused_too(tmp_path, scale):
    """They became infinite, or lost their digits."""
    path = put(tmp_path / "a.fits", np.arange(H * W, dtype="i2").reshape(H, W))
    fits.setval(path, "BSCALE", value=scale)
    with pytest.raises(InputError, match=r"a.fits: its largest value is .*, beyond what 32-bit floats hold"):
        read(path)


def test_layers_in_units_far_apart_are_not_combined(tmp_path):
    data = rng.random((H, W)).astype(np.float32) + 1
    one, other = (read(put(tmp_path / "a.fits", np.ldexp(data, power), overwrite=True)) for power in (-100, 0))
    with pytest.raises(StepError, match="in units so far apart"):
        steps.add_stars(one, other)
    with pytest.raises(StepError, match="in units so far apart"):  # one that has no header has no factor
        steps.add_stars(one, Image.from_array(other.planes))
    assert np.array_equal(steps.add_stars(one, one).planes, 2 * one.planes)


def test_what_is_known_of_an_image_follows_its_values_within_reach():
    """Its white level stayed in the old units, so that no star or every star was cut off."""
    data = (rng.random((3, H, W)) + 1).astype(np.float32)
    known = (
        Image.from_array(data)
        .measured("noise", "sky")
        .replace(white=(1.5,) * 3, stars=StarList(*np.ones((5, 2)), np.zeros(2, bool)))
    )
    far = known.replace(
        np.ldexp(data, -96),
        white=(1.5 * 2.0**-96,) * 3,
        sky=tuple(v * 2.0**-96 for v in known.sky),
        noise=known.noise.scaled(2.0**-96),
        stars=StarList(*np.array([1, 1, 2.0**-96, 2.0**-96, 1])[:, None] * np.ones(2), np.zeros(2, bool)),
    )
    near = within_reach(far, "stack")
    assert near.header["BSCALE"] == 2.0**-96
    assert np.array_equal(near.planes, data)
    assert (near.white, near.sky, near.noise) == (known.white, known.sky, known.noise)
    assert np.array_equal([near.stars.flux, near.stars.peak, near.stars.x], np.ones((3, 2)))


def test_a_stretched_picture_that_is_nearly_black_stays_so():
    dark = Image.from_array(np.full((H, W), 1e-11), scale="display")
    assert np.array_equal(within_reach(dark, "stars").planes, dark.planes)


def test_a_channel_without_any_value_is_refused_at_the_door(tmp_path):
    data = rng.random((3, H, W)).astype(np.float32)
    data[2] = np.nan
    with pytest.raises(InputError, match=r"a\.fits: there is no value in blue, every pixel is empty"):
        read(put(tmp_path / "a.fits", data))


def test_a_folder_without_a_name_is_told_by_its_way():
    with pytest.raises(InputError, match=r"^\.: this is a folder"):
        read(".")
