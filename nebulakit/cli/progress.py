"""One live line for each step on a terminal, plain lines elsewhere."""

from __future__ import annotations

import sys
from collections.abc import Mapping
from types import TracebackType
from typing import TYPE_CHECKING, Any

import click

if TYPE_CHECKING:
    from nebulakit.recipe.model import Call
    from nebulakit.runner.execute import StepRun
    from nebulakit.runner.job import Job


def numbers(record: Mapping[str, Any], limit: int = 3) -> str:
    """Put the first few short values of a record on one line."""
    said = []
    for key, value in record.items():
        if isinstance(value, bool) or value is None:
            continue
        if isinstance(value, (int, float)):
            said.append(f"{key.replace('_', ' ')} {value:.4g}")
        elif isinstance(value, str) and len(value) <= 24:
            said.append(f"{key.replace('_', ' ')} {value}")
        if len(said) == limit:
            break
    return ", ".join(said)


class Progress:
    """Tells how a job gets on; stdout stays free for the answer."""

    def __init__(self, job: Job) -> None:
        """Begin with a line that says what is run on what."""
        self._total = len(job.recipe.steps)
        self._number = 0
        self._title = f"{job.recipe.name} on {job.stack.name}"
        self._live: Any = None

    def __enter__(self) -> Progress:
        if sys.stderr is not None and sys.stderr.isatty():  # None where it was closed before the start
            from rich.console import Console

            self._console = Console(stderr=True, highlight=False)
            self._console.print(self._title, markup=False)
            self._live = self._console.status("reading")
            self._live.__enter__()
        else:
            click.echo(self._title, err=True)
        return self

    def __exit__(self, kind: type[BaseException] | None, fault: BaseException | None, trace: TracebackType | None) -> None:
        if self._live is not None:
            self._live.__exit__(kind, fault, trace)

    def before(self, call: Call) -> None:
        """Say that a step begins."""
        self._number += 1
        if self._live is not None:
            self._live.update(f"{self._number:2d}/{self._total}  {call.id}")

    def after(self, done: StepRun, layers: Any) -> None:
        """Say how a step went."""
        how = {"computed": f"{done.seconds:6.2f} s", "reused": "reused  ", "skipped": "skipped "}[done.state]
        line = f"{self._number:2d}/{self._total}  {how}  {done.call.id:<18}  {numbers(done.record)}".rstrip()
        if self._live is not None:
            self._console.print(line, markup=False)
        else:
            click.echo(line, err=True)
