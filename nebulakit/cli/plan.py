"""``nebulakit plan``: what a run would reuse and what it would run, and why."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Literal

import click

from nebulakit.cli import options
from nebulakit.cli.options import StackFile, inputs_of, open_store

if TYPE_CHECKING:
    from nebulakit.runner.job import Job


@click.command("plan", short_help="Say what a run would reuse, what it would run, and why.")
@click.argument("recipe")
@click.argument("stack", type=StackFile())
@options.inputs
@options.settings
@click.option("--until", metavar="ID", help="Plan up to this step.")
@options.preview
@options.assume
@options.fwhm
@options.cache
@click.option("--graph", is_flag=True, help="Draw the layers as a tree.")
def command(
    recipe: str,
    stack: Path,
    inputs: dict[str, Path],
    settings: dict[str, str],
    until: str | None,
    preview: int,
    assume: Literal["linear", "display"] | None,
    fwhm: float | None,
    cache: Path | None,
    graph: bool,
) -> int:
    """Tell for each step of RECIPE on STACK: reuse, or run and why, with the seconds and memory of an earlier run."""
    from nebulakit.recipe import load
    from nebulakit.runner.job import Job

    checked, store = load(recipe, settings=settings), open_store(cache)
    job = Job(checked, stack, Path(), inputs_of(stack, inputs), settings, until, preview, assume=assume, fwhm=fwhm, store=store)
    tell_plan(job, graph)
    return 0


def tell_plan(job: Job, graph: bool = False) -> None:
    """Print what a run of the job would do, as a table or as a tree."""
    from nebulakit.runner.inputs import input_keys
    from nebulakit.runner.plan import plan, summary, tree

    assert job.store is not None
    told, keys = input_keys(job)
    planned = plan(job.recipe, job.stack, told["stack"]["sha256"], keys, job.store, job.until, job.preview)
    if graph:
        click.echo(tree(job.recipe, planned))
    else:
        for n, p in enumerate(planned, 1):
            known = p.action == "run" and p.seconds is not None
            memory = f", {p.peak_memory_mb:.0f} MB" if p.peak_memory_mb else ""
            cost = f"  (about {p.seconds:.1f} s{memory})" if known else ""
            click.echo(f"{n:2d}  {p.action:<5}  {p.call.id:<18}  {('because ' + p.why) if p.why else ''}{cost}".rstrip())
        click.echo(summary(planned))
    for notice in job.store.notices:
        click.echo(f"note ({notice.id}): {notice.text}", err=True)
