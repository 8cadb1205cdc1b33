"""Files out: whole or not at all, the same bytes for the same layer, nothing of the observer in pictures."""

import hashlib
import struct

import numpy as np
import pytest
import tifffile
from astropy.io import fits
from PIL import Image as Pictures

from nebulakit.errors import ResourceError, UsageError
from nebulakit.files import WriteOptions, read, write
from nebulakit.files.icc import bends_tones, srgb_profile
from nebulakit.image import Image

H, W = 30, 45
FILES = ["a.fits", "a.fits.gz", "a.tif", "b8.tif", "b32.tif", "a.png", "b8.png", "a.jpg"]


def options(name):
    return WriteOptions(bits=8 if "8" in name else 32 if "32" in name else None)


@pytest.fixture
def display():
    header = fits.Header({"OBSERVER": "someone", "SITELAT": 48.2, "DATE": "2020-01-01", "OBJECT": "nebula"})
    planes = np.random.default_rng(1).random((3, H, W), np.float32)
    planes[:, :3, :3] = np.nan
    return Image.from_array(
        planes, scale="display", header=header, history=("crop_to_coverage keep=85%", "x" * 200, "Grün → Blau")
    )


@pytest.mark.parametrize("name", FILES)
def test_the_same_layer_gives_the_same_bytes(tmp_path, display, name):
    first, second = tmp_path / "one" / name, tmp_path / "two" / name
    write(display, first, options(name))
    write(display, second, options(name))
    assert first.read_bytes() == second.read_bytes()
    assert [p.name for p in first.parent.iterdir()] == [name]  # no temporary file is left


@pytest.mark.parametrize(
    ("name", "error"),
    [("a.tif", 0.5 / 65535), ("b8.tif", 1 / 255), ("b32.tif", 0), ("a.png", 0.5 / 65535), ("b8.png", 1 / 255), ("a.fits", 0)],
)
def test_what_is_written_is_read_again(tmp_path, display, name, error):
    write(display, tmp_path / name, options(name))
    back = read(tmp_path / name)
    assert back.scale == "display"
    assert back.channels == display.channels
    assert np.abs(back.planes - display.planes)[:, 3:].max() <= error * 1.001 + 1e-9
    # nothing is black in whole numbers, and stays nothing in floats
    corner = back.planes[:, :3, :3]
    assert np.isnan(corner).all() if error == 0 else (corner == 0).all()


@pytest.mark.parametrize("name", FILES)
def test_a_picture_of_a_single_pixel(tmp_path, name) -> None:
    """The PNG library stumbled over it."""
    write(Image.from_array(np.full((3, 1, 1), 0.25, np.float32), scale="display"), tmp_path / name, options(name))
    # half a level of 8 bits, dithered, and what packing as JPEG loses
    assert np.allclose(read(tmp_path / name).planes, 0.25, atol=0.01)


@pytest.mark.parametrize("name", ["a.tif", "a.png", "a.jpg"])
def test_pictures_hold_no_observer_site_or_date(tmp_path, display, name):
    write(display, tmp_path / name)
    content = (tmp_path / name).read_bytes()
    for word in (b"someone", b"48.2", b"2020", b"SITELAT", str(tmp_path).encode()):
        assert word not in content


@pytest.mark.parametrize("name", ["a.tif", "a.png", "a.jpg"])
def test_pictures_carry_the_srgb_profile(tmp_path, display, name):
    write(display, tmp_path / name)
    with Pictures.open(tmp_path / name) if name != "a.tif" else tifffile.TiffFile(tmp_path / name) as file:
        found = file.info["icc_profile"] if name != "a.tif" else file.pages[0].tags[34675].value
    assert found == srgb_profile()


def test_an_array_is_refused_with_how_to_make_an_image_of_it(tmp_path):
    with pytest.raises(UsageError, match=r"was given ndarray.*Image\.from_array\(array, scale='display'\)"):
        write(np.zeros((3, 4, 5)), tmp_path / "a.tif")


def test_profile_is_the_same_every_day_and_says_that_it_bends_tones():
    assert hashlib.sha256(srgb_profile()).digest() == hashlib.sha256(srgb_profile()).digest()
    assert struct.unpack(">6H", srgb_profile()[24:36]) == (2000, 1, 1, 0, 0, 0)
    assert bends_tones(srgb_profile()) is True
    assert bends_tones(b"nonsense") is None


def test_jpeg_keeps_colour_at_full_resolution(tmp_path):
    """One-pixel red lines: with halved colour they would fade to brown."""
    planes = np.zeros((3, 32, 32), np.float32)
    planes[0, :, ::2] = 1
    write(Image.from_array(planes, scale="display"), tmp_path / "a.jpg", WriteOptions(quality=95))
    with Pictures.open(tmp_path / "a.jpg") as file:
        assert [layer[1:3] for layer in file.layer] == [(1, 1)] * 3
        seen = np.asarray(file).astype(float)
    assert seen[:, ::2, 0].mean() > 235
    assert seen[:, 1::2, 0].mean() < 20


