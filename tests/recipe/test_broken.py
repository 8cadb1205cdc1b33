"""Every broken recipe in the folder ``broken`` is told with line, column and words, all its faults at once.

Each file says what is expected of it in its first lines: ``# LINE:COLUMN: words of the sentence``.
"""

from __future__ import annotations

import re
from pathlib import Path

import pytest
import yaml

from nebulakit.cli import call
from nebulakit.errors import RecipeError
from nebulakit.recipe import load, loads, text
from nebulakit.recipe.faults import FaultyRecipe

BROKEN = sorted((Path(__file__).parent / "broken").glob("*.yaml"))
broken = pytest.mark.parametrize("path", BROKEN, ids=lambda p: p.stem)


def expected(written: str) -> list[tuple[int, int, str]]:
    """Give line, column and words of each fault that a file announces."""
    found = [re.fullmatch(r"# (\d+):(\d+): (.+)", line) for line in written.split("\n")]
    return [(int(m[1]), int(m[2]), m[3]) for m in found if m]


def faults_of(written: str) -> FaultyRecipe:
    with pytest.raises(FaultyRecipe) as caught:
        loads(written)
    return caught.value


def test_there_are_many() -> None:
    assert len(BROKEN) >= 40


@broken
def test_its_faults_are_told_with_their_places(path: Path) -> None:
    written = path.read_text(encoding="utf-8")
    wanted = expected(written)
    assert wanted, "the file does not say what is expected"
    told = faults_of(written).faults
    assert [(f.place.line, f.place.column) for f in told] == [(line, column) for line, column, _ in wanted]
    for fault, (_, _, words) in zip(told, wanted, strict=True):
        assert words in fault.sentence


@broken
def test_run_shows_each_fault_with_its_line_and_a_caret(path: Path, tmp_path: Path, monkeypatch, capsys) -> None:
    monkeypatch.chdir(tmp_path)
    # the stack does not exist: a recipe's faults are told before a file is looked at
    assert call(["run", str(path), "stack.fits", "-o", "out"]) == 3
    assert list(tmp_path.iterdir()) == []
    told = capsys.readouterr()
    assert told.out == ""
    lines, shown = path.read_text(encoding="utf-8").split("\n"), told.err.split("\n")
    heads = [i for i, line in enumerate(shown) if line.startswith(f"{path}:")]
    assert heads[0] == 0
    assert len(heads) == len(expected("\n".join(lines)))
    for i in heads:
        place = re.match(r":(\d+):(\d+): error: \S", shown[i].removeprefix(str(path)))
        assert place, shown[i]
        line, column = lines[int(place[1]) - 1], int(place[2])
        if line.strip():
            assert shown[i + 1] == "    " + "".join(c if c.isprintable() else " " if c == "\t" else "?" for c in line).rstrip()
            assert shown[i + 2] == " " * (4 + column - 1) + "^"


@broken
def test_both_parsers_of_yaml_lead_to_the_same(path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """PyYAML brings a parser in C where it could be built, and one in Python: places and words are the same."""
    written = path.read_text(encoding="utf-8")
    with_c = [(f.place[1:], f.sentence) for f in faults_of(written).faults]
    monkeypatch.setattr(text, "_LOADER", yaml.SafeLoader)
    assert [(f.place[1:], f.sentence) for f in faults_of(written).faults] == with_c


def test_a_file_that_is_no_text_is_told(tmp_path: Path) -> None:
    """Of a stack given as the recipe its bytes were printed, as the line that is faulty."""
    path = tmp_path / "odd.yaml"
    path.write_bytes("version: 1\nabout: schön\n".encode("latin-1"))
    with pytest.raises(RecipeError, match=r"odd\.yaml:2:11: error: this is not text in UTF-8"):
        load(path)
    path.write_bytes(b"SIMPLE  =                    T" + bytes(range(256)) * 4000)
    with pytest.raises(RecipeError, match=r"odd\.yaml is no text, so it is no recipe; the recipe comes first, then the stack$"):
        load(path)
    path.write_bytes("version: 1\n".encode("utf-16"))
    with pytest.raises(RecipeError, match=r"odd\.yaml:1:1: error: this is not text in UTF-8"):
        load(path)


def test_a_recipe_that_is_too_long_is_refused_at_once() -> None:
    told = faults_of("version: 1\nabout: " + "x" * 300_000).faults
    assert len(told) == 1
    assert "may have 200000" in told[0].sentence


def test_a_recipe_that_is_not_there_is_answered_with_the_nearest(tmp_path: Path) -> None:
    with pytest.raises(
        RecipeError, match="no recipe file 'bicolor', and no shipped recipe of that name; did you mean 'bicolour'"
    ):
        load("bicolor")
    with pytest.raises(RecipeError, match="is a folder"):
        load(tmp_path)
    with pytest.raises(RecipeError, match="no recipe file"):
        load(tmp_path / "none.yaml")
    with pytest.raises(RecipeError, match="no recipe file"):
        load("a\0b")


def test_a_long_line_is_shown_around_the_caret() -> None:
    told = str(faults_of(f"version: 1\nabout: {'x' * 400}: y\n"))
    head, line, caret = told.split("\n")
    assert head.startswith("recipe.yaml:2:408: error: ")
    assert len(line) <= 150
    assert line[len(caret) - 1] == ":"


def test_nothing_in_a_recipe_speaks_to_the_terminal() -> None:
    told = str(faults_of('version: 1\nsteps:\n  - "\\e[31mred\\u202e": {}\noutputs: []\n'))
    assert all(c.isprintable() or c == "\n" for c in told)
