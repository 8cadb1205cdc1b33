"""One recipe on one stack of files, into one folder: read, run, write, and say in ``run.json`` how it was done."""

from __future__ import annotations

import json
import shutil
import time
from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import dataclass, field, replace
from pathlib import Path
from typing import Any, Literal

import nebulakit
from nebulakit.errors import ResourceError
from nebulakit.files.options import WriteOptions
from nebulakit.image import Image, Notice
from nebulakit.pixels.parallel import over
from nebulakit.recipe.model import Call, Recipe, Ref
from nebulakit.recipe.writes import OWN
from nebulakit.runner.caption import CAPTION, caption
from nebulakit.runner.execute import Run, StepRun, execute
from nebulakit.runner.folder import (
    RECORD,
    publish,
    read_record,
    refuse_foreign,
    refuse_in_the_way,
    refuse_replaced,
    refuse_unwritable,
    staged,
)
from nebulakit.runner.inputs import Inputs, input_keys
from nebulakit.runner.keys import Keys, digest, file_hash, plain, source_digest, versions
from nebulakit.runner.memory import available_memory, peak_memory_mb
from nebulakit.runner.plan import remember
from nebulakit.runner.repeat import way
from nebulakit.runner.store import Store


@dataclass(frozen=True)
class Job:
    """What to run, on what, and where the results go."""

    recipe: Recipe
    stack: Path
    folder: Path
    inputs: Mapping[str, Path] = field(default_factory=dict)
    settings: Mapping[str, str] = field(default_factory=dict)
    until: str | None = None
    preview: int = 1
    overwrite: bool = False
    assume: Literal["linear", "display"] | None = None
    fwhm: float | None = None
    store: Store | None = None
    keep_site: bool = False

    def recipe_told(self) -> dict[str, Any]:
        """Give what ``run.json`` holds of the recipe, from which it can be read again."""
        return {"file": Path(self.recipe.source).name, "text": self.recipe.text, "settings": dict(self.settings)}

    def options(self) -> dict[str, Any]:
        """Give the choices that change what comes out, by the names of the fields."""
        return {name: getattr(self, name) for name in ("until", "preview", "assume", "fwhm", "keep_site")}


@dataclass(frozen=True)
class Done:
    """A finished job: its run, the files written, and the contents of ``run.json``."""

    job: Job
    run: Run
    files: tuple[Path, ...]
    record: dict[str, Any]


def run_job(
    job: Job,
    *,
    before: Callable[[Call], None] = lambda call: None,
    after: Callable[[StepRun, dict[Ref, Image]], None] = lambda done, layers: None,
    finish: Callable[[Done, Path], list[Path]] = lambda done, folder: [],
) -> Done:
    """Do a job. ``before`` and ``after`` are told of each step; ``finish`` may write more files beside the outputs.

    Outputs appear whole or not at all: they are written into a hidden folder inside the job's and renamed into place at
    the end, ``run.json`` last. Raises the errors of :mod:`nebulakit.errors`; whatever is raised, files of an earlier run stay as they were.
    """
    start = time.perf_counter()
    before_writing(job)
    if job.until is not None:
        job.recipe.by_id(job.until)
    check_room(job)
    told, keys = input_keys(job)
    inputs = Inputs(job, keys)
    standing = _standing(job, Keys(job.recipe, keys))
    have = {o.ref for o in job.recipe.outputs} - {o.ref for o in job.recipe.outputs if o.file not in standing}
    finished: list[StepRun] = []

    def noting(done: StepRun, layers: dict[Ref, Image]) -> None:
        finished.append(done)
        after(done, layers)

    try:
        run = execute(
            job.recipe, inputs, until=job.until, have=have, store=job.store, input_keys=keys, before=before, after=noting
        )
        run = replace(run, said=inputs.said())
    finally:
        if job.store is not None:
            remember(job.store, job.recipe, job.stack, told["stack"]["sha256"], job.preview, Keys(job.recipe, keys), finished)
            job.store.trim()
    with staged(job.folder) as staging:
        written, notices = _write_outputs(job, run, staging, standing)
        record = describe(job, run, told, written, time.perf_counter() - start, notices)
        texts = record["texts"] = _write_caption(job, run, written, staging)
        done = Done(job, run, tuple(job.folder / w["file"] for w in written), record)
        extra = finish(done, staging)
        (staging / RECORD).write_text(json.dumps(record, indent=1, allow_nan=False) + "\n")
        publish(staging, job.folder, [*(Path(str(w["file"])) for w in (*written, *texts)), *extra, Path(RECORD)])
    return done


