"""``nebulakit recipes``: the recipes that come with nebulakit."""

from __future__ import annotations

import click


@click.command("recipes", short_help="List the shipped recipes, or print one.")
@click.argument("name", required=False)
def command(name: str | None) -> int:
    """List the shipped recipes with what each is for, or print the text of the one called NAME."""
    from nebulakit.errors import UsageError
    from nebulakit.recipe import load, shipped

    known = shipped()
    if name is None:
        width = max(map(len, known), default=0)
        for each in sorted(known):
            click.echo(f"{each:<{width}}  {load(each).about}")
        return 0
    if name not in known:
        raise UsageError(f"there is no shipped recipe {name!r}; there are: {', '.join(sorted(known))}")
    click.echo(known[name].read_text(encoding="utf-8"), nl=False)
    return 0
