"""``nebulakit steps``: what each step does, made from the declarations."""

from __future__ import annotations

import inspect
import json
import textwrap
from collections.abc import Sequence
from typing import TYPE_CHECKING

import click

if TYPE_CHECKING:
    from nebulakit.declare import Step


@click.command("steps", short_help="List the steps, or tell all about one.")
@click.argument("name", required=False)
@click.option("--json", "as_json", is_flag=True, help="The same as JSON.")
@click.option("--markdown", is_flag=True, help="The list as a Markdown table.")
def command(name: str | None, as_json: bool, markdown: bool) -> int:
    """List the steps with one line each, or tell all about the step called NAME: images, results, parameters, method."""
    import nebulakit.steps  # noqa: F401  (registers them)
    from nebulakit.declare import STEPS
    from nebulakit.errors import UsageError
    from nebulakit.recipe.names import meant

    if name is not None and name not in STEPS:
        raise UsageError(f"there is no step {name!r}; {meant(name, STEPS)}")
    chosen = [STEPS[name]] if name else [STEPS[k] for k in sorted(STEPS)]
    if as_json:
        click.echo(json.dumps([describe(s) for s in chosen], indent=1))
        return 0
    if markdown:
        click.echo(table(chosen))
        return 0
    if name is None:
        width = max(map(len, STEPS))
        for each in chosen:
            click.echo(f"{each.name:<{width}}  {each.summary}")
        return 0
    click.echo(page(chosen[0]))
    return 0


def table(steps: Sequence[Step]) -> str:
    """Write steps as a Markdown table."""
    wide = {"linear": "linear", "display": "stretched", "any": "any"}
    rows = ["| step | reads | gives | what it does |", "| --- | --- | --- | --- |"]
    for s in steps:
        images = ", ".join(k if required else f"{k}?" for k, required in s.images.items())
        rows.append(f"| `{s.name}` | {images} ({wide[s.reads]}) | {', '.join(s.results)} | {s.summary} |")
    return "\n".join(rows)


def describe(step: Step) -> dict[str, object]:
    """Give a step's declaration as plain values."""
    schema = step.params.model_json_schema()
    return {
        "name": step.name,
        "summary": step.summary,
        "reads": step.reads,
        "gives": step.gives,
        "takes": step.takes,
        "makes": step.makes,
        "images": {k: "required" if v else "optional" for k, v in step.images.items()},
        "results": list(step.results),
        "parameters": schema.get("properties", {}),
    }


def page(step: Step) -> str:
    """Write all about a step for a terminal."""
    defaults = step.defaults()
    wide = {"linear": "linear data", "display": "stretched data", "any": "linear or stretched data"}[step.reads]
    images = ", ".join(k if required else f"{k} (optional)" for k, required in step.images.items())
    lines = [step.name, "", f"  works on   {wide}", f"  images     {images}", f"  results    {', '.join(step.results)}", ""]
    if step.abouts:
        lines.append("parameters")
    for name, about in step.abouts.items():
        default = f"default {json.dumps(defaults[name])}" if name in defaults else "must be given"
        bounds = f"; {about.range()}" if about.low is not None or about.high is not None else ""
        lines += [
            f"  {name}  ({default}{bounds})",
            *textwrap.wrap(about.text, 96, initial_indent="      ", subsequent_indent="      "),
        ]
    turning = [(n, a) for n, a in step.abouts.items() if a.raise_when or a.lower_when]
    lines += ["", *textwrap.dedent(inspect.getdoc(step.call) or "").splitlines()]
    if turning:
        lines += ["", "when to turn which way"]
        for name, about in turning:
            lines += [f"  raise {name} when {about.raise_when}"] if about.raise_when else []
            lines += [f"  lower {name} when {about.lower_when}"] if about.lower_when else []
    return "\n".join(lines)
