"""Files that others made: standard sets, damaged sets, observations."""

import subprocess
import sys
import time
import warnings
from pathlib import Path

import numpy as np
import pytest
from astropy.io import fits
from astropy.utils.data import get_pkg_data_filenames
from astropy.wcs import WCS

import nebulakit.steps as steps
from nebulakit.errors import InputError
from nebulakit.files import read, write
from tests.quality import beside

pytestmark = pytest.mark.real

NO_PICTURE = {
    "astropy-arange.fits": "neither one plane",
    "astropy-blank.fits": "every pixel is empty",
    "astropy-compressed_float_bzero.fits": "neither one plane",
    "astropy-dist.fits": "neither one plane",
    "astropy-history_header.fits": "no image in it",
    "astropy-random_groups.fits": "random groups",
    "astropy-sip.fits": "no image in it",
    "astropy-table.fits": "a table",
    "astropy-verify.fits": "no image in it",
    "nomtam-issue49test.fits": "a table",
}


def reads(path):
    """Read with every warning an error."""
    with warnings.catch_warnings():
        warnings.simplefilter("error")
        return read(path)


def test_standard_fits_files(shared_data: Path):
    files = sorted((shared_data / "fits-standard").iterdir())
    assert len(files) >= 25
    for path in files:
        if path.name in NO_PICTURE:
            with pytest.raises(InputError, match=NO_PICTURE[path.name]):
                reads(path)
        else:
            image = reads(path)
            assert np.isfinite(image.planes).any(), path.name


def test_the_same_picture_in_four_packings(shared_data: Path):
    folder = shared_data / "fits-standard"
    plain = reads(folder / "astropy-m13.fits").planes
    for name in ("m13_gzip", "m13_plio", "m13_rice"):
        assert np.array_equal(reads(folder / f"astropy-{name}.fits").planes, plain)


def test_physical_values_agree_with_another_reader(shared_data: Path):
    path = shared_data / "fits-standard" / "astropy-scale.fits"
    assert np.allclose(reads(path).planes[0], fits.getdata(path), rtol=1e-6)


def test_standard_tiff_files(shared_data: Path):
    files = sorted((shared_data / "tiff-standard").iterdir())
    assert len(files) >= 35
    for path in files:
        if path.name == "off_luv32.tif":
            with pytest.raises(InputError, match="logluv"):
                reads(path)
            continue
        image = reads(path)
        assert np.isfinite(image.planes).all(), path.name
        assert image.planes.max() > 0, path.name


def test_tiff_values_agree_between_layouts(shared_data: Path):
    folder = shared_data / "tiff-standard"
    assert np.allclose(reads(folder / "flower-rgb-contig-32.tif").planes, reads(folder / "flower-rgb-planar-32.tif").planes)
    assert np.array_equal(reads(folder / "BigTIFF.tif").planes, reads(folder / "BigTIFFMotorola.tif").planes)
    sixteen = [reads(p).planes for p in sorted(folder.glob("seq-1c-16b-*"))]
    assert len(sixteen) == 4
    assert all(np.array_equal(sixteen[0], other) for other in sixteen[1:])


def test_damaged_tiffs_end_soon_in_a_sentence_or_a_picture(shared_data: Path):
    """Each made some reader divide by zero, loop or take all memory. All together: seconds and a bounded memory."""
    files = sorted((shared_data / "tiff-broken").iterdir())
    assert len(files) == 44
    code = (
        "import sys, warnings; warnings.simplefilter('error')\n"
        "from nebulakit.errors import InputError; from nebulakit.files import read\n"
        "for name in sys.argv[1:]:\n"
        "    try: read(name)\n"
        "    except InputError as fault: assert str(fault)\n"
        "import pathlib; status = pathlib.Path('/proc/self/status').read_text() if sys.platform == 'linux' else 'VmHWM: 0 kB'\n"
        "print(int(status.split('VmHWM:')[1].split()[0]) // 1024)\n"
    )
    begin = time.monotonic()
    root = str(Path(__file__).resolve().parents[2])
    done = subprocess.run(
        [sys.executable, "-c", code, *map(str, files)], capture_output=True, text=True, timeout=120, cwd=root, check=False
    )
    assert done.returncode == 0, done.stderr[-2000:]
    assert done.stderr == ""
    # MB; the libraries alone take some 100. Not rusage: a child there begins with the memory of what started it
    assert int(done.stdout) < 400
    assert time.monotonic() - begin < 60


def test_files_of_the_astropy_wheel():
    """Its own test data, where the wheel has them: pictures or sentences, never another error or a warning."""
    try:
        names = [
            n for n in get_pkg_data_filenames("data", "astropy.io.fits.tests") if n.endswith((".fits", ".fits.gz", ".fits.fz"))
        ]
    except OSError:
        names = []
    if not names:
        pytest.skip("the astropy wheel holds no test files here")
    seen = 0
    for name in names:
        try:
            seen += np.isfinite(reads(Path(name)).planes).any()
        except InputError:
            continue
    assert seen > 5


