"""An image and the facts that travel with it.

Pixels alone do not say what ``4 sigma`` or ``3 fwhm`` is, where the sky stands, or which corner of the stack is left
after a crop. An :class:`Image` carries these facts; every step keeps them true or sets them to None (not known).
Facts that are not known yet are measured on demand by :meth:`Image.measured`.
"""

from __future__ import annotations

import dataclasses
import math
import os
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field
from html import escape
from typing import Any, Literal, NamedTuple

import numpy as np
import numpy.typing as npt

from nebulakit.errors import StepError
from nebulakit.pixels.facts import Noise, Psf, StarList

Planes = npt.NDArray[np.float32]
Scale = Literal["linear", "display"]
Content = Literal["scene", "starless", "stars", "mask"]

CHANNELS = {1: ("grey",), 3: ("red", "green", "blue")}


def largest(planes: npt.NDArray[Any]) -> float:
    """Give the largest magnitude in planes, NaN left out; 0 where there is none."""
    return float(max(np.fmax.reduce(planes, None), -np.fmin.reduce(planes, None))) if planes.size else 0.0


def beyond_reach(planes: npt.NDArray[Any]) -> float | None:
    """Give the largest magnitude in planes where squares and sums of such values do not fit into 32-bit floats, else None."""
    top = largest(planes)
    return None if top == 0 or not np.isfinite(top) or 2.0**-32 <= top < 2.0**32 else top


def unmasked(array: npt.ArrayLike) -> npt.ArrayLike:
    """Give an array as it is, a masked one with NaN where it is masked."""
    if not isinstance(array, np.ma.MaskedArray):
        return array
    filled: npt.ArrayLike = np.ma.filled(array.astype(np.result_type(array.dtype, np.float32)), np.nan)
    return filled


class Notice(NamedTuple):
    """Something the user should know: ``id`` is stable and explained elsewhere, ``text`` says what was seen and what to do."""

    id: str
    text: str


@dataclass(frozen=True)
class Frame:
    """Where a layer lies in the uncropped stack: ``to_stack`` is the 2x3 matrix that takes its pixel (x, y) there."""

    stack_shape: tuple[int, int]  # (height, width)
    to_stack_matrix: tuple[tuple[float, float, float], tuple[float, float, float]] = ((1.0, 0.0, 0.0), (0.0, 1.0, 0.0))
    bottom_up: bool = False  # the stack's first row is the bottom of the picture; layers always have the top first
    inside: tuple[float, float, float, float] | None = None  # edges x0, y0, x1, y1 in the stack of what a rim was left around

    @property
    def scale(self) -> float:
        """How many pixels of the stack one pixel of the layer is wide."""
        (a, b, _), (d, e, _) = self.to_stack_matrix
        return math.sqrt(abs(a * e - b * d))

    def to_stack(self, x: float, y: float) -> tuple[float, float]:
        """Take a pixel position of the layer to the stack."""
        (a, b, c), (d, e, f) = self.to_stack_matrix
        return a * x + b * y + c, d * x + e * y + f

    def from_stack(self, x: float, y: float) -> tuple[float, float]:
        """Take a pixel position of the stack to the layer."""
        (a, b, c), (d, e, f) = self.to_stack_matrix
        det = a * e - b * d
        u, v = x - c, y - f
        return (e * u - b * v) / det, (a * v - d * u) / det

    def upright(self, x: float, y: float) -> tuple[float, float]:
        """Give a stack position with its rows counted from the top as seen; done again it gives the rows of the file."""
        return x, self.stack_shape[0] - 1 - y if self.bottom_up else y

    def then(self, new_to_old: npt.ArrayLike) -> Frame:
        """Give the frame of a layer whose pixels map to this one's by the 2x3 matrix ``new_to_old``."""
        full = np.vstack([np.asarray(self.to_stack_matrix), [0, 0, 1]]) @ np.vstack([np.asarray(new_to_old, float), [0, 0, 1]])
        (a, b, c), (d, e, f) = full[:2].tolist()
        return dataclasses.replace(self, to_stack_matrix=((a, b, c), (d, e, f)))

    def bounding_box(self, shape: tuple[int, int]) -> tuple[int, int, int, int]:
        """Give (y0, x0, height, width) of a layer of ``shape`` in the stack's pixels."""
        h, w = shape
        corners = [self.to_stack(x, y) for x in (-0.5, w - 0.5) for y in (-0.5, h - 0.5)]
        xs, ys = [c[0] for c in corners], [c[1] for c in corners]
        y0, x0 = round(min(ys) + 0.5), round(min(xs) + 0.5)
        return y0, x0, round(max(ys) + 0.5) - y0, round(max(xs) + 0.5) - x0

    def corners(self, shape: tuple[int, int]) -> list[tuple[float, float]]:
        """Give the stack positions (x, y) of the layer's four corner pixels, clockwise from the first."""
        h, w = shape
        return [self.to_stack(x, y) for x, y in ((0, 0), (w - 1, 0), (w - 1, h - 1), (0, h - 1))]


