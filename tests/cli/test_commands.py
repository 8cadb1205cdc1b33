"""Every verb of the command line: what it answers, what it tells, and the code it ends with."""

import functools
import json
import operator
import os
import shlex
import shutil
import signal
import socket
import subprocess
import sys
from collections import namedtuple
from pathlib import Path

import numpy as np
import pytest
from astropy.io import fits
from PIL import Image as Pictures

from nebulakit.cli import VERBS, call, run
from nebulakit.declare import STEPS
from nebulakit.demo import make_scene, write_scene
from nebulakit.recipe import shipped
from nebulakit.recipe.writes import OWN
from nebulakit.runner import inputs, job
from nebulakit.runner.caption import CAPTION
from nebulakit.runner.folder import FAILED, PAGE, RECORD
from nebulakit.steps import stretch_asinh  # noqa: F401  (fills STEPS)

RECIPE = """version: 1
steps:
  - crop_to_coverage: {}
  - stretch_asinh: {}
    id: stretch
  - saturate: {gain: 1.3}
outputs:
  - {layer: last, file: picture.tif}
"""


@pytest.fixture(scope="module")
def night(tmp_path_factory) -> Path:
    """A small stack with its coverage, and a short recipe."""
    folder = tmp_path_factory.mktemp("night")
    write_scene(make_scene(3, (200, 240), "bubble"), folder)
    (folder / "r.yaml").write_text(RECIPE)
    return folder


@pytest.fixture(scope="module")
def finished(night: Path) -> Path:
    """The folder of a finished run."""
    assert (
        call(["run", str(night / "r.yaml"), str(night / "stack.fits"), "-o", str(night / "out"), "--no-cache", "--no-report"])
        == 0
    )
    return night / "out"


@pytest.fixture
def tell(monkeypatch, tmp_path, capsys):
    """Run a command in an empty folder; give code, stdout and stderr. A user's fault never shows a traceback."""
    monkeypatch.chdir(tmp_path)

    def run(*args: object, own_fault: bool = False) -> tuple[int, str, str]:
        capsys.readouterr()
        code = call([str(a) for a in args])
        out, err = capsys.readouterr()
        assert own_fault or "Traceback" not in err, err
        return code, out, err

    return run


def test_run_answers_with_the_files_it_wrote(tell, night, tmp_path) -> None:
    code, out, err = tell("run", night / "r.yaml", night / "stack.fits", "-o", "o", "--cache", "kept")
    assert (code, out) == (0, f"{Path('o') / 'picture.tif'}\n")
    assert "crop_to_coverage" in err
    assert {p.name for p in (tmp_path / "o").iterdir()} == {"picture.tif", "caption.txt", "run.json", "report.html"}
    code, out, _ = tell("run", night / "r.yaml", night / "stack.fits", "-o", "o", "--cache", "kept", "--json", "--no-report")
    record = json.loads(out)
    assert (code, [s["id"] for s in record["steps"]]) == (0, ["crop_to_coverage", "stretch", "saturate"])
    assert "reused" in {s["state"] for s in record["steps"]}
    code, out, _ = tell("plan", night / "r.yaml", night / "stack.fits", "--cache", "kept", "--set", "saturate.gain=1.6")
    assert code == 0
    assert "gain" in out.splitlines()[2]
    assert tell("plan", night / "r.yaml", night / "stack.fits", "--cache", "kept", "--graph")[0] == 0
    code, out, _ = tell("cache", "show", "--cache", "kept")
    assert code == 0
    assert not out.startswith("kept: 0 layers")
    assert tell("cache", "verify", "--cache", "kept")[0] == 0
    assert "damaged" not in tell("cache", "verify", "--cache", "kept")[1]
    assert tell("cache", "trim", "--cache", "kept", "--limit", "0.0001")[0] == 0
    assert tell("cache", "clear", "--cache", "kept")[0] == 0
    assert tell("cache", "show", "--cache", "kept")[1].startswith("kept: 0 layers")


@pytest.mark.parametrize(
    "verb", ["run -n --cache kept", "plan --cache kept", "sweep --vary saturate.gain=1,2 --cache kept", "inspect"]
)
def test_name_stands_for_the_stacks_name_in_inputs(verb, tell, night) -> None:
    """A line that run took, the other verbs did not."""
    Path("stack-map.fits").write_bytes((night / "coverage.fits").read_bytes())
    read = [night / "stack.fits"] if verb == "inspect" else [night / "r.yaml", night / "stack.fits"]
    code, _, err = tell(*verb.split(), *read, "--input", "coverage={name}-map.fits")
    assert (code, "no file" in err) == (0, False)


@pytest.mark.parametrize("where", ["collect.Collector.after", "page.report_of"])
def test_a_fault_of_the_page_never_costs_the_picture(where, tell, night, tmp_path, monkeypatch) -> None:
    def fault(*_: object) -> None:
        raise ZeroDivisionError("made for this test")

    monkeypatch.setattr(f"nebulakit.report.{where}", fault)
    code, out, err = tell("run", night / "r.yaml", night / "stack.fits", "-o", "o", "--no-cache", own_fault=True)
    assert (code, out) == (0, f"{Path('o') / 'picture.tif'}\n")
    assert {p.name for p in (tmp_path / "o").iterdir()} == {"picture.tif", "caption.txt", "run.json"}
    assert "made for this test" in err
    assert err.count("Please report") == 1


def test_a_cache_that_cannot_be_written_costs_no_page(tell, night, tmp_path, monkeypatch) -> None:
    def refuse(*_: object) -> None:
        raise PermissionError(13, "Permission denied")

    monkeypatch.setattr("nebulakit.runner.store.Store.write", refuse)
    code, _, err = tell("run", night / "r.yaml", night / "stack.fits", "-o", "o", "--cache", "kept")
    assert code == 0
    assert "layers-not-kept" in err
    assert (tmp_path / "o" / "report.html").is_file()


def test_a_full_cache_is_told_in_words(tell, night, monkeypatch) -> None:
    """A layer cut short by a full disk is told by numpy in counts of values."""

    def short(*_: object, **more: object) -> None:
        raise OSError("186180 requested and 76768 written")

    monkeypatch.setattr("nebulakit.runner.store.np.save", short)
    code, _, err = tell("run", night / "r.yaml", night / "stack.fits", "-o", "o", "--cache", "kept", "--no-report")
    assert code == 0
    assert "could not be kept in kept (the disk is full); the pictures are whole" in err
    Path("s.yaml").write_text(SHEET.replace("[50%, 50%]", "[0.01%, 0.01%]"))
    code, _, err = tell("run", "s.yaml", night / "stack.fits", "-o", "s", "--cache", "kept", "--no-report")
    assert (code, "there is nothing left" in err, "are kept" in err or "is kept" in err) == (1, True, False)


@pytest.mark.parametrize("where", ["of_pixels", "_of_header"])
def test_a_fault_of_ours_in_the_doubts_costs_no_picture(tell, night, monkeypatch, where) -> None:
    def broken(*_: object) -> None:
        raise ZeroDivisionError("made for this test")

    run = ["run", night / "r.yaml", night / "stack.fits", "-o", "o", "--cache", "kept", "--no-report"]
    with monkeypatch.context() as fault:
        fault.setattr(f"nebulakit.runner.door.{where}", broken)
        code, out, err = tell(*run, own_fault=True)
    assert (code, out) == (0, f"{Path('o') / 'picture.tif'}\n")
    assert "note (not-looked-through, stack): " in err
    assert "Please report this sentence" in err
    assert "ZeroDivisionError: made for this test (test_commands.py, line" in err
    assert "not-looked-through" not in tell(*run)[2]  # what was not found is not kept either


