"""What a run would do: which steps it reuses, which it runs, and why."""

from __future__ import annotations

import contextlib
import json
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any, Literal

from nebulakit.recipe.model import Call, Recipe, Ref
from nebulakit.runner.execute import StepRun, plan_reuse
from nebulakit.runner.keys import Keys, digest
from nebulakit.runner.store import Store


@dataclass(frozen=True)
class Planned:
    """One step of a plan, with what an earlier run of it cost where there was one."""

    call: Call
    action: Literal["reuse", "run", "skip"]
    why: str
    seconds: float | None
    peak_memory_mb: float | None
    of_another: bool = False
    """Whether the cost is that of another file, which lay at the stack's place before."""


def memory_file(store: Store, recipe: Recipe, stack: Path, preview: int) -> Path:
    """Give the file in the store that remembers the last run of a recipe file on a stack binned so many times.

    A stack is the file at its place, as long as it has the same size in pixels: many are called stack.fits.
    """
    from nebulakit import files

    of = [str(stack.resolve()), files.count_values(stack)]
    return store.folder / "runs" / f"{digest([Path(recipe.source).name, of, preview])}.json"


def remember(store: Store, recipe: Recipe, stack: Path, sha: str, preview: int, keys: Keys, done: list[StepRun]) -> None:
    """Keep what each finished step was made of, and what it cost on the stack of this hash, so that the next plan can tell."""
    path = memory_file(store, recipe, stack, preview)
    known = recall(store, recipe, stack, preview)
    for s in done:
        earlier = known.get(s.call.id, {})
        cost = {k: earlier.get(k) for k in ("seconds", "peak_memory_mb", "stack")}
        if s.state == "computed":
            cost = {"seconds": s.seconds, "peak_memory_mb": s.peak_memory_mb, "stack": sha}
        known[s.call.id] = {"made_of": keys.made_of[s.call.index], **cost}
    ids = {c.id for c in recipe.steps}
    with contextlib.suppress(OSError):  # a full disk has been told of
        store.write_facts(path, {k: v for k, v in known.items() if k in ids})


def recall(store: Store, recipe: Recipe, stack: Path, preview: int) -> dict[str, Any]:
    """Give what :func:`remember` kept."""
    try:
        return store.read_facts(memory_file(store, recipe, stack, preview))
    except (OSError, ValueError):
        return {}


def plan(
    recipe: Recipe, stack: Path, sha: str, input_keys: Mapping[str, str], store: Store, until: str | None = None, preview: int = 1
) -> list[Planned]:
    """Say for every step whether it would be reused or run, and why."""
    keys = Keys(recipe, input_keys)
    wanted, calls = recipe.asked(until)
    reused = plan_reuse(calls, wanted, keys, store)
    before = recall(store, recipe, stack, preview)
    changed = {call.index for call in calls if keys.made_of[call.index] != before.get(call.id, {}).get("made_of")}
    out = []
    for call in calls:
        was = before.get(call.id, {})
        action: Literal["reuse", "run", "skip"] = "skip" if call.skip else "reuse" if call.index in reused else "run"
        if action != "run":
            out.append(Planned(call, action, "", 0.0, None))
            continue
        why = _why(call, keys, was.get("made_of"), changed) or _gone(call, keys, store)
        out.append(Planned(call, action, why, was.get("seconds"), was.get("peak_memory_mb"), was.get("stack") != sha))
    return out


def summary(planned: Sequence[Planned]) -> str:
    """Say in one line what a plan comes to."""
    run = [p for p in planned if p.action == "run"]
    if not run:
        return "nothing to run: every step is reused"
    seconds = [p.seconds for p in run if p.seconds is not None]
    memory = max((p.peak_memory_mb or 0.0 for p in run), default=0.0)
    text = f"{len(run)} of {len(planned)} steps run"
    if not seconds:
        return text + "; how long is not known before the first run"
    unknown = len(run) - len(seconds)
    text += f": about {sum(seconds):.1f} s" + (f" and at most {memory:.0f} MB" if memory else "")
    if any(p.of_another and p.seconds is not None for p in run):
        text += ", as another stack took that lay at this place before"
    return text + (f", and {unknown} more that have not run before" if unknown else "")


def _why(call: Call, keys: Keys, was: Mapping[str, Any] | None, changed: set[int]) -> str:
    """Say what made a step another since it last ran; empty where it is the same."""
    if was is None:
        return "it has not run before"
    now = keys.made_of[call.index]
    if now["step"] != was["step"]:
        return f"it was {was['step']}"
    told = [
        f"{name} {_short(was['params'].get(name))} -> {_short(now['params'].get(name))}"
        for name in sorted({*was["params"], *now["params"]})
        if was["params"].get(name) != now["params"].get(name)
    ]
    if now["amount"] != was["amount"]:
        told.append(f"amount {was['amount']:g} -> {now['amount']:g}")
    if told:
        return ", ".join(told)
    if now["source"] != was["source"]:
        return "nebulakit itself changed"
    if now["versions"] != was["versions"]:
        lib = next(k for k in now["versions"] if now["versions"][k] != was["versions"].get(k))
        return f"{lib} {was['versions'].get(lib)} -> {now['versions'][lib]}"
    sources = {r.step for r in call.needs if r.step in changed}
    if now["reads"] != was["reads"] or now["mask"] != was["mask"]:
        return "its input changed" if sources or any(r.step < 0 for r in call.needs) else "it reads another layer"
    return ""


def _gone(call: Call, keys: Keys, store: Store) -> str:
    """Say why a step must run though nothing in it changed."""
    known = store.record(keys.step(call.index))
    names = [keys[ref] for ref in call.results]
    if any(name in store.damaged for name in names):
        return "its kept layer was damaged"
    if known is None:
        return "it was evicted"
    if any(name in known.get("kept", names) and not store.has(name) for name in names):
        return "it was evicted"
    return "its result is cheap to compute and was not kept"


def _short(value: Any) -> str:
    text = json.dumps(value) if not isinstance(value, str) else value
    return text if len(text) <= 30 else text[:27] + "..."


def tree(recipe: Recipe, planned: list[Planned]) -> str:
    """Draw the layers as a text tree: every step under the layer it works on."""
    under: dict[Ref | None, list[Planned]] = {}
    for p in planned:
        under.setdefault(p.call.first, []).append(p)
    lines: list[str] = []

    def draw(p: Planned, indent: str, last: bool) -> None:
        names = ", ".join(p.call.names.values())
        others = [recipe.name_of(r) or recipe.steps[r.step].id for r in p.call.needs[1:]]
        lines.append(
            f"{indent}{'└─ ' if last else '├─ '}{p.call.id}"
            + (f" -> {names}" if names else "")
            + (f"  (with {', '.join(others)})" if others else "")
            + f"  [{p.action}]"
        )
        children = [c for ref, many in under.items() if ref is not None and ref.step == p.call.index for c in many]
        for n, child in enumerate(children):
            draw(child, indent + ("   " if last else "│  "), n == len(children) - 1)

    roots = [(ref, many) for ref, many in under.items() if ref is None or ref.step < 0]
    for ref, many in roots:
        lines.append(ref.result if ref else "(nothing)")
        for n, p in enumerate(many):
            draw(p, "", n == len(many) - 1)
    return "\n".join(lines)
