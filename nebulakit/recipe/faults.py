"""Faults with their places: ``recipe.yaml:7:5: error: sentence``, the line, and a caret under the column.

All faults of a recipe are gathered and told at once; a person mends them in one go.
"""

from __future__ import annotations

import re
from dataclasses import dataclass, field
from functools import cached_property
from typing import NamedTuple

from nebulakit.errors import RecipeError, UsageError

_WIDTH = 140
"""Longer lines are shown in part."""
_BREAKS = re.compile("\r\n|[\n\r\x85\u2028\u2029]")
"""What the YAML parser counts as the end of a line."""


@dataclass(frozen=True, eq=False)
class Source:
    """A text that faults point into; ``setting`` marks a choice made on the command line, which has no lines."""

    name: str
    text: str
    setting: bool = False

    def line(self, number: int) -> str:
        """Give a line, counted from 1; empty where there is none."""
        return self._lines[number - 1] if 0 < number <= len(self._lines) else ""

    @cached_property
    def _lines(self) -> list[str]:
        return _BREAKS.split(self.text)


class Place(NamedTuple):
    """Where something stands; line and column count from 1, columns in characters."""

    source: Source
    line: int
    column: int

    def __str__(self) -> str:
        return self.source.name if self.source.setting else f"{self.source.name}:{self.line}:{self.column}"


def place_at(source: Source, index: int) -> Place:
    """Give the place of the character with that index."""
    before = source.text[:index]
    return Place(source, before.count("\n") + 1, index - (before.rfind("\n") + 1) + 1)


class Fault(NamedTuple):
    """One fault."""

    place: Place
    sentence: str

    def plainly(self) -> str:
        """Give the place and the sentence; what begins with the word error already needs it once."""
        return f"{self.place}: {''.join(c if c.isprintable() else ascii(c)[1:-1] for c in self.sentence)}"

    def __str__(self) -> str:
        head = f"{self.place}: error{self.plainly().removeprefix(str(self.place))}"
        if self.place.source.setting:
            return head
        # one sign for each character, and none that could move the caret or speak to the terminal
        line = "".join(c if c.isprintable() else " " if c == "\t" else "?" for c in self.place.source.line(self.place.line))
        column = self.place.column
        if not line.strip():
            return head
        start = max(0, min(column - 1 - _WIDTH // 2, len(line) - _WIDTH))
        shown = line[start : start + _WIDTH].rstrip()
        return f"{head}\n    {shown}\n    {' ' * (column - 1 - start)}^"


class FaultyRecipe(RecipeError):
    """A recipe with faults; ``faults`` has them one by one."""

    def __init__(self, faults: tuple[Fault, ...]) -> None:
        super().__init__("\n".join(map(str, faults)))
        self.faults = faults


@dataclass
class Faults:
    """Gathers faults; :meth:`stop` tells them all, in the order of the text, each once."""

    found: list[Fault] = field(default_factory=list)
    settled: set[Place] = field(default_factory=set)
    """Values that cannot be read at all; what else is wrong with them would only confuse."""

    def add(self, place: Place, sentence: str) -> None:
        """Note a fault."""
        if place in self.settled:
            return
        if not any(f.sentence == sentence and f.place == place for f in self.found):
            self.found.append(Fault(place, sentence))

    def stop(self) -> None:
        """Raise what was found, if anything was: UsageError where only the command line's choices are at fault."""
        if not self.found:
            return
        order = sorted(self.found, key=lambda f: (f.place.source.setting, f.place.source.name, f.place.line, f.place.column))
        if all(f.place.source.setting for f in order):
            raise UsageError("\n".join(f.plainly() for f in order))
        raise FaultyRecipe(tuple(order))
