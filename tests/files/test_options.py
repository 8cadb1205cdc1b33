"""What an output entry may ask for."""

import subprocess
import sys

import pytest
from pydantic import ValidationError

from nebulakit.files import WriteOptions, check_output


@pytest.mark.parametrize("file", ["a.fits", "b.FIT", "c.fts", "d.fits.gz", "e.tif", "f.TIFF", "deep/er/g.png", "h.jpg", "i.jpeg"])
def test_known_names_pass(file):
    check_output(file, WriteOptions())


@pytest.mark.parametrize(
    ("file", "options", "words"),
    [
        ("../a.tif", {}, "leave the output folder"),
        ("x/../../a.tif", {}, "leave the output folder"),
        ("/tmp/a.tif", {}, "inside the output folder"),
        ("~/a.tif", {}, "inside the output folder"),
        ("C:a.tif", {}, "inside the output folder"),
        ("a\\b.tif", {}, "inside the output folder"),
        ("a.bmp", {}, "must end in one of"),
        (".tif", {}, "must end in one of"),
        ("", {}, "no file name"),
        ("a.jpg", {"bits": 16}, "8 bits per value, not 16"),
        ("a.png", {"bits": 32}, "8 or 16 bits per value, not 32"),
        ("a.fits", {"bits": 16}, "32 bits per value, not 16"),
        ("a.fits", {"longest": 2048}, "step bin"),
        ("a.fits", {"print": {"width": "30 cm"}}, "is for pictures"),
        ("a.tif", {"quality": 90}, "is for jpg"),
    ],
)
def test_impossible_outputs_are_refused_with_a_sentence(file, options, words):
    with pytest.raises(ValueError, match=words):
        check_output(file, WriteOptions.model_validate(options))


@pytest.mark.parametrize(
    "options",
    [
        {"bits": 12},
        {"bits": "16"},
        {"longest": 0},
        {"longest": 20.5},
        {"quality": 101},
        {"colour": "red"},
        {"print": {"width": "wide"}},
        {"print": {"width": "0 cm"}},  # was divided by when the picture was written
        {"print": {"width": f"{'9' * 400} cm"}},
    ],
)
def test_unknown_or_wrong_options_are_refused(options):
    with pytest.raises(ValidationError):
        WriteOptions.model_validate(options)


@pytest.mark.parametrize(("text", "inches"), [("30 cm", 30 / 2.54), ("300mm", 300 / 25.4), ("12.5 in", 12.5)])
def test_print_width_is_understood(text, inches):
    size = WriteOptions.model_validate({"print": {"width": text}}).print
    assert size is not None
    assert size.inches == pytest.approx(inches)
    assert size.dpi == 300


def test_every_option_is_described():
    for field in WriteOptions.model_fields.values():
        assert field.description


def test_checking_loads_no_numerical_library():
    code = "import sys, nebulakit.files as f; f.check_output('a.tif', f.WriteOptions()); print('numpy' in sys.modules, 'astropy' in sys.modules)"
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True)
    assert done.stdout.split() == ["False", "False"]
