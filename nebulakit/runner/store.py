"""Finished layers kept on disk, found again by what they were made of.

A layer's key is a hash of everything that can change its pixels: the step and its typed parameters, the keys of what
it read, its mask and amount, the source text that computes, and the versions of the numerical libraries. It recomputes
too often rather than ever serving a stale layer. Arrays are plain ``.npy`` files named by their own SHA-256, written
under a unique temporary name and renamed; each is checked when it is opened, so a half-written or damaged one counts as
absent. Several runs may share a store: nothing in it is ever changed in place.
"""

from __future__ import annotations

import contextlib
import functools
import hashlib
import json
import math
import os
import shutil
import tempfile
import time
from collections.abc import Mapping
from pathlib import Path
from typing import Any, cast

import numpy as np
import numpy.typing as npt

import nebulakit
from nebulakit.declare import STEPS, canonical
from nebulakit.image import Frame, Image, Notice
from nebulakit.pixels.facts import Noise, Psf, StarList
from nebulakit.recipe.model import Call, Recipe, Ref

READ_SPEED = 5e8  # bytes per second that opening and checking a kept layer is assumed to cost
LIBRARIES = ("numpy", "scipy", "scikit-image", "opencv-python-headless", "PyWavelets", "astropy")
SOURCES = ("pixels", "steps", "files", "image.py", "declare.py", "quantity.py", "runner/execute.py")


def digest(value: Any) -> str:
    """Hash plain JSON values."""
    return hashlib.sha256(json.dumps(value, sort_keys=True, separators=(",", ":")).encode()).hexdigest()


@functools.cache
def versions() -> dict[str, str]:
    """Give the versions of nebulakit and of the numerical libraries."""
    from importlib.metadata import PackageNotFoundError, version

    found = {}
    for name in LIBRARIES:
        try:
            found[name] = version(name)
        except PackageNotFoundError:
            found[name] = "unknown"
    return found


@functools.cache
def source_digest() -> str:
    """Hash the source text of all that can compute a pixel."""
    root = Path(nebulakit.__file__).parent
    files = [f for s in SOURCES for f in ([root / s] if s.endswith(".py") else sorted((root / s).rglob("*.py")))]
    return digest([[f.relative_to(root).as_posix(), hashlib.sha256(f.read_bytes()).hexdigest()] for f in files])


class Keys(dict[Ref, str]):
    """The key of every layer of a recipe, from the keys of its inputs."""

    def __init__(self, recipe: Recipe, inputs: Mapping[str, str]) -> None:
        super().__init__({Ref(-1, name): key for name, key in inputs.items()})
        self._steps: dict[int, str] = {}
        self.made_of: dict[int, dict[str, Any]] = {}
        for call in recipe.steps:
            first = next(iter(call.reads.values()))
            made_of = {
                "step": call.step,
                "params": canonical(call.params),
                "reads": {k: self.get(r, "absent") for k, r in call.reads.items()},
                "mask": self[call.mask] if call.mask else None,
                "amount": call.amount,
                "source": source_digest(),
                "versions": versions(),
            }
            key = digest(made_of)
            self._steps[call.index] = key
            self.made_of[call.index] = made_of
            for n, result in enumerate(STEPS[call.step].results):
                self[Ref(call.index, result)] = self.get(first, "absent") if call.skip and n == 0 else f"{key}-{result}"

    def step(self, index: int) -> str:
        """Give the key of a step, which its record is kept under."""
        return self._steps[index]


def plain(value: Any) -> Any:
    """Bring recorded values to strict JSON: NaN and infinities become null, numpy numbers plain ones."""
    if isinstance(value, Mapping):
        return {str(k): plain(v) for k, v in value.items()}
    if isinstance(value, (list, tuple)):
        return [plain(v) for v in value]
    if hasattr(value, "tolist"):
        return plain(value.tolist())
    if isinstance(value, float) and not math.isfinite(value):
        return None
    return value


def default_folder() -> Path:
    """Give the folder for finished layers in the system's cache folder."""
    from platformdirs import user_cache_path

    return user_cache_path("nebulakit", appauthor=False) / "layers-1"


def default_limit(folder: Path) -> int:
    """Give how much may be kept: 20 GB, or a tenth of what is free with what is kept already, whichever is less."""
    there = next(p for p in (folder, *folder.parents) if p.is_dir())
    kept = sum(_size(f) for f in folder.rglob("*") if f.is_file()) if folder.is_dir() else 0
    return int(min(20e9, (shutil.disk_usage(there).free + kept) / 10))


def file_hash(path: Path) -> str:
    """Give the SHA-256 of a file's contents."""
    with open(path, "rb") as f:
        return hashlib.file_digest(f, "sha256").hexdigest()


