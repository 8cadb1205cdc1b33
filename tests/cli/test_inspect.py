"""``nebulakit inspect``: facts and warnings as JSON, a first look, and how deep a stack is."""

import json
import math

import numpy as np
import pytest
from astropy.io import fits

from nebulakit import files
from nebulakit.cli import call
from nebulakit.demo import make_scene, write_scene
from nebulakit.runner.depth import hours, more_hours


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
    assert found["three_more_hours"] == f"signal-to-noise x{math.sqrt((1500 * 10 / 3600 + 3) / (1500 * 10 / 3600)):.2f}"
    look = files.read(picture)
    assert (look.scale, look.shape) == ("display", (300, 400))


def test_warnings_are_listed_with_id_and_text(night, scene, capsys, tmp_path):
    path = tmp_path / "cut.fits"
    low = np.quantile(scene.stack, 0.3, (1, 2), keepdims=True)
    fits.writeto(path, np.maximum(scene.stack - low, 0).astype(np.float32))
    (warning,) = [w for w in told(capsys, str(path))["warnings"] if w["id"] == "blacks-cut"]
    assert set(warning) == {"id", "text"}
    assert call(["inspect", str(path)]) == 0
    assert "note (blacks-cut): " in capsys.readouterr().err


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
