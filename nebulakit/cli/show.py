"""``nebulakit show``: a recipe as it is read, with where each part came from."""

from __future__ import annotations

import click

from nebulakit.cli import options


@click.command("show", short_help="Print a recipe flat, with where each line came from.")
@click.argument("recipe")
@options.settings
@click.option("--resolved", is_flag=True, help="With every default written out and every variable filled in.")
@click.option("--origins/--no-origins", default=True, help="Say behind each line which file and line it came from.")
def command(recipe: str, settings: dict[str, str], resolved: bool, origins: bool) -> int:
    """Print RECIPE (a file, or the name of a shipped recipe) as one recipe, whatever it extends put in.

    What is printed is a recipe itself: it can be saved and run.
    """
    from nebulakit.recipe import load, show, to_yaml

    if not resolved:
        click.echo(show(recipe, settings=settings, origins=origins), nl=False)
        return 0
    text = to_yaml(load(recipe, settings=settings), defaults=True)
    if origins:
        text = _with_origins(text, show(recipe, settings=settings))
    click.echo(text, nl=False)
    return 0


def _with_origins(text: str, shown: str) -> str:
    """Put behind each step and output where ``shown`` says that it and its parameters came from; both list them in one order."""
    told: list[list[str]] = []
    for line in shown.splitlines():
        origin = line.rpartition("  # ")[2] if "  # " in line else ""
        if line.startswith("  - "):
            told.append([origin])
        elif line.startswith(" " * 6) and origin not in told[-1]:  # a parameter that came from elsewhere
            told[-1].append(origin)
    lines = text.splitlines()
    entries = [i for i, line in enumerate(lines) if line.startswith("  - ")]
    width = min(100, max(len(lines[i]) for i in entries))
    for i, origins in zip(entries, told, strict=True):
        lines[i] = f"{lines[i]:{width}}  # {', '.join(filter(None, origins))}"
    return "\n".join(lines) + "\n"
