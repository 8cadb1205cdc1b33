"""The sample stack can be read, and the sample script separates the lines of a folder of stacks."""

import runpy
import shutil
import sys
from pathlib import Path

import numpy as np
from astropy.io import fits

import nebulakit
from nebulakit.demo import make_scene

SAMPLES = Path(__file__).parents[1] / "samples"


def test_the_sample_is_small() -> None:
    assert sum(f.stat().st_size for f in SAMPLES.iterdir()) < 1_500_000


def test_the_sample_is_the_scene_it_says() -> None:
    image = nebulakit.read(SAMPLES / "stack.fits.fz", coverage=SAMPLES / "coverage.fits.fz")
    scene = make_scene(7, (240, 320))
    assert image.scale == "linear"
    # the compression rounds to a sixteenth of the noise
    assert np.abs(image.planes - scene.stack).max() < 0.3 * np.median(scene.sigma)
    assert np.abs(image.coverage - scene.coverage).max() <= 0.5


def test_the_script_separates_a_folder_of_stacks(tmp_path, monkeypatch, capsys) -> None:
    shutil.copy(SAMPLES / "stack.fits.fz", tmp_path / "night.fits.fz")
    monkeypatch.setattr(sys, "argv", ["separate_lines.py", str(tmp_path), str(tmp_path / "out")])
    runpy.run_path(str(SAMPLES / "separate_lines.py"), run_name="__main__")
    assert "night.fits.fz" in capsys.readouterr().out
    lines = {name: fits.getdata(tmp_path / "out" / "night" / f"{name}.fits") for name in ("ha", "oiii")}
    twin = nebulakit.run("lines", tmp_path / "night.fits.fz")
    scene = make_scene(7, (240, 320))
    y0, x0, h, w = twin["ha"].frame.bounding_box(twin["ha"].shape)
    for name, plane in lines.items():
        np.testing.assert_array_equal(np.squeeze(plane), twin[name].planes[0])
        truth = getattr(scene, name)[y0 : y0 + h, x0 : x0 + w]
        # where the line is bright, what comes out follows it; noise, stars and the sky's shape keep it from 1
        bright = truth > np.quantile(truth, 0.5)
        assert np.corrcoef(np.squeeze(plane)[bright], truth[bright])[0, 1] > 0.6
