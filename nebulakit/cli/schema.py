"""``nebulakit schema``: the recipe's JSON schema, for editors."""

from __future__ import annotations

import click


@click.command("schema", short_help="Print the JSON schema of recipes, for editors.")
def command() -> int:
    """Print the draft-07 JSON schema of recipes: every step, parameter, unit, range and default, made from the declarations."""
    from nebulakit.recipe.schema import schema_text

    click.echo(schema_text(), nl=False)
    return 0