def _write_outputs(
    job: Job, run: Run, staging: Path, standing: Mapping[str, Mapping[str, Any]]
) -> tuple[list[dict[str, Any]], list[tuple[str, Notice]]]:
    """Write the recipe's outputs into ``staging``; give what each is, and what the writing has to say."""
    from nebulakit import files

    def write(what: tuple[Ref, str, WriteOptions]) -> dict[str, Any]:
        ref, name, options = what
        layer = job.recipe.name_of(ref) or "last"
        if name in standing:
            return {**standing[name], "layer": layer}
        image, path = run.results[ref], staging / name
        path.parent.mkdir(parents=True, exist_ok=True)
        said = files.write(image, path, options, text=files.header_text(image.header) if job.keep_site else "")
        height, width = image.shape
        return {
            "file": name,
            "layer": layer,
            "scale": image.scale,
            "width": width,
            "height": height,
            "channels": list(image.channels),
            "sha256": file_hash(path),
            "notices": [list(n) for n in said],
            "made_of": _made_of(run.keys.get(ref), name, options, job.keep_site),
        }

    written = over(write, _outputs(job, run))  # one waits for the disk while another is put together
    return written, [(w["file"], Notice(*n)) for w in written for n in w["notices"]]


def _made_of(key: str | None, name: str, options: WriteOptions, keep_site: bool) -> str:
    """Hash all that the bytes of an output rest on; empty where its layer has no key."""
    if key is None:
        return ""
    return digest([key, Path(name).suffixes, options.model_dump(mode="json"), keep_site, source_digest(), versions()])


def _standing(job: Job, keys: Keys) -> dict[str, dict[str, Any]]:
    """Give the outputs that an earlier run left whole in the folder and this one would only write again."""
    if job.until is not None or job.store is None:
        return {}
    earlier = {o["file"]: o for o in (read_record(job.folder) or {"outputs": []})["outputs"]}
    alike = [
        o.file
        for o in job.recipe.outputs
        if earlier.get(o.file, {}).get("made_of") == _made_of(keys.get(o.ref), o.file, o.options, job.keep_site) != ""
        and (job.folder / o.file).is_file()
    ]
    hashes = over(lambda name: file_hash(job.folder / name), alike)
    return {name: earlier[name] for name, sha in zip(alike, hashes, strict=True) if earlier[name]["sha256"] == sha}


def _write_caption(job: Job, run: Run, written: list[dict[str, Any]], staging: Path) -> list[dict[str, str]]:
    """Write the caption of the pictures among the outputs into ``staging``; give its name and sum, nothing where there is none."""
    told = {w["file"]: w for w in written}
    pictures: dict[Ref, list[str]] = {}
    planes: dict[Ref, int] = {}
    for ref, name, _ in _outputs(job, run):
        if told[name]["scale"] == "display" and told[name]["channels"] != ["mask"]:
            pictures.setdefault(ref, []).append(name)
            planes[ref] = len(told[name]["channels"])
    if not pictures:
        return []
    text = caption(run, pictures, planes, _final(run).header, job.preview)
    (staging / CAPTION).write_text(text, encoding="utf-8", newline="\n")
    return [{"file": CAPTION, "sha256": file_hash(staging / CAPTION)}]


def _final(run: Run) -> Image:
    """Give the last layer of a run, or what it was stopped at."""
    return run.results[run.recipe.last] if run.recipe.last in run.results else next(iter(run.results.values()))


def _outputs(job: Job, run: Run) -> Iterator[tuple[Ref, str, WriteOptions]]:
    if job.until is None:
        for o in job.recipe.outputs:
            yield o.ref, o.file, o.options
        return
    ref = job.recipe.by_id(job.until).main
    yield ref, f"{job.until}.{'fits' if run.results[ref].scale == 'linear' else 'tif'}", WriteOptions()


def default_folder(recipe: Recipe, stack: Path, preview: int = 1) -> Path:
    """Name the folder a run goes to unless told: RECIPE-STACK."""
    return Path(f"{Path(recipe.source).stem}-{stack_name(stack)}" + ("-preview" if preview > 1 else ""))


def stack_name(stack: Path) -> str:
    """Give a stack's file name without extension, ``.fits.gz`` counting as one."""
    name = stack.name
    for suffix in (".gz", ".fz"):
        name = name.removesuffix(suffix)
    return Path(name).stem


