"""``nebulakit rerun``: repeat a run and compare."""

from __future__ import annotations

import json
import tempfile
from pathlib import Path
from typing import Any

import click

from nebulakit.cli import options
from nebulakit.cli.options import inputs_of, set_threads


def read(path: Path) -> dict[str, Any]:
    """Read a ``run.json``, or the one in a folder."""
    from nebulakit.errors import InputError

    where = path / "run.json" if path.is_dir() else path
    try:
        found = json.loads(where.read_text(encoding="utf-8"))
    except OSError as fault:
        raise InputError(f"{where} cannot be read: {fault.strerror}") from None
    except ValueError:
        found = None
    if not isinstance(found, dict) or "recipe" not in found:
        raise InputError(f"{where} is no run.json of nebulakit")
    return found


@click.command("rerun", short_help="Repeat a run and tell the largest difference of every output.")
@click.argument("record", type=click.Path(path_type=Path), metavar="RUN.JSON")
@click.option(
    "--stack", type=click.Path(path_type=Path), metavar="FILE", help="The stack, where it is not beside the run's folder or here."
)
@options.inputs
@click.option("-o", "--output", type=click.Path(path_type=Path), metavar="DIR", help="Keep the repeated run in this folder.")
@options.threads
def command(record: Path, stack: Path | None, inputs: dict[str, Path], output: Path | None, threads: int | None) -> int:
    """Repeat the run that RUN.JSON describes, nothing reused, and compare every output with the one beside RUN.JSON."""
    from nebulakit.errors import InputError
    from nebulakit.runner.freeze import from_record
    from nebulakit.runner.job import Job, run_job
    from nebulakit.runner.repeat import difference, locate

    told = read(record)
    folder = record if record.is_dir() else record.parent
    set_threads(threads)
    given = {**inputs_of(Path(told["inputs"]["stack"]["file"]), inputs), "stack": stack}
    ways = told.get("ways", {})
    found = {n: locate(n, facts, folder, given.get(n), ways.get(n)) for n, facts in told["inputs"].items()}
    code = 0
    with tempfile.TemporaryDirectory(prefix="nebulakit-") as temporary:
        target = output or Path(temporary)
        job = Job(from_record(told), found.pop("stack"), target, found, told["recipe"]["settings"], **told["options"])
        for new in run_job(job).record["outputs"]:
            old = folder / new["file"]
            if not old.is_file():
                raise InputError(f"{old}, which the run wrote, is gone; there is nothing to compare with")
            largest = difference(old, target / new["file"])
            click.echo(f"{new['file']}: " + ("identical" if largest == 0 else f"largest difference {largest:.3g}"))
            code = max(code, int(largest != 0))
    return code
