"""Watches a run and keeps what its page needs: small pictures, close-ups, numbers. Layers themselves are let go."""

from __future__ import annotations

import hashlib
import json
from collections.abc import Mapping
from dataclasses import asdict, dataclass, field
from typing import Any

import numpy as np
import numpy.typing as npt
from markupsafe import Markup

from nebulakit.declare import STEPS, canonical
from nebulakit.image import Image
from nebulakit.recipe.model import Recipe, Ref
from nebulakit.report import figures, render
from nebulakit.report.special import special
from nebulakit.runner.execute import StepRun
from nebulakit.runner.store import Store, plain

WHOLE, CLOSE = 760, 168


@dataclass
class Pair:
    """A picture before and after: keys into the page's pictures; ``before`` is None where there is nothing to compare."""

    name: str
    before: str | None
    after: str
    width: int
    height: int
    grid: dict[str, Any] | None = None  # where the picture lies in the stack, and in the sky


@dataclass
class StepPage:
    """What the page shows of one step."""

    id: str
    step: str
    summary: str
    note: str
    state: str
    seconds: float
    peak_memory_mb: float | None
    told: list[tuple[str, str]]
    decided: list[tuple[str, str]]
    numbers: list[tuple[str, str, str]]
    whole: Pair | None = None
    close: list[Pair] = field(default_factory=list)
    drawings: list[tuple[str, Markup]] = field(default_factory=list)
    notices: list[tuple[str, str]] = field(default_factory=list)
    shown_as: str = ""


