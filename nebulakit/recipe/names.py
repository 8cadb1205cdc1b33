"""The nearest known name, and the step that an id means."""

from __future__ import annotations

import difflib
import re
from collections.abc import Iterable, Sequence

from nebulakit.errors import UsageError

PLAIN = re.compile(r"[A-Za-z][A-Za-z0-9_-]*")
"""What an id, a layer, a variable or an input may be called."""


def nearest(name: str, known: Iterable[str]) -> str | None:
    """Give the known name that ``name`` was probably meant to be.

    >>> nearest("Remove-Gradiant", ["crop", "remove_gradient"])
    'remove_gradient'
    >>> nearest("xyz", ["crop"]) is None
    True
    """
    plain = {_plain(k): k for k in sorted(known)}
    found = difflib.get_close_matches(_plain(name), plain, 1, 0.6)
    return plain[found[0]] if found else None


def meant(name: str, known: Iterable[str], *, what: str = "known here") -> str:
    """Give the end of a sentence about an unknown name: the nearest one, else what there is.

    >>> meant("kep", ["keep", "centre"])
    "did you mean 'keep'?"
    >>> meant("x", ["keep", "centre"])
    'known here: centre, keep'
    """
    names = sorted(known)
    near = nearest(name, names)
    return f"did you mean '{near}'?" if near else f"{what}: {', '.join(names) or 'nothing'}"


def _plain(name: str) -> str:
    return name.lower().replace("-", "_").replace(" ", "_")


def called(id: str, steps: Sequence[tuple[str, str, bool]]) -> int:
    """Find the step called ``id`` among ``(id, step name, may be called so)``; UsageError says what else was meant."""
    for index, (own, _, callable_so) in enumerate(steps):
        if callable_so and own == id:
            return index
    same = [index for index, (_, name, _) in enumerate(steps) if name == id]
    if len(same) == 1:
        return same[0]
    if same:
        ids = [steps[i][0] for i in same if steps[i][2]]
        how = f"say which by its id: {', '.join(ids)}" if ids else "give the one you mean an id"
        if ids and len(ids) < len(same):
            how += " (the others have none: give them one)"
        raise UsageError(f"'{id}' occurs {len(same)} times; {how}")
    raise UsageError(
        f"there is no step called '{id}'; {meant(id, [own for own, _, so in steps if so], what='ids of this recipe')}"
    )