def test_a_mosaic_whose_pattern_the_recipe_tells_is_not_asked_for_it(tell) -> None:
    cells = np.tile(np.float32([[1.0, 0.6], [0.6, 0.3]]), (80, 100))
    fits.writeto("m.fits", cells + np.random.default_rng(2).normal(0, 0.02, cells.shape).astype(np.float32))
    for step, told in (("crop: {box: [[0 px, 0 px], [150 px, 150 px]]}", True), ("collapse_bayer: {pattern: RGGB}", False)):
        Path("r.yaml").write_text(f"version: 1\nsteps:\n  - {step}\noutputs:\n  - {{layer: last, file: last.fits}}\n")
        code, _, err = tell("run", "r.yaml", "m.fits", "-o", "o", "--cache", "kept", "--no-report")
        assert code == 0
        assert ("pattern-missing" in err) == told


def test_a_stack_in_colour_needs_no_step_that_makes_colour_of_a_mosaic(tell, night) -> None:
    Path("r.yaml").write_text("version: 1\nsteps:\n  - collapse_bayer: {}\noutputs:\n  - {layer: last, file: last.fits}\n")
    code, _, err = tell("run", "r.yaml", night / "stack.fits", "-o", "o", "--no-cache", "--no-report")
    assert code == 4
    assert (
        "stack.fits is in colour already, so collapse_bayer in line 3 of the recipe has nothing to do. Leave that step out" in err
    )


@pytest.mark.parametrize("verb", ["run", "plan"])
def test_an_input_given_as_a_stack_is_refused_before_any_work(verb, tell, night, tmp_path) -> None:
    recipe, stack, cover = night / "r.yaml", night / "stack.fits", night / "coverage.fits"
    code, _, err = tell(verb, recipe, *([stack] if verb == "run" else []), f"coverage={cover}")
    assert (code, f"--input coverage={cover}" in err) == (2, True)
    code, _, err = tell(verb, recipe, f"stack={stack}")
    assert (code, f"write {stack}" in err) == (2, True)
    # what was made of the one was kept as made of the other
    for given, words in ((f"stack={cover}", "the stack is no further input"), ("coverage=", "--input coverage= names no file")):
        code, _, err = tell(verb, recipe, stack, "--input", given)
        assert (code, words in err) == (2, True)
    assert not list(tmp_path.iterdir())


def test_demo_makes_a_stack(tell, tmp_path) -> None:
    code, out, _ = tell("demo", "--only-stack", "-o", "d", "--size", 260, 220, "--seed", 5)
    assert code == 0
    assert [fits.getdata(tmp_path / line).shape for line in out.split()] == [(3, 220, 260), (220, 260)]
    (tmp_path / "else").mkdir()
    (tmp_path / "else" / "mine.txt").write_text("mine")
    assert tell("demo", "-o", "else")[0] == 2
    code, _, err = tell("demo", "--kind", "spiral")
    assert code == 2
    assert "bubble" in err


def test_what_the_demo_names_at_its_end_runs_no_more_than_it_changes(tell, monkeypatch) -> None:
    monkeypatch.setattr("nebulakit.runner.store.default_folder", lambda: Path("kept").absolute())
    code, _, err = tell("demo", "-o", "the demo", "--size", 200, 200, "--kind", "none")
    assert code == 0
    new, run = (shlex.split(line)[1:] for line in err.splitlines() if line.startswith("    nebulakit "))
    assert tell(*new)[0] == 0
    assert tell(*run, "--json", "--no-report")[0] == 0
    steps = json.loads(Path("mine-stack/run.json").read_text())["steps"]
    ran = [s["id"] for s in steps if s["state"] == "computed"]
    assert ran[0] == "saturate"
    assert len(ran) < len(steps) / 3


def test_check(tell, night) -> None:
    code, out, err = tell("check", night / "r.yaml", *shipped())
    assert (code, err) == (0, "")
    assert out.count("no faults") == 1 + len(shipped())
    assert tell("check", night / "r.yaml", "--set", "saturate.gain=lots")[0] in (2, 3)


def test_check_tells_what_nothing_uses(tell) -> None:
    Path("idle.yaml").write_text(
        "version: 1\nvars: {low: 3, high: 60%}\ninputs:\n  map: {scale: mask}\n  shade: {scale: mask}\nsteps:\n"
        '  - crop_to_coverage: {keep: "${high}"}\n  - denoise_wavelet: {}\n    mask: map\noutputs:\n  - {layer: last, file: a.fits}\n'
    )
    code, out, err = tell("check", "idle.yaml")
    assert (code, out) == (0, "idle.yaml: no faults; 2 steps, writes a.fits\n")
    assert err.splitlines() == [
        "idle.yaml:2:8: warning: nothing uses the variable 'low'",
        "idle.yaml:5:3: warning: nothing uses the input 'shade'",
    ]


def test_a_stack_of_the_wrong_kind_is_refused_with_what_to_do(tell, night, tmp_path) -> None:
    code, _, err = tell("run", "finish", night / "stack.fits", "--no-cache")
    assert code == 4
    assert "--assume display" in err
    Pictures.fromarray(np.full((90, 120, 3), 90, np.uint8)).save(tmp_path / "shown.jpg")
    code, _, err = tell("run", "lines", tmp_path / "shown.jpg", "--no-cache")
    assert code == 4
    assert "recipe finish" in err
    assert "--assume linear" in err


def test_compare(tell, finished, tmp_path) -> None:
    assert tell("compare", finished, finished, "-o", "c.html")[:2] == (0, "c.html\n")
    assert "<html" in (tmp_path / "c.html").read_text()
    code, out, _ = tell("compare", "bicolour", "natural", "--json")
    assert code == 0
    assert json.loads(out)


def test_sweep(tell, night, tmp_path) -> None:
    vary = ["sweep", night / "r.yaml", night / "stack.fits", "--vary", "saturate.gain=1,2"]
    code, out, err = tell(*vary, "-o", "s", "--no-cache")
    assert code == 0
    assert out.splitlines()[-1] == str(Path("s") / "contact.png")
    assert "2/2  1 steps run" in err  # what both share was computed once
    assert [v["settings"] for v in json.loads((tmp_path / "s" / "sweep.json").read_text())["variants"]] == [
        {"saturate.gain": "1"},
        {"saturate.gain": "2"},
    ]
    assert tell(*vary, "--pick", 2, "-o", "mine.yaml")[0] == 0
    assert "gain: 2" in (tmp_path / "mine.yaml").read_text()
    assert tell(*vary, "--pick", 3, "-o", "other.yaml")[0] == 2
    code, _, err = tell(*vary[:-1], "saturate.gain=1,lots", "--no-cache")
    assert (code, err) == (2, "error: --vary saturate.gain=lots: gain: expected a number, found 'lots'\n")


SHEET = """version: 1
steps:
  - crop_to_coverage: {}
  - crop: {box: [[0%, 0%], [50%, 50%]]}
  - stretch_asinh: {}
outputs:
  - {layer: last, file: picture.png}
"""


