"""Write pages: of a run, of a comparison, of a sweep. One template, everything in it escaped."""

from __future__ import annotations

import base64
import functools
import hashlib
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

from markupsafe import Markup

import nebulakit
from nebulakit.errors import InputError, NebulakitError, ResourceError, UsageError
from nebulakit.report.collect import Collector, Pair
from nebulakit.runner.execute import StepFailed
from nebulakit.runner.folder import FAILED, PAGE, PAGE_MARK, publish_folder, read_record
from nebulakit.runner.inputs import input_keys
from nebulakit.runner.job import Done, Job
from nebulakit.runner.keys import versions

HERE = Path(__file__).parent
FOOT = f"Made by nebulakit {nebulakit.__version__}. The picture is no measurement: it is stretched, balanced, and filled in under stars."


@dataclass(frozen=True)
class Table:
    """A table on a page, sortable by its heads where asked."""

    title: str
    head: Sequence[str]
    rows: Sequence[Sequence[str]]
    lead: str = ""
    sortable: bool = False


@dataclass(frozen=True)
class Frame:
    """A picture on a sheet: its name, lines under it, and its views (key, name, width, height, zoom, grid), the whole one first.

    Without views it could not be made.
    """

    name: str
    lines: Sequence[str]
    views: Sequence[Mapping[str, Any]] = field(default_factory=list)


_MAY_BE_EMPTY = (
    "on", "lead", "failure", "picture", "closer", "beside", "notices", "facts", "extra", "sheet", "axes", "recipe",
)  # fmt: skip


def render(**values: Any) -> str:
    """Fill the template; names that are not given are empty. ``live`` is the page's version where a server renews it."""
    script = (HERE / "page.js").read_text(encoding="utf-8")
    told = base64.b64encode(hashlib.sha256(script.encode()).digest()).decode()
    page: str = _template().render(
        **{
            **dict.fromkeys(_MAY_BE_EMPTY),
            "names": ("before", "after"),
            "facts_title": "What it was made from",
            "steps": [],
            "tables": [],
            "pictures": {},
            "live": None,
            "foot": FOOT,
            "mark": Markup(PAGE_MARK),
            "style": Markup((HERE / "page.css").read_text(encoding="utf-8")),
            "script": Markup(script),
            "script_hash": f"sha256-{told}",
            **values,
        }
    )
    return page.encode("utf-8", "replace").decode()  # names of files may hold what no text does


@functools.cache
def _template() -> Any:
    import jinja2

    environment = jinja2.Environment(
        loader=jinja2.FileSystemLoader(HERE),
        autoescape=True,
        undefined=jinja2.StrictUndefined,
        trim_blocks=True,
        lstrip_blocks=True,
    )
    return environment.get_template("page.html.jinja")


def report(
    record: Mapping[str, Any], collected: Collector, picture: Pair | None, failure: str = "", live: int | None = None
) -> str:
    """Give the page of a run, from its ``run.json`` record and what was collected while it ran.

    A ``live`` page leaves the pictures to its server.
    """
    return render(
        title=Path(record["recipe"]["file"]).stem,
        on=record["inputs"]["stack"]["file"],
        lead=collected.recipe.about,
        failure=failure,
        picture=picture,
        notices=[(w["from"], w["id"], w["text"]) for w in record.get("warnings", ())],
        facts=_facts(record),
        steps=collected.steps,
        recipe=record["recipe"]["text"],
        pictures=collected.pictures if live is None else {},
        live=live,
    )


def report_of(done: Done, collected: Collector, live: int | None = None) -> str:
    """Give the page of a finished job."""
    ref = next((r for r in (done.job.recipe.last, *done.run.results) if r in done.run.results), None)
    return report(done.record, collected, collected.final(ref, done.run.results[ref]) if ref else None, live=live)


def report_of_failure(job: Job, collected: Collector, fault: NebulakitError) -> Path | None:
    """Write the page of a job that failed into its folder and give its place.

    None where it failed before its first step, with nothing to show, where its inputs are gone, or nothing can be written there.

    Beside an earlier run that went well it has another name, since that run's page tells of the files that are there.
    """
    if not collected.steps and not isinstance(fault, StepFailed):
        return None
    name = PAGE if read_record(job.folder) is None else FAILED
    try:
        record: dict[str, Any] = {
            "nebulakit": nebulakit.__version__,
            "versions": versions(),
            "recipe": job.recipe_told(),
            "inputs": input_keys(job)[0],
            "options": job.options(),
            "seconds": sum(s.seconds for s in collected.steps),
        }
        with publish_folder(job.folder, [name]) as staging:
            (staging / name).write_text(report(record, collected, None, str(fault)), encoding="utf-8")
    except (InputError, UsageError, ResourceError):  # the stack may be gone by now, with the disk that it lay on
        return None
    return job.folder / name


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
