"""``nebulakit compare``: two runs, pictures or recipes beside each other."""

from __future__ import annotations

import json
from pathlib import Path

import click


@click.command("compare", short_help="Compare two runs, two pictures or two recipes.")
@click.argument("a", type=click.Path(path_type=Path))
@click.argument("b", type=click.Path(path_type=Path))
@click.option("-o", "--output", type=click.Path(path_type=Path), default=Path("compare.html"), show_default=True, metavar="FILE")
@click.option("--json", "as_json", is_flag=True, help="Print what differs as JSON and write no page.")
def command(a: Path, b: Path, output: Path, as_json: bool) -> int:
    """Compare A and B: folders of runs, pictures, or recipes (files, or names of shipped ones).

    Tells what differs in the recipe by step, in the numbers, and lays the pictures under one divider.
    """
    from nebulakit.report.compare import comparison, facts, side
    from nebulakit.runner.folder import write_page

    one, two = side(a), side(b)
    if as_json:
        click.echo(json.dumps(facts(one, two), indent=1))
        return 0
    write_page(output, comparison(one, two))
    click.echo(output)
    return 0
