"""Finished layers kept on disk, found again by what they were made of.

Layers are looked up by their keys (:mod:`nebulakit.runner.keys`). Arrays are plain ``.npy`` files named by their own
SHA-256, the rest is JSON with its SHA-256 below; all is written under a unique temporary name and renamed, and checked when it
is opened, so that what is half-written or damaged counts as absent. Several runs may share a store: nothing in it is ever changed in place.
"""

from __future__ import annotations

import contextlib
import hashlib
import json
import os
import shutil
import time
import weakref
from collections import Counter
from collections.abc import Iterable, Mapping
from pathlib import Path
from typing import Any

import numpy as np
import numpy.typing as npt

from nebulakit.files.whole import whole
from nebulakit.image import Image, Notice
from nebulakit.runner.background import Background
from nebulakit.runner.keys import Keys, plain
from nebulakit.runner.packing import apart, array_hash, together

KINDS = ("layers", "steps", "arrays", "runs", "pages", "inputs")
"""The folders in a store."""
READ_SPEED = 5e8  # bytes per second that opening and checking a kept layer is assumed to cost


def default_folder() -> Path:
    """Give the folder for finished layers in the system's cache folder."""
    from platformdirs import user_cache_path

    return user_cache_path("nebulakit", appauthor=False) / "layers-2"


def default_limit(folder: Path) -> int:
    """Give how much may be kept: 20 GB, or a tenth of what is free with what is kept already, whichever is less."""
    there = next(p for p in (folder, *folder.parents) if p.is_dir())
    kept = sum(_size(f) for f in folder.rglob("*") if f.is_file()) if folder.is_dir() else 0
    return int(min(20e9, (shutil.disk_usage(there).free + kept) / 10))


def reading(image: Image) -> float:
    """Guess the seconds it takes to open a kept layer and to check it."""
    return image.planes.nbytes / READ_SPEED


