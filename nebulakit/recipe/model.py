"""What a recipe is once it has been read and checked: frozen, every reference resolved, every value typed.

The runner needs nothing else: no names have to be looked up again, and nothing here can fail any more for a reason
that stands in the text.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from pathlib import Path
from typing import TYPE_CHECKING, Any, Literal, NamedTuple

from nebulakit.errors import UsageError

if TYPE_CHECKING:
    from pydantic import BaseModel

    from nebulakit.files.options import WriteOptions


class Ref(NamedTuple):
    """A layer: the result ``result`` of the step with index ``step``; step -1 means the input named ``result``."""

    step: int
    result: str


@dataclass(frozen=True)
class Input:
    """A picture that comes from outside: ``stack``, ``coverage``, or one that the recipe declares."""

    name: str
    optional: bool = False
    about: str = ""
    scale: Literal["linear", "display", "mask"] | None = None
    """What it must be; None: whatever its file says."""
    kind: Literal["rgb", "line", "mosaic"] | None = None
    line: int = 0


@dataclass(frozen=True)
class Call:
    """One step of the recipe."""

    index: int
    id: str
    """Unique: the ``id`` as written, else the step's name, else (where the name occurs twice) a label such as ``curve-2``."""
    step: str
    """The name in :data:`nebulakit.declare.STEPS`."""
    params: BaseModel
    reads: Mapping[str, Ref]
    """Image argument -> layer; the first image is the first entry. Optional images that were not given are absent."""
    names: Mapping[str, str] = field(default_factory=dict)
    """Result -> layer name, for those that the recipe names."""
    mask: Ref | None = None
    amount: float = 1.0
    skip: bool = False
    """Pass the first image on as main result instead of running."""
    note: str = ""
    line: int = 0
    called: bool = True
    """Whether ``id`` may be used to speak of this step (a label such as ``curve-2`` may not: positions shift)."""
    given: Mapping[str, Any] = field(default_factory=dict)
    """The parameters as written (variables put in), without defaults."""
    file: str = ""
    """The file that ``line`` counts in, where the recipe is put together of several."""

    @property
    def where(self) -> str:
        """Where it stands, for people."""
        return f"line {self.line} of {self.file or 'the recipe'}"

    @property
    def results(self) -> list[Ref]:
        """What it makes, the main result first."""
        from nebulakit.declare import STEPS

        return [Ref(self.index, result) for result in STEPS[self.step].results]

    @property
    def main(self) -> Ref:
        """The main result."""
        return self.results[0]

    @property
    def needs(self) -> list[Ref]:
        """Every layer it reads, its mask included."""
        return [*self.reads.values(), *([self.mask] if self.mask else [])]

    @property
    def first(self) -> Ref | None:
        """The layer that the step works on."""
        return next(iter(self.reads.values()), None)


@dataclass(frozen=True)
class Output:
    """One file to write."""

    ref: Ref
    layer: str
    file: str
    options: WriteOptions
    line: int = 0


@dataclass(frozen=True)
class Recipe:
    """A checked recipe. ``text`` is what was read; ``source`` is the name that messages use for it."""

    version: int
    about: str
    vars: Mapping[str, Any]
    inputs: Mapping[str, Input]
    steps: tuple[Call, ...]
    outputs: tuple[Output, ...]
    source: str
    text: str
    path: Path | None = None
    """The file it was read from, if there was one."""
    idle: tuple[str, ...] = ()
    """Warnings, each with its place: what it declares and nothing uses."""

    @property
    def name(self) -> str:
        """The recipe's name: that of its file, without ending."""
        return Path(self.source).name.removesuffix(".yaml").removesuffix(".yml") or "recipe"

    @property
    def last(self) -> Ref:
        """The main result of the last step that does not make a mask; the stack where there is none."""
        from nebulakit.declare import STEPS

        return next((c.main for c in reversed(self.steps) if STEPS[c.step].gives != "mask"), Ref(-1, "stack"))

    def by_id(self, id: str) -> Call:
        """Give the step called ``id``; UsageError answers with the nearest name, or with the ids where several could be meant."""
        from nebulakit.recipe.names import called

        if not isinstance(id, str):
            known = ", ".join(c.id for c in self.steps if c.called)
            raise UsageError(f"a step is told by its id, a text, found {id!r}; ids of this recipe: {known}")
        return self.steps[called(id, [(c.id, c.step, c.called) for c in self.steps])]

    def layers(self) -> dict[str, Ref]:
        """Give the layer names known at the end, each with the newest layer of that name."""
        named = {name: Ref(-1, name) for name in self.inputs if name != "coverage"}
        for call in self.steps:
            named |= {name: Ref(call.index, result) for result, name in call.names.items()}
        return named | {"last": self.last}

    def name_of(self, ref: Ref) -> str | None:
        """Give the name of an input, or that by which the recipe calls a layer."""
        return ref.result if ref.step < 0 else self.steps[ref.step].names.get(ref.result)

    def asked(self, until: str | None) -> tuple[set[Ref], list[Call]]:
        """Give the layers that are asked for, and the steps to do: all, or those that the step ``until`` needs."""
        if until is None:
            return {o.ref for o in self.outputs} | {self.last}, list(self.steps)
        last = self.by_id(until).main
        return {last}, [self.steps[index] for index in sorted(self.needed(last))]

    def needed(self, wanted: Ref) -> frozenset[int]:
        """Give the indices of the steps that a layer rests on, skipped ones included."""
        todo, found = [wanted], set[int]()
        while todo:
            step = todo.pop().step
            if step < 0 or step in found:
                continue
            found.add(step)
            call = self.steps[step]
            if call.skip:
                todo += [call.first] if call.first else []
            else:
                todo += call.needs
        return frozenset(found)
