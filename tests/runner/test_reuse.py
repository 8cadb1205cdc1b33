"""Recipes that last: what is reused and what is not, and that nothing wrong ever is; plans, repeats, frozen recipes, previews."""

from __future__ import annotations

import dataclasses
import json
import os
import shutil
import subprocess
import sys
import time
from pathlib import Path

import numpy as np
import pytest
import tifffile
from astropy.io import fits
from PIL import Image as Pictures

from nebulakit import files, steps
from nebulakit.cli import call
from nebulakit.declare import STEPS
from nebulakit.demo import make_scene, write_scene
from nebulakit.errors import StepError
from nebulakit.image import Frame, Image
from nebulakit.pixels.geometry import bin_planes
from nebulakit.recipe import load, loads
from nebulakit.runner import folder, inputs, job
from nebulakit.runner.caption import CAPTION
from nebulakit.runner.execute import execute
from nebulakit.runner.keys import Keys
from nebulakit.runner.sheet import contact_sheet
from nebulakit.runner.store import Store
from nebulakit.runner.sweep import hue_truth, numbers
from tests.runner import running
from tests.runner.running import hashes, record, states

RECIPE = """version: 1
about: two branches and a common end
steps:
  # the good part
  - crop_to_coverage: {}
    id: crop
    as: field
  - stretch_asinh: {}   # bright
    id: stretch
    as: bright
  - saturate: {gain: 1.3}
    id: colour
    as: coloured
  - stretch_midtone: {sky: 8%}
    id: other
    from: field
    as: soft
  - blend: {other: soft, opacity: 40%}
    id: both
    from: coloured
outputs:
  - {layer: last, file: picture.tif}
  - {layer: bright, file: bright.png}
  - {layer: last, file: small.jpg, longest: 100}
  - {layer: field, file: field.fits}
"""
IDS = ("crop", "stretch", "colour", "other", "both")


