"""``extends``: a recipe made from another by ``change``, ``insert`` and ``skip``, always by id."""

from __future__ import annotations

from pathlib import Path

import pytest

from nebulakit.errors import RecipeError
from nebulakit.recipe import load, loads, resolved, show
from nebulakit.recipe.model import Recipe

BASE = """\
version: 1
about: The base.
vars: {keep: 85%, much: 1.5}
inputs: {mine: {optional: true, scale: mask}}
steps:
  - crop_to_coverage: {keep: "${keep}"}
  - remove_gradient: {order: 1}
    id: sky
  - denoise_wavelet: {strength: "${much}"}
    id: smooth
    mask: mine
  - stretch_asinh: {}
outputs:
  - {layer: last, file: base.tif}
"""


@pytest.fixture
def folder(tmp_path: Path) -> Path:
    (tmp_path / "base.yaml").write_text(BASE)
    return tmp_path


def own(folder: Path, text: str, name: str = "own.yaml") -> Recipe:
    (folder / name).write_text("version: 1\nextends: base.yaml\n" + text)
    return load(folder / name)


def test_nothing_changed_is_the_base(folder: Path) -> None:
    assert resolved(own(folder, "")) == resolved(load(folder / "base.yaml"))


def test_it_equals_the_recipe_written_out(folder: Path) -> None:
    r = own(
        folder,
        "about: Mine.\n"
        "vars: {keep: 70%}\n"
        "change:\n"
        "  sky: {order: 2}\n"
        "  smooth: {strength: 0.5, amount: 50%, mask: bright}\n"
        "insert:\n"
        "  - after: sky\n"
        "    steps:\n"
        "      - level_mask: {above: 5 sigma}\n"
        "        as: bright\n"
        "  - before: crop_to_coverage\n"
        "    steps:\n"
        "      - level_sky: {}\n"
        "skip: [sky]\n"
        "outputs:\n"
        "  - {layer: last, file: mine.png}\n",
    )
    flat = """\
version: 1
about: Mine.
vars: {keep: 70%, much: 1.5}
inputs: {mine: {optional: true, scale: mask}}
steps:
  - level_sky: {}
  - crop_to_coverage: {keep: "${keep}"}
  - remove_gradient: {order: 2}
    id: sky
    skip: true
  - level_mask: {above: 5 sigma}
    as: bright
  - denoise_wavelet: {strength: 0.5}
    id: smooth
    mask: bright
    amount: 50%
  - stretch_asinh: {}
outputs:
  - {layer: last, file: mine.png}
"""
    assert resolved(r) == resolved(loads(flat))


def test_its_text_is_the_flat_recipe_and_reads_back(folder: Path) -> None:
    r = own(folder, "change:\n  sky: {order: 2}\n")
    assert "extends" not in r.text
    assert resolved(loads(r.text)) == resolved(r)
    # variables are kept, so that settings work on it as on the recipe itself
    assert resolved(loads(r.text, settings={"vars.keep": "60%"})) == resolved(load(r.path, settings={"vars.keep": "60%"}))


def test_it_may_be_shown_with_where_each_part_came_from(folder: Path) -> None:
    own(folder, "change:\n  sky: {order: 2, by: divide}\n")
    shown = show(folder / "own.yaml", settings={"smooth.strength": "3"})
    lines = {line.split("#")[0].strip(): line.split("#")[-1].strip() for line in shown.split("\n") if "#" in line}
    assert lines["- remove_gradient:"].endswith("base.yaml:7")
    assert lines["order: 2"].endswith("own.yaml:4")
    assert lines["id: sky"].endswith("base.yaml:8")
    assert lines["strength: 3"] == "--set smooth.strength=3"
    assert resolved(loads(shown)) == resolved(load(folder / "own.yaml", settings={"smooth.strength": "3"}))


def test_recipes_may_stand_on_each_other(folder: Path) -> None:
    own(folder, "change:\n  sky: {order: 2}\n", "second.yaml")
    (folder / "third.yaml").write_text("version: 1\nextends: second.yaml\nchange: {smooth: {strength: 2}}\n")
    r = load(folder / "third.yaml")
    assert (r.by_id("sky").params.order, r.by_id("smooth").params.strength) == (2, 2)


def test_a_shipped_recipe_is_extended_by_its_name(tmp_path: Path) -> None:
    (tmp_path / "mine.yaml").write_text("version: 1\nextends: bicolour\noutputs:\n  - {layer: last, file: mine.png}\n")
    assert len(load(tmp_path / "mine.yaml").steps) == len(load("bicolour").steps)


def faults(folder: Path, text: str) -> str:
    with pytest.raises(RecipeError) as caught:
        own(folder, text)
    return str(caught.value)


@pytest.mark.parametrize(
    ("text", "place", "words"),
    [
        ("change:\n  skye: {order: 2}\n", "own.yaml:4:3", "no step called 'skye'; did you mean 'sky'"),
        ("change:\n  sky: {ordre: 2}\n", "own.yaml:4:9", "no parameter 'ordre'; did you mean 'order'"),
        ("change:\n  sky: {order: x}\n", "own.yaml:4:16", "order: expected"),
        ("change:\n  sky: {id: other}\n", "own.yaml:4:9", "id of a step cannot be changed"),
        ("change:\n  sky: 2\n", "own.yaml:4:8", "a change looks like"),
        ("skip: [smoth]\n", "own.yaml:3:8", "did you mean 'smooth'"),
        ("skip: [stretch_asinh]\n", "own.yaml:3:8", "cannot be skipped"),
        ("insert:\n  - {after: sky}\n", "own.yaml:4:5", "'before: ID' or 'after: ID', and 'steps'"),
        ("insert:\n  - after: sky\n    steps:\n      - curve: {}\n", "own.yaml:6:9", "curve needs stretched data"),
        ("insert:\n  - behind: sky\n    steps:\n      - level_sky: {}\n", "own.yaml:4:5", "unknown key 'behind'"),
        ("steps:\n  - bin: {}\n", "own.yaml:3:1", "no 'steps' of its own"),
        ("vars: {keep: x}\n", "base.yaml:6:30", "keep: expected"),
    ],
)
def test_faults_are_told_where_they_stand(folder: Path, text: str, place: str, words: str) -> None:
    told = faults(folder, text)
    assert f"{place}: error: " in told
    assert words in told


def test_faults_of_the_base_are_told_in_the_base(folder: Path) -> None:
    (folder / "base.yaml").write_text(BASE.replace("remove_gradient", "remove_gradiant"))
    assert "base.yaml:7:5: error: unknown step 'remove_gradiant'" in faults(folder, "skip: [smooth]\n")


def test_a_circle_is_told_with_its_chain(folder: Path) -> None:
    (folder / "base.yaml").write_text("version: 1\nextends: own.yaml\n")
    assert "in a circle: own.yaml -> base.yaml -> own.yaml" in faults(folder, "")


def test_a_chain_that_is_too_long_is_told(folder: Path) -> None:
    for i in range(12):
        (folder / f"r{i}.yaml").write_text(f"version: 1\nextends: {'base' if i == 0 else f'r{i - 1}'}.yaml\n")
    load(folder / "r5.yaml")
    with pytest.raises(RecipeError, match=r"more than 8 recipes extend each other: r11\.yaml -> r10\.yaml"):
        load(folder / "r11.yaml")
