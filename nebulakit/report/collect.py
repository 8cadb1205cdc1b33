"""Watches a run and keeps what its page needs: small pictures, close-ups, numbers. Layers themselves are let go."""

from __future__ import annotations

import contextlib
import hashlib
from collections.abc import Mapping
from dataclasses import asdict, dataclass, field
from typing import Any

import numpy as np
import numpy.typing as npt
from markupsafe import Markup

from nebulakit.declare import STEPS, Step, canonical
from nebulakit.image import Image
from nebulakit.pixels import look
from nebulakit.recipe.model import Recipe, Ref
from nebulakit.report import figures, numbers, places
from nebulakit.report.figures import Drawing
from nebulakit.report.special import Seen, special
from nebulakit.runner.execute import StepRun
from nebulakit.runner.keys import plain
from nebulakit.runner.store import Store

Planes = npt.NDArray[np.float32]

WHOLE = 760
"""Pixels of a step's picture across; fewer in recipes of more than MANY steps."""
MANY = 24
BUDGET = 13e6
"""Characters of all pictures together, so that the page stays under 15 MB."""
SHIFT = 0.25
"""How far, as a share of the brightest that is shown, the sky may move for both layers to be shown from one level."""


@dataclass
class Pair:
    """A picture before and after: keys into the page's pictures; ``before`` is None where there is nothing to compare."""

    name: str
    before: str | None
    after: str
    width: int
    height: int
    grid: dict[str, Any] | None = None  # where the picture lies in the stack, and in the sky
    zoom: int = 1  # pixels of the page per pixel


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
    numbers: list[tuple[str, str, str]] = field(default_factory=list)
    whole: Pair | None = None
    close: list[Pair] = field(default_factory=list)
    others: list[Pair] = field(default_factory=list)
    drawings: list[Drawing] = field(default_factory=list)
    notices: list[tuple[str, str]] = field(default_factory=list)
    shown_as: str = ""
    channels: str = ""

    def pictures(self) -> set[str]:
        """Give the keys of all pictures it shows."""
        pairs = [*([self.whole] if self.whole else []), *self.close, *self.others]
        return {k for p in pairs for k in (p.before, p.after) if k} | {d.picture for d in self.drawings if d.picture}


@dataclass(frozen=True)
class Layer:
    """A layer as it is looked at: with a small copy, and its lower quarter."""

    ref: Ref
    image: Image
    small: Planes
    low: Planes

    @property
    def bends(self) -> bool:
        """Whether it is shown by a curve."""
        return self.image.scale == "linear" and self.image.content != "mask"


@dataclass(frozen=True)
class Shown:
    """How a layer is shown: by which curve and from which level; display layers as they are."""

    view: look.View | None
    zero: tuple[float, ...] = ()

    def __call__(self, planes: Planes) -> Planes:
        """Give planes as levels 0..1."""
        return np.clip(planes, 0, 1) if self.view is None else look.curved(planes, self.view, np.array(self.zero, np.float32))


