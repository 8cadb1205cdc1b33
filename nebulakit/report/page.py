"""Write pages: of a run, of a comparison, of a sweep. One template, everything in it escaped."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from pathlib import Path
from typing import Any

import nebulakit
from nebulakit.report.collect import CLOSE, Collector, Pair
from nebulakit.runner.job import Done, Job, input_keys, publish_folder
from nebulakit.runner.store import versions

FOOT = f"Made by nebulakit {nebulakit.__version__}. The picture is no measurement: it is stretched, balanced, and filled in under stars."


def render(**values: Any) -> str:
    """Fill the template; names that are not given are empty."""
    import jinja2

    environment = jinja2.Environment(
        loader=jinja2.FileSystemLoader(Path(__file__).parent),
        autoescape=True,
        undefined=jinja2.ChainableUndefined,
        trim_blocks=True,
        lstrip_blocks=True,
    )
    defaults = {
        "names": ("before", "after"),
        "steps": [],
        "tables": [],
        "sheet": [],
        "close": CLOSE,
        "foot": FOOT,
        "pictures": {},
    }
    return environment.get_template("page.html.jinja").render(**{**defaults, **values})


def report(record: Mapping[str, Any], collected: Collector, picture: Pair | None, failure: str = "", live: str = "") -> str:
    """Give the page of a run, from its ``run.json`` record and what was collected while it ran."""
    return render(
        title=f"{Path(record['recipe']['file']).stem} on {record['inputs']['stack']['file']}",
        lead=collected.recipe.about,
        failure=failure,
        picture=picture,
        notices=[(w["from"], w["id"], w["text"]) for w in record.get("warnings", ())],
        facts=_facts(record),
        steps=collected.steps,
        recipe=record["recipe"]["text"],
        pictures=collected.pictures,
        live=live,
    )


def report_of(done: Done, collected: Collector, live: str = "") -> str:
    """Give the page of a finished job."""
    ref = next((r for r in (done.job.recipe.last, *done.run.results) if r in done.run.results), None)
    return report(done.record, collected, collected.final(ref, done.run.results[ref]) if ref else None, live=live)


def report_of_failure(job: Job, collected: Collector, failure: str) -> None:
    """Write the page of a job that failed into its folder, where that is free to be written and there is anything to show."""
    if not collected.steps:
        return
    record: dict[str, Any] = {
        "nebulakit": nebulakit.__version__,
        "versions": versions(),
        "recipe": {"file": Path(job.recipe.source).name, "text": job.recipe.text, "settings": dict(job.settings)},
        "inputs": input_keys(job)[0],
        "options": {"preview": job.preview},
        "seconds": sum(s.seconds for s in collected.steps),
    }
    with publish_folder(job.folder, ["report.html"]) as staging:
        (staging / "report.html").write_text(report(record, collected, None, failure), encoding="utf-8")


def _facts(record: Mapping[str, Any]) -> Sequence[tuple[str, str]]:
    rows = [
        (name, f"{told['file']} ({told['bytes'] / 1e6:.1f} MB, SHA-256 {told['sha256'][:12]}...)")
        for name, told in record["inputs"].items()
    ]
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
