"""``nebulakit inspect``: facts and warnings as JSON, a first look, and how deep a stack is."""

import json
import math

import cv2
import numpy as np
import pytest
from astropy.io import fits

from nebulakit import files
from nebulakit.cli import call
from nebulakit.demo import make_scene, write_scene
from nebulakit.image import Image
from nebulakit.recipe import load
from nebulakit.runner import examine
from nebulakit.runner.depth import hours, more_hours, signal
from nebulakit.runner.inputs import unfit


@pytest.fixture(scope="module")
def scene():
    return make_scene(12, (300, 400), "bubble")


@pytest.fixture(scope="module")
def night(scene, tmp_path_factory):
    folder = tmp_path_factory.mktemp("night")
    write_scene(scene, folder)
    return folder


def told(capsys, *args: str) -> dict:
    assert call(["inspect", *args, "--json"]) == 0
    return json.loads(capsys.readouterr().out)


def test_json_tells_facts_and_no_warnings_of_a_good_stack(night, scene, capsys, tmp_path):
    picture = tmp_path / "look.png"
    found = told(capsys, str(night / "stack.fits"), "--input", f"coverage={night / 'coverage.fits'}", "--picture", str(picture))
    assert found["warnings"] == []
    assert (found["width"], found["height"], found["scale"]) == (400, 300, "linear")
    assert found["fwhm"] == pytest.approx(3.0, abs=0.15)
    assert found["hours"] == pytest.approx(1500 * 10 / 3600)
    assert found["mirrored"] == "no"
    assert found["three_more_hours"] == f"signal-to-noise x{math.sqrt((1500 * 10 / 3600 + 3) / (1500 * 10 / 3600)):.2f}"
    look = files.read(picture)
    assert (look.scale, look.shape) == ("display", (300, 400))


@pytest.mark.parametrize(
    ("picture", "words"), [("x.bmp", ".png"), ("", "is a folder"), ("shots", "is a folder"), ("png", ".png")]
)
def test_a_picture_that_cannot_be_written_is_refused_before_the_stack_is_read(capsys, monkeypatch, tmp_path, picture, words):
    monkeypatch.chdir(tmp_path)
    (tmp_path / "shots").mkdir()
    assert call(["inspect", "not there.fits", "--picture", picture]) == 2
    said = capsys.readouterr().err
    assert said.startswith("error: --picture: ")
    assert words in said


def test_a_picture_inside_a_file_is_told_in_words(night, capsys, tmp_path):
    (tmp_path / "note.txt").write_text("a note")
    assert call(["inspect", str(night / "stack.fits"), "--picture", str(tmp_path / "note.txt" / "look.png")]) == 6
    assert "error: look.png could not be written to" in capsys.readouterr().err


def test_warnings_are_listed_with_id_and_text(night, scene, capsys, tmp_path):
    path = tmp_path / "cut.fits"
    low = np.quantile(scene.stack, 0.3, (1, 2), keepdims=True)
    fits.writeto(path, np.maximum(scene.stack - low, 0).astype(np.float32))
    (warning,) = [w for w in told(capsys, str(path))["warnings"] if w["id"] == "blacks-cut"]
    assert set(warning) == {"id", "text"}
    assert call(["inspect", str(path)]) == 0
    said = capsys.readouterr()
    assert "note (blacks-cut): " in said.err
    assert said.out.startswith("cut.fits\n")
    assert "mirrored         cannot be told" in said.out


def test_assume_linear_silences_the_doubt(night, scene, capsys, tmp_path):
    path = tmp_path / "bright.fits"
    fits.writeto(path, np.sqrt(np.maximum(scene.stack, 0)).astype(np.float32) ** 0.8)
    args = [str(path), "--input", f"coverage={night / 'coverage.fits'}"]
    assert "already-stretched" in {w["id"] for w in told(capsys, *args)["warnings"]}
    assert "already-stretched" not in {w["id"] for w in told(capsys, *args, "--assume", "linear")["warnings"]}