@dataclass(frozen=True, eq=False)
class Image:
    """Pixels and what is known about them. Never changed in place: :meth:`replace` gives a new one.

    Parameters
    ----------
    planes
        float32 (channel, y, x); NaN means "nothing here" (no coverage). Linear layers may be negative; display layers
        hold sRGB-encoded values 0..1; masks hold 0..1 in one channel.
    channels
        Their names: ``("red", "green", "blue")``, ``("grey",)``, ``("ha",)``, ``("oiii",)``, ``("mask",)``, ``("mosaic",)``.
    scale
        "linear" (proportional to light) or "display" (stretched).
    content
        "scene" (stars and nebula), "starless", "stars" or "mask".
    sky
        The level of the empty sky per channel, in this layer's units.
    noise, fwhm, psf, stars, white
        Noise of the linear stack, propagated; star width in px; the PSF; the stars; the level per channel at which
        stars are cut off. A starless layer keeps the stars' facts.
    line_hues
        In a colour picture made of two lines, the hues (OKLCh, degrees) of H-alpha and [O III]; else None.
    by_levels
        Whether a layer of stars is what a stretched picture has more than its nebula, level by level, so that their plain sum
        gives it back; other stretched stars shine through the nebula as on one screen.
    coverage
        (y, x) float32 in any unit, more where more frames lie, 0 where none; None when not known.
    header
        An :class:`astropy.io.fits.Header` whose WCS describes these pixels, or None.
    frame
        Where the layer lies in the uncropped stack.
    history
        One line for each step done.
    record
        What the step that made this layer measured and decided; values named like a parameter of it can be given back to it.
    notices
        What that step wants the user to know.

    Examples
    --------
    >>> image = Image.from_array(np.zeros((3, 4, 5)))
    >>> image.channels, image.shape, image.scale
    (('red', 'green', 'blue'), (4, 5), 'linear')
    """

    planes: Planes
    channels: tuple[str, ...]
    scale: Scale = "linear"
    content: Content = "scene"
    sky: tuple[float, ...] | None = None
    noise: Noise | None = None
    fwhm: float | None = None
    psf: Psf | None = None
    stars: StarList | None = None
    white: tuple[float, ...] | None = None
    coverage: npt.NDArray[np.float32] | None = None
    header: Any = None
    frame: Frame = Frame((0, 0))
    history: tuple[str, ...] = ()
    record: Mapping[str, Any] = field(default_factory=dict)
    notices: tuple[Notice, ...] = ()
    line_hues: tuple[float, float] | None = None
    by_levels: bool = False

    def __post_init__(self) -> None:
        p = self.planes
        if p.ndim != 3 or p.dtype != np.float32:
            raise StepError(f"an image has planes float32 (channel, y, x); found {p.dtype} with shape {p.shape}")
        if not p.size:
            raise StepError(f"there is no pixel in an array of shape {p.shape}; an image has at least one")
        for name in ("planes", "coverage"):  # sums along another order of the pixels have other bits
            if getattr(self, name) is not None and not getattr(self, name).flags.c_contiguous:
                object.__setattr__(self, name, np.ascontiguousarray(getattr(self, name)))
        if len(self.channels) != p.shape[0]:
            raise StepError(f"{p.shape[0]} planes but {len(self.channels)} channel names {self.channels}")
        if self.coverage is not None and self.coverage.shape != p.shape[1:]:
            raise StepError(
                f"the coverage map is {self.coverage.shape} but the image is {p.shape[1:]} (rows, columns); they must match"
            )
        if self.frame.stack_shape == (0, 0):
            object.__setattr__(self, "frame", Frame(p.shape[1:]))

    @classmethod
    def from_array(cls, array: npt.ArrayLike, *, channels: tuple[str, ...] | None = None, **facts: Any) -> Image:
        """Make an image of a (y, x) or (channel, y, x) array; infinities, and what is masked, become NaN.

        Facts are fields of :class:`Image`. Raises StepError on anything but numbers that 32-bit floats hold.
        """
        try:
            if array is None or np.iscomplexobj(array):
                raise TypeError
            given = np.asarray(unmasked(array))
            given = given if given.dtype.kind in "bfiu" else given.astype(float)
            with np.errstate(over="ignore"):
                planes = np.array(given, np.float32, ndmin=3, order="C")
        except (TypeError, ValueError):
            hint = "; read a file first, by nebulakit.read(FILE)" if isinstance(array, (str, os.PathLike)) else ""
            parts = getattr(array, "_fields", ())
            hint = f", the results {', '.join(parts)} of a step; give one of them, such as .{parts[0]}" if parts else hint
            shown = type(array).__name__ if parts or len(repr(array)) > 60 else repr(array)
            raise StepError(f"expected an array of numbers (y, x) or (channel, y, x), found {shown}{hint}") from None
        if planes.ndim != 3:
            raise StepError(f"expected an array (y, x) or (channel, y, x), found shape {planes.shape}")
        if channels is None and planes.shape[0] > 4 and planes.shape[2] in (3, 4):
            raise StepError(
                f"expected an array (channel, y, x), found shape {planes.shape}, whose colours come last; give numpy.moveaxis(array, -1, 0)"
            )
        cut = np.isinf(planes).sum() != np.isinf(given).sum()
        planes[~np.isfinite(planes)] = np.nan
        if cut or not ((planes > 0).any() or (planes < 0).any()):
            top = float(np.max(np.abs(given), where=np.isfinite(given), initial=0))
            if top > 0:
                raise StepError(
                    f"the largest value is {top:.3g}, beyond what 32-bit floats hold; multiply the array by a plain factor"
                )
        names = channels or CHANNELS.get(planes.shape[0]) or tuple(f"plane{i + 1}" for i in range(planes.shape[0]))
        if facts.get("coverage") is not None:
            facts["coverage"] = np.asarray(unmasked(facts["coverage"]), np.float32)
        return cls(planes, names, **facts)

    @property
    def shape(self) -> tuple[int, int]:
        """(height, width) in pixels."""
        return self.planes.shape[1], self.planes.shape[2]

    @property
    def is_rgb(self) -> bool:
        """Whether the planes are red, green and blue."""
        return self.channels == CHANNELS[3]

    def replace(self, planes: Planes | None = None, **facts: Any) -> Image:
        """Give a copy with other planes or facts. ``record`` and ``notices`` belong to one step and are not inherited."""
        facts.setdefault("record", {})
        facts.setdefault("notices", ())
        if facts.get("content", self.content) != "stars":
            facts.setdefault("by_levels", False)
        if planes is not None:
            facts["planes"] = np.ascontiguousarray(planes, np.float32)
        return dataclasses.replace(self, **facts)

    def noted(self, *notices: Notice, **record: Any) -> Image:
        """Give a copy that carries more of what the step measured and decided, and more notices."""
        return dataclasses.replace(self, record={**self.record, **record}, notices=self.notices + notices)

    def moved(self, planes: Planes, new_to_old: npt.ArrayLike, **facts: Any) -> Image:
        """Give the image after a change of geometry: ``new_to_old`` (2x3) takes its pixels to where they were.

        Frame, header (WCS, mosaic pattern), star positions and how the PSF varies follow. Hand in the facts that lie on the pixels, too:
        ``coverage``, the map of ``noise``; and those that a change of scale changes.
        """
        from nebulakit.pixels import geometry

        matrix = np.asarray(new_to_old, float)
        facts.setdefault("frame", self.frame.then(matrix))
        if self.header is not None:
            facts.setdefault("header", geometry.move_header(self.header, matrix))
        stars = facts.get("stars", self.stars)
        if stars is not None:
            facts["stars"] = geometry.move_stars(stars, matrix, planes.shape[1:])
        psf = facts.get("psf", self.psf)
        if psf is not None and psf.varies is not None:
            facts["psf"] = dataclasses.replace(psf, varies=psf.varies.moved(matrix))
        return self.replace(planes, **facts)

    def rearranged(self, move: Callable[[npt.NDArray[Any]], npt.NDArray[Any]], new_to_old: npt.ArrayLike, **facts: Any) -> Image:
        """Give the image after ``move``, which takes pixels of an array (..., y, x) elsewhere or leaves some out, and changes none.

        What :meth:`moved` lets follow follows, and coverage and the map of the noise as well.
        """
        noise, cover = self.noise, self.coverage
        if noise is not None and noise.map is not None:
            noise = dataclasses.replace(noise, map=np.ascontiguousarray(move(noise.map)))
        facts.setdefault("noise", noise)
        facts.setdefault("coverage", None if cover is None else np.ascontiguousarray(move(cover)))
        return self.moved(move(self.planes), new_to_old, **facts)

    def oriented(self, turn: int, mirror: str = "none") -> Image:
        """Give the image turned clockwise by ``turn`` degrees (quarters), then mirrored "horizontal" or "vertical"."""
        from nebulakit.pixels import geometry

        psf = None if self.psf is None else geometry.turn_psf(self.psf, turn, mirror)
        matrix = geometry.orient_matrix(self.shape, turn, mirror)
        return self.rearranged(lambda pixels: geometry.orient(pixels, turn, mirror), matrix, psf=psf)

    def as_mask(self, plane: npt.NDArray[np.float32], **facts: Any) -> Image:
        """Give a mask (y, x) that lies where the image lies; levels of light mean nothing on it."""
        return self.replace(plane[None], channels=("mask",), content="mask", sky=None, noise=None, white=None, **facts)

    def mapped(self, change: Callable[[Planes], Planes]) -> Image:
        """Give the display image after ``change``, which works on every pixel's levels by themselves.

        Sky and white go through it as well, noise by its slopes at the sky.
        """
        from nebulakit.pixels import curves

        def at(levels: tuple[float, ...] | None) -> tuple[float, ...] | None:
            if levels is None:
                return None
            return tuple(change(np.array(levels, np.float32)[:, None, None])[:, 0, 0].tolist())

        noise = None
        if self.noise is not None and self.sky is not None:
            noise = self.noise.mixed(curves.slopes(self.sky, change))
        return self.replace(change(self.planes), sky=at(self.sky), noise=noise, white=at(self.white))

    def covered(self) -> npt.NDArray[np.bool_]:
        """(y, x) True where all channels have a value and, if it is known, coverage is above zero."""
        good: npt.NDArray[np.bool_] = np.asarray(np.isfinite(self.planes).all(axis=0), bool)
        return good if self.coverage is None else good & (self.coverage > 0)

    def measured(self, *facts: Literal["noise", "sky", "stars", "fwhm", "psf", "white"]) -> Image:
        """Give an image on which these facts are known, measuring those that are not.

        Star facts that cannot be measured (no usable stars) stay None. Measure on linear layers that hold stars; on a
        display layer noise and sky are measured as they are.
        """
        known = self
        for fact in facts:
            if getattr(known, fact) is None:
                known = dataclasses.replace(known, **_measure(known, fact))
        return known

    def wcs(self) -> Any:
        """Give the celestial :class:`astropy.wcs.WCS` of these pixels, or None."""
        if self.header is None or "CTYPE1" not in self.header:
            return None
        import warnings

        from astropy.wcs import WCS, FITSFixedWarning

        with warnings.catch_warnings():
            warnings.simplefilter("ignore", FITSFixedWarning)
            try:
                found = WCS(self.header, naxis=2)
            except Exception:  # a header that only looks like a WCS is no reason to lose an evening
                return None
        return found if found.has_celestial else None

    def arcsec_per_px(self) -> float | None:
        """Give the scale of the picture, or None without a WCS."""
        wcs = self.wcs()
        if wcs is None:
            return None
        from astropy.wcs.utils import proj_plane_pixel_area

        return float(np.sqrt(proj_plane_pixel_area(wcs)) * 3600)

    def facts(self) -> list[tuple[str, str]]:
        """Give what is known of the image as (what, text), for people; nothing is measured for it."""
        h, w = self.shape
        sh, sw = self.frame.stack_shape
        y0, x0, high, wide = self.frame.bounding_box(self.shape)
        y0 = sh - y0 - high if self.frame.bottom_up else y0  # told as seen
        across, down = (f"{100 * a / n:.1f} to {100 * (a + b) / n:.1f} %" for a, b, n in ((x0, wide, sw), (y0, high, sh)))

        def values(given: tuple[float, ...] | None) -> str:
            return "not measured" if given is None else ", ".join(f"{v:.4g}" for v in given)

        rows = [
            ("size", f"{w} x {h} px, {', '.join(self.channels)}"),
            ("pixels", f"{'linear' if self.scale == 'linear' else 'stretched'}, {self.content}"),
            ("place in the stack", f"{across} across, {down} down"),
            ("sky", values(self.sky)),
            ("noise of the stack", values(self.noise.sigma if self.noise is not None else None)),
            ("width of the stars", "not measured" if self.fwhm is None else f"{self.fwhm:.2f} px"),
        ]
        if self.stars is not None:
            rows.append(("stars", str(len(self.stars))))
        return [
            *rows,
            ("coverage", "known" if self.coverage is not None else "not known"),
            ("last step", (self.history or ("none",))[-1]),
        ]

    def _repr_html_(self) -> str:
        """Show the image in a notebook: a small picture (linear ones by a curve of their own) and the facts."""
        from nebulakit.pixels import look

        linear = self.scale == "linear" and self.content != "mask"
        sigma = sum(self.noise.sigma) / len(self.noise.sigma) if self.noise is not None else None
        url = look.thumbnail(self.planes, linear=linear, width=480, sigma=sigma)
        shown = f'<img src="{url}" alt="{"as shown by a curve" if linear else "as it is"}" style="max-width:100%">'
        return beside(shown, self.facts())

    def pixel_of_sky(self, ra: float, dec: float) -> tuple[float, float] | None:
        """Give (x, y) of a sky position in degrees, or None without a WCS."""
        wcs = self.wcs()
        if wcs is None:
            return None
        x, y = wcs.all_world2pix([[ra, dec]], 0, quiet=True)[0]
        return float(x), float(y)


