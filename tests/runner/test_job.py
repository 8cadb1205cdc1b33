"""Running on files: twins by Python, YAML and command line; reuse; outputs whole or not at all."""

import contextlib
import json
import os
import shutil
import signal
import subprocess
import sys
import time
from pathlib import Path

import numpy as np
import pytest
import tifffile
from astropy.io import fits
from PIL import Image as Pictures

import nebulakit
from nebulakit import files, steps
from nebulakit.cli import call
from nebulakit.demo import make_scene, write_scene
from nebulakit.errors import InputError, ResourceError, UsageError
from nebulakit.recipe import loads
from nebulakit.runner import job
from nebulakit.runner.job import Job, before_writing, default_folder, run_job, stack_name
from nebulakit.runner.keys import file_hash
from nebulakit.runner.store import Store
from tests.runner import running
from tests.runner.running import hashes, states

RECIPE = """version: 1
about: a short recipe
steps:
  - crop_to_coverage: {}
  - stretch_asinh: {}
    id: stretch
    as: bright
  - level_mask: {above: 30%}
    from: bright
    as: high
  - saturate: {gain: 1.3}
    from: bright
    mask: high
outputs:
  - {layer: last, file: picture.tif}
  - {layer: bright, file: bright.tif}
"""


@pytest.fixture(scope="module")
def night(tmp_path_factory) -> Path:
    """A small stack with its coverage, and a recipe."""
    folder = tmp_path_factory.mktemp("night")
    write_scene(make_scene(3, (160, 220), "bubble"), folder)
    (folder / "r.yaml").write_text(RECIPE)
    return folder


def run(night: Path, out: Path, *more: str) -> int:
    return running.run(night / "r.yaml", night / "stack.fits", out, "--input", f"coverage={night / 'coverage.fits'}", *more)


def test_python_yaml_and_command_line_give_the_same_pixels(night, tmp_path):
    assert run(night, tmp_path / "out", "--no-cache") == 0
    image = nebulakit.read(night / "stack.fits", coverage=night / "coverage.fits")
    by_hand = steps.stretch_asinh(steps.crop_to_coverage(image))
    mask = steps.level_mask(by_hand, above="30%")
    coloured = steps.saturate(by_hand, gain=1.3)
    expected = by_hand.planes + mask.planes * (coloured.planes - by_hand.planes)
    through_recipe = nebulakit.run(RECIPE, image)["last"].planes
    assert np.array_equal(through_recipe, expected, equal_nan=True)
    nebulakit.write(nebulakit.run(RECIPE, image)["last"], tmp_path / "python.tif")
    assert (tmp_path / "python.tif").read_bytes() == (tmp_path / "out" / "picture.tif").read_bytes()


def test_any_number_of_threads_gives_the_same_bytes(night, tmp_path):
    for n in ("1", "2", "5"):
        assert run(night, tmp_path / n, "--no-cache", "-j", n) == 0
    assert hashes(tmp_path / "1") == hashes(tmp_path / "2") == hashes(tmp_path / "5")


def test_run_json_holds_what_is_pinned(night, tmp_path):
    assert run(night, tmp_path / "out", "--no-cache", "--set", "stretch.sky=12%") == 0
    told = json.loads((tmp_path / "out" / "run.json").read_text())
    y0, x0, h, w = told["crop"]
    picture = tifffile.imread(tmp_path / "out" / "picture.tif")
    assert picture.shape == (h, w, 3)
    assert picture.dtype == np.uint16
    coverage = fits.getdata(night / "coverage.fits")
    assert coverage[y0 : y0 + h, x0 : x0 + w].min() >= 0.85 * coverage.max()
    assert [s["id"] for s in told["steps"]] == ["crop_to_coverage", "stretch", "level_mask", "saturate"]
    assert told["recipe"]["settings"] == {"stretch.sky": "12%"}
    assert told["inputs"]["stack"]["file"] == "stack.fits"
    assert all(s["seconds"] >= 0 and isinstance(s["measured"], dict) for s in told["steps"])
    assert str(night) not in json.dumps(told)


def test_what_acts_through_a_mask_runs_again_where_the_mask_changed(night, tmp_path):
    cache = ("--cache", str(tmp_path / "cache"))
    assert run(night, tmp_path / "out", *cache) == 0
    assert run(night, tmp_path / "two", *cache, "--set", "level_mask.above=40%") == 0
    assert list(states(tmp_path / "two").values()) == ["reused", "reused", "computed", "computed"]
    assert hashes(tmp_path / "two")["bright.tif"] == hashes(tmp_path / "out")["bright.tif"]
    assert hashes(tmp_path / "two")["picture.tif"] != hashes(tmp_path / "out")["picture.tif"]


