"""Run a checked recipe on images: the order, the layers, what each step recorded, and the files that come out."""

from __future__ import annotations

from nebulakit.runner.execute import Run, StepRun, execute

__all__ = ["Run", "StepRun", "execute"]
