"""The caption under a picture: told from the header and the record, the same each time; and what pictures do not tell of a night."""

import pytest
import tifffile
from astropy.io import fits
from PIL import Image as Pillow

import nebulakit.steps  # noqa: F401  (registers them)
from nebulakit import files
from nebulakit.declare import STEPS
from nebulakit.demo import make_scene
from nebulakit.image import Image
from nebulakit.runner.caption import WORDS
from tests.runner.running import record, run

SECRETS = {"OBSERVER": "Ada Nonym", "SITELAT": 12.3456, "SITELONG": -65.4321, "CAMSN": "SN-0042-77", "ORIGIN": "/home/ada/nights"}
RECIPE = """version: 1
steps:
  - remove_gradient: {order: 0}
    as: {image: flat}
  - patch: {points: [[20%, 20%], [60%, 40%]], width: 4 px}
  - stretch_asinh: {}
    as: bright
  - saturate: {gain: 1.2}
outputs:
  - {layer: last, file: picture.tif}
  - {layer: last, file: picture.jpg}
  - {layer: bright, file: bright.png}
  - {layer: flat, file: flat.fits}
"""


@pytest.fixture(scope="module")
def night(tmp_path_factory):
    folder = tmp_path_factory.mktemp("night")
    scene = make_scene(4, (120, 160), "bubble")
    header = scene.header()
    header.update({**SECRETS, "FILTER": "two lines, 7 nm"})
    files.write(Image.from_array(scene.stack, header=header), folder / "stack.fits")
    (folder / "r.yaml").write_text(RECIPE)
    for name, more in (("plain", []), ("again", []), ("kept", ["--keep-site"])):
        assert run(folder / "r.yaml", folder / "stack.fits", folder / name, "--no-cache", *more) == 0
    return folder


def test_it_tells_hours_filter_steps_fill_and_colours(night) -> None:
    text = (night / "plain" / "caption.txt").read_text()
    first, second = text.split("\n\n")
    assert first.startswith("picture.tif, picture.jpg\nExposure: 4.2 hours (1500 frames of 10 s).\nFilter: two lines, 7 nm.\n")
    assert "colour strengthened or weakened" in first
    assert second.startswith("bright.png\n")
    assert "strengthened" not in second  # saturate came after this picture
    share = next(s["measured"]["share_filled"] for s in record(night / "plain")["steps"] if s["id"] == "patch")
    assert f"{100 * share:.2g}% of the frame (places told by hand)" in first
    assert "the camera's own through its filter" in first


def test_it_is_the_same_each_time_and_kept_track_of(night) -> None:
    assert (night / "plain" / "caption.txt").read_bytes() == (night / "again" / "caption.txt").read_bytes()
    assert [t["file"] for t in record(night / "plain")["texts"]] == ["caption.txt"]


def test_it_goes_when_no_picture_is_left(night) -> None:
    out = night / "again"
    assert run(night / "r.yaml", night / "stack.fits", out, "--no-cache", "--until", "patch") == 0
    assert sorted(p.name for p in out.iterdir()) == ["patch.fits", "run.json"]


def test_pictures_tell_nothing_of_place_observer_and_devices(night) -> None:
    for name in ("picture.tif", "picture.jpg", "bright.png", "caption.txt", "run.json"):
        data = (night / "plain" / name).read_bytes()
        for value in SECRETS.values():
            assert str(value).encode() not in data, name
        assert str(night).encode() not in data, name
    header = fits.getheader(night / "plain" / "flat.fits")
    assert {k: header[k] for k in SECRETS} == SECRETS


def test_keep_site_keeps_them_as_text_and_changes_no_pixel(night) -> None:
    kept, plain = night / "kept", night / "plain"
    with tifffile.TiffFile(kept / "picture.tif") as tif:
        told = {"picture.tif": tif.pages[0].description}
        assert (tif.asarray() == tifffile.imread(plain / "picture.tif")).all()
    for name, where in (("picture.jpg", "comment"), ("bright.png", "Description")):
        with Pillow.open(kept / name) as picture:
            picture.load()
            text = picture.info[where]
            told[name] = text.decode() if isinstance(text, bytes) else text
            with Pillow.open(plain / name) as other:
                assert picture.tobytes() == other.tobytes()
    for name, text in told.items():
        assert all(f"{k} = {v}" in text for k, v in SECRETS.items()), name
        assert "CRVAL1" not in text, name  # what lies in the picture is no secret, and no site
    assert record(kept)["options"]["keep_site"] is True


def test_a_header_that_does_not_tell_is_called_unknown(tmp_path) -> None:
    files.write(Image.from_array(make_scene(4, (120, 160), "bubble").stack), tmp_path / "stack.fits")
    (tmp_path / "r.yaml").write_text(RECIPE)
    assert run(tmp_path / "r.yaml", tmp_path / "stack.fits", tmp_path / "o", "--no-cache", "--until", "stretch_asinh") == 0
    text = (tmp_path / "o" / "caption.txt").read_text()
    assert text.startswith("Exposure: unknown")
    assert "Filter: unknown" in text


def test_every_step_that_makes_pixels_has_its_words() -> None:
    assert {k for k, s in STEPS.items() if s.gives != "mask"} == set(WORDS)


def test_a_picture_for_print_has_the_size_and_resolution_that_the_recipe_says(night, tmp_path) -> None:
    text = RECIPE.replace("file: picture.tif}", "file: picture.tif, print: {width: 2 cm, dpi: 127}}")
    (tmp_path / "r.yaml").write_text(text.replace("file: picture.jpg}", "file: picture.jpg, print: {dpi: 250}}"))
    assert run(tmp_path / "r.yaml", night / "stack.fits", tmp_path / "o", "--no-cache") == 0
    with tifffile.TiffFile(tmp_path / "o" / "picture.tif") as tif:
        assert tif.pages[0].shape[:2] == (75, 100)  # 2 cm are 100 pixels at 127 per inch
        assert tif.pages[0].tags["XResolution"].value == (127, 1)
    with Pillow.open(tmp_path / "o" / "picture.jpg") as picture:
        assert (picture.size, picture.info["dpi"]) == ((160, 120), (250, 250))


def test_it_tells_what_was_left_out_of_nebula_and_stars(night) -> None:
    recipe = "version: 1\nsteps:\n  - separate_stars: {halos: %s}\n    as: {nebula: nebula}\n  - stretch_asinh: {}\n"
    recipe += "outputs:\n  - {layer: last, file: picture.png}\n"
    told = {}
    for halos in ("dropped", "stars"):
        (night / f"{halos}.yaml").write_text(recipe % halos)
        assert run(night / f"{halos}.yaml", night / "stack.fits", night / halos, "--no-cache") == 0
        told[halos] = (night / halos / "caption.txt").read_text()
    assert "Left out: wide halos and reflections of bright stars.\n" in told["dropped"]
    assert "Left out" not in told["stars"]
