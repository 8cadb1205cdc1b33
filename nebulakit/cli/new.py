"""``nebulakit new``: a recipe of one's own, begun from a shipped one."""

from __future__ import annotations

import os
from pathlib import Path

import click

_SCHEMA = "recipe.schema.json"


@click.command("new", short_help="Begin a recipe of your own from a shipped one.")
@click.argument("file", type=click.Path(path_type=Path))
@click.option("--from", "source", default="bicolour", metavar="NAME", show_default=True, help="The shipped recipe to begin with.")
def command(file: Path, source: str) -> int:
    """Write a copy of a shipped recipe to FILE, comments included, ready to be changed.

    Where recipe.schema.json (nebulakit schema > recipe.schema.json) lies beside it, the copy names it, for editors that
    help while one types.
    """
    from shlex import quote

    from nebulakit.errors import UsageError
    from nebulakit.recipe import shipped

    known = shipped()
    if source not in known:
        raise UsageError(f"there is no shipped recipe {source!r}; there are: {', '.join(sorted(known))}")
    if not file.name:
        raise UsageError(f"{str(file)!r} is no file name; for example  nebulakit new mine.yaml")
    target = file if file.suffix in (".yaml", ".yml") else file.with_name(file.name + ".yaml")
    if os.path.exists(target):
        raise UsageError(f"{target} is already there; choose another name")
    try:
        text = known[source].read_text(encoding="utf-8")
        if not os.path.isfile(target.with_name(_SCHEMA)):  # an editor would miss it
            text = text.removeprefix(f"# yaml-language-server: $schema={_SCHEMA}\n")
        target.write_text(text, encoding="utf-8")
    except OSError as fault:
        raise UsageError(f"cannot write {target}: {fault.strerror}. Choose another place") from None
    click.echo(target)
    click.echo(f"change it in any editor, then:  nebulakit run {quote(str(target))} STACK", err=True)
    return 0