def beside(shown: str, facts: Sequence[tuple[str, str]], **more: Sequence[tuple[str, str]]) -> str:
    """Give HTML for a notebook: something shown, facts (what, text) in a table beside it, and ``more`` tables folded under their names.

    ``shown`` is HTML; the facts are escaped.
    """
    folded = "".join(f"<details><summary>{escape(name)}</summary>{_table(rows)}</details>" for name, rows in more.items() if rows)
    return (
        '<div style="display:flex;flex-wrap:wrap;gap:20px;align-items:flex-start">'
        f'<div style="flex:0 1 auto;max-width:100%">{shown}</div><div style="flex:1 1 300px">{_table(facts)}{folded}</div></div>'
    )


def _table(facts: Sequence[tuple[str, str]]) -> str:
    rows = "".join(
        f'<tr><th style="text-align:left;font-weight:normal;font-style:italic">{escape(name)}</th><td style="text-align:left">{escape(text)}</td></tr>'
        for name, text in facts
    )
    return f'<table style="margin:0">{rows}</table>'


def _measure(image: Image, fact: str) -> dict[str, Any]:
    """Measure one fact, and what it rests on, on the pixels of ``image``."""
    from nebulakit.pixels import noise, psf
    from nebulakit.pixels.glow import surface
    from nebulakit.pixels.stars import find, plateaus

    if fact == "noise":
        return {"noise": noise.measure_noise(image.planes, image.coverage)}
    if fact == "white":
        return {"white": plateaus.white_level(image.planes, image.scale == "linear")}
    known = image.measured("noise")
    assert known.noise is not None
    if fact == "sky":
        return {"noise": known.noise, "sky": surface.sky_level(known.planes, known.noise, known.coverage)}
    if known.content in ("starless", "mask"):
        return {"noise": known.noise}
    if fact == "stars":
        level = known.measured("white").white
        found_stars = find.find_stars(known.planes, known.noise, known.coverage, level)
        return {"noise": known.noise, "white": level, "stars": found_stars}
    known = known.measured("stars")
    assert known.stars is not None and known.noise is not None
    found = psf.measure_psf(known.planes, known.stars, known.noise, known.white)
    return {
        "noise": known.noise,
        "white": known.white,
        "stars": known.stars,
        "psf": found,
        "fwhm": found.fwhm if found and image.fwhm is None else image.fwhm,  # a width that was told stays
    }
