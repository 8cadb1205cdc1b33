"""What layers and files are known by: hashes of all that can change them.

A layer's key is a hash of everything that can change its pixels: the step and its typed parameters, the keys of what
it read, its mask and amount, the source text that computes, and the versions of the numerical libraries. A store that goes
by it recomputes too often rather than ever serving a stale layer.
"""

from __future__ import annotations

import functools
import hashlib
import json
import math
from collections.abc import Mapping
from pathlib import Path
from typing import Any

import nebulakit
from nebulakit.declare import canonical
from nebulakit.recipe.model import Recipe, Ref

LIBRARIES = ("numpy", "numba", "scipy", "scikit-image", "opencv-python-headless", "PyWavelets", "astropy")
SOURCES = (
    "pixels",
    "steps",
    "files",
    "image.py",
    "declare.py",
    "quantity.py",
    "runner/blended.py",
    "runner/execute.py",
    "runner/inputs.py",
    "runner/placed.py",
    "runner/preview.py",
)


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
                "mask": self.get(call.mask, "absent") if call.mask else None,
                "amount": call.amount,
                "source": source_digest(),
                "versions": versions(),
            }
            key = digest(made_of)
            self._steps[call.index] = key
            self.made_of[call.index] = made_of
            self.update({ref: f"{key}-{ref.result}" for ref in call.results})
            if call.skip:
                self[call.main] = self.get(first, "absent")

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


def file_hash(path: Path) -> str:
    """Give the SHA-256 of a file's contents."""
    with open(path, "rb") as f:
        return hashlib.file_digest(f, "sha256").hexdigest()
