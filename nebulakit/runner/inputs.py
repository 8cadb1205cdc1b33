"""The files a run begins with: what they are known by, and how they are read."""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Mapping
from concurrent.futures import Future, ThreadPoolExecutor
from dataclasses import replace
from pathlib import Path
from typing import TYPE_CHECKING, Any, Literal

import numpy as np

from nebulakit.declare import STEPS
from nebulakit.errors import InputError, UsageError
from nebulakit.image import Image, Notice, unmasked
from nebulakit.pixels.parallel import over
from nebulakit.recipe.layers import OPEN, Layer, made, refused, refused_beside
from nebulakit.recipe.model import Recipe, Ref
from nebulakit.runner.keys import digest, file_hash, source_digest
from nebulakit.runner.preview import previewed

if TYPE_CHECKING:
    from nebulakit.runner.job import Job


def input_keys(job: Job) -> tuple[dict[str, dict[str, Any]], dict[str, str]]:
    """Give what each input file is, and the key by which each input is known: contents and the options of reading, never names or dates."""
    paths = {"stack": job.stack, **job.inputs}
    refuse_unknown(job.recipe, paths)
    hashes = over(_hash, paths.values())
    told = {
        name: {"file": path.name, "sha256": sha, "bytes": path.stat().st_size}
        for (name, path), sha in zip(paths.items(), hashes, strict=True)
    }
    options = {"assume": job.assume, "fwhm": job.fwhm, "coverage": told.get("coverage", {}).get("sha256")}
    binned = {name: [job.preview, job.preview > 1 and _collapsed(job.recipe, name)] for name in paths}
    return told, {
        name: digest([told[name]["sha256"], binned[name], options if name == "stack" else is_mask(job.recipe, name)])
        for name in paths
        if name != "coverage"
    }


def refuse_unknown(recipe: Recipe, names: Iterable[str]) -> None:
    """Refuse inputs that the recipe does not know."""
    known = {*recipe.inputs, "stack", "coverage"}
    unknown = sorted(set(names) - known)
    if unknown:
        raise UsageError(f"the recipe has no input called {unknown[0]!r}; it has: {', '.join(sorted(known))}")


def read_inputs(job: Job) -> dict[str, Image]:
    """Read the stack (with its coverage, and what it gives to doubt) and the other inputs, binned where a preview is wanted."""
    from nebulakit.runner.door import doubts

    images = {name: read_input(job, name) for name in ("stack", *job.inputs) if name != "coverage"}
    images["stack"] = images["stack"].noted(*_open(job, "stack", doubts(images["stack"])))
    return {name: _made_ready(job, name, image) for name, image in images.items()}


def read_input(job: Job, name: str) -> Image:
    """Read one input as the recipe takes it."""
    if name == "stack":
        return taken(job.recipe, name, job.stack, coverage=job.inputs.get("coverage"), assume=job.assume, until=job.until)
    return taken(job.recipe, name, job.inputs[name], until=job.until)


def taken(
    recipe: Recipe,
    name: str,
    given: Any,
    *,
    coverage: Any = None,
    assume: Literal["linear", "display"] | None = None,
    until: str | None = None,
) -> Image:
    """Give the input ``name`` as the recipe takes it, be it a file, an array or an image.

    One that a step (up to ``until``) cannot work on, since it is grey, in colour or a mosaic, is refused here, before any work is done.

    A mask is the mean of the colours that hold anything. An array says nothing of itself, so it is what the recipe declares; where that is a
    mask or a stretched picture, whole numbers become 0..1 of their type, as those of a file do.
    """
    from nebulakit import files

    declared = recipe.inputs.get(name)
    if is_mask(recipe, name):
        return _mask(given)
    file = Path(given) if isinstance(given, (str, Path)) else None
    if isinstance(given, Image):
        image = given
    elif file is None:
        display = declared is not None and declared.scale == "display"
        image = Image.from_array(_whole_to_one(given), scale="display") if display else Image.from_array(given)
    else:
        map_as_file = None if isinstance(coverage, Image) else coverage
        image = files.read(file, coverage=map_as_file, assume=assume)
        if name == "stack" and declared is not None and declared.scale is not None and image.scale != declared.scale:
            words = {"linear": "linear (not stretched)", "display": "stretched"}
            instead = "For a stretched picture there is the recipe finish. " if image.scale == "display" else ""
            if instead and not any(STEPS[call.step].reads == "linear" for call in recipe.steps if not call.skip):
                instead = (
                    "No step of it does: to have stretched pictures taken, write  inputs: {stack: {scale: display}}  into it. "
                )
            raise InputError(
                f"{file.name} is taken as {words[image.scale]}, since {image.record.get('scale_because', 'nothing says otherwise')}; this recipe "
                f"needs it {words[declared.scale]}. {instead}If you know that it is {words[declared.scale]}, say --assume {declared.scale} "
                f"(in Python: give nebulakit.read(FILE, assume={declared.scale!r}))."
            )
        coverage = coverage if map_as_file is None else None
    if file is None and np.isfinite(image.planes).any():
        image = files.within_reach(image, name)
    why = unfit(recipe, name, image, until)
    if why is not None:
        raise InputError(f"{name if file is None else file.name} {why}")
    if isinstance(coverage, Image):
        coverage = coverage.planes  # read already, so its top row is first
    return image if coverage is None else files.with_coverage(image, coverage)