@pytest.mark.parametrize(
    ("cards", "expected"),
    [
        ({"EXPTIME": 10.0, "STACKCNT": 720}, 2.0),
        ({"TOTALEXP": 7200.0, "EXPTIME": 10.0}, 2.0),
        ({"EXPTIME": 10.0}, None),
        ({"EXPTIME": "long", "STACKCNT": 3}, None),
    ],
)
def test_hours_are_read_or_unknown(cards, expected):
    assert hours(fits.Header(cards)) == expected
    assert hours(None) is None


def test_a_header_without_times_is_unknown():
    assert more_hours(None) == {"hours": "unknown", "three_more_hours": "unknown"}


def test_signal_to_noise_is_that_of_the_light_that_was_put_in(scene):
    known = scene.image().measured("noise", "stars", "fwhm")
    told = signal(known)
    sigma = np.asarray(known.noise.sigma)
    response = np.asarray(scene.sensor)
    # weighed by least squares, a line's noise is that of (M' N^-1 M)^-1; boxes of a star's area average it like white noise
    # of the coarser scales, which is about 1.6 times the pixels' here (bilinear resampling)
    noise = np.sqrt(np.diag(np.linalg.inv((response / sigma[:, None]).T @ (response / sigma[:, None]))))
    for name, truth, unit in (("ha", scene.ha, noise[0]), ("oiii", scene.oiii, noise[1])):
        smooth = cv2.blur(truth, (6, 6))[scene.coverage > 0]
        core = float(np.median(np.sort(smooth)[-round(0.01 * smooth.size) :])) / unit * known.fwhm / 1.6
        # places under stars are left out, frames thin out at the rim, and the response is a typical one: a quarter either way
        assert told["signal_to_noise"][name]["core"] == pytest.approx(core, rel=0.25)
    assert 0 < told["signal_to_noise"]["ha"]["outer_shell"] < 0.1 * told["signal_to_noise"]["ha"]["core"]


def test_three_hours_more_are_told_for_core_and_shell_and_only_where_hours_are_known(scene):
    told = signal(scene.image().measured("noise", "stars", "fwhm"))
    now, then = (told[k]["oiii"]["core"] for k in ("signal_to_noise", "signal_to_noise_three_hours_more"))
    hour = 1500 * 10 / 3600
    assert then / now == pytest.approx(math.sqrt((hour + 3) / hour), rel=0.01)  # both are rounded to a tenth
    assert "signal_to_noise_three_hours_more" not in signal(scene.image(header=None).measured("noise", "stars", "fwhm"))


def test_one_plane_has_one_light_and_a_stretched_picture_none(scene):
    grey = Image.from_array(scene.stack[:1], coverage=scene.coverage).measured("noise", "stars", "fwhm")
    assert list(signal(grey)["signal_to_noise"]) == ["light"]
    assert signal(grey.replace(scale="display")) == {}


def test_a_sky_saved_in_too_few_levels_has_no_noise_to_measure_by(scene):
    """A surface was fitted in units of a noise that was nothing but rounding, and never found."""
    stack = np.rint(scene.stack / scene.stack.max() * 255).astype(np.float32) / 255
    known = Image.from_array(stack, coverage=scene.coverage).measured("noise", "stars", "fwhm")
    assert min(known.noise.sigma) < 1e-9
    assert signal(known) == {}


@pytest.mark.parametrize("grey", [False, True])
@pytest.mark.parametrize("scale", ["linear", "display"])
def test_the_recipe_that_is_named_can_run_on_what_it_is_named_for(scene, tmp_path, grey, scale):
    stack = (scene.stack / scene.stack.max()).clip(0, 1)[: 1 if grey else 3]
    image = Image.from_array(stack, scale=scale)
    name, _ = examine.suits(image)
    if "extends" in name:
        (tmp_path / "own.yaml").write_text("version: 1\n" + "\n".join(name.split("own with  ")[1].split("  and  ")))
        name = tmp_path / "own.yaml"
    recipe = load(name)
    assert recipe.inputs["stack"].scale == scale
    assert unfit(recipe, "stack", image) is None


def test_a_picture_of_four_pixels_has_a_gradient_of_its_tiles():
    image = Image.from_array(np.float32([[0.0, 1.0], [2.0, 3.0]])).measured("noise")
    assert len(examine.gradient(image)) == 1
    assert math.isfinite(examine.gradient(image)[0])
