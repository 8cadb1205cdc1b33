"""``nebulakit sweep``: several values side by side."""

from __future__ import annotations

import json
import os
from collections.abc import Mapping, Sequence
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from nebulakit.cli import options
from nebulakit.cli.options import StackFile, inputs_of, pairs, set_threads, store_meanwhile

if TYPE_CHECKING:
    from nebulakit.image import Image


WRITTEN = ("contact.png", "sweep.html", "sweep.json")


def split(value: str) -> list[str]:
    """Split at commas outside brackets.

    >>> split("1, 2,[3,4]")
    ['1', '2', '[3,4]']
    """
    out, depth = [""], 0
    for c in value:
        depth += (c in "[{") - (c in "]}")
        if c == "," and depth == 0:
            out.append("")
        else:
            out[-1] += c
    return [o.strip() for o in out if o.strip()]


def split_values(vary: Sequence[str]) -> list[tuple[str, list[str]]]:
    """Give what is varied with its values."""
    from nebulakit.errors import UsageError

    varied = [(name, split(values)) for name, values in pairs(vary, "--vary", "denoise.strength=0.5,1,2").items()]
    if len(varied) < len(vary):
        raise UsageError("one parameter is varied twice; give all its values in one --vary, such as denoise.strength=0.5,1,2")
    for name, values in varied:
        if not values:
            raise UsageError(f"--vary {name} names no value to try; for example --vary denoise.strength=0.5,1,2")
    return varied


def true_lines(stack: Path) -> tuple[Image, Image] | None:
    """Give the true H-alpha and [O III] of a made stack, which lie beside it in ``truth``; None where they do not."""
    from nebulakit import files

    paths = [stack.parent / "truth" / f"{line}.fits" for line in ("ha", "oiii")]
    if not all(p.is_file() for p in paths):
        return None
    ha, oiii = (files.read(p) for p in paths)
    return ha, oiii


def write_picked(recipe: str, settings: Mapping[str, str], cell: Mapping[str, str], output: Path | None) -> None:
    """Write the recipe of one combination."""
    from nebulakit.errors import UsageError
    from nebulakit.recipe import load
    from nebulakit.recipe.edit import edited, settled
    from nebulakit.runner.folder import write_whole

    if output is None:
        raise UsageError("say with -o where the recipe goes, for example -o mine.yaml")
    if os.path.exists(output):
        raise UsageError(f"{output} is already there; choose another name")
    given = {**settings, **cell}
    chosen = load(recipe, settings=given, varied=cell)
    write_whole(output, edited(chosen, *settled(chosen, given)))
    click.echo(output)


def table(facts: Sequence[Mapping[str, Any]]) -> str:
    """Write the numbers of all combinations, a line for each."""
    from nebulakit.report.sheet import measured

    names = measured(facts)
    lines = ["  ".join(["  n", *(f"{n:>16}" for n in names), " settings"])]
    for f in facts:
        shown = [f"{f[n]:16.4g}" if isinstance(f.get(n), float) else f"{'-':>16}" for n in names]
        lines.append("  ".join([f"{f['number']:3d}", *shown, f" {words(f['settings'])}"]))
    return "\n".join(lines)


def words(settings: Mapping[str, str]) -> str:
    """Write settings in a line, as --set takes them."""
    return ", ".join(f"{k}={v}" for k, v in settings.items())