@pytest.fixture(scope="module")
def night(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A small stack with its coverage and its truth, a recipe, a finished run, and the layers it kept."""
    where = tmp_path_factory.mktemp("night")
    write_scene(make_scene(3, (150, 200), "bubble"), where)
    (where / "r.yaml").write_text(RECIPE)
    assert run(where, where / "out", "--cache", str(where / "kept")) == 0
    return where


@pytest.fixture
def kept(night: Path, tmp_path: Path) -> Path:
    """A copy of what the finished run kept."""
    shutil.copytree(night / "kept", tmp_path / "kept")
    return tmp_path / "kept"


def arguments(night: Path, recipe: Path | None = None) -> list[str]:
    return [str(recipe or night / "r.yaml"), str(night / "stack.fits"), "--input", f"coverage={night / 'coverage.fits'}"]


def run(night: Path, out: Path, *more: str, recipe: Path | None = None) -> int:
    return running.run(*arguments(night, recipe)[:2], out, *arguments(night)[2:], *more)


def ran(out: Path) -> list[str]:
    return [id for id, state in states(out).items() if state == "computed"]


# -- what is reused ------------------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("setting", "again"),
    [
        ("colour.gain=1.1", ["colour", "both"]),  # the branch of "other" is left alone
        ("other.sky=9%", ["other", "both"]),
        ("both.opacity=50%", ["both"]),
        ("crop.keep=80%", list(IDS)),
        ("colour.gain=1.30", []),
    ],
)
def test_only_what_depends_on_a_change_runs_again(night, kept, tmp_path, setting, again):
    cache = ("--cache", str(kept))
    assert run(night, tmp_path / "out", *cache, "--set", setting) == 0
    assert ran(tmp_path / "out") == again
    assert run(night, tmp_path / "back", *cache) == 0
    assert ran(tmp_path / "back") == []
    assert hashes(tmp_path / "back") == hashes(night / "out")


def test_threads_comments_labels_dates_and_names_change_nothing(night, kept, tmp_path):
    other = RECIPE.replace("# the good part", "# other words").replace("about: two", "about: 2").replace("soft", "dim")
    (tmp_path / "other.yaml").write_text(other.replace("id: both", "id: end").replace("steps:\n", "steps:\n\n"))
    shutil.copy(night / "coverage.fits", tmp_path / "c.fits")
    shutil.copy(night / "stack.fits", tmp_path / "renamed.fit")
    os.utime(tmp_path / "renamed.fit", (10**9, 10**9))
    more = ("--input", f"coverage={tmp_path / 'c.fits'}", "--cache", kept, "-j", "3")
    assert running.run(tmp_path / "other.yaml", tmp_path / "renamed.fit", tmp_path / "out", *more) == 0
    assert ran(tmp_path / "out") == []
    assert hashes(tmp_path / "out") == hashes(night / "out")


def test_another_coverage_or_way_of_reading_is_another_input(night, kept, tmp_path):
    coverage = fits.getdata(night / "coverage.fits")
    fits.writeto(tmp_path / "c.fits", np.where(np.arange(200) < 20, 0, coverage).astype(np.float32))
    more = ("--input", f"coverage={tmp_path / 'c.fits'}", "--cache", kept)
    assert running.run(night / "r.yaml", night / "stack.fits", tmp_path / "out", *more) == 0
    assert ran(tmp_path / "out") == list(IDS)
    assert run(night, tmp_path / "two", "--cache", str(kept), "--fwhm", "4") == 0
    assert ran(tmp_path / "two") == list(IDS)


def test_a_stack_is_not_read_where_all_that_was_made_of_it_is_kept(night, kept, tmp_path, monkeypatch):
    def refuse(*args: object, **more: object) -> None:
        raise AssertionError("read")

    monkeypatch.setattr(files, "read", refuse)
    monkeypatch.setattr(inputs, "read_input", refuse)
    assert run(night, tmp_path / "out", "--cache", str(kept), "--set", "colour.gain=1.2") == 0
    assert record(tmp_path / "out")["warnings"] == record(night / "out")["warnings"]


def test_outputs_that_stand_are_not_written_again_and_lost_ones_are(night, kept, tmp_path):
    out, cache = tmp_path / "out", ("--cache", str(kept))
    assert run(night, out, *cache) == 0
    before = {p.name: p.stat().st_mtime_ns for p in out.iterdir()}
    assert run(night, out, *cache, "--set", "colour.gain=1.2") == 0
    after = {p.name: p.stat().st_mtime_ns for p in out.iterdir()}
    assert {n for n in after if after[n] == before[n]} == {"bright.png", "field.fits"}
    assert {o["layer"] for o in record(out)["outputs"]} == {"last", "bright", "field"}
    (out / "bright.png").write_bytes(b"other")
    (out / "field.fits").unlink()
    assert run(night, out, *cache) == 0
    assert hashes(out) == hashes(night / "out")
    assert all(files.read(out / name).planes.size for name in ("bright.png", "field.fits"))


# -- nothing wrong is reused -----------------------------------------------------------------------------------------------


@pytest.mark.parametrize("harm", ["bit", "half", "empty", "entry"])
def test_damaged_layers_are_computed_again_with_one_warning(night, kept, tmp_path, harm):
    for path in kept.glob("layers/*.json") if harm == "entry" else kept.glob("arrays/*.npy"):
        data = bytearray(path.read_bytes())
        data[-1] ^= 1
        path.write_bytes(data if harm == "bit" else b"" if harm == "empty" else data[: len(data) // 2])
    assert run(night, tmp_path / "out", "--cache", str(kept)) == 0
    assert hashes(tmp_path / "out") == hashes(night / "out")
    assert [w["id"] for w in record(tmp_path / "out")["warnings"]].count("kept-layer-damaged") == 1
    assert run(night, tmp_path / "again", "--cache", str(kept)) == 0
    assert ran(tmp_path / "again") == []


@pytest.mark.parametrize(
    ("kind", "was", "becomes"),
    [
        ("layers", b'"sky": [', b'"sky": [[], '),
        ("steps", b'"notices": [', b'"notices": [[]], "were": ['),
        ("inputs", b'"notices": [', b'"notices": [[]], "were": ['),
        ("pages", b'"numbers": [[', b'"numbers": [["x"], ['),
    ],
)
def test_what_was_changed_in_what_is_kept_beside_arrays_is_noticed(night, tmp_path, capsys, kind, was, becomes):
    """It was believed: another noise gave other pixels, another shape a traceback."""
    kept = tmp_path / "kept"
    cache = ["--cache", str(kept)]
    assert call(["run", *arguments(night), *cache, "-o", str(tmp_path / "first")]) == 0
    capsys.readouterr()
    for path in kept.glob(f"{kind}/*.json"):
        path.write_bytes(path.read_bytes().replace(was, becomes))
    assert call(["run", *arguments(night), *cache, "-o", str(tmp_path / "out")]) == 0
    assert "Traceback" not in capsys.readouterr().err
    assert hashes(tmp_path / "out") == hashes(night / "out")
    told = [w["id"] for w in record(tmp_path / "out")["warnings"]].count("kept-layer-damaged")
    assert told == (kind != "pages")


def test_a_damaged_header_of_an_array_is_damage_whatever_numpy_makes_of_it(tmp_path):
    """A bracket that is open for ever is told by an error of Python's own parser."""
    store = Store(tmp_path)
    store.keep("k", Image.from_array(np.ones((1, 8, 8))))
    (path,) = (tmp_path / "arrays").glob("*.npy")
    path.write_bytes(path.read_bytes().replace(b"}", b"{"))
    assert Store(tmp_path).verify() == (0, 1)


def test_a_layer_damaged_after_it_was_checked_is_noticed_by_the_same_store(tmp_path):
    store = Store(tmp_path)
    store.keep("k", Image.from_array(np.ones((1, 8, 8))))
    assert store.open("k") is not None
    (path,) = (tmp_path / "arrays").glob("*.npy")
    data = bytearray(path.read_bytes())
    data[-1] ^= 1
    path.unlink()
    path.write_bytes(data)
    os.utime(path, ns=(1, 1))
    assert store.open("k") is None


def test_two_runs_at_once_leave_each_other_alone(night, tmp_path):
    args = [sys.executable, "-m", "nebulakit", "run", *arguments(night), "--no-report", "--cache", str(tmp_path / "kept")]
    both = [subprocess.Popen([*args, "-o", str(tmp_path / n)], stdout=-3, stderr=-3) for n in "ab"]
    assert [p.wait() for p in both] == [0, 0]
    assert hashes(tmp_path / "a") == hashes(tmp_path / "b") == hashes(night / "out")
    good, damaged = Store(tmp_path / "kept").verify()
    assert (good > 3, damaged) == (True, 0)


def test_a_full_disk_for_layers_loses_no_picture(night, tmp_path, monkeypatch):
    def full(self: Store, path: Path, data: object) -> None:
        raise OSError(28, "No space left on device")

    monkeypatch.setattr(Store, "write", full)
    assert run(night, tmp_path / "out", "--cache", str(tmp_path / "kept")) == 0
    assert hashes(tmp_path / "out") == hashes(night / "out")
    assert [w["id"] for w in record(tmp_path / "out")["warnings"]].count("layers-not-kept") == 1


def test_making_room_counts_what_layers_share_once_and_drops_no_more_than_it_must(tmp_path):
    store = Store(tmp_path)
    coverage = np.random.default_rng(0).random((64, 64)).astype(np.float32)
    for n, name in enumerate("abcd"):
        store.keep(name, Image.from_array(np.full((1, 64, 64), n), coverage=coverage))
    for path in [*tmp_path.glob("layers/*.json"), *tmp_path.glob("arrays/*.npy")]:
        os.utime(path, (1000 + ord(path.name[0]), 1000 + ord(path.name[0])))
    plane = max(p.stat().st_size for p in tmp_path.glob("arrays/*.npy"))
    store._mine.clear()
    store.trim(store.size() - plane // 2)
    assert [e.stem for e in store.layers()] == ["b", "c", "d"]
    assert all(store.open(name) is not None for name in "bcd")
    # arrays just written may be on their way into a layer of another run: they stay, and no further layer goes in their place
    young = Store(tmp_path / "young")
    for n, name in enumerate("abcd"):
        young.keep(name, Image.from_array(np.full((1, 64, 64), n)))
        os.utime(tmp_path / "young" / "layers" / f"{name}.json", (1000 + n, 1000 + n))
    young._mine.clear()
    young.trim(young.size() - plane // 2)
    assert [e.stem for e in young.layers()] == ["b", "c", "d"]


def test_what_a_running_recipe_uses_is_kept_however_old(night, kept, tmp_path):
    for path in kept.glob("*/*"):
        os.utime(path, (1000, 1000))
    store = Store(kept, limit=0)
    store.keep("foreign", Image.from_array(np.ones((1, 64, 64))))
    os.utime(kept / "layers" / "foreign.json", (2000, 2000))
    store._mine.clear()
    told = job.Job(load(night / "r.yaml"), night / "stack.fits", tmp_path, {"coverage": night / "coverage.fits"})
    store.begin(Keys(told.recipe, inputs.input_keys(told)[1]))
    store.trim()
    assert "foreign" not in {e.stem for e in store.layers()}
    assert run(night, tmp_path / "out", "--cache", str(kept)) == 0
    assert ran(tmp_path / "out") == []


def test_where_next_to_nothing_may_be_kept_a_run_that_changes_nothing_reads_no_input(night, tmp_path, monkeypatch):
    """What the inputs gave to doubt is this run's own, too: without it a large stack was read and looked through again each time."""
    monkeypatch.setattr("nebulakit.runner.store.default_limit", lambda folder: 1)
    cache = ("--cache", str(tmp_path / "kept"))
    assert run(night, tmp_path / "out", *cache) == 0
    told = record(tmp_path / "out")["warnings"]

    def read(*args: object) -> None:
        raise AssertionError("an input was read")

    monkeypatch.setattr("nebulakit.runner.inputs.read_input", read)
    assert run(night, tmp_path / "again", *cache) == 0
    assert ran(tmp_path / "again") == []
    assert record(tmp_path / "again")["warnings"] == told


# -- late failures, killed runs --------------------------------------------------------------------------------------------


def test_a_late_failure_keeps_what_was_done_and_says_so(night, tmp_path, capsys, monkeypatch):
    def fail(*images: Image, **params: object) -> None:
        raise StepError("blend: made for this test")

    cache = ("--cache", str(tmp_path / "kept"))
    with monkeypatch.context() as broken:
        broken.setitem(STEPS, "blend", dataclasses.replace(STEPS["blend"], call=fail))
        assert run(night, tmp_path / "out", *cache) == 1
    told = capsys.readouterr().err
    assert "step 5 of 5, both (blend), in line 18 of the recipe failed: made for this test." in told
    assert "Steps 1-4 are kept; mend and run again." in told
    with monkeypatch.context() as broken:
        broken.setitem(STEPS, "stretch_asinh", dataclasses.replace(STEPS["stretch_asinh"], call=fail))
        assert run(night, tmp_path / "out", *cache, "--set", "stretch.sky=12%") == 1
    assert " Step 1 is kept; mend and run again." in capsys.readouterr().err
    assert run(night, tmp_path / "out", *cache) == 0
    assert ran(tmp_path / "out") == ["both"]
    assert hashes(tmp_path / "out") == hashes(night / "out")


@pytest.mark.parametrize("moment", ["before the first file", "between two files"])
def test_a_run_killed_while_it_puts_files_in_place_can_be_run_again(night, kept, tmp_path, moment):
    out = tmp_path / "out"
    hidden = out / f"{folder.HIDDEN}abc"
    hidden.mkdir(parents=True)
    if moment == "between two files":
        shutil.copy(night / "out" / "picture.tif", out)
        shutil.copy(night / "out" / "run.json", hidden)
    os.utime(hidden, (1000, 1000))
    assert run(night, out, "--cache", str(kept)) == 0
    assert hashes(out) == hashes(night / "out")
    assert {p.name for p in out.iterdir()} == {*hashes(out), "run.json", CAPTION}


# -- plans ---------------------------------------------------------------------------------------------------------------


def planned(night: Path, kept: Path, capsys, *more: str) -> list[str]:
    capsys.readouterr()
    assert call(["plan", *arguments(night), "--cache", str(kept), *more]) == 0
    return capsys.readouterr().out.splitlines()


def test_a_plan_tells_why_what_and_how_long(night, kept, capsys):
    assert planned(night, kept, capsys)[-1] == "nothing to run: every step is reused"
    lines = planned(night, kept, capsys, "--set", "colour.gain=1.5", "--set", "both.amount=50%")
    assert [line.split()[1] for line in lines[:5]] == ["reuse", "reuse", "run", "reuse", "run"]
    assert "because gain 1.3 -> 1.5  (about" in lines[2]
    assert lines[2].endswith(" MB)")
    assert "because amount 1 -> 0.5" in lines[4]
    assert lines[5].startswith("2 of 5 steps run: about ")
    assert "because its input changed" in planned(night, kept, capsys, "--set", "stretch.sky=12%")[2]
    assert "   ├─ stretch -> bright  [reuse]" in planned(night, kept, capsys, "--graph")


def test_a_plan_does_not_take_the_times_of_another_stack_of_the_same_name(night, kept, tmp_path, capsys):
    planes = fits.getdata(night / "stack.fits")
    (tmp_path / "else").mkdir()
    stack = tmp_path / "else" / "stack.fits"
    for part in (planes[:, :100, :120], planes):  # one after the other at the same place
        fits.writeto(stack, part, overwrite=True)
        args = [str(night / "r.yaml"), str(stack), "--cache", str(kept)]
        capsys.readouterr()
        assert call(["plan", *args]) == 0
        lines = capsys.readouterr().out.splitlines()
        assert all("because it has not run before" in line for line in lines[:5])
        assert lines[5] == "5 of 5 steps run; how long is not known before the first run"
        assert call(["run", *args, "-o", str(tmp_path / "o"), "--no-report", "--overwrite"]) == 0
    capsys.readouterr()
    assert call(["plan", *args, "--set", "both.opacity=50%"]) == 0
    assert capsys.readouterr().out.splitlines()[5].endswith(" MB")
    fits.writeto(stack, planes * np.float32(1.01), overwrite=True)  # the same night, stacked anew: that takes about as long
    capsys.readouterr()
    assert call(["plan", *args]) == 0
    lines = capsys.readouterr().out.splitlines()
    assert "because its input changed  (about " in lines[0]
    assert lines[5].endswith(" MB, as another stack took that lay at this place before")


def test_a_plan_tells_of_what_was_dropped_or_damaged(night, kept, capsys):
    last = Store(kept).read_facts((kept / "runs").glob("*.json").__next__())
    assert set(last) == set(IDS)
    for path in kept.glob("layers/*.json"):
        if Store(kept).read_facts(path)["scale"] == "display":
            path.unlink()
    lines = planned(night, kept, capsys)
    assert "because it was evicted" in lines[4]
    for path in kept.glob("arrays/*.npy"):
        path.write_bytes(b"")
    assert call(["plan", *arguments(night), "--cache", str(kept)]) == 0
    out, err = capsys.readouterr()
    assert "because its kept layer was damaged" in out.splitlines()[0]
    assert err.count("kept-layer-damaged") == 1


def test_run_n_plans_and_writes_nothing(night, kept, tmp_path, capsys):
    more = ("--cache", str(kept), "--set", "colour.gain=1.5")
    lines = planned(night, kept, capsys, "--set", "colour.gain=1.5")
    assert run(night, tmp_path / "out", *more, "-n") == 0
    assert capsys.readouterr().out.splitlines() == lines
    assert not (tmp_path / "out").exists()
    assert run(night, tmp_path / "out", "--no-cache", "-n") == 2


def test_a_preview_is_marked_and_leaves_the_plan_of_the_whole_alone(night, kept, tmp_path, capsys):
    assert run(night, tmp_path / "out", "--cache", str(kept), "--preview", "2") == 0
    told = record(tmp_path / "out")
    assert [w["from"] for w in told["warnings"] if w["id"] == "preview"] == ["stack"]
    _, _, h, w = told["crop"]
    assert tifffile.imread(tmp_path / "out" / "picture.tif").shape == (h // 2, w // 2, 3)
    assert planned(night, kept, capsys)[-1] == "nothing to run: every step is reused"
    assert planned(night, kept, capsys, "--preview", "2")[-1] == "nothing to run: every step is reused"


@pytest.mark.parametrize("told", [True, False], ids=["by hand", "by the header"])
@pytest.mark.parametrize("factor", [2, 3])
def test_a_preview_of_a_mosaic_is_that_of_its_colours(tmp_path, told, factor):
    rng = np.random.default_rng(5)
    header = fits.Header({"ROWORDER": "BOTTOM-UP"} | ({} if told else {"BAYERPAT": "GBRG"}))
    fits.writeto(tmp_path / "m.fits", rng.uniform(0.1, 0.2, (72, 96)).astype(np.float32), header)
    steps = "  - orient: {mirror: horizontal}\n" if factor == 3 else ""  # so that the pattern must be followed, too
    (tmp_path / "r.yaml").write_text(
        f"version: 1\nsteps:\n{steps}  - collapse_bayer: {{pattern: {'GBRG' if told else 'auto'}}}\n    as: colour\n"
        f"  - bin: {{factor: {factor}}}\n    as: small\noutputs:\n  - {{layer: colour, file: colour.fits}}\n"
        "  - {layer: small, file: small.fits}\n"
    )
    for out, more in (("whole", ()), ("quick", ("--preview", str(factor)))):
        assert running.run(tmp_path / "r.yaml", tmp_path / "m.fits", tmp_path / out, "--no-cache", *more) == 0
    quick, whole = files.read(tmp_path / "quick" / "colour.fits"), files.read(tmp_path / "whole" / "small.fits")
    assert quick.shape == (72 // 2 // factor, 96 // 2 // factor)
    assert np.allclose(quick.planes, whole.planes, rtol=0, atol=1e-6)


def test_a_preview_coarser_than_the_stack_says_what_to_do(night, tmp_path, capsys):
    """It told neither of the option nor what to do about it."""
    fits.writeto(tmp_path / "small.fits", np.random.default_rng(0).random((3, 9, 40), np.float32))
    assert call(["run", str(night / "r.yaml"), str(tmp_path / "small.fits"), "--preview", "16", "-o", str(tmp_path / "out")]) == 4
    assert "40 x 9 pixels, fewer than one block of 16 pixels for --preview 16. Take a smaller number" in capsys.readouterr().err


def test_in_a_preview_stars_stay_wide_enough_to_be_told_from_the_nebula():
    """As points they stayed in the nebula, up to 20000 noises high, and the stretch then lost it to them."""
    scene = make_scene(7, (480, 640), "cove", rotation=0.0)
    stack = Image.from_array(scene.stack, coverage=scene.coverage)
    recipe = loads("version: 1\nsteps:\n  - separate_stars: {}\noutputs:\n  - {layer: last, file: a.fits}\n")
    job_ = job.Job(recipe, Path("stack.fits"), Path("out"), preview=4)
    quick = inputs._made_ready(job_, "stack", stack)
    assert [n.id for n in quick.notices] == ["preview-softened", "preview"]
    assert quick.white == pytest.approx((0.6,) * 3, rel=0.1)  # the stack is cut off at 1
    flat = steps.remove_gradient(quick)[0]
    left = (steps.separate_stars(flat)[0].planes - bin_planes(scene.nebula, 4)) / np.nanmedian(scene.sigma)
    assert np.nanmax(left) < 5000
    for kept in (dataclasses.replace(job_, preview=1), dataclasses.replace(job_, preview=2, fwhm=6.0)):
        assert "preview-softened" not in [n.id for n in inputs._made_ready(kept, "stack", stack).notices]


# -- the same again ----------------------------------------------------------------------------------------------------------


def test_rerun_finds_the_stack_where_it_lay_and_repeats_for_any_number_of_threads(night, tmp_path, capsys, monkeypatch):
    stacks = tmp_path / "data" / "one"
    stacks.mkdir(parents=True)
    for name in ("stack.fits", "coverage.fits"):
        shutil.copy(night / name, stacks)
    monkeypatch.chdir(tmp_path)
    more = ("--input", "coverage=data/one/coverage.fits", "--set", "colour.gain=1.4", "--no-cache")
    assert running.run(night / "r.yaml", Path("data/one/stack.fits"), Path("results/out"), *more) == 0
    monkeypatch.chdir("/")
    for threads in ("1", "3"):
        capsys.readouterr()
        assert call(["rerun", str(tmp_path / "results" / "out"), "-j", threads]) == 0
        assert {line.rpartition(": ")[2] for line in capsys.readouterr().out.splitlines()} == {"identical"}
    told = (tmp_path / "results" / "out" / "run.json").read_text()
    assert json.loads(told)["ways"]["stack"] == "../../data/one/stack.fits"
    assert str(tmp_path) not in told


def test_a_frozen_recipe_gives_the_same_bytes_and_says_no_more_than_was_found(night, tmp_path, capsys):
    frozen = tmp_path / "frozen.yaml"
    assert call(["freeze", str(night / "out"), "-o", str(frozen)]) == 0
    text = frozen.read_text()
    for line in ("# the good part", "# bright", "id: both", "  - saturate: {gain: 1.3}"):
        assert line in text
    assert "softening:" in text
    assert "keep" not in text  # not found, but the default
    assert run(night, tmp_path / "out", "--no-cache", recipe=frozen) == 0
    assert hashes(tmp_path / "out") == hashes(night / "out")
    capsys.readouterr()
    assert call(["freeze", str(night / "out"), "--look"]) == 0
    look = capsys.readouterr().out
    assert "softening:" in look
    assert "map_counts" in text
    assert "map_counts" not in look  # what a map counts is to be told anew of another map


@pytest.mark.parametrize(
    ("kind", "more"), [("colour", ()), ("binned", ()), ("colour", ("--preview", "2")), ("mosaic", ("--preview", "2"))]
)
def test_a_width_that_was_told_is_held_and_told_again_in_pixels_of_the_stack(night, tmp_path, capsys, kind, more):
    stack = night / "stack.fits"
    if kind == "mosaic":
        red, green, blue = fits.getdata(stack)
        mosaic = np.stack([np.stack([red, green], -1), np.stack([green, blue], -1)], 1).reshape(2 * len(red), -1)
        stack = tmp_path / "mosaic.fits"
        fits.writeto(stack, mosaic.astype(np.float32), fits.Header({"BAYERPAT": "RGGB"}))
    first = {"mosaic": "  - collapse_bayer: {}\n", "binned": "  - bin: {factor: 2}\n", "colour": ""}[kind]
    text = f"version: 1\nsteps:\n{first}  - separate_stars: {{}}\noutputs:\n  - {{layer: last, file: a.fits}}\n"
    (tmp_path / "s.yaml").write_text(text)
    out = tmp_path / "out"
    assert running.run(tmp_path / "s.yaml", stack, out, "--no-cache", "--fwhm", "6.5", *more) == 0
    capsys.readouterr()
    assert call(["freeze", str(out)]) == 0
    assert "they were 6.5 px wide. To hold them: --fwhm 6.5\n" in capsys.readouterr().out


def test_a_frozen_look_makes_another_stack_look_alike(night, tmp_path):
    scene = make_scene(3, (150, 200), "bubble", electrons=60_000.0)
    write_scene(scene, tmp_path / "deeper")
    look = tmp_path / "look.yaml"
    assert call(["freeze", str(night / "out"), "--look", "-o", str(look)]) == 0
    assert run(tmp_path / "deeper", tmp_path / "out", "--no-cache", recipe=look) == 0
    first, second = (
        {s["id"]: s["measured"] for s in record(out)["steps"]}["stretch"] for out in (night / "out", tmp_path / "out")
    )
    for name in ("softening", "white"):
        assert second[name] == pytest.approx(first[name], rel=1e-6)


def test_every_output_names_the_steps_that_made_it(night):
    out = night / "out"
    lines = [str(line) for line in fits.getheader(out / "field.fits")["HISTORY"]]
    assert any(line.startswith("crop_to_coverage(keep=85%") for line in lines)
    with tifffile.TiffFile(out / "picture.tif") as file:
        told = [file.pages[0].tags["ImageDescription"].value]
    with Pictures.open(out / "bright.png") as picture:
        told.append(picture.info["Description"])
    with Pictures.open(out / "small.jpg") as picture:
        told.append(picture.info["comment"].decode())
    found = {s["id"]: s["measured"] for s in record(out)["steps"]}["stretch"]["softening"]
    for text in told:
        assert "crop_to_coverage(" in text
        assert f"softening={found:.9g}" in text
        assert str(night) not in text


# -- sweeps ----------------------------------------------------------------------------------------------------------------


def test_a_sweep_tells_how_true_the_hue_is_where_that_is_known(night, tmp_path):
    args = ["sweep", *arguments(night), "--cache", str(tmp_path / "kept"), "-o", str(tmp_path / "sheet")]
    assert call([*args, "--vary", "colour.gain=0.5,1.5", "--vary", "both.opacity=0%,40%"]) == 0
    told = json.loads((tmp_path / "sheet" / "sweep.json").read_text())["variants"]
    assert len(told) == 4
    assert "= 1.5" in (tmp_path / "sheet" / "sweep.html").read_text().split('<th scope="row">')[2]
    assert all(-1 <= v["hue_truth"] <= 1 for v in told)
    alone = tmp_path / "alone"
    alone.mkdir()
    for name in ("stack.fits", "coverage.fits", "r.yaml"):
        shutil.copy(night / name, alone)
    assert call(["sweep", *arguments(alone), "--no-cache", "-o", str(tmp_path / "two"), "--vary", "both.opacity=0%,40%"]) == 0
    assert "hue_truth" not in json.loads((tmp_path / "two" / "sweep.json").read_text())["variants"][0]


def test_the_grain_of_a_sweep_is_that_of_the_dark_whatever_else_is_in_the_picture():
    rng = np.random.default_rng(5)
    y, x = np.mgrid[:320, :400]
    nebula = 0.5 * np.exp(-((x - 260) ** 2 + (y - 160) ** 2) / 60**2) + 0.0001 * x
    stars = np.zeros_like(nebula)
    for a, b in rng.uniform(5, 300, (80, 2)):
        stars += 0.6 * np.exp(-((x - a) ** 2 + (y - b) ** 2) / 4)
    noise = rng.normal(0, 0.01, (3, 320, 400))
    noise[:, :, 220:] *= 3  # a curve made it larger where it is bright

    def grain(grains, corners=0):
        planes = np.clip(0.1 + nebula + stars + grains, 0, 1)
        planes[:, (x + y < corners) | (x + y > 720 - corners)] = 0
        return numbers(Image.from_array(planes, scale="display"))["grain"]

    # of the mean of three channels; the slope adds a tenth of it
    assert grain(noise) == pytest.approx(0.01 / np.sqrt(3), rel=0.15)
    assert grain(noise, 220) == pytest.approx(grain(noise), rel=0.1)  # black corners are no part of the picture
    calm = [(noise + sum(np.roll(noise, k, axis) for k in (-1, 1) for axis in (1, 2))) / 5, 0.02 * noise]
    assert grain(noise) > 1.8 * grain(calm[0]) > 3 * grain(calm[1]) > 0
    assert numbers(Image.from_array(np.full((3, 8, 8), 0.1), scale="display"))["grain"] is None


def test_two_varied_values_lie_in_a_grid_on_the_contact_sheet(tmp_path):
    """First the pictures of the first row, with the values of both beside and above them."""
    colours = [[40 * n + 30, 200, 90] for n in range(6)]
    pictures = [(np.full((50, 90, 3), c, np.uint8), [str(n)]) for n, c in enumerate(colours)]
    names = [("a_long_name_of_a_step.with_a_parameter", ["1", "2", "3"]), ("b.y", ["[0.1, 0.2], [0.3, 0.4], [0.5, 0.6]", "off"])]

    def places(axes):
        contact_sheet(pictures, tmp_path / "c.png", axes)
        seen = np.asarray(Pictures.open(tmp_path / "c.png"))
        at = [np.argwhere((seen == c).all(2)) for c in colours]
        assert all(len(p) == 50 * 90 for p in at)  # no word lies on a picture
        return np.array([p[0] for p in at]), seen

    at, seen = places(names)
    assert len(np.unique(at[:, 0])) == 3
    assert len(np.unique(at[:, 1])) == 2
    assert (np.lexsort((at[:, 1], at[:, 0])) == np.arange(6)).all()
    left, top = at[0, 1], at[0, 0]
    written = seen.max(2) > 150
    for y, x in at:
        assert written[y : y + 50, :left].any()  # what the row is
        assert written[:top, x : x + 90].any()  # what the column is
    assert left < 220  # long names are broken
    assert len(np.unique(places(None)[0][:, 1])) == 3  # without a grid as suits the screen


def test_long_names_under_a_picture_are_broken_too(tmp_path):
    """What did not fit was cut off."""
    pictures, seen = [(np.full((50, 200, 3), 99, np.uint8), ["1"])], []
    for end in "iW":
        contact_sheet([*pictures, (pictures[0][0], ["2", f"a_step.with_a_parameter = [{'0.5, ' * 9}{end}]"])], tmp_path / "c.png")
        seen.append(np.asarray(Pictures.open(tmp_path / "c.png")))
    assert seen[0].shape == seen[1].shape
    assert (seen[0] != seen[1]).any()


def test_pictures_narrower_than_a_letter_have_a_contact_sheet(tmp_path):
    pictures = [(np.full((5, 3, 3), 99, np.uint8), [""])] * 2
    contact_sheet(pictures, tmp_path / "c.png", [("a.x", ["1"]), ("b.y", ["wide", "u"])])
    assert (np.asarray(Pictures.open(tmp_path / "c.png")) == 99).all(2).sum() >= 2 * 15


def test_hue_truth_of_known_pictures():
    rng = np.random.default_rng(2)
    ha, oiii = rng.uniform(0.2, 1, (2, 60, 80)).astype(np.float32)
    lines = [Image.from_array(p[None]) for p in (ha, oiii)]
    ratio = oiii / (ha + oiii)
    right = Image.from_array(np.stack([1 - ratio, ratio, ratio])[:, 10:50, 20:70], scale="display")
    placed = right.replace(frame=Frame((60, 80)).then([[1, 0, 20], [0, 1, 10]]))
    assert hue_truth(placed, *lines) == pytest.approx(1)
    wrong = placed.replace(placed.planes[::-1])
    assert hue_truth(wrong, *lines) == pytest.approx(-1)
    assert abs(hue_truth(placed.replace(frame=Frame((60, 80))), *lines)) < 0.2  # beside the truth it is chance
    assert hue_truth(placed.replace(frame=Frame((60, 80)).then([[0, 1, 0], [1, 0, 0]])), *lines) is None
    assert hue_truth(placed.replace(placed.planes[:1], channels=("grey",)), *lines) is None
    grey = placed.replace(np.repeat(placed.planes[1:2], 3, 0) * np.float32([[[1]], [[1]], [[1 + 1e-7]]]))
    assert hue_truth(grey, *lines) is None  # what is left of hue is rounding


# -- beside the steps --------------------------------------------------------------------------------------------------------


def test_reading_is_not_counted_as_the_first_step(night, tmp_path, monkeypatch):
    slow = inputs.read_input

    def read(*args: object) -> Image:
        time.sleep(0.5)
        return slow(*args)

    monkeypatch.setattr(inputs, "read_input", read)
    assert run(night, tmp_path / "out", "--no-cache") == 0
    first = record(tmp_path / "out")["steps"][0]
    assert first["seconds"] + 0.5 <= record(tmp_path / "out")["seconds"]


def test_a_skipped_step_is_no_reason_to_read_what_nothing_needs(night, tmp_path, monkeypatch):
    text = RECIPE.replace("crop_to_coverage: {}\n    id: crop\n", "level_sky: {}\n    id: level\n    skip: true\n")
    (tmp_path / "r.yaml").write_text(text.replace("  - {layer: field, file: field.fits}\n", ""))
    opened = []
    read = inputs.read_input
    monkeypatch.setattr(inputs, "read_input", lambda *a: opened.append(a[1]) or read(*a))
    for setting, wanted in (("both.opacity=30%", ["stack"]), ("both.opacity=35%", []), ("stretch.sky=11%", ["stack"])):
        opened.clear()
        more = ("--cache", str(tmp_path / "kept"), "--set", setting)
        assert run(night, tmp_path / "out", *more, recipe=tmp_path / "r.yaml") == 0
        assert opened == wanted
        assert record(tmp_path / "out")["steps"][0]["state"] == "skipped"


def test_execute_hands_back_what_was_asked_for(night):
    image = files.read(night / "stack.fits", coverage=night / "coverage.fits")
    recipe = loads(RECIPE)
    have = frozenset(o.ref for o in recipe.outputs if o.layer != "last")
    run = execute(recipe, {"stack": image}, have=have)
    assert set(run.results) == {recipe.last}
