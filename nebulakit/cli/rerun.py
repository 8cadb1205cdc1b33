"""``nebulakit rerun``: repeat a run and compare."""

from __future__ import annotations

import os
import tempfile
from pathlib import Path

import click

from nebulakit.cli import options
from nebulakit.cli.options import inputs_of, set_threads


@click.command("rerun", short_help="Repeat a run and tell the largest difference of every output.")
@click.argument("record", type=click.Path(path_type=Path), metavar="RUN.JSON")
@click.option(
    "--stack", type=click.Path(path_type=Path), metavar="FILE", help="The stack, where it is not beside the run's folder or here."
)
@options.inputs
@options.output("Keep the repeated run in this folder.")
@options.threads
def command(record: Path, stack: Path | None, inputs: dict[str, Path], output: Path | None, threads: int | None) -> int:
    """Repeat the run that RUN.JSON describes, nothing reused, and compare every output with the one beside RUN.JSON."""
    from nebulakit.errors import InputError, UsageError
    from nebulakit.runner.folder import read_run
    from nebulakit.runner.freeze import from_record
    from nebulakit.runner.job import Job, run_job
    from nebulakit.runner.repeat import difference, locate

    told = read_run(record)
    folder = record if record.is_dir() else record.parent
    if output is not None and os.path.exists(output) and output.samefile(folder):
        raise UsageError(f"{output} holds the run that is to be compared with; choose another folder with -o")
    for old in told["outputs"]:
        if not (folder / old["file"]).is_file():
            raise InputError(f"{folder / old['file']}, which the run wrote, is gone; there is nothing to compare with")
    unknown = sorted(set(inputs) - set(told["inputs"]))
    if unknown:
        raise UsageError(f"the run had no input called {unknown[0]!r}; it had: {', '.join(told['inputs'])}")
    set_threads(threads)
    given = {**inputs_of(Path(told["inputs"]["stack"]["file"]), inputs), "stack": stack}
    found = {n: locate(n, facts, folder, given.get(n), told["ways"].get(n)) for n, facts in told["inputs"].items()}
    code = 0
    with tempfile.TemporaryDirectory(prefix="nebulakit-") as temporary:
        target = output or Path(temporary)
        try:
            job = Job(from_record(told), found.pop("stack"), target, found, told["recipe"]["settings"], **told["options"])
        except TypeError:  # options that are not known here
            raise InputError(
                f"{record} was made by another version of nebulakit, {told['nebulakit']}; repeat it with that one"
            ) from None
        for new in run_job(job).record["outputs"]:
            largest = difference(folder / new["file"], target / new["file"])
            click.echo(f"{new['file']}: " + ("identical" if largest == 0 else f"largest difference {largest:.3g}"))
            code = max(code, int(largest != 0))
    return code