def test_a_combination_that_fails_costs_a_sweep_nothing_else(tell, night) -> None:
    """The others were run, and never shown."""
    Path("s.yaml").write_text(SHEET)
    vary = ["--vary", "stretch_asinh.sky=10%,12%", "--vary"]
    boxes = "crop.box=[[0%,0%],[0.01%,0.01%]],[[0%,0%],[60%,60%]]"
    code, out, err = tell("sweep", "s.yaml", night / "stack.fits", *vary, boxes, "-o", "s", "--no-cache")
    assert code == 5
    assert "2 of 4 combinations failed" in err
    assert "1/4  failed  stretch_asinh.sky=10%, crop.box=[[0%,0%],[0.01%,0.01%]]\nerror: step 2 of 3, crop" in err
    assert len(out.splitlines()) == 7
    told = json.loads(Path("s/sweep.json").read_text())["variants"]
    assert [("sky" in v, "there is nothing left" in v.get("error", "")) for v in told] == [(False, True), (True, False)] * 2
    page = Path("s/sweep.html").read_text()
    assert (page.count('class="choose"'), page.count("</strong>, failed")) == (2, 2)
    assert "2 pictures that differ" in page
    assert page.count("there is nothing left") == 2
    with Pictures.open("s/contact.png") as sheet:
        shown = np.asarray(sheet.convert("L"), float)
    left, right = shown[60:-60, 160 : shown.shape[1] // 2], shown[60:-60, shown.shape[1] // 2 + 160 :]
    assert left.std() < right.std() / 2  # the places of the first column are dark but for their names
    code, _, err = tell(
        "sweep", "s.yaml", night / "stack.fits", "--vary", boxes.partition("],[[")[0] + "]", "-o", "n", "--no-cache"
    )
    assert code == 1
    assert "no combination could be run to its end" in err
    assert not Path("n").exists()


@pytest.mark.parametrize("kept", [True, False])
def test_a_sweep_that_keeps_nothing_says_nothing_of_kept_steps(tell, night, kept) -> None:
    Path("s.yaml").write_text(SHEET)
    vary = ["--vary", "crop.box=[[0%,0%],[0.01%,0.01%]],[[0%,0%],[60%,60%]]", "-o", "s"]
    code, _, err = tell("sweep", "s.yaml", night / "stack.fits", *vary, *(("--cache", "c") if kept else ["--no-cache"]))
    assert (code, "there is nothing left" in err) == (5, True)
    assert ("Step 1 is kept; mend and run again." in err) is kept


def test_the_contact_sheet_shows_linear_layers_too(tell, night) -> None:
    """It was black."""
    Path("l.yaml").write_text("version: 1\nsteps:\n  - level_sky: {}\noutputs:\n  - {layer: last, file: o.fits}\n")
    vary = ["--vary", "level_sky.order=0,1", "-o", "s", "--no-cache"]
    assert tell("sweep", "l.yaml", night / "stack.fits", *vary)[0] == 0
    with Pictures.open("s/contact.png") as sheet:
        shown = np.asarray(sheet.convert("L"))[8:300, 8:500]
    assert np.ptp(np.percentile(shown, [1, 99])) > 30  # of 255; 61 by the curve, and 3 without


def test_rerun_and_freeze(tell, finished, night, tmp_path) -> None:
    code, out, _ = tell("rerun", finished / "run.json", "-j", 1)
    assert (code, out) == (0, "picture.tif: identical\n")
    assert tell("freeze", finished, "-o", "f.yaml")[:2] == (0, "f.yaml\n")
    assert tell("freeze", finished, "-o", "f.yaml")[0] == 2  # never written over unasked
    assert tell("freeze", finished)[1] == (tmp_path / "f.yaml").read_text()
    look = tell("freeze", finished, "--look")[1]
    assert look != (tmp_path / "f.yaml").read_text()
    assert tell("run", "f.yaml", night / "stack.fits", "-o", "again", "--no-cache", "--no-report")[0] == 0
    first, again = (json.loads((f / "run.json").read_text()) for f in (finished, tmp_path / "again"))
    assert [o["sha256"] for o in again["outputs"]] == [o["sha256"] for o in first["outputs"]]


def test_rerun_and_freeze_say_what_is_missing(tell, finished) -> None:
    assert tell("rerun", "nothing.json")[0] == 4
    Path("odd.json").write_text("{}")
    assert tell("freeze", "odd.json")[0] == 4
    code, _, err = tell("rerun", finished, "--stack", "odd.json")
    assert code == 4
    assert "--stack" in err
    Path("dir").mkdir()
    assert "dir: this is a folder, not a file" in tell("rerun", finished, "--stack", "dir")[2]


@pytest.mark.parametrize("held", ["{}", "[1]", '{"recipe": 5}', '{"recipe": {"file": "a", "text": "", "settings": {}}}'])
def test_a_run_json_of_something_else_is_told_so(tell, finished, night, held) -> None:
    """It ended in a traceback, in all but freeze."""
    Path("o").mkdir()
    Path("o/run.json").write_text(held)
    for args in (["compare", "o", finished], ["compare", finished, "o/run.json"], ["rerun", "o"], ["freeze", "o"]):
        code, out, err = tell(*args)
        assert (code, out) == (4, ""), args
        assert "o/run.json is no run.json of nebulakit" in err
    code, out, err = tell("run", night / "r.yaml", night / "stack.fits", "-o", "o", "--no-cache")
    assert (code, out) == (2, "")
    assert "the folder o holds other files" in err
    assert Path("o/run.json").read_text() == held


@pytest.mark.parametrize(
    ("place", "held"),
    [
        (["inputs", "mine"], 3),
        (["inputs", "stack", "file"], "a\0b"),
        (["ways"], 3),
        (["ways", "stack"], 3),
        (["texts"], 3),
        (["corners"], [1, 2]),
        (["corners"], [[0.0, 0.0], [9.0], [9.0, 9.0], [0.0, 9.0]]),
        (["corners", 0, 0], float("nan")),
        (["recipe", "resolved", "steps", 0, "params"], 3.0),
        (["options", "fwhm"], [3]),
        (["options", "fwhm"], float("nan")),
        (["options", "preview"], 0),
        (["options", "until"], 3),
        (["options", "assume"], "both"),
        (["steps", 0, "measured", "fwhm"], "wide"),
        (["outputs", 0, "file"], "a\0.tif"),
        (["outputs", 0, "notices"], [["id"]]),
        (["outputs", 0, "channels"], None),
    ],
    ids=str,
)
def test_a_run_json_that_was_damaged_is_told_so(tell, finished, night, place, held) -> None:
    """Half of what is read of it was not looked at."""
    shutil.copytree(finished, "o")
    record = json.loads(Path("o/run.json").read_text())
    *way, last = place
    functools.reduce(operator.getitem, way, record)[last] = held
    Path("o/run.json").write_text(json.dumps(record))
    run_again = ["run", night / "r.yaml", night / "stack.fits", "-o", "o", "--no-cache"]
    rerun, freeze = ["rerun", "o", "--stack", night / "stack.fits"], ["freeze", "o"]
    for args, code in ((["compare", "o", finished], 4), (rerun, 4), (freeze, 4), (run_again, 2)):
        assert tell(*args)[0] == code, args


def test_corners_on_a_line_are_no_place_in_the_stack(tell, finished) -> None:
    """Solving for it failed with a traceback."""
    shutil.copytree(finished, "o")
    record = json.loads(Path("o/run.json").read_text())
    Path("o/run.json").write_text(json.dumps(record | {"corners": [[1.0, 1.0]] * 4}))
    assert tell("compare", "o", "o/run.json", "--json")[0] == 0


def test_a_repeat_knows_its_inputs(tell, finished, night) -> None:
    """A misspelt one was passed over."""
    code, out, err = tell("rerun", finished, "--stack", night / "stack.fits", "--input", "covrage=x.fits")
    assert (code, out) == (2, "")
    assert "the run had no input called 'covrage'; it had: stack" in err


def test_a_repeat_is_compared_with_the_run_and_never_with_itself(tell, finished, night, tmp_path) -> None:
    """Kept in the folder of the run it took the place of what it was to be compared with, and all was identical."""
    shutil.copytree(finished, "o")
    picture = Path("o/picture.tif").read_bytes()
    code, out, err = tell("rerun", "o/run.json", "--stack", night / "stack.fits", "-o", tmp_path / "o")
    assert (code, out) == (2, "")
    assert "holds the run that is to be compared with" in err
    assert Path("o/picture.tif").read_bytes() == picture
    Path("o/picture.tif").unlink()
    assert tell("rerun", "o", "--stack", night / "stack.fits", "-o", "again")[0] == 4
    assert not Path("again").exists()  # said before the work
    told = json.loads(Path("o/run.json").read_text())
    told["options"]["later"] = True
    Path("o/run.json").write_text(json.dumps(told))
    Path("o/picture.tif").write_bytes(picture)
    code, _, err = tell("rerun", "o", "--stack", night / "stack.fits")
    assert code == 4
    assert "made by another version of nebulakit" in err


def test_a_disk_that_cannot_be_written_to_is_told_by_the_files_name(tell, finished, monkeypatch) -> None:
    """Taking away the unfinished file failed as well, and that was told."""

    def refused(path: Path, *args: object, **more: object) -> None:
        raise OSError(30, "Read-only file system", str(path))

    monkeypatch.setattr(os, "replace", refused)
    monkeypatch.setattr(Path, "unlink", refused)
    for args in (["freeze", finished / "run.json", "-o", "a.yaml"], ["compare", finished, finished, "-o", "a.html"]):
        code, out, err = tell(*args)
        assert (code, out, err) == (
            2,
            "",
            f"error: cannot write {args[-1]}: Read-only file system. Choose another place with -o\n",
        )


def test_a_text_that_is_interrupted_leaves_nothing_behind(tell, finished, monkeypatch) -> None:
    def interrupt(*_: object) -> None:
        raise KeyboardInterrupt

    monkeypatch.setattr(os, "replace", interrupt)
    assert tell("freeze", finished / "run.json", "-o", "mine.yaml")[0] == 130
    assert list(Path().iterdir()) == []


def test_freeze_tells_where_it_cannot_write(tell, finished) -> None:
    code, out, err = tell("freeze", finished / "run.json", "-o", "nowhere/a.yaml")
    assert (code, out) == (2, "")
    assert "cannot write nowhere/a.yaml: No such file or directory" in err
    Path("a.yaml").mkdir()
    code, out, err = tell("freeze", finished / "run.json", "-o", "a.yaml", "--overwrite")
    assert (code, out) == (2, "")
    assert "cannot write a.yaml: Is a directory" in err
    assert [p.name for p in Path().iterdir()] == ["a.yaml"]


def test_steps(tell) -> None:
    code, out, _ = tell("steps")
    assert code == 0
    assert [line.split()[0] for line in out.splitlines()] == sorted(STEPS)
    told = json.loads(tell("steps", "--json")[1])
    assert [s["name"] for s in told] == sorted(STEPS)
    assert tell("steps", "--markdown")[1].count("\n| `") == len(STEPS)
    for name, step in STEPS.items():
        page = tell("steps", name)[1]
        assert all(parameter in page for parameter in step.abouts)
        assert json.loads(tell("steps", name, "--json")[1])[0]["name"] == name
    code, _, err = tell("steps", "sturate")
    assert code == 2
    assert "saturate" in err


def test_recipes_new_and_schema(tell, tmp_path) -> None:
    assert [line.split()[0] for line in tell("recipes")[1].splitlines()] == sorted(shipped())
    for name, path in shipped().items():
        assert tell("recipes", name)[1] == path.read_text(encoding="utf-8")
        assert tell("new", f"my_{name}", "--from", name)[:2] == (0, f"my_{name}.yaml\n")
        assert tell("check", f"my_{name}.yaml")[0] == 0
        named, _, rest = path.read_text(encoding="utf-8").partition("\n")
        assert "recipe.schema.json" in named
        assert Path(f"my_{name}.yaml").read_text(encoding="utf-8") == rest  # there is no such file here
    Path("recipe.schema.json").write_text(tell("schema")[1])
    tell("new", "named")
    assert Path("named.yaml").read_text(encoding="utf-8") == shipped()["bicolour"].read_text(encoding="utf-8")
    assert tell("new", "my_lines")[0] == 2
    assert tell("new", "x", "--from", "nothing")[0] == 2
    assert tell("recipes", "nothing")[0] == 2
    assert "draft-07" in json.loads(tell("schema")[1])["$schema"]


def test_show_tells_where_each_line_came_from(tell) -> None:
    Path("own.yaml").write_text("version: 1\nextends: lines\nchange:\n  field: {keep: 50%}\n")
    code, out, err = tell("show", "own.yaml", "--set", "level_ha.order=0")
    assert (code, err) == (0, "")
    crop = next(line for line in out.splitlines() if "keep:" in line)
    assert "50%" in crop
    assert crop.endswith("# own.yaml:4")
    assert next(line for line in out.splitlines() if "remove_gradient" in line).partition("# ")[2].startswith("lines.yaml:")
    assert "order: 0" in out
    for more in ((), ("--resolved",), ("--resolved", "--no-origins"), ("--no-origins",)):
        text = tell("show", "own.yaml", *more)[1]
        assert ("#" in text) == ("--no-origins" not in more)
        Path("flat.yaml").write_text(text)
        assert tell("check", "flat.yaml")[0] == 0
    assert "map_counts" in tell("show", "own.yaml", "--resolved")[1]
    assert tell("show", "nothing")[0] == 3


# -- exit codes ----------------------------------------------------------------------------------------------------------


def test_a_step_of_another_file_is_told_with_that_file(tell) -> None:
    """A recipe of three lines was told of its line 38."""
    Path("base.yaml").write_text(
        "version: 1\nsteps:\n  - crop: {box: [[900 px, 0 px], [990 px, 9 px]]}\noutputs:\n  - {layer: last, file: a.fits}\n"
    )
    Path("mine.yaml").write_text("version: 1\nextends: base.yaml\nchange: {crop: {skip: true}}\n")
    code, _, err = tell("check", "mine.yaml")
    assert code == 3
    assert "it changes the size, and the output in line 5 of base.yaml reads its result" in err
    fits.writeto("x.fits", np.ones((60, 80), np.float32))
    Path("mine.yaml").write_text("version: 1\nextends: base.yaml\nabout: Mine.\n")
    code, _, err = tell("run", "mine.yaml", "x.fits", "--no-cache", "--no-report")
    assert code == 1
    assert "step 1 of 1, crop, in line 3 of base.yaml failed" in err


def test_code_1_a_step_cannot_go_on(tell) -> None:
    Path("r.yaml").write_text(
        "version: 1\nsteps:\n  - crop: {box: [[900 px, 0 px], [990 px, 9 px]]}\noutputs:\n  - {layer: last, file: part.fits}\n"
    )
    fits.writeto("mono.fits", np.ones((60, 80), np.float32))
    code, out, err = tell("run", "r.yaml", "mono.fits", "-o", "o", "--no-cache", "--no-report")
    assert (code, out) == (1, "")
    assert "step 1 of 1, crop, in line 3 of the recipe failed" in err
    assert not Path("o").exists()


@pytest.mark.parametrize(
    ("recipe", "kind", "words"),
    [
        ("bicolour", "grey", "unmix (unmix_lines) in line 45 of the recipe needs red, green and blue"),
        ("natural", "grey", "the recipe one_line"),
        ("finish", "shown", "grey.png is grey, but saturate in line"),
        ("bicolour", "mosaic", "gradient (remove_gradient) in line 22 of the recipe needs colours that are apart"),
        ("one_line", "mosaic", "collapse_bayer"),
    ],
)
def test_code_4_a_stack_whose_channels_do_not_suit_is_refused_before_any_step(tell, recipe, kind, words) -> None:
    plane = np.random.default_rng(1).normal(0.1, 0.01, (60, 80)).astype(np.float32)
    fits.writeto("grey.fits", plane, fits.Header({"BAYERPAT": "RGGB"}) if kind == "mosaic" else None)
    Pictures.fromarray((255 * plane).astype(np.uint8)).save("grey.png")
    code, out, err = tell("run", recipe, "grey.png" if kind == "shown" else "grey.fits", "-o", "o", "--no-cache", "--no-report")
    assert (code, out) == (4, "")
    assert words in err
    assert not Path("o").exists()


def test_code_4_a_stack_without_a_value(tell) -> None:
    fits.writeto("empty.fits", np.full((3, 60, 80), np.nan, np.float32))
    code, out, err = tell("run", "bicolour", "empty.fits", "-o", "o", "--no-cache")
    assert (code, out) == (4, "")
    assert "empty.fits" in err
    assert not Path("o").exists()


def test_code_1_our_own_fault_says_how_to_report_it(tell, night, monkeypatch) -> None:
    def broken(*args: object, **more: object) -> None:
        raise ZeroDivisionError("made for this test")

    monkeypatch.setattr(job, "execute", broken)
    code, out, err = tell("run", night / "r.yaml", night / "stack.fits", "-o", "o", "--no-cache", "--no-report", own_fault=True)
    assert (code, out) == (1, "")
    assert "made for this test" in err
    assert "fault of nebulakit" in err
    assert "report it" in err
    assert not Path("o").exists()


@pytest.mark.parametrize(
    ("args", "words"),
    [
        (["rnu"], "did you mean 'run'"),
        (["insepct"], "did you mean 'inspect'"),
        (["run", "--previw", "2", "lines", "x.fits"], "--preview"),
        (["run", "lines"], "STACK"),
        (["run", "lines", "x.fits", "--set", "crop"], "--set"),
        (["run", "lines", "x.fits", "--set", "field.kep=5%"], "keep"),
        (["run", "lines", "x.fits", "--set", "fild.keep=5%"], "field"),
        (
            ["sweep", "lines", "x.fits", "--vary", "field.keep=5%", "--set", "level_ha.order=x"],
            "error: --set level_ha.order=x: order",
        ),
        (["run", "lines", "x.fits", "--cache", "a", "--no-cache"], "contradict"),
        (["sweep", "lines", "x.fits", "--vary", "field.keep=80%", "--cache", "a", "--no-cache"], "contradict"),
        (["run", "lines", "a/x.fits", "b/x.fits"], "same name"),
        (["cache", "melt"], "clear"),
        (["cache", "trim", "--limit", "inf"], "'--limit': inf is no number"),
        (["run", "lines", "x.fits", "--fwhm", "nan"], "'--fwhm': nan is no number"),
        (["new", ""], "no file name"),
        (["sweep", "lines", "x.fits", "--vary", "field.keep="], "names no value"),
        (["sweep", "lines", "x.fits", "--vary", "field.keep=80%", "--vary", "field.keep=90%"], "varied twice"),
        (["sweep", "lines", "x.fits", "--vary", "field.keep=80%", "--pick", "1", "-o", "nowhere/a.yaml"], "cannot write nowhere"),
    ],
)
def test_code_2_a_wrong_command_line_is_told_the_nearest(tell, args, words) -> None:
    code, out, err = tell(*args)
    assert (code, out) == (2, "")
    assert words in err
    assert list(Path().iterdir()) == []


def test_code_2_a_folder_that_cannot_be_written_into_is_refused_before_any_work(tell, night) -> None:
    Path("file").write_text("mine")
    recipe, stack = night / "r.yaml", night / "stack.fits"
    for verb in (["run", recipe, stack, "--no-cache"], ["sweep", recipe, stack, "--vary", "saturate.gain=1,2"], ["demo"]):
        code, out, err = tell(*verb, "-o", "file/x")
        assert (code, out) == (2, "")
        assert "cannot write into file/x: Not a directory" in err
        assert "1/" not in err
        assert "making" not in err
    assert Path("file").read_text() == "mine"


def test_what_the_system_refuses_is_no_fault_of_ours(tell, night, finished, monkeypatch) -> None:
    """A list of files in one pair of quotation marks is a name that no file can have, and was reported as our fault."""
    long = f"{'one.fits ' * 40}two.fits"
    for args in (["inspect", long], ["run", night / "r.yaml", long, "-o", "o"], ["compare", long, long], ["freeze", long]):
        code, out, err = tell(*args)
        assert code in (4, 6)
        assert out == ""
        assert "File name too long" in err
        assert "fault of nebulakit" not in err
    code, _, err = tell("run", night / "r.yaml", long, night / "stack.fits", "-o", "o", "--no-cache", "--no-report")
    assert code == 5
    assert Path("o/stack/picture.tif").is_file()

    def refused(*args: object, **more: object) -> str:
        raise PermissionError(13, "Permission denied", "there/run.json")

    monkeypatch.setattr("nebulakit.runner.freeze.frozen", refused)
    code, _, err = tell("freeze", finished / "run.json")
    assert (code, err) == (6, "error: there/run.json: Permission denied\n")


def test_a_disk_that_fills_while_a_run_fails_is_no_fault_of_ours(tell, night, monkeypatch) -> None:
    """The page of a run that failed could not be written, and the traceback asked the user to report it."""

    def full(*args: object, **more: object) -> str:
        raise OSError(28, "No space left on device")

    monkeypatch.setattr("nebulakit.runner.folder.tempfile.mkdtemp", full)
    monkeypatch.setattr("nebulakit.runner.job.refuse_unwritable", lambda folder: None)
    code, _, err = tell("run", night / "r.yaml", night / "stack.fits", "-o", "o", "--no-cache")
    assert code == 2
    assert "fault of nebulakit" not in err
    assert "cannot write into o: No space left on device" in err


def test_code_2_a_port_that_is_taken_is_told(tell, night) -> None:
    """It was reported as our fault."""
    with socket.create_server(("127.0.0.1", 0)) as other:
        port = other.getsockname()[1]
        code, out, err = tell("watch", night / "r.yaml", night / "stack.fits", "--no-open", "--no-cache", "--port", port)
    assert (code, out) == (2, "")
    assert f"cannot listen on port {port}: Address already in use" in err


def test_code_2_nothing_takes_the_place_of_what_is_read(tell, night) -> None:
    for name in ("stack.fits", "coverage.fits"):
        Path(name).write_bytes((night / name).read_bytes())
    was = Path("stack.fits").read_bytes()
    Path("r.yaml").write_text(RECIPE.replace("picture.tif", "stack.fits"))
    Path("s.yaml").write_text(RECIPE.replace("id: stretch", "id: coverage"))
    for args in (
        ["run", "r.yaml", "stack.fits", "-o", ".", "--overwrite"],
        ["run", "s.yaml", "stack.fits", "-o", ".", "--overwrite", "--until", "coverage", "--input", "coverage=coverage.fits"],
        ["inspect", "stack.fits", "--picture", "./stack.fits"],
        ["demo", "--size", 200, 200, "--only-stack", "-o", "."],
    ):
        code, out, err = tell(*args)
        assert (code, out) == (2, ""), args
        assert "stack.fits" in err or "coverage.fits" in err or "other files" in err
    assert sorted(p.name for p in Path().iterdir()) == ["coverage.fits", "r.yaml", "s.yaml", "stack.fits"]
    assert Path("stack.fits").read_bytes() == was


def test_a_sweep_takes_the_place_of_an_earlier_one_only(tell, night) -> None:
    Path("o").mkdir()
    Path("o/contact.png").write_bytes(b"mine")
    args = ("sweep", night / "r.yaml", night / "stack.fits", "--vary", "saturate.gain=1.1,1.2", "--no-cache")
    code, out, err = tell(*args, "-o", "o")
    assert (code, out) == (2, "")
    assert "contact.png is there already" in err
    assert Path("o/contact.png").read_bytes() == b"mine"
    assert [tell(*args, "-o", "new")[0] for _ in range(2)] == [0, 0]


def test_a_cache_folder_that_is_a_file_is_not_told_as_damage(tell, night) -> None:
    Path("file").write_text("mine")
    code, _, err = tell("run", night / "r.yaml", night / "stack.fits", "-o", "o", "--cache", "file", "--no-report")
    assert code == 0
    assert "could not be kept in file (Not a directory)" in err
    assert "damaged" not in err
    assert Path("file").read_text() == "mine"


def test_code_3_a_recipe_that_is_not_there(tell, night) -> None:
    code, out, err = tell("run", "bicolor", night / "stack.fits")
    assert (code, out) == (3, "")
    assert "'bicolour'" in err


def test_a_fault_of_a_recipe_without_a_place_is_told_as_any_other(tell, night) -> None:
    for args in (["run", "nope.yaml", night / "stack.fits"], ["check", "nope.yaml"], ["show", "nope.yaml"]):
        assert tell(*args)[2].startswith("error: there is no recipe file 'nope.yaml'; ")


def test_code_4_a_file_that_is_not_a_picture(tell) -> None:
    Path("note.fits").write_text("not a picture")
    for name in ("note.fits", "absent.fits", "."):
        for command in (["run", "lines"], ["inspect"]):
            code, out, err = tell(*command, name)
            assert (code, out) == (4, ""), (name, command, err)
            assert err.splitlines()[-1].startswith("error: ")
    assert [p.name for p in Path().iterdir()] == ["note.fits"]


def test_a_further_input_that_is_no_picture_is_refused_before_any_step(tell, night) -> None:
    """It was read when its step was reached; plan took it, and an empty stack, for good."""
    masked = RECIPE.replace("steps:", "inputs: {mine: {scale: mask}}\nsteps:").replace("outputs:", "    mask: mine\noutputs:")
    Path("r.yaml").write_text(masked)
    for name, held, why in (("zero.png", "", "the file is empty"), ("note.png", "not a picture", "neither FITS, TIFF, PNG")):
        Path(name).write_text(held)
        for more in ([], ["-n"]):
            code, out, err = tell("run", "r.yaml", night / "stack.fits", "--input", f"mine={name}", "-o", "o", *more)
            assert (code, out) == (4, "")
            assert why in err
            assert "crop_to_coverage" not in err
        assert why in tell("plan", night / "r.yaml", name)[2]


@pytest.mark.skipif(sys.platform == "win32", reason="links need rights there")
def test_what_stands_at_a_name_is_told_as_what_it_is(tell, night) -> None:
    """A device was told to be a folder, and what cannot be looked at not to be there."""
    Path("loop.yaml").symlink_to("loop.yaml")
    Path("far.yaml").symlink_to("gone.yaml")
    Path("far.fits").symlink_to("gone.fits")
    for name, words in (
        ("loop.yaml", "cannot read loop.yaml: Too many levels of symbolic links"),
        ("far.yaml", "far.yaml is a link to gone.yaml, which is not there"),
        (os.devnull, "is a pipe or a device, not a recipe"),
        ("", "the name of the recipe is empty"),
        (".", ". is a folder, not a recipe"),
    ):
        code, _, err = tell("check", name)
        assert (code, words in err) == (3, True), err
    code, _, err = tell("inspect", "far.fits")
    assert (code, err) == (4, "error: far.fits: this is a link to gone.fits, which is not there\n")
    assert "the name of the stack is empty" in tell("run", "lines", "")[2]
    run = ["run", night / "r.yaml", night / "stack.fits", "--no-report", "-o"]
    for more in (["far.fits", "--no-cache"], ["o", "--cache", "loop.yaml"]):  # refused before any step
        code, out, err = tell(*run, *more)
        assert (code, out, "crop_to_coverage" in err) == (2, "", False)
        assert ("cannot write into far.fits" if more[1] == "--no-cache" else "cannot be kept in loop.yaml: Too many") in err
    code, _, err = tell("compare", "gone.jpg", night / "stack.fits")
    assert (code, "gone.jpg cannot be read: No such file" in err, "the folder of a run" in err) == (4, True, True)
    Path("-dash.fits").write_bytes((night / "stack.fits").read_bytes())
    code, _, err = tell("inspect", "-dash.fits")
    assert (code, err.splitlines()[-1]) == (2, "If the file is meant, write ./-dash.fits")


def test_what_may_not_be_looked_at_is_told_with_what_to_do(tell, night, monkeypatch) -> None:
    stat = os.stat

    def refused(path: object, *args: object, **more: object) -> os.stat_result:
        if str(path).startswith("locked"):
            raise PermissionError(13, "Permission denied", path)
        return stat(path, *args, **more)

    monkeypatch.setattr(os, "stat", refused)
    for args, words in (
        (["check", "locked/r.yaml"], "cannot read locked/r.yaml: Permission denied"),
        (["watch", "locked/r.yaml", "stack.fits"], "cannot read locked/r.yaml: Permission denied"),
        (["watch", "mine.yaml", "stack.fits"], "give the path of a recipe file, or make one with:  nebulakit new mine.yaml"),
        (["watch", "bicolour", "stack.fits"], "make one with:  nebulakit new mine.yaml --from bicolour"),
        (["compare", "locked/a.tif", "lines"], "locked/a.tif cannot be read: Permission denied. Give the folder"),
        (["cache", "--cache", "locked/c"], "cannot be kept in locked/c: Permission denied. Name another folder with --cache"),
    ):
        assert words in tell(*args)[2]


@pytest.mark.skipif(sys.platform != "linux", reason="no such device elsewhere")
def test_streams_that_are_full_or_closed_are_no_fault_of_ours(night, tmp_path) -> None:
    """A full disk under the answer was reported as our fault; without an error stream, or with a full one, nothing was run."""
    run = shlex.join([sys.executable, "-m", "nebulakit", "run", str(night / "r.yaml"), str(night / "stack.fits"), "--no-cache"])
    full = subprocess.run(f"{run} --no-report -o a > /dev/full", shell=True, capture_output=True, text=True, cwd=tmp_path)
    assert full.returncode == 6
    assert full.stderr.endswith("could not be written to where it was led: No space left on device\n")
    closed = subprocess.run(f"{run} --no-report -o b 2>&-", shell=True, capture_output=True, text=True, cwd=tmp_path)
    assert (closed.returncode, closed.stdout) == (0, "b/picture.tif\n")
    for stream in ("> /dev/full", ">&1 >&3 | head -c 0"):  # and one whose reader has gone
        deaf = subprocess.run(
            f"{{ {run} --no-report -o c --overwrite 2{stream}; }} 3>&1", shell=True, capture_output=True, text=True, cwd=tmp_path
        )
        assert (deaf.returncode, deaf.stdout) == (0, "c/picture.tif\n")
    assert (tmp_path / "a" / "picture.tif").read_bytes() == (tmp_path / "b" / "picture.tif").read_bytes()


def test_a_reader_that_has_gone_is_no_interruption() -> None:
    """``nebulakit explain | head`` told so, and ended with 1."""
    read, write = os.pipe()
    os.close(read)
    done = subprocess.run([sys.executable, "-m", "nebulakit", "explain"], stdout=write, stderr=subprocess.PIPE)
    os.close(write)
    assert (done.returncode, done.stderr) == (0, b"")


@pytest.mark.skipif(sys.platform != "linux", reason="other systems take no such names")
def test_names_that_are_no_text_cost_nothing(night, tmp_path) -> None:
    """Neither the page nor what is told on a stream of few signs could hold them, and the picture was lost."""
    name = b"caf\xe9.fits"
    (tmp_path / os.fsdecode(name)).write_bytes((night / "stack.fits").read_bytes())
    code = "import nebulakit.cli; nebulakit.cli.main()"
    look = [sys.executable, "-c", code, "inspect", name, "--picture", b"caf\xe9.png"]
    seen = subprocess.run(look, capture_output=True, cwd=tmp_path)
    assert (seen.returncode, seen.stdout.endswith(b"\ncaf\xe9.png\n")) == (0, True), seen.stderr
    for coding, written in (("utf-8", b"\xc5\x82\xe9/picture.tif\n"), ("cp1252", b"\\u0142\\udce9/picture.tif\n")):
        where = {**os.environ, "PYTHONIOENCODING": coding}
        args = ["run", os.fsencode(night / "r.yaml"), name, "--no-cache", "-o", "\u0142".encode() + b"\xe9"]
        done = subprocess.run([sys.executable, "-c", code, *args], capture_output=True, env=where, cwd=tmp_path)
        assert (done.returncode, done.stdout) == (0, written), done.stderr
    assert b"caf?.fits" in next(tmp_path.rglob("report.html")).read_bytes()


def test_code_5_one_of_several_fails(tell, night) -> None:
    Path("bad.fits").write_text("not a picture")
    code, out, err = tell("run", night / "r.yaml", "bad.fits", night / "stack.fits", "-o", "o", "--no-cache", "--no-report")
    assert (code, out) == (5, f"{Path('o') / 'stack' / 'picture.tif'}\n")
    assert "1 of 2 stacks failed: bad.fits" in err
    assert err.count("bad.fits: ") == 1
    assert not Path("o/bad").exists()
    again = tell("run", night / "r.yaml", "bad.fits", night / "stack.fits", "-o", "o", "--no-cache", "--no-report", "--json")
    bad, good = json.loads(again[1])
    assert (again[0], bad["inputs"]["stack"]["file"], good["inputs"]["stack"]["file"]) == (5, "bad.fits", "stack.fits")
    assert "neither FITS" in bad["error"]
    assert "already finished" in again[2]


def test_a_fault_of_ours_in_one_stack_does_not_stop_the_others(tell, night, monkeypatch) -> None:
    """A night ended with the first stack that met one."""
    for name in ("a.fits", "b.fits"):
        Path(name).write_bytes((night / "stack.fits").read_bytes())

    def broken(checked: object, *args: object, **more: object) -> object:
        if not done:
            done.append(1)
            raise ZeroDivisionError("made for this test")
        return execute(checked, *args, **more)

    done, execute = list[int](), job.execute
    monkeypatch.setattr(job, "execute", broken)
    batch = ["run", night / "r.yaml", "a.fits", "b.fits", "-o", "o", "--no-cache", "--no-report"]
    code, out, err = tell(*batch, own_fault=True)
    assert (code, out) == (5, f"{Path('o') / 'b' / 'picture.tif'}\n")
    assert err.count("This is a fault of nebulakit") == 1
    assert "1 of 2 stacks failed: a.fits" in err


def test_a_stack_that_may_not_be_read_does_not_stop_the_others(tell, night, monkeypatch) -> None:
    """The whole batch was refused."""
    Path("a.fits").write_bytes((night / "stack.fits").read_bytes())
    hashed = inputs.file_hash

    def refused(path: Path) -> str:
        if path.name == "a.fits":
            raise PermissionError(13, "Permission denied", str(path))
        return hashed(path)

    monkeypatch.setattr("os.access", lambda path, mode: str(path) != "a.fits")
    monkeypatch.setattr(inputs, "file_hash", refused)
    batch = ["run", night / "r.yaml", "a.fits", night / "stack.fits", "-o", "o", "--no-cache", "--no-report"]
    code, out, err = tell(*batch)
    assert (code, out) == (5, f"{Path('o') / 'stack' / 'picture.tif'}\n")
    assert "error: a.fits cannot be read: Permission denied" in err


def test_facts_are_not_lost_where_the_first_look_cannot_be_written(tell, night) -> None:
    """The stack had been measured, and nothing was told."""
    Path("file").write_text("mine")
    code, out, err = tell("inspect", night / "stack.fits", "--picture", "file/look.png")
    assert (code, "fwhm" in out) == (6, True)
    assert "look.png could not be written to file: File exists. Choose another place" in err


def test_a_disk_that_fills_while_outputs_are_written_is_told_by_its_folder(tell, night, monkeypatch) -> None:
    """A hidden folder was named, and not what to do."""

    def full(*args: object, **more: object) -> None:
        raise OSError(28, "No space left on device")

    monkeypatch.setattr("tifffile.imwrite", full)
    code, _, err = tell("run", night / "r.yaml", night / "stack.fits", "-o", "o", "--no-cache", "--no-report")
    assert code == 6
    assert err.endswith("error: the disk of o is full; nothing was changed there. Make room and run again\n")
    assert not Path("o").exists()


@pytest.mark.parametrize("name", ["picture.tif", "run.json", "report.html", "caption.txt"])
def test_a_folder_in_the_place_of_a_file_is_told_before_any_work(tell, night, name) -> None:
    """It passed for a fault of ours when all had been done."""
    Path("o", name).mkdir(parents=True)
    code, _, err = tell("run", night / "r.yaml", night / "stack.fits", "-o", "o", "--no-cache", "--overwrite")
    assert (code, err.splitlines()[1:]) == (
        2, [f"error: {Path('o', name)} is a folder, and a file of that name is to be written. Move it away, or choose another with -o"],
    )  # fmt: skip
    Path("deep.yaml").write_text((night / "r.yaml").read_text().replace("file: ", "file: sub/"))
    Path("o/sub").write_text("")
    assert (
        "sub is a file, and a folder of that name is"
        in tell("run", "deep.yaml", night / "stack.fits", "-o", "o", "--overwrite")[2]
    )


def test_no_output_lies_in_a_folder_called_as_a_file_that_a_run_writes_itself(tell, night) -> None:
    assert set(OWN) == {CAPTION, FAILED, PAGE, RECORD}
    for name in OWN:
        Path("r.yaml").write_text((night / "r.yaml").read_text().replace("picture.tif", f"{name}/picture.tif"))
        assert f"'{name}/picture.tif' and '{name}': one name cannot be a file and a folder" in tell("check", "r.yaml")[2]


def test_names_as_long_as_names_can_be(tell, night, finished) -> None:
    """Of an output it was said after the work, and of a folder not what to do."""
    long = "y" * 250
    Path("r.yaml").write_text(RECIPE.replace("picture.tif", f"{long}.tif"))
    assert tell("run", "r.yaml", night / "stack.fits", "-o", "o", "--no-cache", "--no-report")[0] == 0
    assert tell("compare", "bicolour", "natural", "-o", f"{long}.html")[0] == 0
    assert tell("freeze", finished, "-o", f"{long}.yaml")[0] == 0
    code, out, err = tell("run", night / "r.yaml", night / "stack.fits", "-o", f"{long}-{long}", "--no-cache")
    assert (code, out) == (2, "")
    assert err.endswith(": File name too long. Choose another folder with -o\n")


def test_a_pipe_is_refused_at_once(tell) -> None:
    """It was waited for without end, or told as a FITS file in which one cannot seek."""
    os.mkfifo("stack.fits")
    for args in (["inspect"], ["run", "lines"], ["plan", "lines"]):
        code, out, err = tell(*args, "stack.fits")
        assert (code, out) == (4, "")
        assert "stack.fits: this is a pipe or a device, not a file" in err


def test_a_stretched_picture_for_a_recipe_that_could_take_it(tell) -> None:
    """That the recipe needed it linear was all that was said, though none of its steps does."""
    Pictures.fromarray(np.zeros((80, 90, 3), np.uint8)).save("p.jpg")
    Path("any.yaml").write_text("version: 1\nsteps:\n  - orient: {turn: 90}\noutputs:\n  - {layer: last, file: o.tif}\n")
    code, _, err = tell("run", "any.yaml", "p.jpg", "--no-cache")
    assert code == 4
    assert "No step of it does: to have stretched pictures taken, write  inputs: {stack: {scale: display}}  into it" in err
    Path("any.yaml").write_text(Path("any.yaml").read_text().replace("steps:", "inputs: {stack: {scale: display}}\nsteps:"))
    assert tell("run", "any.yaml", "p.jpg", "--no-cache")[0] == 0
    code, _, err = tell("run", "natural", "p.jpg", "--no-cache")
    assert code == 4
    assert "there is the recipe finish" in err
    assert "inputs:" not in err


def test_layers_are_kept_in_a_folder_of_their_own_alone(tell, night) -> None:
    """Files of the user counted as layers that are kept, and some of them were removed."""
    Path("mine/runs").mkdir(parents=True)
    for name in ("stack.fits", "runs/notes.txt"):
        Path("mine", name).write_text("mine")
    for args in (["cache", "clear"], ["cache", "trim"], ["cache", "verify"], ["run", night / "r.yaml", night / "stack.fits"]):
        code, out, err = tell(*args, "--cache", "mine")
        assert (code, out) == (2, "")
        assert "mine holds other files (stack.fits)" in err
    Path("mine/stack.fits").unlink()
    assert tell("run", night / "r.yaml", night / "stack.fits", "-o", "o", "--cache", "mine", "--no-report")[0] == 0
    assert tell("cache", "clear", "--cache", "mine")[0] == 0
    assert [p for p in Path("mine").rglob("*") if p.is_file()] == [Path("mine/runs/notes.txt")]


def test_where_a_failed_run_is_shown_is_told_on_a_line_of_its_own(tell, night, monkeypatch) -> None:
    """On a terminal it was glued to the live line of the step."""

    class Watched(run.Progress):
        def __exit__(self, *fault: object) -> None:
            super().__exit__(*fault)
            told.append("the line has ended")

    told = list[str]()
    monkeypatch.setattr(run, "Progress", Watched)
    monkeypatch.setattr(run.Page, "failed", lambda page, fault: told.append("the page is told"))
    Path("r.yaml").write_text(SHEET.replace("[50%, 50%]", "[0.01%, 0.01%]"))
    assert tell("run", "r.yaml", night / "stack.fits", "-o", "o", "--no-cache")[0] == 1
    assert told == ["the line has ended", "the page is told"]


@pytest.mark.parametrize("scarce", ["memory", "disk"])
def test_code_6_too_little_memory_or_disk_is_said_before_the_start(tell, night, monkeypatch, scarce) -> None:
    if scarce == "memory":
        monkeypatch.setattr(job, "available_memory", lambda: 1000)
    else:
        usage = namedtuple("usage", "total used free")
        monkeypatch.setattr(job.shutil, "disk_usage", lambda where: usage(10**9, 10**9 - 1000, 1000))
    code, out, err = tell("run", night / "r.yaml", night / "stack.fits", "-o", "o", "--no-cache")
    assert (code, out) == (6, "")
    assert scarce in err
    assert not Path("o").exists()


def test_code_130_interrupted(tell, night, finished, monkeypatch) -> None:
    def interrupt(*args: object, **more: object) -> None:
        raise KeyboardInterrupt

    monkeypatch.setattr(job, "execute", interrupt)
    code, out, err = tell("run", night / "r.yaml", night / "stack.fits", "-o", "o", "--no-cache", "--no-report")
    assert (code, out) == (130, "")
    assert "interrupted" in err
    assert "kept" not in err
    assert not Path("o").exists()
    assert "layers are kept" in tell("run", night / "r.yaml", night / "stack.fits", "-o", "o", "--cache", "c", "--no-report")[2]
    code, _, err = tell("rerun", finished)  # which reuses nothing, and keeps nothing
    assert (code, "interrupted" in err, "kept" in err) == (130, True, False)


@pytest.mark.skipif(sys.platform == "win32", reason="no such signals there")
@pytest.mark.parametrize("name", ["SIGTERM", "SIGHUP"])
@pytest.mark.parametrize("given", [["sweep", "--vary", "saturate.gain=1,2"], ["run"], ["rerun"]], ids=["sweep", "run", "rerun"])
def test_code_128_and_more_ended_by_a_signal_leaves_nothing_behind(night, finished, tmp_path, name, given) -> None:
    """Temporary folders and half-written files stayed; a shell tells its children twice that the terminal has gone."""
    for folder in ("temporary", "here"):
        (tmp_path / folder).mkdir()
    stack = [] if given == ["rerun"] else [str(night / "r.yaml"), str(night / "stack.fits"), "-o", "o", "--no-cache"]
    record = [str(finished / "run.json")] if given == ["rerun"] else []
    code = f"""
import os, signal, nebulakit.cli
from nebulakit.files import writing
from nebulakit.runner import sheet
signal.signal(signal.{name}, signal.SIG_DFL)  # under nohup it is ignored, and is to stay so
def end(*args, **more):
    os.kill(os.getpid(), signal.{name})
    os.kill(os.getpid(), signal.{name})
writing._tiff = sheet.contact_sheet = end  # while files are written
nebulakit.cli.main({[*given[:1], *stack, *record, *given[1:]]!r})
"""
    where = {**os.environ, "TMPDIR": str(tmp_path / "temporary")}
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, env=where, cwd=tmp_path / "here")
    assert done.returncode == 128 + getattr(signal, name)
    assert "interrupted; files of earlier runs are as they were." in done.stderr
    assert "Traceback" not in done.stderr
    assert not [*(tmp_path / "temporary").iterdir(), *(tmp_path / "here").iterdir()]


