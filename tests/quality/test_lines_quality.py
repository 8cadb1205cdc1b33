"""A quick subset of the figures in lines.py, held to the project's goals."""

from __future__ import annotations

from pathlib import Path

import pytest

from tests.quality import lines


def test_lines_are_as_right_as_the_goals() -> None:
    """Four of five scenes reach every goal, none misses the leak by more than half of it, on sensors 30 % off typical."""
    rows = list(lines.made_scenes(5, shape=(420, 560), seed=4))
    assert sum(bool(lines.misses(row)) for _, row in rows) <= 1, rows
    for name, row in rows:
        assert abs(row["leak"]) < 0.03, name
        assert row["grain"] > 0.95, name
        assert row["ha"] < 1.15, name


@pytest.mark.real
def test_lines_of_other_scenes(shared: Path) -> None:
    rows = list(lines.shared_scenes(5, shared, seed=7))
    assert sum(bool(lines.misses(row)) for _, row in rows) <= 1, rows