def test_fits_keeps_header_and_tells_the_steps(tmp_path, display):
    write(display, tmp_path / "a.fits")
    content = (tmp_path / "a.fits").read_bytes()
    assert len(content) % 2880 == 0
    with fits.open(tmp_path / "a.fits") as hdus:
        hdus.verify("exception")
        header = hdus[0].header
        assert hdus[0].data.shape == (3, H, W)
        assert (header["OBJECT"], header["OBSERVER"]) == ("nebula", "someone")
        assert "DATE" not in header
        history = [str(line) for line in header["HISTORY"]]
    assert history[0] == "crop_to_coverage keep=85%"
    assert "".join(history[1:4]) == "x" * 200
    assert history[4] == "Gr?n ? Blau"
    write(display, tmp_path / "b.fits", steps_done=["one", "two"])
    with fits.open(tmp_path / "b.fits") as hdus:
        assert list(hdus[0].header["HISTORY"]) == ["one", "two"]


def test_one_plane_is_a_flat_fits_and_a_grey_mask_but_a_colour_picture(tmp_path):
    planes = np.random.default_rng(2).random((1, H, W), np.float32)
    write(Image.from_array(planes, channels=("ha",)), tmp_path / "a.fits")
    assert fits.getdata(tmp_path / "a.fits").shape == (H, W)
    write(Image.from_array(planes, channels=("mask",), content="mask", scale="display"), tmp_path / "m.png")
    assert read(tmp_path / "m.png").channels == ("grey",)
    write(Image.from_array(planes, channels=("ha",), scale="display"), tmp_path / "h.tif")
    assert tifffile.imread(tmp_path / "h.tif").shape == (H, W, 3)


def test_linear_data_in_whole_numbers_say_what_was_cut(tmp_path):
    planes = np.random.default_rng(3).normal(0.2, 0.2, (3, H, W)).astype(np.float32)
    (notice,) = write(Image.from_array(planes), tmp_path / "a.tif")
    assert notice.id == "linear-cut"
    assert read(tmp_path / "a.tif").scale == "linear"
    assert write(Image.from_array(planes), tmp_path / "b.tif", WriteOptions(bits=32)) == ()
    assert np.array_equal(read(tmp_path / "b.tif").planes, planes)
    # counts far above one: their own highest value becomes the end of the scale
    (notice,) = write(Image.from_array(np.abs(planes) * 30000), tmp_path / "c.tif")
    assert "became its range" in notice.text
    assert read(tmp_path / "c.tif").planes.max() == 1


def test_eight_bits_are_dithered_without_changing_the_mean(tmp_path):
    """A ramp over a tenth of a level: rounding would give one step, dither keeps the mean of every column to 0.5/sqrt(n)."""
    level = 20 + np.linspace(0, 1, 50)
    planes = np.broadcast_to((level / 255).astype(np.float32), (3, 2000, 50)).copy()
    write(Image.from_array(planes, scale="display"), tmp_path / "a.png", WriteOptions(bits=8))
    seen = read(tmp_path / "a.png").planes * 255
    assert np.abs(seen.mean(1) - level).max() < 5 * 0.5 / np.sqrt(2000)
    assert np.abs(seen - level).max() < 1.0001
    assert not np.array_equal(seen[0], seen[1])  # channels are dithered apart: no grain of one colour
    flat = Image.from_array(np.zeros((3, 8, 8)), scale="display")
    write(flat, tmp_path / "b.png", WriteOptions(bits=8))
    assert read(tmp_path / "b.png").planes.max() == 0  # black stays black


@pytest.mark.parametrize("shape", [(300, 400), (400, 300)])
def test_longest_scales_down_and_never_up(tmp_path, shape):
    image = Image.from_array(np.full((3, *shape), 0.5), scale="display")
    write(image, tmp_path / "a.png", WriteOptions(longest=100))
    back = read(tmp_path / "a.png")
    assert max(back.shape) == 100
    assert min(back.shape) == 75
    assert np.allclose(back.planes, 0.5, atol=2e-5)
    write(image, tmp_path / "b.png", WriteOptions(longest=1000))
    assert read(tmp_path / "b.png").shape == shape


def test_print_size_sets_the_resolution(tmp_path):
    image = Image.from_array(np.zeros((3, 300, 600)), scale="display")
    assert write(image, tmp_path / "a.jpg", WriteOptions.model_validate({"print": {"width": "4 in", "dpi": 100}})) == ()
    with Pictures.open(tmp_path / "a.jpg") as file:
        assert file.size == (400, 200)
        assert file.info["dpi"] == (100, 100)
    (notice,) = write(image, tmp_path / "a.tif", WriteOptions.model_validate({"print": {"width": "12 in"}}))
    assert notice.id == "print-too-large"
    with tifffile.TiffFile(tmp_path / "a.tif") as file:
        assert file.pages[0].tags["XResolution"].value == (50, 1)
    write(image, tmp_path / "a.png", WriteOptions.model_validate({"print": {"dpi": 254}}))
    with Pictures.open(tmp_path / "a.png") as file:
        assert file.info["dpi"] == pytest.approx((254, 254), abs=0.01)


def test_an_interrupted_write_leaves_the_old_file(tmp_path, display, monkeypatch):
    (tmp_path / "a.tif").write_bytes(b"old")

    def full(*args, **more):
        raise OSError(28, "No space left on device")

    monkeypatch.setattr(tifffile, "imwrite", full)
    with pytest.raises(ResourceError, match=r"a\.tif could not be written.*No space left"):
        write(display, tmp_path / "a.tif")
    assert (tmp_path / "a.tif").read_bytes() == b"old"
    assert [p.name for p in tmp_path.iterdir()] == ["a.tif"]


def test_the_image_is_not_changed(tmp_path, display):
    before = display.planes.copy()
    for name in FILES:
        write(display, tmp_path / name, options(name))
    assert np.array_equal(display.planes, before, equal_nan=True)