class Store:
    """A folder of finished layers."""

    def __init__(self, folder: Path, limit: int | None = None) -> None:
        """Use ``folder`` (made when first written to), holding at most ``limit`` bytes."""
        self.folder = folder
        self.limit = limit
        self.notices: list[Notice] = []
        self._mine: set[str] = set()

    def record(self, key: str) -> dict[str, Any] | None:
        """Give what a step recorded when it ran, or None where it never did."""
        return self._json(self.folder / "steps" / f"{key}.json")

    def open(self, key: str) -> Image | None:
        """Give a kept layer, memory-mapped and checked, or None where it is absent or damaged."""
        entry = self.folder / "layers" / f"{key}.json"
        facts = self._json(entry)
        if facts is None:
            return None
        arrays: dict[str, Any] = {}
        for name, sha in facts["arrays"].items():
            array = self._array(sha)
            if array is None:
                self._damaged(entry)
                return None
            arrays[name] = array
        try:
            image = _image(facts, arrays)
        except (KeyError, TypeError, ValueError):
            self._damaged(entry)
            return None
        self._mine.add(key)
        self._touch(entry)
        return image

    def _damaged(self, entry: Path) -> None:
        if not self.notices:
            self.notices.append(
                Notice(
                    "kept-layer-damaged",
                    "a kept layer was damaged or half-written; it is computed again. Nothing else is affected.",
                )
            )
        entry.unlink(missing_ok=True)

    def keep(self, key: str, image: Image) -> None:
        """Keep a layer."""
        self._mine.add(key)
        entry = self.folder / "layers" / f"{key}.json"
        if entry.exists():
            return
        facts, arrays = _facts(image)
        facts["arrays"] = {name: self._keep_array(a) for name, a in arrays.items()}
        self.write(entry, json.dumps(facts).encode())

    def keep_step(
        self,
        call: Call,
        keys: Keys,
        results: Mapping[Ref, Image],
        record: Mapping[str, Any],
        notices: tuple[Notice, ...],
        seconds: float,
        needed: set[Ref],
    ) -> None:
        """Keep what a step recorded, and of its results those that are asked for or dearer to compute than to read back."""
        for ref, image in results.items():
            if ref in needed or seconds > image.planes.nbytes / READ_SPEED:
                self.keep(keys[ref], image)
        told = {"record": plain(record), "notices": [list(n) for n in notices]}
        self.write(self.folder / "steps" / f"{keys.step(call.index)}.json", json.dumps(told).encode())

    # --- the files -------------------------------------------------------------------------------------------------

    def _json(self, path: Path) -> dict[str, Any] | None:
        try:
            return cast("dict[str, Any]", json.loads(path.read_bytes()))
        except FileNotFoundError:
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
        handle, temporary = tempfile.mkstemp(dir=path.parent, prefix=".new-")
        try:
            with os.fdopen(handle, "wb") as f:
                if isinstance(data, bytes):
                    f.write(data)
                else:
                    np.save(f, data, allow_pickle=False)
            os.replace(temporary, path)
        except BaseException:
            Path(temporary).unlink(missing_ok=True)
            raise

    def _keep_array(self, array: npt.NDArray[Any]) -> str:
        sha = _array_hash(array)
        path = self.folder / "arrays" / f"{sha}.npy"
        if not path.exists():
            self.write(path, np.ascontiguousarray(array))
        return sha

    def _array(self, sha: str) -> npt.NDArray[Any] | None:
        try:
            array = np.load(self.folder / "arrays" / f"{sha}.npy", mmap_mode="r", allow_pickle=False)
        except (OSError, ValueError, EOFError):
            return None
        if _array_hash(array) != sha:
            (self.folder / "arrays" / f"{sha}.npy").unlink(missing_ok=True)
            return None
        return np.asarray(array)

    def entries(self) -> list[tuple[str, int, float]]:
        """Give (key, bytes, when last used) of every kept layer, the longest unused first."""
        found = []
        for entry in (self.folder / "layers").glob("*.json"):
            facts = self._json(entry)
            if facts is None:
                continue
            size = sum(_size(self.folder / "arrays" / f"{sha}.npy") for sha in facts.get("arrays", {}).values())
            try:
                found.append((entry.stem, size, entry.stat().st_mtime))
            except OSError:
                continue
        return sorted(found, key=lambda e: e[2])

    def size(self) -> int:
        """Give the bytes on disk."""
        return sum(_size(f) for f in self.folder.rglob("*") if f.is_file())

    def trim(self, limit: int | None = None) -> int:
        """Drop the layers used longest ago until at most ``limit`` bytes are left, never one of this run; give the bytes freed."""
        limit = self.limit if limit is None else limit
        if limit is None or (before := self.size()) <= limit:
            return 0
        size = before
        for key, _, _ in self.entries():
            if size <= limit:
                break
            if key in self._mine:
                continue
            (self.folder / "layers" / f"{key}.json").unlink(missing_ok=True)
            self._sweep()
            size = self.size()
        return before - size

    def _sweep(self) -> None:
        """Remove arrays that no kept layer names, and leavings of killed runs older than a day."""
        named = {
            sha for e in (self.folder / "layers").glob("*.json") if (f := self._json(e)) for sha in f.get("arrays", {}).values()
        }
        for path in (self.folder / "arrays").glob("*.npy"):
            # a layer that another run is just keeping has its arrays before its entry: leave young ones alone
            if path.stem not in named and time.time() - path.stat().st_mtime > 600:
                path.unlink(missing_ok=True)
        for path in self.folder.rglob(".new-*"):
            if time.time() - path.stat().st_mtime > 86400:
                path.unlink(missing_ok=True)

    def verify(self) -> tuple[int, int]:
        """Open every kept layer; give (good, damaged), the damaged ones removed."""
        entries = self.entries()
        good = sum(self.open(key) is not None for key, _, _ in entries)
        return good, len(entries) - good

    def clear(self) -> int:
        """Remove everything that is kept; give the bytes freed."""
        before = self.size()
        for kind in ("layers", "steps", "arrays", "runs", "pages"):
            for path in (self.folder / kind).glob("*"):
                path.unlink(missing_ok=True)
        return before - self.size()


