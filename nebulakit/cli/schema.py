"""``nebulakit schema``: the recipe's JSON schema, for editors."""

from __future__ import annotations

import json

import click


@click.command("schema", short_help="Print the JSON schema of recipes, for editors.")
def command() -> int:
    """Print the draft-07 JSON schema of recipes: every step, parameter, unit, range and default, made from the declarations."""
    from nebulakit.recipe.schema import build_schema

    click.echo(json.dumps(build_schema(), indent=1))
    return 0
