"""``nebulakit freeze``: a recipe with the values a run decided."""

from __future__ import annotations

import os
from pathlib import Path

import click


@click.command("freeze", short_help="Write a recipe with what a run measured and decided filled in.")
@click.argument("record", type=click.Path(path_type=Path), metavar="RUN.JSON")
@click.option("-o", "--output", type=click.Path(path_type=Path), metavar="FILE", help="The recipe to write (default: print it).")
@click.option("--look", is_flag=True, help="Only what makes the look; noise, star width and the like are measured anew.")
@click.option("--overwrite", is_flag=True, help="Replace FILE where it exists.")
def command(record: Path, output: Path | None, look: bool, overwrite: bool) -> int:
    """Write the recipe of a run with every measured and decided value filled in.

    A second picture is then treated exactly alike.
    """
    from nebulakit.errors import UsageError
    from nebulakit.runner.folder import read_run, write_whole
    from nebulakit.runner.freeze import frozen

    text = frozen(read_run(record), look)
    if output is None:
        click.echo(text, nl=False)
        return 0
    if os.path.exists(output) and not overwrite:
        raise UsageError(f"{output} is already there; choose another name, or add --overwrite")
    write_whole(output, text)
    click.echo(output)
    return 0
