"""Values put into a recipe's text: found again when it is read, and nothing else is touched."""

from __future__ import annotations

from typing import Any

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from nebulakit.recipe import loads, resolved
from nebulakit.recipe.edit import edited, flow, settled, word
from nebulakit.recipe.faults import Faults, Source
from nebulakit.recipe.text import plain, read

TEXT = """\
# a remark at the top
version: 1
vars: {keep: 85%}   # kept
steps:
  - crop_to_coverage: {keep: "${keep}"}   # the good part
  - remove_gradient: {}                   # takes the glow out
    id: sky
  - denoise_wavelet:
      # how much
      strength: 1.0
    id: smooth
  - level_sky:
  - stretch_asinh: {sky: 10%}
  - curve:
      points:
        - [0, 0]
        # a remark inside
        - [1, 1]
      # a remark after
outputs:
  - {layer: last, file: a.tif}
"""


def choices(text: str) -> dict[str, dict[str, Any]]:
    return {step["id"]: step["params"] for step in resolved(loads(text))["steps"]}


@pytest.mark.parametrize(
    ("id", "values"),
    [
        ("crop_to_coverage", {"keep": "70%"}),
        ("sky", {"order": 2}),
        ("sky", {"order": 2, "by": "divide"}),
        ("smooth", {"strength": 0.5}),
        ("level_sky", {"order": 1}),
        ("stretch_asinh", {"sky": "12%"}),
        ("curve", {"points": [[0.0, 0.0], [0.5, 0.6], [1.0, 1.0]]}),
    ],
)
def test_the_new_values_are_read_and_all_else_stays(id: str, values: dict[str, Any]) -> None:
    new = edited(loads(TEXT), {id: values})
    before, after = choices(TEXT), choices(new)
    for step, params in before.items():
        assert after[step] == ({**params, **values} if step == id else params)
    for remark in (
        "# a remark at the top",
        "# kept",
        "# the good part",
        "# takes the glow out",
        "# how much",
        "# a remark after",
    ):
        assert remark in new
    changed = [i for i, (a, b) in enumerate(zip(TEXT.split("\n"), new.split("\n"), strict=False)) if a != b]
    assert changed, "nothing was written"


def test_several_steps_at_once() -> None:
    new = edited(loads(TEXT), {"sky": {"order": 3}, "smooth": {"strength": 2.0}, "curve": {"points": [[0.0, 0.1], [1.0, 0.9]]}})
    after = choices(new)
    assert (after["sky"]["order"], after["smooth"]["strength"], after["curve"]["points"][0]) == (3, 2.0, [0.0, 0.1])


def test_nothing_to_change_changes_nothing() -> None:
    assert edited(loads(TEXT), {}) == TEXT


@settings(max_examples=100)
@given(
    st.one_of(
        st.text(max_size=12), st.sampled_from(["true", "null", "1e3", "- a", "---", "85%", "4 sigma", "red-teal", "a: b", "#"])
    )
)
def test_a_text_is_quoted_only_where_it_must_be_and_read_as_it_was(text: str) -> None:
    faults = Faults()
    node = read(Source("r.yaml", f"a: {flow({'b': [text, 1]})}\n"), faults)
    assert plain(node) == {"a": {"b": [text, 1]}}
    assert word("85%") == "85%"
    assert word("true") == '"true"'


SET = """\
version: 1
vars: {keep: 40%}   # so much
inputs: {other: {}, paint: {scale: mask}}
steps:
  - stretch_asinh: {lift: "${keep}", sky: 5%}   # bright
    id: s
  - level_mask:
      # from here on
      above: 30%
      # and no more
    as: high
  - curve:
  - {saturate: {gain: 1.2}, mask: high}
  - blend: {image: s1, other: s1}   # twice
    id: twice
outputs:
  - {layer: last, file: a.tif}
""".replace("    id: s\n", "    id: s\n    as: s1\n")


@pytest.mark.parametrize(
    "settings",
    [
        {"vars.keep": "20%"},
        {"vars.keep": "20%", "s.lift": "${keep}", "curve.amount": "30%", "curve.points": "[[0.5, 0.6]]"},
        {"s.like": "stack", "s.sky": "8%"},
        {"s.like": "null", "curve.mask": "paint", "curve.skip": "false", "level_mask.from": "stack", "level_mask.below": "90%"},
        {"saturate.mask": "paint", "saturate.amount": "0.5", "saturate.from": "s1"},
        {"twice.from": "last", "twice.opacity": "30%", "twice.other": "other"},
        {"twice.image": "last", "twice.skip": "true"},
    ],
)
def test_settings_written_into_the_text_mean_the_same(settings: dict[str, str]) -> None:
    chosen = loads(SET, settings=settings)
    new = edited(chosen, *settled(chosen, settings))
    written = loads(new)
    assert resolved(written) == resolved(chosen)
    assert resolved(written) != resolved(loads(SET))
    assert written.vars == chosen.vars
    for remark in ("# so much", "# bright", "# from here on", "# and no more", "# twice"):
        assert remark in new