@pytest.mark.parametrize("verb", VERBS)
def test_every_verb_explains_itself(tell, verb) -> None:
    code, out, err = tell(verb, "--help")
    assert (code, err) == (0, "")
    assert "Usage: nebulakit" in out


def test_a_batch_is_taken_up_where_it_stopped(tell, night) -> None:
    for name in ("a.fits", "b.fits"):
        Path(name).write_bytes((night / "stack.fits").read_bytes())
    batch = ["run", night / "r.yaml", "a.fits", "b.fits", "-o", "o", "--no-cache", "--no-report"]
    assert tell(*batch)[0] == 0
    before = {p: p.stat().st_mtime_ns for p in Path("o").rglob("*.*")}
    code, out, err = tell(*batch)
    assert (code, out) == (0, "".join(f"{Path('o') / n / 'picture.tif'}\n" for n in "ab"))
    assert err.count("already finished") == 2
    assert {p: p.stat().st_mtime_ns for p in Path("o").rglob("*.*")} == before
    Path("o/a/picture.tif").write_bytes(b"damaged")  # is made again
    assert tell(*batch)[2].count("already finished") == 1
    assert len(Path("o/a/picture.tif").read_bytes()) > 1000
    assert tell(*batch, "--set", "saturate.gain=1.5")[2].count("already finished") == 0
    data = fits.getdata("b.fits") * np.float32(1.01)
    fits.writeto("b.fits", data, overwrite=True)  # another stack of the same name
    assert tell(*batch, "--set", "saturate.gain=1.5")[2].count("already finished") == 1


# -- what is loaded -------------------------------------------------------------------------------------------------------


def loaded(*args: str) -> set[str]:
    """Give the modules loaded after a command."""
    code = f"import sys; from nebulakit.cli import call; call({list(args)!r}); print('\\n'.join(sys.modules), file=sys.stderr)"
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True)
    return set(done.stderr.split())


def test_help_loads_no_numpy() -> None:
    assert not loaded("--help") & {"numpy", "cv2", "scipy", "astropy", "pydantic"}


def test_check_loads_no_cv2() -> None:
    assert not loaded("check", "bicolour") & {"cv2", "scipy", "astropy", "skimage"}
