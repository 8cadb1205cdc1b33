"""A recipe with faults ends the command line with code 3, tells the place first, and leaves nothing behind."""

import re
from pathlib import Path

import pytest

from nebulakit.cli import call

BROKEN = sorted((Path(__file__).parents[1] / "recipe" / "broken").glob("*.yaml"))


def test_there_are_many() -> None:
    assert len(BROKEN) >= 30


@pytest.mark.parametrize("path", BROKEN, ids=lambda p: p.stem)
def test_run_refuses_it_with_its_place(path: Path, tmp_path: Path, monkeypatch, capsys) -> None:
    monkeypatch.chdir(tmp_path)
    # the stack does not exist: a recipe's faults are told before a file is looked at
    assert call(["run", str(path), "stack.fits", "-o", "out"]) == 3
    told = capsys.readouterr()
    assert told.out == ""
    assert re.match(re.escape(str(path)) + r":\d+:\d+: error: \S", told.err), told.err
    assert "Traceback" not in told.err
    assert list(tmp_path.iterdir()) == []
