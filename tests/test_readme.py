"""What the README promises is there."""

import re
from pathlib import Path

import pytest

from nebulakit.cli import VERBS
from nebulakit.cli.steps import table
from nebulakit.declare import STEPS
from nebulakit.recipe import loads, shipped

ROOT = Path(__file__).resolve().parent.parent
README = (ROOT / "README.md").read_text(encoding="utf-8")


def blocks(kind: str) -> list[str]:
    return re.findall(rf"^```{kind}\n(.*?)^```", README, re.M | re.S)


def test_the_table_of_steps_is_current():
    # make it anew with:  nebulakit steps --markdown
    assert table([STEPS[k] for k in sorted(STEPS)]) in README


def test_two_shell_blocks_do_their_own_set_up():
    first, second = blocks("sh")
    assert first.splitlines()[0] == second.splitlines()[0] == "python3 -m venv .venv"
    assert first.rstrip().endswith("nebulakit demo")
    assert "pytest" in second


def test_the_first_paragraph_is_the_job_and_pictures_are_there():
    words = README.split("\n\n")[1]
    assert all(w in words for w in ("linear", "H-alpha", "[O III]", "recipe", "alt-azimuth"))
    for picture in re.findall(r"!\[[^\]]*\]\(([^)]+)\)", README):
        assert (ROOT / picture).is_file(), picture


@pytest.mark.parametrize("name", sorted(shipped()))
def test_every_shipped_recipe_is_told(name):
    assert f"| `{name}` |" in README


def test_recipes_in_it_have_no_fault():
    for text in blocks("yaml"):
        assert loads(text).outputs


def test_every_command_in_it_exists():
    for verb in re.findall(r"^nebulakit (\w+)", README, re.M):
        assert verb in VERBS, verb


def test_every_option_it_sets_exists():
    bicolour = {c.id: c for c in loads((shipped()["bicolour"]).read_text(encoding="utf-8")).steps}
    for id, name in re.findall(r"--(?:set|vary) (\w+)\.(\w+)=", README):
        assert name in type(bicolour[id].params).model_fields