def before_writing(job: Job) -> None:
    """Refuse a folder that holds anything but an earlier run of the same recipe file and stack, unless told to overwrite.

    Told or not, no output takes the place of what the run reads, and a folder that cannot be written into is refused before any work.
    """
    refuse_unwritable(job.folder)
    if not job.overwrite:
        refuse_foreign(job.folder, Path(job.recipe.source).name, job.stack.name)
    written = [o.file for o in job.recipe.outputs] if job.until is None else [f"{job.until}.{s}" for s in ("fits", "tif")]
    refuse_in_the_way(job.folder, [*written, *OWN])
    refuse_replaced(job.folder, written, [job.stack, *job.inputs.values()])


def finished_earlier(job: Job) -> dict[str, Any] | None:
    """Give the ``run.json`` of the job's folder where it tells of this very job, and every file it wrote is still as it was."""
    found = read_record(job.folder)
    if found is None:
        return None
    try:
        same = (
            {k: v for k, v in found["recipe"].items() if k != "resolved"} == job.recipe_told()
            and (found["nebulakit"], found["versions"], found["source"]) == (nebulakit.__version__, versions(), source_digest())
            and found["options"] == job.options()
            and found["inputs"] == input_keys(job)[0]
            and bool(found["outputs"])
            and all(file_hash(job.folder / o["file"]) == o["sha256"] for o in [*found["outputs"], *found["texts"]])
        )
    except (KeyError, TypeError, AttributeError, OSError):
        return None
    return found if same else None


def check_room(job: Job) -> None:
    """Refuse, before the start, a run for which memory or disk will not do."""
    from nebulakit import files

    try:
        size = job.stack.stat().st_size * (3 if job.stack.suffix in (".gz", ".fz") else 1)
    except OSError:
        return  # reading it will say what is wrong
    values = files.count_values(job.stack)
    if values is not None:  # it is held as 32-bit floats, however it is packed in the file
        size = 4 * values
    # measured with the whole job on 2, 6 and 26 megapixels: 1.3, 1.8 and 4.9 GB, most of it while stars are parted
    need, there = 3e8 + 15 * size / job.preview**2, available_memory()
    if there is not None and need > there:
        raise ResourceError(
            f"this run needs about {need / 1e9:.1f} GB of memory and {there / 1e9:.1f} GB are free. Close other programs, or try --preview 2"
        )
    parent = job.folder if job.folder.is_dir() else next(p for p in job.folder.absolute().parents if p.is_dir())
    free = shutil.disk_usage(parent).free
    if size * 2 > free:
        raise ResourceError(
            f"this run writes up to {size * 2 / 1e9:.1f} GB and {free / 1e9:.1f} GB are free on the disk of {job.folder}. "
            "Make room, or choose another disk with -o"
        )


def describe(
    job: Job,
    run: Run,
    inputs: Mapping[str, Any],
    outputs: list[dict[str, Any]],
    seconds: float,
    notices: Sequence[tuple[str, Notice]] = (),
) -> dict[str, Any]:
    """Put together what ``run.json`` holds."""
    from nebulakit.recipe import resolved

    final = _final(run)
    return {
        "nebulakit": nebulakit.__version__,
        "versions": versions(),
        "source": source_digest(),
        "recipe": {**job.recipe_told(), "resolved": resolved(job.recipe)},
        "inputs": dict(inputs),
        "ways": {n: told for n, p in {"stack": job.stack, **job.inputs}.items() if (told := way(p, job.folder)) is not None},
        "options": job.options(),
        "crop": list(final.frame.bounding_box(final.shape)),
        "corners": [list(map(float, c)) for c in final.frame.corners(final.shape)],
        "stack": {"height": final.frame.stack_shape[0], "width": final.frame.stack_shape[1]},
        "steps": [
            {
                "id": s.call.id,
                "step": s.call.step,
                "line": s.call.line,
                "state": s.state,
                "measured": plain(s.record),
                "seconds": round(s.seconds, 3),
                "peak_memory_mb": s.peak_memory_mb,
            }
            for s in run.steps
        ],
        "warnings": [
            {"id": n.id, "from": who, "text": n.text}
            for who, n in [*run.notices, *notices, *(("store", n) for n in (job.store.notices if job.store else []))]
        ],
        "outputs": outputs,
        "seconds": round(seconds, 3),
        "peak_memory_mb": max((s.peak_memory_mb or 0 for s in run.steps), default=0) or peak_memory_mb(),
    }
