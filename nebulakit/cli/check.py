"""``nebulakit check``: find every fault of a recipe before a pixel is read."""

from __future__ import annotations

import click

from nebulakit.cli import options


@click.command("check", short_help="Find every fault of a recipe, before a pixel is read.")
@click.argument("recipes", nargs=-1, required=True, metavar="RECIPE...")
@options.settings
def command(recipes: tuple[str, ...], settings: dict[str, str]) -> int:
    """Check each RECIPE (a file, or the name of a shipped recipe); every fault is told with its place."""
    from nebulakit.cli import words
    from nebulakit.errors import RecipeError
    from nebulakit.recipe import load

    code = 0
    for recipe in recipes:
        try:
            checked = load(recipe, settings=settings)
        except RecipeError as fault:
            click.echo(words(fault)[0], err=True)
            code = fault.exit_code
            continue
        for warning in checked.idle:
            click.echo(warning, err=True)
        writes = ", ".join(o.file for o in checked.outputs) or "nothing"
        click.echo(f"{recipe}: no faults; {len(checked.steps)} steps, writes {writes}")
    return code