def unfit(recipe: Recipe, name: str, image: Image, until: str | None = None) -> str | None:
    """Say which step cannot work on an input for its channels, as the steps declare what they take and make; None where all can."""
    mosaic = image.channels == ("mosaic",)
    kind: Literal["rgb", "line", "mosaic"] | None = (
        "mosaic" if mosaic else "rgb" if image.is_rgb else "line" if len(image.channels) == 1 else None
    )
    known = {Ref(-1, name): Layer(kind=kind)}
    for call in recipe.asked(until)[1]:
        step = STEPS[call.step]
        first = OPEN if call.first is None else known.get(call.first, OPEN)
        if call.skip:
            known[call.main] = first
            continue
        called = call.step if call.id == call.step else f"{call.id} ({call.step})"
        needs = f"{called} in {call.where} needs"
        for further, ref in list(call.reads.items())[1:]:
            beside = Layer(kind=known.get(ref, OPEN).kind)
            if refused_beside(step, further, beside, name, Layer(kind=first.kind)) is not None:
                if beside.kind == "mosaic":
                    return (
                        f"is a colour-filter mosaic, and {needs} colours that are apart. Put  - collapse_bayer: {{}}  before it"
                    )
                return (
                    f"has red, green and blue, but {needs} a single plane as '{further}'. Save the plane that is meant alone, or "
                    "name another layer there"
                )
        if refused(step, Layer(kind=first.kind), name) is not None:
            if first.kind == "mosaic":
                return (
                    f"is a colour-filter mosaic, and {needs} colours that are apart. Write  - collapse_bayer: {{}}  before it, "
                    "in a recipe of your own"
                )
            if step.takes == "mosaic":
                return f"is in colour already, so {called} in {call.where} has nothing to do. Leave that step out (skip: true beside it)"
            if first.kind == "rgb":
                return f"has red, green and blue, but {needs} a single plane. Save the plane that is meant alone"
            if image.scale == "display":
                return f"is grey, but {needs} red, green and blue. Leave that step out, in a recipe of your own (skip: true beside it)"
            return (
                f"is a single plane, but {needs} red, green and blue. For a stack of one line there is the recipe one_line; if it is a "
                "mosaic whose header does not say so, put  - collapse_bayer: {pattern: RGGB}  (or BGGR, GRBG, GBRG) first"
            )
        known |= {Ref(call.index, r): Layer(kind=k.kind) for r, k in made(step, first, None, call.where).items()}
    return None


def _mask(given: Any) -> Image:
    from nebulakit.files.reading import as_mask, read_map

    if isinstance(given, (str, Path)):
        plane = read_map(given)
    else:
        plane = as_mask((given if isinstance(given, Image) else Image.from_array(_whole_to_one(given))).planes)
    return Image.from_array(plane, channels=("mask",), content="mask", scale="display")


def _whole_to_one(array: Any) -> Any:
    """Bring whole numbers without sign to 0..1 of what their type can hold."""
    kind = getattr(array, "dtype", None)
    return np.asarray(unmasked(array)) / np.float32(np.iinfo(kind).max) if getattr(kind, "kind", "") == "u" else array


def _open(job: Job, name: str, notices: Iterable[Notice]) -> tuple[Notice, ...]:
    """Leave out what the recipe has answered: a mosaic that names no pattern, where a step is told it."""
    return tuple(n for n in notices if n.id != "pattern-missing" or not _collapsed(job.recipe, name))


