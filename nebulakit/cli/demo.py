"""``nebulakit demo``: an invented nebula made and finished, to see what the tool does and that it works here."""

from __future__ import annotations

import os
from pathlib import Path

import click

from nebulakit.cli import options


@click.command("demo", short_help="Make an invented stack and finish it: the quickest look.")
@click.option(
    "-o",
    "--output",
    type=click.Path(path_type=Path),
    default=Path("nebulakit-demo"),
    show_default=True,
    metavar="DIR",
    help="Where to put everything.",
)
@click.option("--seed", type=click.IntRange(0, 10**6), default=7, show_default=True, help="Another seed, another sky.")
@click.option(
    "--kind", default="cove", show_default=True, help="cove, bubble, fans, veil, lantern, ember or none: what kind of nebula."
)
@click.option(
    "--size",
    nargs=2,
    type=click.IntRange(200, 8000),
    default=(1200, 800),
    show_default=True,
    metavar="W H",
    help="Size of the stack in px.",
)
@click.option("--only-stack", is_flag=True, help="Make the stack and its truth, and run nothing.")
@options.threads
def command(output: Path, seed: int, kind: str, size: tuple[int, int], only_stack: bool, threads: int | None) -> int:
    """Make a linear stack of an invented nebula and finish it with the recipe bicolour.

    Seeded, nothing is downloaded; the truth is kept beside the stack.
    """
    from shlex import quote
    from typing import get_args

    from nebulakit.cli.options import open_store, set_threads
    from nebulakit.cli.run import run_told
    from nebulakit.demo import Kind, make_scene, write_scene
    from nebulakit.errors import UsageError
    from nebulakit.recipe import load
    from nebulakit.runner.folder import refuse_unwritable
    from nebulakit.runner.job import Job

    if kind not in get_args(Kind):
        raise UsageError(f"there is no kind of nebula {kind!r}; there are: {', '.join(get_args(Kind))}")
    # a stack.fits alone may be the user's own
    if os.path.isdir(output) and not os.path.isdir(output / "truth") and any(output.iterdir()):
        raise UsageError(f"{output} holds other files; choose another folder with -o")
    refuse_unwritable(output)
    set_threads(threads)
    click.echo("making the stack", err=True)
    stack, coverage = write_scene(make_scene(seed, (size[1], size[0]), kind), output)  # type: ignore[arg-type]
    if only_stack:
        click.echo(stack)
        click.echo(coverage)
        return 0
    # layers are kept, so that what is named at the end runs no more than what it changes
    job = Job(load("bicolour"), stack, output / "bicolour", {"coverage": coverage}, store=open_store(None))
    for path in run_told(job).files:
        click.echo(path)
    click.echo(
        f"\nThe finished picture is {output / 'bicolour' / 'picture.jpg'} (16 bits: picture.tif).\n"
        f"What went in: {stack}, almost black and red, with its coverage map beside it. Look first at the two lines,\n"
        f"ha.fits and oiii.fits, and compare them with the truth in {output / 'truth'}. Then change something:\n\n"
        "    nebulakit new mine\n"
        f"    nebulakit run mine.yaml {quote(str(stack))} --input {quote(f'coverage={coverage}')} --set saturate.gain=1.6\n",
        err=True,
    )
    return 0
