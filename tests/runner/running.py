"""Runs by the command line, and what they leave."""

import json
from pathlib import Path

from nebulakit.cli import call


def run(recipe: Path, stack: Path, out: Path, *more: object) -> int:
    """Run a recipe on a stack into a folder, without a page; give the exit code."""
    return call(["run", str(recipe), str(stack), "-o", str(out), "--no-report", *map(str, more)])


def record(out: Path) -> dict:
    return json.loads((out / "run.json").read_text())


def states(out: Path) -> dict[str, str]:
    """Give for each step whether it was computed, reused or skipped."""
    return {s["id"]: s["state"] for s in record(out)["steps"]}


def hashes(out: Path) -> dict[str, str]:
    return {o["file"]: o["sha256"] for o in record(out)["outputs"]}