def test_hst_frames_keep_their_sky(shared_data: Path, tmp_path: Path):
    image = reads(shared_data / "nebula-hh204" / "fov2f656-PC.fits")
    part = steps.orient(
        steps.bin(steps.crop(image, box=[["100 px", "50 px"], ["700 px", "650 px"]])), turn=90, mirror="horizontal"
    )
    write(part, tmp_path / "a.fits")
    at = np.random.default_rng(0).uniform(0, 290, (20, 2))
    stack = np.array([part.frame.to_stack(x, y) for x, y in at])
    want = image.wcs().all_pix2world(stack, 0)
    with fits.open(tmp_path / "a.fits") as hdus:
        assert np.allclose(WCS(hdus[0].header).all_pix2world(at, 0), want, rtol=0, atol=1e-10)


@pytest.mark.filterwarnings("ignore::astropy.wcs.FITSFixedWarning")
def test_sip_of_a_real_solution_survives_bin_and_turn(shared_data: Path):
    image = reads(shared_data / "panoptes" / "solved.fits.fz")
    out = steps.orient(steps.bin(image, factor=3), turn=270)
    at = np.random.default_rng(0).uniform(0, 200, (20, 2))
    stack = np.array([out.frame.to_stack(x, y) for x, y in at])
    assert "A_2_0" in image.header
    assert np.allclose(out.wcs().all_pix2world(at, 0), image.wcs().all_pix2world(stack, 0), rtol=0, atol=1e-9)


def test_mosaic_pattern_must_be_told(shared_data: Path):
    """The header's FILTER says RGGB, but the greens lie on the first diagonal of the array."""
    path = shared_data / "panoptes" / "unsolved.fits"
    image = read(path, pattern="GBRG")
    assert image.channels == ("mosaic",)
    rgb = steps.collapse_bayer(image)
    assert rgb.shape == (350, 350)
    medians = np.median(rgb.planes, (1, 2)) * 65535
    raw = fits.getdata(path).astype(float)
    greens = (np.median(raw[::2, ::2]) + np.median(raw[1::2, 1::2])) / 2
    assert medians[1] == pytest.approx(greens, rel=0.01)
    assert medians[2] == pytest.approx(np.median(raw[::2, 1::2]), rel=1e-4)
    assert medians[0] == pytest.approx(np.median(raw[1::2, ::2]), rel=1e-4)


def test_weight_map_of_a_real_camera(shared_data: Path):
    """The weight is zero in exactly the masked pixels; no crop may hold one of them."""
    folder = shared_data / "coverage"
    image = read(folder / "decam_t4_N2_ooi.fits", coverage=folder / "decam_t4_N2_oow.fits")
    assert image.coverage is not None
    assert (image.coverage == 0).sum() == 177
    out = steps.crop_to_coverage(image, keep=0.5, map_counts="frames")
    assert out.coverage is not None
    grainy = [n for n in out.notices if n.id == "coverage-grainy"]
    assert grainy or out.coverage.min() > 0


@pytest.mark.parametrize("name", ["tetra3-Alt40_Azi-135", "tetra3-Alt60_Azi45"])
def test_real_tiff_frames(shared_data: Path, name: str):
    image = reads(shared_data / "starfield-tiff" / f"{name}.tiff")
    assert (image.shape, image.scale, image.channels) == ((768, 1024), "linear", ("grey",))
    assert np.isfinite(image.planes).all()


def made_scenes(shared: Path):
    scene = beside.generator()
    kinds = [("shell", "tilt", 35), ("wide", "corner", 12), ("lobes", "bowl", 70)]
    for seed, (nebula, gradient, rotation) in enumerate(kinds, 40):
        yield scene.build(scene.Scene("made", seed, shape=(450, 600), nebula=nebula, gradient=gradient, rotation=rotation))


def test_crop_of_made_scenes_with_and_without_a_map(shared: Path):
    from nebulakit.image import Image
    from nebulakit.pixels.rectangle import largest_rectangle

    for truth in made_scenes(shared):
        cover = truth["coverage"]
        best = largest_rectangle(cover >= np.float32(0.85 * cover.max()))
        assert best is not None
        out = steps.crop_to_coverage(Image.from_array(truth["stack"], coverage=cover))
        assert out.shape[0] * out.shape[1] == best.area
        assert out.coverage is not None
        assert out.coverage.min() >= 0.85 * cover.max()
        assert out.notices == () or {n.id for n in out.notices} == {"little-field-left"}
        blind = steps.crop_to_coverage(Image.from_array(truth["stack"]))
        y0, x0, h, w = blind.record["box"]
        assert cover[y0 : y0 + h, x0 : x0 + w].min() > 0
        assert 0.9 <= h * w / best.area <= 1.25