def _made_ready(job: Job, name: str, image: Image) -> Image:
    """Give an input as the recipe gets it: with the star width that was told, binned where a preview is wanted."""
    if name == "stack" and job.fwhm is not None:
        image = image.replace(fwhm=job.fwhm, notices=image.notices, record=image.record)
    if job.preview > 1 and image.content != "mask":  # a mask is brought to size where it is used
        image = previewed(image, job.preview, collapsed=_collapsed(job.recipe, name), stack=name == "stack")
    return image


def _collapsed(recipe: Recipe, name: str) -> bool:
    """Say whether an input is a mosaic because a step makes colour of it, as of one whose header states no pattern."""
    for call in recipe.steps:
        ref = call.first if call.step == "collapse_bayer" and not call.skip else None
        while ref is not None and ref.step >= 0:
            ref = recipe.steps[ref.step].first
        if ref == Ref(-1, name):
            return True
    return False


def is_mask(recipe: Recipe, name: str) -> bool:
    """Say whether an input is a mask: by its entry, or, where that is silent, because a step has it as its mask."""
    declared = recipe.inputs.get(name)
    if declared is None or declared.scale is not None:
        return declared is not None and declared.scale == "mask"
    return any(call.mask == Ref(-1, name) for call in recipe.steps)


class Inputs(Mapping[str, Image]):
    """The inputs of a job, each read when it is first looked up, and then let go.

    What the stack itself gives to doubt is looked for meanwhile, beside the first steps. What reading a file has to say
    is kept in the job's store, so that a run that reuses all that was made of it need not read it. A file that is another one by
    then is refused: what is made of it would be kept, and written down, as made of what was there before.
    """

    def __init__(self, job: Job, keys: Mapping[str, str]) -> None:
        self._job = job
        door = [file_hash(p) for p in sorted(Path(__file__).parent.glob("door*.py"))]
        self._keys = {n: digest([k, source_digest(), door]) for n, k in keys.items()}
        self._states = {path: _state(path) for path in (job.stack, *job.inputs.values())}
        self._said: dict[str, tuple[Notice, ...]] = {}
        self._doubts: Future[list[Notice]] | None = None

    def __getitem__(self, name: str) -> Image:
        if name not in self._keys:
            raise KeyError(name)
        image = read_input(self._job, name)
        for path, state in self._states.items():
            if _state(path) != state:
                raise InputError(f"{path.name} was changed while the run was under way. Run again when it is as you want it")
        known = self._known(name)
        if known is not None:
            return replace(_made_ready(self._job, name, image), notices=known)
        if name == "stack":
            from nebulakit.runner.door import first_doubts

            found, rest = first_doubts(image)
            image = image.noted(*found)
            pool = ThreadPoolExecutor(1, "doubting")
            self._doubts = pool.submit(rest)
            pool.shutdown(wait=False)
        image = _made_ready(self._job, name, image)
        self._said[name] = image.notices
        return image

    def _known(self, name: str) -> tuple[Notice, ...] | None:
        if name not in self._said and self._job.store is not None:
            kept = self._job.store.notices_of(self._keys[name])
            if kept is not None:
                self._said[name] = kept
        return self._said.get(name)

    def said(self) -> dict[str, tuple[Notice, ...]]:
        """Give what reading each input has to say; this may take the time of reading it."""
        for name in self:
            if self._known(name) is None:
                self[name]
        if self._doubts is not None:
            self._said["stack"] += tuple(self._doubts.result())
            self._doubts = None
        for name, notices in self._said.items():
            if self._job.store is not None and not any(n.id == "not-looked-through" for n in notices):
                self._job.store.keep_notices(self._keys[name], notices)
        return {name: _open(self._job, name, self._said[name]) for name in self}

    def __contains__(self, name: object) -> bool:
        return name in self._keys

    def __iter__(self) -> Iterator[str]:
        return iter(self._keys)

    def __len__(self) -> int:
        return len(self._keys)


def _state(path: Path) -> tuple[int, int] | None:
    """Give size and time of a file, by which it is seen that it was written to; None where it is gone."""
    try:
        found = path.stat()
    except OSError:
        return None
    return found.st_size, found.st_mtime_ns


def _hash(path: Path) -> str:
    from nebulakit.files.raw import check_file

    check_file(path)
    try:
        return file_hash(path)
    except OSError as fault:  # of a disk that fails
        raise InputError(f"{path} cannot be read: {fault.strerror}") from None