class Store:
    """A folder of finished layers."""

    def __init__(self, folder: Path, limit: int | None = None, lasting: bool = True) -> None:
        """Use ``folder`` (made when first written to), holding at most ``limit`` bytes; ``lasting``: it stays when the program ends."""
        self.folder = folder
        self.limit = limit
        self._lasting = lasting
        self.notices: list[Notice] = []
        self.damaged: set[str] = set()  # keys of layers found damaged by this process
        self._mine: set[str] = set()  # names of files that the running recipe may still need
        self._good: dict[str, tuple[int, int]] = {}  # arrays checked or written by this process: size and date then
        self._hashed: dict[int, tuple[weakref.ref[npt.NDArray[Any]], str]] = {}  # arrays by where they lie
        self._writer = Background()

    def begin(self, keys: Keys) -> None:
        """Take what is kept of a recipe as used now, so that it is not dropped while the recipe runs."""
        self.notices.clear()
        self._mine = {keys.step(call) for call in keys.made_of} | set(keys.values())
        for name in self._mine:
            for kind in ("layers", "steps", "pages"):
                self._touch(self._entry(kind, name))

    def record(self, key: str) -> dict[str, Any] | None:
        """Give what a step recorded when it ran, or None where it never did."""
        return self._json(self._entry("steps", key))

    def open(self, key: str) -> Image | None:
        """Give a kept layer, memory-mapped and checked, or None where it is absent or damaged."""
        entry = self._entry("layers", key)
        facts = self._json(entry)
        if facts is None:
            return None
        try:
            arrays = {name: self._array(sha) for name, sha in facts["arrays"].items()}
            image = together(facts, arrays)
        except (OSError, KeyError, TypeError, ValueError, AttributeError):
            self._damaged(entry)
            return None
        self._mine.add(key)
        self._touch(entry)
        return image

    def has(self, key: str) -> bool:
        """Say whether a layer is kept; it is not checked."""
        return self._entry("layers", key).is_file()

    def keep(self, key: str, image: Image) -> None:
        """Keep a layer."""
        self._mine.add(key)
        entry = self._entry("layers", key)
        if entry.exists():
            return
        facts, arrays = apart(image)
        facts["arrays"] = {name: self._keep_array(a) for name, a in arrays.items()}
        self.write_facts(entry, facts)

    def keep_step(self, key: str, layers: Mapping[str, Image], record: Mapping[str, Any], notices: tuple[Notice, ...]) -> None:
        """Keep what a step recorded, and those of its results, by their keys, that are worth it; in the background.

        :meth:`finish` waits for it. A disk that is full is no reason to lose a run: then nothing is kept, and a notice says so.
        """
        told = {"record": plain(record), "notices": [list(n) for n in notices], "kept": sorted(layers)}

        def work() -> None:
            for name, image in layers.items():
                self.keep(name, image)
            self.write_facts(self._entry("steps", key), told)

        self._writer.put(work)

    def keep_notices(self, key: str, notices: Iterable[Notice]) -> None:
        """Keep what reading an input had to say."""
        self._mine.add(key)
        if self._entry("inputs", key).exists():
            return
        with contextlib.suppress(OSError):
            self.write_facts(self._entry("inputs", key), {"notices": [list(n) for n in notices]})

    def notices_of(self, key: str) -> tuple[Notice, ...] | None:
        """Give what reading an input had to say, None where that is not known."""
        entry = self._entry("inputs", key)
        kept = self._json(entry)
        self._mine.add(key)
        self._touch(entry)
        return None if kept is None else tuple(Notice(*n) for n in kept["notices"])

    def finish(self) -> None:
        """Wait until all that was given to :meth:`keep_step` is on disk."""
        fault = self._writer.wait()
        if fault is not None:
            why = fault.strerror or "the disk is full"  # numpy tells a write cut short by counts of values alone
            self.notices.append(
                Notice(
                    "layers-not-kept",
                    f"finished layers could not be kept in {self.folder.name} ({why}); the pictures are whole, "
                    "but the next run begins anew. Make room, or choose another folder with --cache.",
                )
            )

    def keeps(self) -> bool:
        """Say whether the next run will find what was given to :meth:`keep_step`."""
        self.finish()
        return self._lasting and not any(n.id == "layers-not-kept" for n in self.notices)

    # --- the files -------------------------------------------------------------------------------------------------

    def _entry(self, kind: str, name: str) -> Path:
        return self.folder / kind / f"{name}.json"

    def _array_path(self, sha: str) -> Path:
        return self.folder / "arrays" / f"{sha}.npy"

    def _damaged(self, entry: Path) -> None:
        if not any(n.id == "kept-layer-damaged" for n in self.notices):
            self.notices.append(
                Notice(
                    "kept-layer-damaged",
                    "a kept layer was damaged or half-written; it is computed again. Nothing else is affected.",
                )
            )
        self.damaged.add(entry.stem)
        _remove(entry)

    def _json(self, path: Path) -> dict[str, Any] | None:
        try:
            return self.read_facts(path)
        except (FileNotFoundError, NotADirectoryError):
            return None
        except (OSError, ValueError):
            self._damaged(path)
            return None

    def _touch(self, path: Path) -> None:
        with contextlib.suppress(OSError):
            os.utime(path)

    def write(self, path: Path, data: bytes | npt.NDArray[Any]) -> None:
        """Write a file whole: under a unique temporary name, then renamed."""
        path.parent.mkdir(parents=True, exist_ok=True)
        with whole(path, ".new-") as to:
            if isinstance(data, bytes):
                to.write(data)
            else:
                np.save(to, data, allow_pickle=False)

    def write_facts(self, path: Path, facts: Mapping[str, Any]) -> None:
        """Write plain values whole, with their hash below: a number that was changed would still be a number."""
        text = json.dumps(facts).encode()
        self.write(path, text + b"\n" + hashlib.sha256(text).hexdigest().encode())

    def read_facts(self, path: Path) -> dict[str, Any]:
        """Read what :meth:`write_facts` wrote; OSError where it cannot be read, ValueError where it is not as it was written."""
        text, _, sha = path.read_bytes().rpartition(b"\n")
        if hashlib.sha256(text).hexdigest().encode() != sha:
            raise ValueError("other contents than were written")
        facts: dict[str, Any] = json.loads(text)
        return facts

    def _keep_array(self, array: npt.NDArray[Any]) -> str:
        sha = self._hash(array)
        path = self._array_path(sha)
        try:
            self._array(sha)
            self._touch(path)  # another run that makes room leaves young arrays alone
        except (OSError, ValueError):
            self.write(path, np.ascontiguousarray(array))
            self._trust(sha, path.stat())
        return sha

    def _hash(self, array: npt.NDArray[Any]) -> str:
        """Give the hash of an array, taken once: layers share their coverage and the map of their noise, and nothing changes them."""
        found, sha = self._hashed.get(id(array), (None, ""))
        if found is None or found() is not array:
            sha = array_hash(array)
            self._hashed = {k: v for k, v in self._hashed.items() if v[0]() is not None}
            self._hashed[id(array)] = weakref.ref(array), sha
        return sha

    def _trust(self, sha: str, state: os.stat_result) -> None:
        """Take an array as whole while its file is in this state."""
        self._good[sha] = (state.st_size, state.st_mtime_ns)

    def _array(self, sha: str) -> npt.NDArray[Any]:
        """Open an array and check it against its name, once in the life of this process while it is not written to."""
        path = self._array_path(sha)
        try:
            array = np.load(path, mmap_mode="r", allow_pickle=False)
            state = path.stat()
            if self._good.get(sha) != (state.st_size, state.st_mtime_ns):
                if array_hash(array) != sha:
                    raise ValueError("other contents than were written")
                self._trust(sha, state)
        except FileNotFoundError:
            raise
        except Exception as fault:  # a damaged header makes numpy stumble in many ways
            self._good.pop(sha, None)
            _remove(path)
            raise ValueError(f"{path.name} is not as it was written") from fault
        return np.asarray(array)

    def layers(self) -> dict[Path, list[str]]:
        """Give the entry of every kept layer with the hashes of its arrays, the longest unused first."""
        found = {entry: self._json(entry) for entry in sorted((self.folder / "layers").glob("*.json"), key=_used)}
        return {entry: list(facts.get("arrays", {}).values()) for entry, facts in found.items() if facts is not None}

    def size(self) -> int:
        """Give the bytes on disk."""
        return sum(_size(f) for f in self.folder.rglob("*") if f.is_file())

    def trim(self, limit: int | None = None) -> int:
        """Drop what was used longest ago until at most ``limit`` bytes are left, never anything of this run; give the bytes freed."""
        before = self.size()
        self._sweep()
        limit = self.limit if limit is None else limit
        size = self.size()
        if limit is None or size <= limit:
            return before - size
        arrays = self.layers()
        named = Counter(sha for many in arrays.values() for sha in many)
        entries = [e for kind in ("layers", "pages", "steps", "inputs") for e in (self.folder / kind).glob("*.json")]
        for entry in sorted(entries, key=_used):
            if size <= limit:
                break
            if entry.stem in self._mine:
                continue
            size -= _size(entry)
            _remove(entry)
            named.subtract(arrays.get(entry, ()))
            for sha in arrays.get(entry, ()):
                path = self._array_path(sha)
                # a young one may be on its way into a layer of another run: it goes the next time
                if named[sha] == 0:
                    size -= _size(path)
                    if not _young(path):
                        _remove(path)
        return before - self.size()

    def _sweep(self) -> None:
        """Remove arrays that no kept layer names, and leavings of killed runs older than a day."""
        named = {sha for many in self.layers().values() for sha in many}
        for path in (self.folder / "arrays").glob("*.npy"):
            # a layer that another run is just keeping has its arrays before its entry
            if path.stem not in named and not _young(path):
                _remove(path)
        for path in self.folder.rglob(".new-*"):
            if not _young(path, 86400):
                _remove(path)

    def verify(self) -> tuple[int, int]:
        """Open every kept layer; give (good, damaged), the damaged ones removed."""
        self._good.clear()
        entries = list((self.folder / "layers").glob("*.json"))
        good = sum(self.open(entry.stem) is not None for entry in entries)
        return good, len(entries) - good

    def clear(self) -> int:
        """Remove everything that is kept; give the bytes freed."""
        before = self.size()
        for kind in KINDS:
            for path in (self.folder / kind).glob("*"):
                if path.suffix in (".json", ".npy") or path.name.startswith(".new-"):
                    _remove(path)
        return before - self.size()


def _size(path: Path) -> int:
    with contextlib.suppress(OSError):
        return path.stat().st_size
    return 0


def _used(path: Path) -> float:
    with contextlib.suppress(OSError):
        return path.stat().st_mtime
    return 0.0


def _young(path: Path, seconds: float = 600) -> bool:
    return time.time() - _used(path) < seconds


def _remove(path: Path) -> None:
    """Remove a file; one that another run holds open may have to stay where the system is strict."""
    with contextlib.suppress(OSError):
        path.unlink(missing_ok=True)
