"""``--set ID.PARAM=VALUE``: as if it stood in the recipe, typed by the declaration; unknown names get the nearest."""

from __future__ import annotations

import pytest

from nebulakit.errors import RecipeError, UsageError
from nebulakit.quantity import Share
from nebulakit.recipe import loads, resolved
from nebulakit.recipe.model import Ref

TEXT = """\
version: 1
vars: {keep: 85%}
steps:
  - crop_to_coverage: {keep: "${keep}"}
  - remove_gradient: {}
    id: sky
    as: flat
  - level_mask: {above: 5 sigma}
    as: bright
  - denoise_wavelet: {}
    id: first
  - denoise_wavelet: {}
  - stretch_asinh: {}
  - curve: {}
outputs:
  - {layer: last, file: a.tif}
"""


def test_values_are_typed_by_the_declaration() -> None:
    r = loads(
        TEXT,
        settings={
            "vars.keep": "70%",
            "sky.order": "2",
            "first.strength": "5e-1",
            "curve.points": "[[0, 0], [0.4, 0.5], [1, 1]]",
        },
    )
    assert r.steps[0].params.keep == Share(70, "%")
    assert r.by_id("sky").params.order == 2
    assert r.by_id("first").params.strength == 0.5
    assert r.by_id("curve").params.model_dump(mode="json")["points"][1] == [0.4, 0.5]


def test_it_is_the_same_as_in_the_text() -> None:
    by_hand = TEXT.replace("85%", "70%").replace("remove_gradient: {}", "remove_gradient: {order: 2}")
    assert resolved(loads(TEXT, settings={"vars.keep": "70%", "sky.order": "2"})) == resolved(loads(by_hand))


def test_python_values_are_taken_too() -> None:
    assert loads(TEXT, settings={"first.strength": 2}).by_id("first").params.strength == 2
    assert loads(TEXT, settings={"sky.skip": True}).by_id("sky").skip


def test_what_stands_beside_a_step_can_be_set() -> None:
    r = loads(TEXT, settings={"first.amount": "50%", "first.mask": "bright", "sky.skip": "true", "first.from": "flat"})
    assert (r.by_id("first").amount, r.by_id("first").mask, r.by_id("sky").skip) == (0.5, Ref(2, "mask"), True)
    assert r.by_id("first").reads == {"image": Ref(1, "image")}
    assert loads(TEXT, settings={"first.image": "flat"}).by_id("first").reads == {"image": Ref(1, "image")}


@pytest.mark.parametrize(
    ("key", "value", "words"),
    [
        ("skye.order", "2", "no step called 'skye'; did you mean 'sky'"),
        ("sky.ordre", "2", "remove_gradient has no parameter 'ordre'; did you mean 'order'"),
        ("denoise_wavelet.strength", "2", "occurs 2 times; say which by its id: first"),
        ("vars.kep", "2", "no variable 'kep'; did you mean 'keep'"),
        ("first.strength", "strong", "strength: expected a number, found 'strong'"),
        ("crop_to_coverage.keep", "850%", "keep: must be between"),
        ("first.strength", "[1", "not closed"),
        ("first.strength", ".nan", "not a finite number"),
        ("first.mask", "brigth", "unknown layer 'brigth'; did you mean 'bright'"),
        ("first.amount", "80", "amount: must be between 0% and 100%"),
        ("sky.skip", "yes", "expected true or false"),
        ("strength", "2", "expected ID.PARAM=VALUE"),
        ("sky.id", "other", "no parameter 'id'"),
        (
            "first.strength",
            "\udcff",
            "the character U+DCFF cannot stand in a recipe",
        ),  # a sign of another coding, as a shell hands it on
    ],
)
def test_a_fault_of_the_command_line_is_told_as_one(key: str, value: str, words: str) -> None:
    with pytest.raises(UsageError) as caught:
        loads(TEXT, settings={key: value})
    told = str(caught.value)
    assert told.startswith(f"--set {key}={value}: ")
    assert "error" not in told  # the command line says that before it
    assert words in told


def test_faults_of_both_are_told_together() -> None:
    with pytest.raises(RecipeError) as caught:
        loads(TEXT.replace("flat", "last"), settings={"skye.order": "2"})
    told = str(caught.value)
    assert "recipe.yaml:7:9: error: 'last'" in told
    assert "--set skye.order=2: error: " in told