def test_a_mask_that_is_painted_on_while_the_run_is_under_way(night, tmp_path):
    """What was made of the new one was kept, and told, as made of the one before."""
    recipe = loads(
        "version: 1\ninputs: {mine: {scale: mask}}\nsteps:\n  - stretch_asinh: {}\n  - saturate: {gain: 1.5}\n    mask: mine\n"
        "outputs:\n  - {layer: last, file: o.tif}\n"
    )
    mask, shape = tmp_path / "m.png", nebulakit.read(night / "stack.fits").shape
    Pictures.fromarray(np.full(shape, 255, np.uint8)).save(mask)

    def paint(call):
        if call.step == "saturate":
            Pictures.fromarray(np.full(shape, 90, np.uint8)).save(mask)

    done = Job(recipe, night / "stack.fits", tmp_path / "out", {"mine": mask}, store=Store(tmp_path / "kept"))
    with pytest.raises(InputError, match=r"m\.png was changed while the run was under way"):
        run_job(done, before=paint)
    assert not (tmp_path / "out").exists()
    assert run_job(done).record["inputs"]["mine"]["sha256"] == file_hash(mask)


def test_a_folder_of_something_else_is_left_alone(night, tmp_path, capsys):
    (tmp_path / "out").mkdir()
    (tmp_path / "out" / "letter.txt").write_text("mine")
    assert run(night, tmp_path / "out", "--no-cache") == 2
    assert "--overwrite" in capsys.readouterr().err
    assert [p.name for p in (tmp_path / "out").iterdir()] == ["letter.txt"]
    assert run(night, tmp_path / "out", "--no-cache", "--overwrite") == 0
    assert (tmp_path / "out" / "letter.txt").read_text() == "mine"


def test_a_failing_step_leaves_the_old_files_and_says_which(night, tmp_path, capsys):
    assert run(night, tmp_path / "out", "--no-cache") == 0
    before = {p.name: p.read_bytes() for p in (tmp_path / "out").iterdir()}
    broken = RECIPE.replace("  - stretch_asinh: {}\n", "  - crop: {box: [[10%, 10%], [10.1%, 10.1%]]}\n  - stretch_asinh: {}\n")
    (tmp_path / "r.yaml").write_text(broken)
    capsys.readouterr()
    assert running.run(tmp_path / "r.yaml", night / "stack.fits", tmp_path / "out", "--no-cache") == 1
    told = capsys.readouterr().err
    assert "of 5" in told
    assert "Traceback" not in told
    assert {p.name: p.read_bytes() for p in (tmp_path / "out").iterdir()} == before


def test_outputs_stay_however_their_place_is_written(night, tmp_path):
    """A second run took those of the first that were written as ./NAME for files that it no longer makes, and removed its own."""
    files = ["plain.tif", "./dot.tif", "a//slashes.tif", "a/./between.tif"]
    recipe = tmp_path / "r.yaml"
    recipe.write_text(RECIPE.split("outputs:")[0] + "outputs:\n" + "".join(f"  - {{layer: bright, file: {f}}}\n" for f in files))
    for more in ([], [], ["--no-cache"]):
        assert running.run(recipe, night / "stack.fits", tmp_path / "out", *more) == 0
        assert [f for f in files if not (tmp_path / "out" / f).is_file()] == []


def _emptied(out: Path) -> None:
    """Make the hidden folder anew, as an output that is written meanwhile does."""
    for hidden in out.glob(".unfinished-*"):
        shutil.rmtree(hidden)
        hidden.mkdir()


@pytest.mark.parametrize("harm", [shutil.rmtree, lambda out: out.rename(out.with_name("elsewhere")), _emptied])
def test_a_folder_that_goes_while_it_is_written_into_is_told_of(night, tmp_path, monkeypatch, capsys, harm):
    """It was called a fault of ours, with a traceback."""
    write = files.write

    def written(image, path, *more, **choices):
        said = write(image, path, *more, **choices)
        with contextlib.suppress(OSError):  # the other output did it already
            harm(tmp_path / "out")
        return said

    monkeypatch.setattr(files, "write", written)
    assert run(night, tmp_path / "out", "--no-cache") == 6
    assert "out was moved or removed while it was written into. Run again" in capsys.readouterr().err


def test_until_writes_one_layer(night, tmp_path):
    assert run(night, tmp_path / "out", "--no-cache", "--until", "stretch") == 0
    assert sorted(p.name for p in (tmp_path / "out").iterdir()) == ["caption.txt", "run.json", "stretch.tif"]
    assert run(night, tmp_path / "two", "--no-cache", "--until", "crop_to_coverage") == 0
    assert (tmp_path / "two" / "crop_to_coverage.fits").is_file()