class Collector:
    """Give its :meth:`after` to a run; afterwards :attr:`steps` and :attr:`pictures` hold what the page shows."""

    def __init__(self, recipe: Recipe, store: Store | None = None) -> None:
        self.recipe = recipe
        self._store = store
        self.steps: list[StepPage] = []
        self.pictures: dict[str, str] = {}
        self._views: dict[Ref, look.View] = {}
        self._made: dict[tuple[Ref, str, Shown], tuple[str, int, int]] = {}
        self._small: dict[Ref, tuple[Planes, Planes]] = {}
        self._width = int(WHOLE * min(1.0, max(0.4, (MANY / max(1, len(recipe.steps))) ** 0.5)))
        self._figures: dict[Ref, numbers.Figures] = {}
        self._places: places.Places = {}
        self._side = places.LARGEST
        self._wcs: tuple[Any, Any] = (None, None)
        self._room = BUDGET

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

    def final(self, ref: Ref, image: Image) -> Pair:
        """Give the finished picture for the head of the page."""
        small = look.shrink(image.planes, 1100)
        low = look.levels(small)
        shown = self._shown(Layer(ref, image, small, low), self._views.get(ref) or self._fresh(image, small), low)
        pixels = look.eight_bits(shown(small))
        key = self._add(look.data_url(pixels, lossless=False, quality=90))
        return Pair("picture", None, key, pixels.shape[1], pixels.shape[0], self._grid(image))

    # --- looking at one step ------------------------------------------------------------------------------------------

    def _look(self, done: StepRun, layers: Mapping[Ref, Image]) -> StepPage:
        call, declared = done.call, STEPS[done.call.step]
        record = plain(done.record)
        page = StepPage(
            call.id,
            call.step,
            declared.summary,
            call.note,
            done.state,
            done.seconds,
            done.peak_memory_mb,
            told=[(k, numbers.text(v)) for k, v in canonical(call.params).items()],
            decided=[numbers.told(k, v) for k, v in record.items() if not (isinstance(v, (list, dict)) and len(repr(v)) > 160)],
            notices=[(n.id, n.text) for n in done.notices],
        )
        first, main = call.first, call.main
        if first is None or first not in layers or main not in layers:
            return page
        before, after = self._layer(first, layers[first]), self._layer(main, layers[main])
        if not self._places or (after.image.content == "scene" and (declared.resizes or call.step == "remove_gradient")):
            self._side = places.side(after.image.shape)
            self._places = places.places(after.image, self._side)
        view = self._view(before)
        self._views[main] = view
        comparable = _same_place(before.image, after.image) and after.image.content != "mask"
        as_before, as_after, how = self._both(before, after, view)
        page.shown_as = how if comparable else ""
        # the page must stay small enough to be opened: each step to come keeps most of its share
        self._room = BUDGET * (1 - 0.75 * (1 - (len(self.steps) + 1) / max(1, len(self.recipe.steps))))
        page.whole = self._whole(before if comparable else None, after, as_before, as_after)
        page.others = self._others(done, declared, layers, view)
        for piece in places.pieces(after.image, self._places, self._side):
            if self._weight() > self._room:
                break
            page.close.append(self._close(piece, before if comparable else None, after, as_before, as_after))
        page.channels = " / ".join(after.image.channels) if len(after.image.channels) > 1 else ""
        page.numbers = numbers.rows(self._measured(before), self._measured(after))
        shown = as_after(after.small)
        was = as_before(before.small) if after.image.content != "mask" else None
        title = f"histogram before and after {call.id}"
        page.drawings = [
            Drawing("How many pixels there are of each level", figures.histogram(was, shown, after.image.channels, title)),
            *special(
                Seen(
                    call,
                    record,
                    canonical(call.params),
                    before.image,
                    after.image,
                    before.small,
                    after.small,
                    layers,
                    self._add,
                    self._picture(before, "whole", as_before, before.small, lossless=False),
                )
            ),
        ]
        return page

    def _others(self, done: StepRun, declared: Step, layers: Mapping[Ref, Image], view: look.View) -> list[Pair]:
        """Show the results beside the main one that are pictures: before and after where the step read a layer of that name."""
        pairs = []
        for name in declared.results[1:]:
            ref = Ref(done.call.index, name)
            image = layers.get(ref)
            if image is None or image.content == "mask" or name == "model":
                continue
            after = self._layer(ref, image)
            source = done.call.reads.get(name)
            before = self._layer(source, layers[source]) if source is not None and source in layers else None
            before = before if before and _same_place(before.image, image) else None
            self._views[ref] = view
            as_before, as_after, _ = self._both(before or after, after, view)
            pair = self._whole(before, after, as_before, as_after)
            pair.name = f"its other result, {name}"
            pairs.append(pair)
        return pairs

    def _layer(self, ref: Ref, image: Image) -> Layer:
        # small copies only: a layer itself must go when the run lets it go
        if ref not in self._small:
            while len(self._small) > 8:
                del self._small[next(iter(self._small))]
            small = look.shrink(image.planes, self._width)
            self._small[ref] = small, look.levels(small)
        return Layer(ref, image, *self._small[ref])

    def _measured(self, layer: Layer) -> numbers.Figures:
        if layer.ref not in self._figures:
            self._figures[layer.ref] = numbers.figures(layer.image, layer.small, layer.low)
        return self._figures[layer.ref]

    # --- how layers are shown -----------------------------------------------------------------------------------------

    def _fresh(self, image: Image, small: Planes) -> look.View:
        return look.view_of(small, float(np.mean(image.noise.sigma)) if image.noise is not None else None)

    def _view(self, layer: Layer) -> look.View:
        """Keep one curve along a chain of layers, so that neighbours can be compared; begin anew where the range is another."""
        if not layer.bends and layer.ref in self._views:
            return self._views[layer.ref]
        fresh = self._fresh(layer.image, layer.small)
        known = self._views.get(layer.ref)
        if known is not None and known.alike(fresh):
            return known
        self._views[layer.ref] = fresh
        return fresh

    def _shown(self, layer: Layer, view: look.View, zero: Planes) -> Shown:
        return Shown(view, tuple(float(v) for v in zero)) if layer.bends else Shown(None)

    def _both(self, before: Layer, after: Layer, view: look.View) -> tuple[Shown, Shown, str]:
        """Give how two layers are shown: by one curve from one level, or where the sky moved too far for that, each from its own."""
        low = before.low
        told = ""
        if before.bends and after.bends:
            told = "Linear data: before and after are shown by one and the same curve"
            if len(before.low) == len(after.low) and float(np.abs(before.low - after.low).max()) <= SHIFT * view.white:
                low = after.low
                told += "."
            else:
                told += ", each from the level of its own sky."
        return self._shown(before, view, low), self._shown(after, view, after.low), told

    def _grid(self, image: Image, part: tuple[int, int, int, int] | None = None) -> dict[str, Any]:
        if image.header is not self._wcs[0]:  # reading a header takes its time, and layers share them
            self._wcs = image.header, image.wcs()
        return grid(image, self._wcs[1], part)

    # --- pictures -----------------------------------------------------------------------------------------------------

    def _weight(self) -> int:
        return sum(map(len, self.pictures.values()))

    def _add(self, url: str) -> str:
        key = "p" + hashlib.sha256(url.encode()).hexdigest()[:12]
        self.pictures.setdefault(key, url)
        return key

    def _whole(self, before: Layer | None, after: Layer, as_before: Shown, as_after: Shown) -> Pair:
        key, w, h = self._picture(after, "whole", as_after, after.small, lossless=False)
        was = self._picture(before, "whole", as_before, before.small, lossless=False)[0] if before else None
        return Pair("whole", was, key, w, h, self._grid(after.image))

    def _close(self, at: places.Piece, before: Layer | None, after: Layer, as_before: Shown, as_after: Shown) -> Pair:
        (name, title, zoom, y, x), side = at, self._side
        # the noise in a finished sky is hardly seen: about its own level, for both alike
        strong = name == "sky" and after.image.scale == "display" and after.image.content != "mask"

        def piece(layer: Layer, shown: Shown) -> str:
            planes = layer.image.planes[:, y : y + side, x : x + side]
            if strong and not layer.bends:
                planes = places.contrast(planes, layer.low)
            return self._picture(layer, f"{name} {strong}", shown, planes, lossless=True)[0]

        where = self._grid(after.image, (y, x, side, side))
        label = title + (", contrast ×4" if strong else "")
        return Pair(label, piece(before, as_before) if before else None, piece(after, as_after), side, side, where, zoom)

    def _picture(self, layer: Layer, name: str, shown: Shown, planes: Planes, lossless: bool) -> tuple[str, int, int]:
        what = (layer.ref, name, shown)
        if what not in self._made:
            pixels = look.eight_bits(shown(planes))
            url = look.data_url(pixels, lossless=lossless, quality=84 if self._weight() <= self._room else 50)
            self._made[what] = (self._add(url), pixels.shape[1], pixels.shape[0])
        return self._made[what]

    # --- pages of steps that are not run again ------------------------------------------------------------------------

    def _keep(self, done: StepRun, page: StepPage) -> None:
        """Keep a step's page beside its layers, so that a later run which reuses the step can still show it."""
        if self._store is None or done.key is None:
            return
        told = {
            "page": asdict(page),
            "pictures": {k: self.pictures[k] for k in page.pictures()},
            "places": self._places,
            "side": self._side,
        }
        with contextlib.suppress(OSError):  # the store tells of a disk that is full or cannot be written to
            self._store.write_facts(self._store.folder / "pages" / f"{done.key}.json", told)

    def _recalled(self, done: StepRun) -> StepPage | None:
        if self._store is None or done.key is None:
            return None
        try:
            told = self._store.read_facts(self._store.folder / "pages" / f"{done.key}.json")
            page = told["page"]
            pairs = {
                "whole": Pair(**page["whole"]) if page["whole"] else None,
                "close": [Pair(**p) for p in page["close"]],
                "others": [Pair(**p) for p in page["others"]],
            }
            lists = {k: [tuple(v) for v in page[k]] for k in ("told", "decided", "numbers", "notices")}
            drawings = [Drawing(**{**d, "svg": Markup(d["svg"])}) for d in page["drawings"]]
            own = {"id": done.call.id, "note": done.call.note, "state": done.state, "seconds": done.seconds}
            kept = StepPage(**{**page, **pairs, **lists, **own, "drawings": drawings})
            seen = {name: (float(x), float(y)) for name, (x, y) in told["places"].items()}
            side = int(told["side"])
        except (OSError, ValueError, KeyError, TypeError):
            return None  # absent, damaged, or of another version
        self.pictures.update(told["pictures"])
        self._places, self._side = seen, side
        return kept