@click.command("sweep", short_help="Try several values side by side.")
@click.argument("recipe")
@click.argument("stack", type=StackFile())
@click.option(
    "--vary",
    multiple=True,
    required=True,
    metavar="ID.PARAM=A,B,C",
    help="The values to try; two of these make the rows and columns of a grid.",
)
@options.inputs
@options.settings
@options.output("Where the sheet and the table go (default RECIPE-STACK-sweep).")
@options.preview
@options.cache
@click.option("--no-cache", is_flag=True, help="Keep finished layers only as long as the sweep lasts.")
@click.option(
    "--pick",
    type=click.IntRange(1),
    metavar="N",
    help="Run nothing: write the recipe of the N-th combination to the file given by -o.",
)
@options.threads
def command(
    recipe: str,
    stack: Path,
    vary: tuple[str, ...],
    inputs: dict[str, Path],
    settings: dict[str, str],
    output: Path | None,
    preview: int,
    cache: Path | None,
    no_cache: bool,
    pick: int | None,
    threads: int | None,
) -> int:
    """Run RECIPE on STACK once for every combination of the varied values; what they share is computed once.

    Writes a page to compare any two of them on (sweep.html), a contact sheet (contact.png) and the numbers (sweep.json).
    Grain is how much the levels scatter over a few pixels where the picture is darkest, as a share of white.
    """
    from nebulakit.errors import StepError, UsageError
    from nebulakit.recipe import load
    from nebulakit.report.sheet import Sheet
    from nebulakit.runner.folder import publish_folder, refuse_others, refuse_unwritable
    from nebulakit.runner.inputs import Inputs, input_keys
    from nebulakit.runner.job import Job, default_folder
    from nebulakit.runner.keys import plain
    from nebulakit.runner.sheet import contact_sheet
    from nebulakit.runner.sweep import grid, sweep

    varied = split_values(vary)
    cells, axes = grid(varied), varied if len(varied) == 2 else None
    if pick is not None:
        if pick > len(cells):
            raise UsageError(f"there are {len(cells)} combinations; {pick} is none of them")
        write_picked(recipe, settings, cells[pick - 1], output)
        return 0
    set_threads(threads)
    base = load(recipe, settings=settings)
    folder = output or default_folder(base, stack).with_name(default_folder(base, stack).name + "-sweep")
    refuse_unwritable(folder)
    refuse_others(folder, WRITTEN, "sweep.html")
    with store_meanwhile(cache, no_cache) as store:
        job = Job(base, stack, folder, inputs_of(stack, inputs), settings, preview=preview, store=store)
        keys = input_keys(job)[1]
        sheet, made = Sheet(len(cells)), []
        for variant in sweep(
            lambda cell: load(recipe, settings={**settings, **cell}, varied=cell),
            cells,
            Inputs(job, keys),
            keys,
            store,
            true_lines(stack),
            lambda number, picture: sheet.add(number, cells[number - 1], picture),
        ):
            made.append(variant)
            how = "failed" if variant.error else f"{variant.computed} steps run"
            click.echo(f"{variant.number}/{len(cells)}  {how}  {words(variant.settings)}", err=True)
            if variant.error:
                click.echo(f"error: {variant.error}", err=True)
                sheet.fail(variant.number, variant.settings)
        failed = [v.number for v in made if v.error]
        if len(failed) == len(made):
            raise StepError("no combination could be run to its end, so there is nothing to show")
        facts: list[dict[str, Any]] = [
            {"number": v.number, "settings": dict(v.settings), **v.numbers, **({"error": v.error} if v.error else {})}
            for v in made
        ]
        with publish_folder(folder, WRITTEN) as staging:
            told = [[f"{v.number}, failed" if v.error else f"{v.number}"] for v in made]
            if not axes:
                told = [[*lines, *(f"{k} = {x}" for k, x in v.settings.items())] for lines, v in zip(told, made, strict=True)]
            contact_sheet(list(zip(sheet.small, told, strict=True)), staging / "contact.png", axes)
            page = sheet.page(Path(base.source).stem, stack.name, facts, axes)
            (staging / "sweep.html").write_text(page, encoding="utf-8")
            record = {"recipe": Path(base.source).name, "stack": stack.name, "variants": plain(facts)}
            (staging / "sweep.json").write_text(json.dumps(record, indent=1, allow_nan=False) + "\n")
        store.trim()
    click.echo(table(facts))
    click.echo(folder / "sweep.html")
    click.echo(folder / "contact.png")
    if failed:
        click.echo(f"{len(failed)} of {len(made)} combinations failed", err=True)
    return 5 if failed else 0
