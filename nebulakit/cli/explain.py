"""``nebulakit explain``: what a warning means, and what to do when a picture looks wrong."""

from __future__ import annotations

import textwrap

import click


@click.command("explain", short_help="Tell what a warning means, or what to do when it looks wrong.")
@click.argument("name", required=False, metavar="[ID]")
def command(name: str | None) -> int:
    """Tell of the warning or symptom ID what is seen, its cause, how to be sure and what to write; without ID list all."""
    from nebulakit.errors import UsageError
    from nebulakit.recipe.names import meant
    from nebulakit.runner.explain import SYMPTOMS
    from nebulakit.runner.warnings import WARNINGS

    known = {**WARNINGS, **SYMPTOMS}
    if name is None:
        width = max(map(len, known))
        for title, entries in (("When it looks wrong", SYMPTOMS), ("Warnings", WARNINGS)):
            click.echo(title)
            for each in sorted(entries):
                click.echo(f"  {each:<{width}}  {entries[each].seen}")
        return 0
    if name not in known:
        raise UsageError(f"there is no warning or symptom {name!r}; {meant(name, known)}")
    entry = known[name]
    click.echo(name)
    for title, text in (("seen", entry.seen), ("cause", entry.cause), ("to be sure", entry.sure)):
        click.echo(textwrap.fill(text, 100, initial_indent=f"  {title:<11} ", subsequent_indent=" " * 14))
    click.echo(f"  {'write':<11} {entry.mend}")
    return 0