def _same_place(one: Image, other: Image) -> bool:
    """Say whether two layers show the same part of the stack, pixel by pixel."""
    return one.shape == other.shape and one.frame == other.frame


def grid(image: Image, wcs: Any, part: tuple[int, int, int, int] | None = None) -> dict[str, Any]:
    """Give what the page needs to tell positions: % of the stack at three corners of a part (y, x, height, width), RA and Dec on a grid."""
    y0, x0, h, w = part or (0, 0, *image.shape)
    sh, sw = image.frame.stack_shape
    left, top, right, bottom = x0 - 0.5, y0 - 0.5, x0 + w - 0.5, y0 + h - 0.5
    corners = [image.frame.upright(*image.frame.to_stack(x, y)) for x, y in ((left, top), (right, top), (left, bottom))]
    out: dict[str, Any] = {
        "percent": [[round(100 * (x + 0.5) / sw, 4), round(100 * (y + 0.5) / sh, 4)] for x, y in corners],
        "digits": 1 if part is None or max(sh, sw) < 1000 else 2,
    }
    if wcs is not None:
        n = 5 if part is None else 2
        gx, gy = np.meshgrid(np.linspace(left, right, n), np.linspace(top, bottom, n))
        ra, dec = wcs.all_pix2world(gx.ravel(), gy.ravel(), 0)
        if np.isfinite(ra).all() and np.isfinite(dec).all():
            ra = np.rad2deg(np.unwrap(np.deg2rad(ra)))
            out["sky"] = {"n": n, "ra": [round(float(v), 6) for v in ra], "dec": [round(float(v), 6) for v in dec]}
    return out