class Collector:
    """Give its :meth:`after` to a run; afterwards :attr:`steps` and :attr:`pictures` hold what the page shows."""

    def __init__(self, recipe: Recipe, store: Store | None = None) -> None:
        self.recipe = recipe
        self._store = store
        self.steps: list[StepPage] = []
        self.pictures: dict[str, str] = {}
        self._views: dict[Ref, render.View] = {}
        self._made: dict[tuple[Ref, str, render.View | None], tuple[str, int, int]] = {}
        self._small: dict[Ref, npt.NDArray[np.float32]] = {}
        self._places: dict[str, tuple[float, float]] | None = None

    def after(self, done: StepRun, layers: Mapping[Ref, Image]) -> None:
        """Look at a finished step and at the layers that are there."""
        kept = self._recalled(done) if done.state == "reused" else None
        if kept is not None:
            self.steps.append(kept)
            return
        page = self._look(done, layers)
        self.steps.append(page)
        if done.state == "computed":
            self._keep(done, page)

    def _look(self, done: StepRun, layers: Mapping[Ref, Image]) -> StepPage:
        call = done.call
        declared = STEPS[call.step]
        page = StepPage(
            call.id,
            call.step,
            declared.summary,
            call.note,
            done.state,
            done.seconds,
            done.peak_memory_mb,
            [(k, _text(v)) for k, v in canonical(call.params).items()],
            [(k.replace("_", " "), _text(v)) for k, v in plain(done.record).items() if not _long(v)],
            [],
            notices=[(n.id, n.text) for n in done.notices],
        )
        first, main = call.first, call.main
        before = layers.get(first) if first is not None else None
        after = layers.get(main)
        if after is None or before is None or first is None:
            return page
        if self._places is None and (declared.resizes or first.step < 0):
            self._places = render.places(after, CLOSE)
        small_before, small_after = self._shrunk(first, before), self._shrunk(main, after)
        view = self._view(first, before, small_before)
        self._views[main] = view
        same_kind = before.scale == after.scale and before.shape == after.shape and len(before.channels) == len(after.channels)
        comparable = before.shape == after.shape and after.content != "mask"
        page.whole = self._whole(first if comparable else None, before, main, after, view)
        for name, (x, y) in (self._places or {}).items():
            pair = self._close(name, x, y, first if comparable else None, before, main, after, view)
            if pair is not None:
                page.close.append(pair)
        page.numbers = _numbers(before if same_kind else None, after, small_before, small_after)
        shown = render.to_display(small_after, after, view, render.levels(small_after))
        page.drawings.append(("Histogram, after", figures.histogram(shown, after.channels, f"histogram after {call.id}")))
        page.drawings += special(
            call.step,
            plain(done.record),
            canonical(call.params),
            before,
            after,
            layers,
            call,
            lambda r: self._url(r, layers[r], view),
        )
        if after.scale == "linear" and after.content != "mask":
            page.shown_as = (
                "Linear data: before and after are shown with one and the same asinh curve, each from its own sky level."
            )
        return page

    # --- pages of steps that are not run again ------------------------------------------------------------------------

    def _keep(self, done: StepRun, page: StepPage) -> None:
        """Keep a step's page beside its layers, so that a later run which reuses the step can still show it."""
        if self._store is None or done.key is None:
            return
        pairs = ([page.whole] if page.whole else []) + page.close
        used = {key for p in pairs for key in (p.before, p.after) if key}
        told = {"page": asdict(page), "pictures": {k: self.pictures[k] for k in used}, "places": self._places}
        self._store.write(self._store.folder / "pages" / f"{done.key}.json", json.dumps(told).encode())

    def _recalled(self, done: StepRun) -> StepPage | None:
        if self._store is None or done.key is None:
            return None
        try:
            told = json.loads((self._store.folder / "pages" / f"{done.key}.json").read_bytes())
            page = told["page"]
            pairs = {"whole": Pair(**page["whole"]) if page["whole"] else None, "close": [Pair(**p) for p in page["close"]]}
            lists = {k: [tuple(v) for v in page[k]] for k in ("told", "decided", "numbers", "notices")}
            drawings = [(caption, Markup(svg)) for caption, svg in page["drawings"]]
            own = {"id": done.call.id, "note": done.call.note, "state": done.state, "seconds": done.seconds}
            kept = StepPage(**{**page, **pairs, **lists, **own, "drawings": drawings})
        except (OSError, ValueError, KeyError, TypeError):
            return None
        self.pictures.update(told["pictures"])
        if self._places is None and told["places"]:
            self._places = {name: (x, y) for name, (x, y) in told["places"].items()}
        return kept

    def final(self, ref: Ref, image: Image) -> Pair:
        """Give the finished picture for the head of the page."""
        small = render.shrink(image.planes, 1100)
        view = self._views.get(ref) or self._view(ref, image, small)
        pixels = render.eight_bits(render.to_display(small, image, view, render.levels(small)))
        return Pair(
            "picture", None, self._add(render.data_url(pixels, False, 90)), pixels.shape[1], pixels.shape[0], _grid(image)
        )

    # --- pictures ---------------------------------------------------------------------------------------------------

    def _add(self, url: str) -> str:
        key = "p" + hashlib.sha256(url.encode()).hexdigest()[:12]
        self.pictures.setdefault(key, url)
        return key

    def _shrunk(self, ref: Ref, image: Image) -> npt.NDArray[np.float32]:
        if ref not in self._small:
            while len(self._small) > 8:
                del self._small[next(iter(self._small))]
            self._small[ref] = render.shrink(image.planes, WHOLE)
        return self._small[ref]

    def _view(self, ref: Ref, image: Image, small: npt.NDArray[np.float32]) -> render.View:
        """Keep one view along a chain of layers, so that neighbours can be compared; begin anew where the range is another."""
        sigma = float(np.mean(image.noise.sigma)) if image.noise is not None else None
        fresh = render.view_of(small, sigma)
        known = self._views.get(ref)
        if known is not None and 0.3 < known.white / fresh.white < 3 and 0.3 < known.soft / fresh.soft < 3:
            return known
        self._views[ref] = fresh
        return fresh

    def _whole(self, first: Ref | None, before: Image, main: Ref, after: Image, view: render.View) -> Pair:
        key, w, h = self._picture(main, after, "whole", view, self._small[main], lossless=False)
        was = self._picture(first, before, "whole", view, self._small[first], lossless=False)[0] if first is not None else None
        return Pair("whole", was, key, w, h, _grid(after))

    def _close(
        self, name: str, x: float, y: float, first: Ref | None, before: Image, main: Ref, after: Image, view: render.View
    ) -> Pair | None:
        piece = render.cut(after, x, y, CLOSE)
        if piece is None:
            return None
        key, w, h = self._picture(main, after, name, view, piece, lossless=True)
        was = None
        if first is not None and (old := render.cut(before, x, y, CLOSE)) is not None:
            was = self._picture(first, before, name, view, old, lossless=True)[0]
        return Pair(name, was, key, w, h)

    def _picture(
        self, ref: Ref, image: Image, name: str, view: render.View, planes: npt.NDArray[np.float32], lossless: bool
    ) -> tuple[str, int, int]:
        what = (ref, name, None if image.scale == "display" else view)
        if what not in self._made:
            sky = render.levels(self._small[ref])
            pixels = render.eight_bits(render.to_display(planes, image, view, sky))
            self._made[what] = (self._add(render.data_url(pixels, lossless)), pixels.shape[1], pixels.shape[0])
        return self._made[what]

    def _url(self, ref: Ref, image: Image, view: render.View) -> tuple[str, int, int]:
        """Give a layer's small picture as a data URL with its size, for drawings that lie over it."""
        small = self._shrunk(ref, image)
        key, w, h = self._picture(ref, image, "whole", self._views.get(ref, view), small, lossless=False)
        return self.pictures[key], w, h


