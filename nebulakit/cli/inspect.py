"""``nebulakit inspect``: what do I have?"""

from __future__ import annotations

import json
from pathlib import Path
from typing import Literal

import click

from nebulakit.cli import options
from nebulakit.cli.options import StackFile, inputs_of, set_threads


@click.command("inspect", short_help="Tell what a stack is, and what is wrong with it.")
@click.argument("stack", type=StackFile())
@options.inputs
@options.assume
@click.option(
    "--pattern",
    type=click.Choice(["RGGB", "BGGR", "GRBG", "GBRG"]),
    help="The colour pattern of a mosaic, where the header is silent or wrong.",
)
@click.option("--picture", type=click.Path(path_type=Path), metavar="FILE", help="Write a first look, stretched.")
@click.option("--json", "as_json", is_flag=True, help="The same facts as JSON, with a list of warnings.")
@options.threads
def command(
    stack: Path,
    inputs: dict[str, Path],
    assume: Literal["linear", "display"] | None,
    pattern: str | None,
    picture: Path | None,
    as_json: bool,
    threads: int | None,
) -> int:
    """Tell the facts of STACK: size, scale, noise, sky, gradient, stars, coverage, which recipe suits, and what looks wrong."""
    from nebulakit import files
    from nebulakit.errors import UsageError
    from nebulakit.report.numbers import text
    from nebulakit.runner.door import doubts
    from nebulakit.runner.examine import examine, first_look
    from nebulakit.runner.folder import replaced

    if set(inputs) - {"coverage"}:
        raise click.UsageError("inspect takes one further input: coverage=FILE")
    inputs = inputs_of(stack, inputs)
    if picture is not None:
        try:
            if picture.is_dir():
                raise ValueError(f"{picture} is a folder; name a file, such as look.png")
            files.check_output(picture.name, files.WriteOptions())
            if replaced(picture, [stack, *inputs.values()]):
                raise ValueError(f"{picture} is what is inspected; name another file")
        except ValueError as fault:
            raise UsageError(f"--picture: {fault}") from None
    set_threads(threads)
    image = files.read(stack, coverage=inputs.get("coverage"), pattern=pattern, assume=assume)
    facts = examine(image)
    warnings = [{"id": n.id, "text": n.text} for n in (*image.notices, *doubts(image))]
    if as_json:
        click.echo(json.dumps({"file": stack.name, **facts, "warnings": warnings}, indent=1))
    else:
        click.echo(stack.name)
        for key, value in facts.items():
            if value is not None:
                click.echo(f"  {key.replace('_', ' '):<16} {text(value)}")
        for w in warnings:
            click.echo(f"note ({w['id']}): {w['text']}", err=True)
    if picture is not None:
        files.write(first_look(image), picture)
        if not as_json:
            click.echo(picture)
    return 0
