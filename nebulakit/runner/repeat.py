"""Finding the files of an earlier run again, and comparing what came out."""

from __future__ import annotations

from collections.abc import Mapping
from pathlib import Path
from typing import Any

import numpy as np

from nebulakit.errors import InputError
from nebulakit.runner.store import file_hash


def locate(name: str, facts: Mapping[str, Any], folder: Path, given: Path | None) -> Path:
    """Find an input of an earlier run by its contents: as given, else beside the run's folder, in it, or here."""
    places = [given] if given else [d / str(facts["file"]) for d in (folder.parent, folder, folder.parent.parent, Path())]
    there = [p for p in places if p.is_file()]
    for path in there:
        if file_hash(path) == facts["sha256"]:
            return path
    option = "--stack FILE" if name == "stack" else f"--input {name}=FILE"
    if there:
        raise InputError(
            f"{there[0]} is not the file the run was made from: its contents differ. Give the right one with {option}"
        )
    raise InputError(f"the input {name!r} ({facts['file']}) was not found; give it with {option}")


def difference(a: Path, b: Path) -> float:
    """Give the largest difference of two pictures' values, 0 where they are the same; infinite where their sizes differ."""
    if file_hash(a) == file_hash(b):
        return 0.0
    from nebulakit import files

    one, two = files.read(a).planes, files.read(b).planes
    if one.shape != two.shape or not np.array_equal(np.isnan(one), np.isnan(two)):
        return float("inf")
    return float(np.nanmax(np.abs(one - two), initial=0.0))