def test_variables_and_what_stands_beside_a_step_are_frozen_and_picked_too(night, tmp_path):
    recipe = tmp_path / "v.yaml"
    recipe.write_text(
        'version: 1\nvars: {level: 5%}\nsteps:\n  - stretch_asinh: {sky: "${level}"}\n    id: s\n  - curve: {}\n'
        "outputs:\n  - {layer: last, file: a.tif}\n"
    )
    stack = night / "stack.fits"
    given = ("--set", "vars.level=8%", "--set", "curve.amount=30%", "--set", "s.like=stack")
    assert running.run(recipe, stack, tmp_path / "set", "--no-cache", *given) == 0
    assert call(["freeze", str(tmp_path / "set"), "-o", str(tmp_path / "frozen.yaml")]) == 0
    vary = ("--vary", "vars.level=5%,8%", "--vary", "curve.amount=30%", "--set", "s.like=stack")
    assert call(["sweep", str(recipe), str(stack), *vary, "--pick", "2", "-o", str(tmp_path / "picked.yaml")]) == 0
    for name in ("frozen", "picked"):
        assert running.run(tmp_path / f"{name}.yaml", stack, tmp_path / name, "--no-cache") == 0
        assert hashes(tmp_path / name) == hashes(tmp_path / "set")


def test_a_run_killed_at_any_moment_leaves_a_right_cache(night, tmp_path):
    reference = tmp_path / "reference"
    assert run(night, reference, "--no-cache") == 0
    cache, out = tmp_path / "cache", tmp_path / "out"
    args = [sys.executable, "-m", "nebulakit", "run", night / "r.yaml", night / "stack.fits"]
    args += ["--input", f"coverage={night / 'coverage.fits'}", "-o", out, "--no-report", "--cache", cache]
    for wait in (0.3, 0.6, 0.8):
        process = subprocess.Popen(args, stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL)
        time.sleep(wait)
        if process.poll() is None:
            os.kill(process.pid, signal.SIGKILL)
        process.wait()
    assert run(night, out, "--cache", str(cache)) == 0
    assert hashes(out) == hashes(reference)


def test_names_of_folders_and_stacks(tmp_path):
    recipe = loads(RECIPE, source="some/where/look.yaml")
    assert default_folder(recipe, Path("a/night.fits.gz")) == Path("look-night")
    assert stack_name(Path("x/y.fits.fz")) == "y"
    (tmp_path / "file").write_text("")
    with pytest.raises(UsageError, match="Not a directory"):
        before_writing(Job(recipe, Path("s.fits"), tmp_path / "file"))


def test_memory_is_judged_by_the_pixels_and_not_by_how_the_file_packs_them(tmp_path, monkeypatch):
    planes = np.random.default_rng(1).uniform(0, 1, (3, 100, 150)).astype(np.float32)
    bytes_each = np.moveaxis((255 * planes).astype(np.uint8), 0, 2)
    fits.writeto(tmp_path / "a.fits", planes)
    fits.writeto(tmp_path / "a.fits.gz", planes)
    fits.HDUList([fits.PrimaryHDU(), fits.CompImageHDU(planes)]).writeto(tmp_path / "a.fits.fz")
    tifffile.imwrite(tmp_path / "a.tif", bytes_each, compression="zlib")
    tifffile.imwrite(tmp_path / "planes.tif", planes, photometric="rgb", planarconfig="separate")
    for name in ("a.png", "a.jpg"):
        Pictures.fromarray(bytes_each).save(tmp_path / name)
    recipe = loads("version: 1\nsteps:\n  - bin: {}\noutputs:\n  - {layer: last, file: a.fits}\n")
    paths = sorted(tmp_path.iterdir())
    assert len(paths) == 7
    for path in paths:
        assert nebulakit.read(path).planes.size == planes.size
        for free, refused in ((3e8 + 15 * planes.nbytes - 1, True), (3e8 + 15 * planes.nbytes + 1, False)):
            monkeypatch.setattr(job, "available_memory", lambda free=free: free)
            with pytest.raises(ResourceError, match="of memory") if refused else contextlib.nullcontext():
                job.check_room(Job(recipe, path, tmp_path / "out"))
    (tmp_path / "bad.fits").write_bytes(b"SIMPLE = nothing")
    job.check_room(Job(recipe, tmp_path / "bad.fits", tmp_path / "out"))  # reading it says what is wrong