def _size(path: Path) -> int:
    try:
        return path.stat().st_size
    except OSError:
        return 0


def _array_hash(array: npt.NDArray[Any]) -> str:
    h = hashlib.sha256(f"{array.dtype.str}{array.shape}".encode())
    h.update(np.ascontiguousarray(array).view(np.uint8).reshape(-1).data if array.size else b"")
    return h.hexdigest()


_STAR_FIELDS = ("x", "y", "flux", "peak", "radius", "saturated")


def _facts(image: Image) -> tuple[dict[str, Any], dict[str, npt.NDArray[Any]]]:
    """Take an image apart into plain JSON values and arrays."""
    arrays: dict[str, npt.NDArray[Any]] = {"planes": image.planes}
    if image.coverage is not None:
        arrays["coverage"] = image.coverage
    facts: dict[str, Any] = {
        "channels": image.channels,
        "scale": image.scale,
        "content": image.content,
        "sky": image.sky,
        "fwhm": image.fwhm,
        "white": image.white,
        "history": image.history,
        "header": image.header.tostring(sep="\n") if image.header is not None else None,
        "stack_shape": image.frame.stack_shape,
        "to_stack": image.frame.to_stack_matrix,
        "bottom_up": image.frame.bottom_up,
        "inside": image.frame.inside,
    }
    if image.noise is not None:
        facts["noise"] = {"sigma": image.noise.sigma, "scales": image.noise.scales}
        if image.noise.map is not None:
            arrays["noise.map"] = image.noise.map
    if image.psf is not None:
        p = image.psf
        facts["psf"] = {"fwhm": p.fwhm, "beta": p.beta, "ellipticity": p.ellipticity, "angle": p.angle, "stars": p.stars}
        arrays["psf.kernel"] = p.kernel
    if image.stars is not None:
        arrays |= {f"stars.{name}": getattr(image.stars, name) for name in _STAR_FIELDS}
    return facts, arrays


def _tuple(value: Any) -> Any:
    return tuple(map(_tuple, value)) if isinstance(value, list) else value


def _image(facts: Mapping[str, Any], arrays: Mapping[str, Any]) -> Image:
    """Put an image together again."""
    header = None
    if facts["header"] is not None:
        from astropy.io.fits import Header

        header = Header.fromstring(facts["header"], sep="\n")
    noise, psf = facts.get("noise"), facts.get("psf")
    return Image(
        arrays["planes"],
        _tuple(facts["channels"]),
        facts["scale"],
        facts["content"],
        _tuple(facts["sky"]),
        Noise(_tuple(noise["sigma"]), _tuple(noise["scales"]), arrays.get("noise.map")) if noise else None,
        facts["fwhm"],
        Psf(arrays["psf.kernel"], **psf) if psf else None,
        StarList(*(arrays[f"stars.{name}"] for name in _STAR_FIELDS)) if "stars.x" in arrays else None,
        _tuple(facts["white"]),
        arrays.get("coverage"),
        header,
        Frame(_tuple(facts["stack_shape"]), _tuple(facts["to_stack"]), facts["bottom_up"], _tuple(facts["inside"])),
        _tuple(facts["history"]),
    )
