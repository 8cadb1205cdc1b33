"""Finding the files of an earlier run again, and comparing what came out."""

from __future__ import annotations

import os
from collections.abc import Mapping
from pathlib import Path
from typing import Any

import numpy as np

from nebulakit.errors import InputError
from nebulakit.files.raw import check_file
from nebulakit.runner.keys import file_hash


def way(file: Path, folder: Path) -> str | None:
    """Give the way from a run's folder to an input, None where it would tell of folders above the user's own.

    >>> way(Path("/data/nights/one/stack.fits"), Path("/data/nights/bicolour-stack"))
    '../one/stack.fits'
    >>> way(Path("/home/someone/stack.fits"), Path("/mnt/disk/out")) is None
    True
    """
    file, folder = Path(os.path.abspath(file)), Path(os.path.abspath(folder))
    try:
        shared = Path(os.path.commonpath([file, folder]))
    except ValueError:  # two drives
        return None
    return Path(os.path.relpath(file, folder)).as_posix() if len(shared.parts) > 2 else None


def locate(name: str, facts: Mapping[str, Any], folder: Path, given: Path | None, told: str | None = None) -> Path:
    """Find an input of an earlier run by its contents: as given, else where the run ``told``, beside its folder, in it, or here."""
    near = [d / facts["file"] for d in (folder.parent, folder, folder.parent.parent, Path())]
    places = [given] if given else [*([folder / told] if told else []), *near]
    there = [p for p in places if p.is_file()]
    for path in there:
        if file_hash(path) == facts["sha256"]:
            return path
    option = "--stack FILE" if name == "stack" else f"--input {name}=FILE"
    if there:
        raise InputError(
            f"{there[0]} is not the file the run was made from: its contents differ. Give the right one with {option}"
        )
    if given is not None:
        check_file(given)
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