def _grid(image: Image) -> dict[str, Any]:
    """Give what the page needs to tell positions: % of the stack at the corners, RA and Dec on a grid."""
    h, w = image.shape
    sh, sw = image.frame.stack_shape
    corner = [image.frame.to_stack(x, y) for x, y in ((-0.5, -0.5), (w - 0.5, -0.5), (-0.5, h - 0.5))]
    out: dict[str, Any] = {"percent": [[100 * (x + 0.5) / sw, 100 * (y + 0.5) / sh] for x, y in corner]}
    wcs = image.wcs()
    if wcs is not None:
        n = 5
        gx, gy = np.meshgrid(np.linspace(-0.5, w - 0.5, n), np.linspace(-0.5, h - 0.5, n))
        ra, dec = wcs.all_pix2world(gx.ravel(), gy.ravel(), 0)
        if np.isfinite(ra).all() and np.isfinite(dec).all():
            ra = np.rad2deg(np.unwrap(np.deg2rad(ra)))
            out["sky"] = {"n": n, "ra": [round(float(v), 6) for v in ra], "dec": [round(float(v), 6) for v in dec]}
    return out


def _numbers(
    before: Image | None, after: Image, small_before: npt.NDArray[np.float32], small_after: npt.NDArray[np.float32]
) -> list[tuple[str, str, str]]:
    """Give the figures before and after: sky, gradient, noise, star width, clipped."""
    if after.content == "mask":
        share = 100 * float(np.mean(small_after))
        return [("covers", "", f"{share:.1f} %")]

    def facts(image: Image, small: npt.NDArray[np.float32]) -> dict[str, str]:
        out = {"sky level": ", ".join(f"{v:.4g}" for v in render.levels(small))}
        tiles = np.stack([np.percentile(t, 25, axis=(1, 2)) for t in _tiles(small)])
        out["unevenness of the sky, 4x4 tiles"] = ", ".join(f"{v:.3g}" for v in np.ptp(tiles, axis=0))
        out["noise in the pixels"] = ", ".join(f"{v:.3g}" for v in _noise(image.planes))
        if image.fwhm:
            out["star width"] = f"{image.fwhm:.2f} px"
        if image.scale == "display":
            part = image.planes[:, ::3, ::3]
            out["clipped"] = f"{100 * float(((part >= 0.999) | (part <= 0.001)).any(axis=0).mean()):.2f} %"
        return out

    now = facts(after, small_after)
    was = facts(before, small_before) if before is not None else {}
    return [(name, was.get(name, ""), value) for name, value in now.items()]


def _tiles(small: npt.NDArray[np.float32]) -> list[npt.NDArray[np.float32]]:
    return [t for rows in np.array_split(small, 4, axis=1) for t in np.array_split(rows, 4, axis=2)]


def _noise(planes: npt.NDArray[np.float32]) -> list[float]:
    """Give the pixel-to-pixel noise of a layer as it is now, on its middle: 1.4826 MAD of second differences over sqrt(6)."""
    h, w = planes.shape[1:]
    part = planes[:, max(0, h // 2 - 300) : h // 2 + 300, max(0, w // 2 - 300) : w // 2 + 300]
    d = part[:, :, :-2] - 2 * part[:, :, 1:-1] + part[:, :, 2:]
    return [float(1.4826 * np.nanmedian(np.abs(p)) / np.sqrt(6)) if np.isfinite(p).any() else 0.0 for p in d]


def _long(value: Any) -> bool:
    return isinstance(value, (list, dict)) and len(repr(value)) > 160


def _text(value: Any) -> str:
    if isinstance(value, float):
        return f"{value:.4g}"
    if isinstance(value, bool):
        return "yes" if value else "no"
    if isinstance(value, list):
        return "[" + ", ".join(map(_text, value)) + "]"
    if isinstance(value, dict):
        return ", ".join(f"{k} {_text(v)}" for k, v in value.items())
    return "" if value is None else str(value)
