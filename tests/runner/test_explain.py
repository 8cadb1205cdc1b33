"""Every warning and symptom is explained, and every line of YAML that is told can be written into a recipe."""

import ast
import re
from pathlib import Path

import pytest

import nebulakit
from nebulakit.cli import call
from nebulakit.declare import STEPS
from nebulakit.recipe import loads
from nebulakit.runner.explain import SYMPTOMS
from nebulakit.runner.warnings import WARNINGS

PACKAGE = Path(nebulakit.__file__).parent


def noticed() -> dict[str, str]:
    """Give every id that stands first in a ``Notice(...)`` of the package, with its file."""
    found = {}
    for path in sorted(PACKAGE.rglob("*.py")):
        for node in ast.walk(ast.parse(path.read_text())):
            # cropping, below the room of images, tells its doubts as (id, text); the step makes notices of them
            if isinstance(node, ast.Call) and ast.unparse(node.func) == "doubts.append" and isinstance(node.args[0], ast.Tuple):
                found[node.args[0].elts[0].value] = path.name  # type: ignore[attr-defined]
            if isinstance(node, ast.Call) and getattr(node.func, "id", getattr(node.func, "attr", "")) == "Notice" and node.args:
                first = node.args[0]
                if isinstance(first, ast.Constant):
                    found[first.value] = path.name
                else:
                    assert ast.unparse(node) in ("Notice(*n)", "Notice(name, text)"), (
                        f"{path.name}: the id of a Notice must stand there as a text"
                    )
    return found


def test_every_warning_has_an_entry_and_no_entry_is_left_over():
    ids = noticed()
    assert len(ids) > 40
    assert sorted(set(ids) - set(WARNINGS)) == []
    assert sorted(set(WARNINGS) - set(ids)) == []
    assert all(re.fullmatch(r"[a-z]+(-[a-z]+)*", i) for i in ids)


ENTRIES = {**SYMPTOMS, **WARNINGS}
WRITTEN = sorted(k for k, e in ENTRIES.items() if e.mend.startswith("- "))

BEFORE = """version: 1
steps:
  - separate_stars: {}
    as: {nebula: nebula, stars: stars}
  - unmix_lines: {}
    from: nebula
    as: {ha: ha, oiii: oiii}
  - stretch_asinh: {}
    from: ha
    as: ha_bright
  - stretch_asinh: {}
    from: oiii
    as: oiii_bright
  - bicolour: {ha: ha_bright, oiii: oiii_bright}
    as: picture
"""


def lines(mend: str) -> list[str]:
    """Give the lines of YAML in an entry: the first, and others after 'or' or 'then'."""
    return [
        part.strip().rstrip(";")
        for part in re.split(r"#|(?:^|\s)(?:or|then|and)\s+(?=- )", mend)
        if part.strip().startswith("- ")
    ]


@pytest.mark.parametrize("name", WRITTEN)
def test_what_is_told_to_write_can_be_written(name):
    for line in lines(ENTRIES[name].mend):
        step = re.match(r"- (\w+):", line)[1]
        declared = STEPS[step]
        if declared.takes == "mosaic":
            head, layer = "version: 1\nsteps:\n", "stack"
        else:
            layer = (
                "picture"
                if declared.reads == "display"
                else {"balance_stars": "stars", "balance_lines": "ha"}.get(step, "nebula")
            )
            head = BEFORE
        read = "" if step == "bicolour" else f"    from: {layer}\n"  # which names both lines itself
        loads(f"{head}  {line}\n{read}    as: out\noutputs:\n  - {{layer: out, file: out.fits}}\n")


def test_every_entry_says_what_to_do():
    for name, entry in ENTRIES.items():
        assert all(entry), name
        assert entry.mend.startswith(("- ", "nothing in the recipe: ")), name


def test_explain_prints_an_entry_and_lists_all(capsys):
    assert call(["explain", "already-stretched"]) == 0
    told = capsys.readouterr().out
    assert WARNINGS["already-stretched"].mend in told
    assert call(["explain"]) == 0
    told = capsys.readouterr().out
    assert [line.split()[0] for line in told.splitlines() if line.startswith("  ")] == [*sorted(SYMPTOMS), *sorted(WARNINGS)]


def test_explain_refuses_an_unknown_name(capsys):
    assert call(["explain", "blotchs"]) == 2
    assert "blotches" in capsys.readouterr().err
