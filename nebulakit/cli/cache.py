"""``nebulakit cache``: the finished layers that are kept."""

from __future__ import annotations

from pathlib import Path

import click

from nebulakit.cli import options
from nebulakit.cli.options import Number, open_store


@click.command("cache", short_help="Show, trim, verify or clear the finished layers that are kept.")
@click.argument("action", type=click.Choice(["show", "trim", "verify", "clear"]), default="show")
@options.cache
@click.option("--limit", type=Number(0), metavar="GB", help="For trim: leave at most this much.")
def command(action: str, cache: Path | None, limit: float | None) -> int:
    """Show where finished layers are kept and how much they take; trim to a size, verify every file, or clear all."""
    store = open_store(cache)
    if action == "show":
        kept = f"{store.size() / 1e9:.2f} GB of at most {(store.limit or 0) / 1e9:.1f} GB"
        click.echo(f"{store.folder}: {len(store.layers())} layers, {kept}")
    elif action == "trim":
        freed = store.trim(None if limit is None else int(limit * 1e9))
        click.echo(f"{freed / 1e9:.2f} GB freed, {store.size() / 1e9:.2f} GB left")
    elif action == "verify":
        good, damaged = store.verify()
        click.echo(f"{good} layers are whole" + (f", {damaged} were damaged and are removed" if damaged else ""))
    else:
        click.echo(f"{store.clear() / 1e9:.2f} GB freed")
    return 0
