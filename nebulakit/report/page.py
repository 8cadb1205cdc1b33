"""Write pages: of a run, of a comparison, of a sweep. One template, everything in it escaped."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from pathlib import Path
from typing import Any

import nebulakit
from nebulakit.image import Image
from nebulakit.recipe.model import Ref
from nebulakit.report.collect import CLOSE, Collector

FOOT = f"Made by nebulakit {nebulakit.__version__}. The picture is no measurement: it is stretched, balanced, and filled in under stars."


def render(**values: Any) -> str:
    """Fill the template; names that are not given are empty."""
    import jinja2

    environment = jinja2.Environment(
        loader=jinja2.FileSystemLoader(Path(__file__).parent), autoescape=True, undefined=jinja2.ChainableUndefined, trim_blocks=True, lstrip_blocks=True
    )
    defaults = {"names": ("before", "after"), "steps": [], "tables": [], "sheet": [], "close": CLOSE, "foot": FOOT, "pictures": {}}
    return environment.get_template("page.html.jinja").render(**{**defaults, **values})


def report(record: Mapping[str, Any], collected: Collector, final: tuple[Ref, Image] | None, failure: str = "", live: str = "") -> str:
    """Give the page of a run, from its ``run.json`` record and what was collected while it ran."""
    stack = record["inputs"]["stack"]["file"]
    recipe = record["recipe"]["file"]
    notices = [(w["from"], w["id"], w["text"]) for w in record.get("warnings", ())]
    return render(
        title=f"{Path(recipe).stem} on {stack}",
        lead=collected.recipe.about,
        failure=failure,
        picture=collected.final(*final) if final else None,
        notices=notices,
        facts=_facts(record),
        steps=collected.steps,
        recipe=record["recipe"]["text"],
        pictures=collected.pictures,
        live=live,
    )


def _facts(record: Mapping[str, Any]) -> Sequence[tuple[str, str]]:
    rows = [(name, f"{told['file']} ({told['bytes'] / 1e6:.1f} MB, SHA-256 {told['sha256'][:12]}...)") for name, told in record["inputs"].items()]
    if record["recipe"].get("settings"):
        rows.append(("changed on the command line", ", ".join(f"{k} = {v}" for k, v in record["recipe"]["settings"].items())))
    if record.get("crop"):
        y0, x0, h, w = record["crop"]
        rows.append(("part of the stack", f"{w} x {h} px from column {x0}, row {y0}"))
    if record.get("options", {}).get("preview", 1) > 1:
        rows.append(("preview", f"the stack was binned {record['options']['preview']} times: for the composition only"))
    rows.append(("written", ", ".join(o["file"] for o in record.get("outputs", ())) or "nothing"))
    rows.append(("took", f"{record.get('seconds', 0):.1f} s"))
    rows.append(("versions", f"nebulakit {record['nebulakit']}, " + ", ".join(f"{k} {v}" for k, v in record["versions"].items())))
    return rows
