"""YAML is read as its version 1.2 has it, and strictly: any text gives a recipe or an error with its place."""

from __future__ import annotations

import random
import re
from typing import Any

import pytest
import yaml
from hypothesis import given, settings
from hypothesis import strategies as st

from nebulakit.errors import RecipeError
from nebulakit.recipe import loads, shipped, text
from nebulakit.recipe.edit import flow, quoted
from nebulakit.recipe.faults import Faults, Source
from nebulakit.recipe.model import Recipe
from nebulakit.recipe.text import plain, read, scalar_value


def values(written: str) -> Any:
    faults = Faults()
    node = read(Source("x.yaml", written), faults)
    faults.stop()
    assert node is not None
    return plain(node)


@pytest.mark.parametrize(
    ("written", "value"),
    [
        # the core schema's own table: YAML 1.2.2, section 10.3.2 (https://yaml.org/spec/1.2.2/#1032-tag-resolution)
        ("null", None),
        ("Null", None),
        ("NULL", None),
        ("~", None),
        ("true", True),
        ("True", True),
        ("FALSE", False),
        ("0", 0),
        ("-19", -19),
        ("+12", 12),
        ("007", 7),
        ("0o7", 7),
        ("0x3A", 58),
        ("0.", 0.0),
        ("-0.0", -0.0),
        (".5", 0.5),
        ("+12e03", 12000.0),
        ("-2E+05", -200000.0),
        # numbers that the parser of YAML 1.1 takes for texts
        ("1e-3", 0.001),
        ("1e5", 100000.0),
        # texts that YAML 1.1 takes for something else
        ("no", "no"),
        ("off", "off"),
        ("yes", "yes"),
        ("y", "y"),
        ("12:30", "12:30"),
        ("1_000", "1_000"),
        ("0b11", "0b11"),
        ("2026-11-25", "2026-11-25"),
        ("=", "="),
        # quantities
        ("3 fwhm", "3 fwhm"),
        ("85%", "85%"),
        ("-4 sigma", "-4 sigma"),
    ],
)
def test_scalars_of_the_core_schema(written: str, value: Any) -> None:
    found = values(f"a: {written}")["a"]
    assert (found, type(found)) == (value, type(value))


@pytest.mark.parametrize("written", [".inf", "-.INF", "+.Inf", ".nan", ".NaN", "1e999"])
def test_numbers_are_finite(written: str) -> None:
    with pytest.raises(ValueError, match=r"not a finite number|too large"):
        scalar_value(written)


def test_quotes_make_texts() -> None:
    assert values("a: '1'\nb: \"true\"\nc: |\n  two\n  lines\nd: ''") == {"a": "1", "b": "true", "c": "two\nlines\n", "d": ""}


def test_merge_keys_merge_nothing() -> None:
    assert values("a: {b: 1}\n<<: {c: 2}") == {"a": {"b": 1}, "<<": {"c": 2}}


@given(st.text(max_size=60))
def test_a_text_in_quotes_reads_back(words: str) -> None:
    held = words.encode("utf-8", "ignore").decode("utf-8")  # lone surrogates are no characters
    assert values(f"a: {quoted(held)}")["a"] == held


PLAIN_VALUES = st.recursive(
    st.none()
    | st.booleans()
    | st.integers(-(10**9), 10**9)
    | st.floats(allow_nan=False, allow_infinity=False)
    | st.text("ab: {}[]#'\"\\,%&*!|>é\n", max_size=8),
    lambda inner: st.lists(inner, max_size=3) | st.dictionaries(st.from_regex(r"[a-z]{1,5}", fullmatch=True), inner, max_size=3),
    max_leaves=8,
)


@given(PLAIN_VALUES)
def test_values_written_on_one_line_read_back(value: Any) -> None:
    assert values(f"a: {flow(value)}")["a"] == value


@given(st.text(max_size=200))
@settings(max_examples=300)
def test_any_text_gives_a_recipe_or_an_error_with_its_place(written: str) -> None:
    sound(written)


@given(st.text("ab:-{}[],'\"\n \t#&*!|>%@`?$<~", max_size=60))
@settings(max_examples=400)
def test_any_signs_of_yaml_give_a_recipe_or_an_error_with_its_place(written: str) -> None:
    sound(written)


@given(st.text("ab:-{}[],'\"\n #|>", max_size=40))
@settings(max_examples=200)
def test_both_parsers_read_the_same_values(written: str) -> None:
    found = []
    kept = text._LOADER
    try:
        for loader in (kept, yaml.SafeLoader):
            text._LOADER = loader
            try:
                found.append(values(written))
            except RecipeError:
                found.append(RecipeError)
    finally:
        text._LOADER = kept
    assert found[0] == found[1]


def sound(written: str) -> bool:
    try:
        return isinstance(loads(written), Recipe)
    except RecipeError as fault:
        told = str(fault)
        told.encode()  # can be printed
        assert re.match(r"recipe\.yaml:\d+:\d+: error: \S", told)
        return False


PIECES = [
    "steps:", "outputs:", "vars:\n", "inputs:\n", "extends: x\n", "version: 2\n", "---\n", "<<: ", "# ", "- ", ": ",
    "{", "}", "[", "]", "'", '"', "|", "> ", "~", "&a ", "*a", "!!x ", "\n", "\n  ", "\n    ", "\t", "\x00", "é", "😀",
    "as: ", "from: ", "id: ", "mask: ", "amount: ", "skip: true", "file: ", "bits: ", "${keep}", "ha", "last", "coverage",
    "1e-3", ".nan", "85%", "3 fwhm", "-1", "9" * 400,
]  # fmt: skip


@pytest.mark.parametrize("name", sorted(shipped()))
def test_a_shipped_recipe_with_anything_done_to_it_gives_a_recipe_or_an_error(name: str) -> None:
    whole = shipped()[name].read_text(encoding="utf-8")
    verdicts = set()
    for seed in range(150):
        draw = random.Random(seed)
        written = whole
        for _ in range(draw.randint(1, 4)):
            at = draw.randrange(len(written) + 1)
            lines = written.split("\n")
            line = draw.randrange(len(lines))
            written = draw.choice(
                [
                    written[:at] + draw.choice(PIECES) + written[at:],
                    written[:at] + written[at + draw.randint(1, 12) :],
                    "\n".join([*lines[:line], *lines[line + 1 :]]),
                    "\n".join([*lines[: line + 1], *lines[line:]]),
                    "\n".join([*lines[:line], " " * draw.randint(1, 3) + lines[line], *lines[line + 1 :]]),
                ]
            )
        verdicts.add(sound(written))
    assert verdicts == {True, False}, "the changes were all harmless, or all fatal"
