"""Drawings as SVG text: plots, marks over pictures, outlines, a ring of hues. Lines are told apart by dash and mark, not by colour alone."""

from __future__ import annotations

import math
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
import numpy.typing as npt
from markupsafe import Markup, escape

from nebulakit.pixels import colour

W, H, LEFT, RIGHT, TOP, BOTTOM = 320, 190, 40, 8, 22, 34
STYLES = {
    "red": ("var(--ink-a)", "", "square"),
    "green": ("var(--ink-b)", "6 3", "ring"),
    "blue": ("var(--ink-c)", "2 3", "cross"),
    "ha": ("var(--ink-a)", "", "square"),
    "oiii": ("var(--ink-c)", "6 3", "ring"),
}
OTHER = [("var(--ink)", "", "square"), ("var(--ink-c)", "6 3", "ring"), ("var(--ink-a)", "2 3", "cross")]
NAMES = {"ha": "Hα", "oiii": "[O III]"}

Floats = npt.NDArray[np.floating[Any]]


@dataclass(frozen=True)
class Drawing:
    """A drawing with its caption: SVG, drawn over the picture of the key ``picture`` where there is one."""

    caption: str
    svg: Markup
    picture: str | None = None
    width: int = 0
    height: int = 0


def style(name: str, n: int = 0) -> tuple[str, str, str]:
    """Give stroke, dashes and mark for a channel's name."""
    return STYLES.get(name, OTHER[n % len(OTHER)])


class Plot:
    """A plot of lines and points between two corners, either axis logarithmic where asked."""

    def __init__(
        self,
        x: tuple[float, float],
        y: tuple[float, float],
        *,
        xlog: bool = False,
        ylog: bool = False,
        across: str,
        up: str,
        graded: bool = True,
    ) -> None:
        """Draw from ``x[0], y[0]`` to ``x[1], y[1]``; ``across`` and ``up`` say what is drawn, ``graded`` whether the upright axis has ticks."""
        self.x, self.y, self.logs = x, y, (xlog, ylog)
        self.across, self.up, self.graded = across, up, graded
        self.body: list[str] = []
        self.legend: list[tuple[str, str, str, str]] = []

    def _at(self, xs: npt.ArrayLike, ys: npt.ArrayLike) -> tuple[Floats, Floats]:
        shares = []
        for values, (low, high), log in zip((xs, ys), (self.x, self.y), self.logs, strict=True):
            v = np.asarray(values, float)
            if log:
                v, low, high = np.log10(np.maximum(v, 1e-300)), math.log10(low), math.log10(high)
            shares.append(np.clip((v - low) / ((high - low) or 1), 0, 1))
        return LEFT + shares[0] * (W - LEFT - RIGHT), H - BOTTOM - shares[1] * (H - TOP - BOTTOM)

    def line(self, name: str, xs: npt.ArrayLike, ys: npt.ArrayLike, n: int = 0, *, named: bool = True) -> Plot:
        """Draw a line through points."""
        stroke, dash, _ = style(name, n)
        dashes = f' stroke-dasharray="{dash}"' if dash else ""
        self.body.append(f'<path d="{_path(*self._at(xs, ys))}" fill="none" stroke="{stroke}" stroke-width="1.6"{dashes}/>')
        if named:
            self.legend.append((NAMES.get(name, name), stroke, dash, "line"))
        return self

    def area(self, name: str, xs: npt.ArrayLike, ys: npt.ArrayLike) -> Plot:
        """Fill the area under a line, in grey."""
        px, py = self._at(xs, ys)
        floor = H - BOTTOM
        self.body.append(f'<path d="M{px[0]:.1f} {floor}L{_path(px, py)[1:]}L{px[-1]:.1f} {floor}Z" class="before"/>')
        self.legend.append((name, "", "", "area"))
        return self

    def points(self, name: str, xs: npt.ArrayLike, ys: npt.ArrayLike, n: int = 0, *, named: bool = True, r: float = 3) -> Plot:
        """Draw marks."""
        stroke, _, mark = style(name, n)
        px, py = self._at(xs, ys)
        self.body += [marker(a, b, mark, stroke, r) for a, b in zip(px, py, strict=True)]
        if named:
            self.legend.append((NAMES.get(name, name), stroke, "", mark))
        return self

    def rule(self, xs: npt.ArrayLike, ys: npt.ArrayLike) -> Plot:
        """Draw a thin line for reference."""
        self.body.append(f'<path d="{_path(*self._at(xs, ys))}" class="rule"/>')
        return self

    def svg(self, title: str) -> Markup:
        """Give the drawing, with axes, ticks and a legend."""
        floor, right = H - BOTTOM, W - RIGHT
        out = [f'<path d="M{LEFT} {TOP}V{floor}H{right}" class="axis"/>']
        for v in ticks(*self.x, log=self.logs[0]):
            at = float(self._at(v, self.y[0])[0])
            out.append(
                f'<path d="M{at:.1f} {floor}v4" class="axis"/><text x="{at:.1f}" y="{floor + 15}" text-anchor="middle">{number(v)}</text>'
            )
        for v in ticks(*self.y, log=self.logs[1]) if self.graded else ():
            at = float(self._at(self.x[0], v)[1])
            out.append(
                f'<path d="M{LEFT} {at:.1f}h-4" class="axis"/><text x="{LEFT - 6}" y="{at + 4:.1f}" text-anchor="end">{number(v)}</text>'
            )
        out.append(f'<text x="{right}" y="{H - 4}" text-anchor="end" class="what">{escape(self.across)}</text>')
        out.append(f'<text x="2" y="11" class="what">{escape(self.up)}</text>')
        at = float(right)
        for name, stroke, dash, kind in reversed(self.legend):
            at -= 6.4 * len(name) + 4
            out.append(f'<text x="{at:.0f}" y="11">{escape(name)}</text>')
            at -= 24
            if kind == "line":
                out.append(
                    f'<line x1="{at:.0f}" y1="7" x2="{at + 20:.0f}" y2="7" stroke="{stroke}" stroke-width="1.6" stroke-dasharray="{dash}"/>'
                )
            elif kind == "area":
                out.append(f'<rect x="{at + 6:.0f}" y="2" width="14" height="9" class="before"/>')
            else:
                out.append(marker(at + 14, 7, kind, stroke, 3))
            at -= 6
        return Markup(
            f'<svg viewBox="0 0 {W} {H}" role="img" aria-label="{escape(title)}" class="plot">{"".join(out)}{"".join(self.body)}</svg>'
        )


def ticks(low: float, high: float, *, log: bool = False) -> list[float]:
    """Give a few round values between two bounds.

    >>> ticks(0, 1)
    [0.0, 0.5, 1.0]
    >>> ticks(0.5, 2000, log=True)
    [1.0, 10.0, 100.0, 1000.0]
    """
    if log:
        first, last = math.ceil(math.log10(low) - 1e-9), math.floor(math.log10(high) + 1e-9)
        every = max(1, -(-(last - first) // 4))
        return [10.0**n for n in range(first, last + 1, every)]
    span = high - low
    if not span > 0:
        return [low]
    unit = 10.0 ** math.floor(math.log10(span))
    step = next(s * unit for s in (0.1, 0.2, 0.5, 1, 2, 5) if span / (s * unit) <= 4)
    return [round(n * step, 12) for n in range(math.ceil(low / step - 1e-9), math.floor(high / step + 1e-9) + 1)]


def number(value: float) -> str:
    """Write a value at an axis.

    >>> number(0.5), number(1e-4), number(2000.0), number(0.0)
    ('0.5', '1e-4', '2000', '0')
    """
    if 0 < abs(value) < 1e-3:  # in a row there is no room for it
        return np.format_float_scientific(value, precision=3, trim="-", exp_digits=1)
    return f"{value:.4g}".replace("e+0", "e")


def histogram(before: Floats | None, after: Floats, channels: Sequence[str], title: str) -> Markup:
    """Draw the histogram of planes 0..1: lines for the channels after, a grey area for all channels before; counts by their root."""
    centres = (np.arange(96) + 0.5) / 96

    def root(plane: Floats) -> Floats:
        count = np.sqrt(np.histogram(plane, 96, (0, 1))[0].astype(float))  # edges in an array would have it sort the values
        return np.asarray(count / max(float(count.max()), 1.0))

    plot = Plot((0, 1), (0, 1), across="as shown, black to white", up="", graded=False)
    if before is not None:
        plot.area("before", centres, root(before))
    for n, (name, plane) in enumerate(zip(channels, after, strict=False)):
        plot.line(name, centres, root(plane), n)
    return plot.svg(title)


def _path(xs: Floats, ys: Floats) -> str:
    return "M" + "L".join(f"{x:.1f} {y:.1f}" for x, y in zip(xs, ys, strict=True))


def marker(x: float, y: float, mark: str, stroke: str, r: float = 3.2) -> str:
    """Draw a mark: square, ring or cross."""
    if mark == "ring":
        return f'<circle cx="{x:.1f}" cy="{y:.1f}" r="{r}" fill="none" stroke="{stroke}" stroke-width="1.2"/>'
    if mark == "cross":
        return cross(x, y, r, f' stroke="{stroke}" stroke-width="1.2"')
    return f'<rect x="{x - r / 1.3:.1f}" y="{y - r / 1.3:.1f}" width="{2 * r / 1.3:.1f}" height="{2 * r / 1.3:.1f}" fill="{stroke}"/>'


def over(width: int, height: int, marks: Iterable[str], title: str) -> Markup:
    """Draw marks in the pixels of a picture of that size, to be laid over it; each is drawn twice, dark under light, to be seen on both."""
    body = "".join(marks)
    return Markup(
        f'<svg viewBox="0 0 {width} {height}" role="img" aria-label="{escape(title)}" class="over">'
        f'<g class="under" aria-hidden="true">{body}</g><g>{body}</g></svg>'
    )


def circle(x: float, y: float, r: float) -> str:
    """Draw an open circle."""
    return f'<circle cx="{x:.1f}" cy="{y:.1f}" r="{r:.1f}"/>'


def cross(x: float, y: float, r: float = 3.0, more: str = "") -> str:
    """Draw a cross; ``more`` attributes, where it is not drawn by its group's."""
    return f'<path d="M{x - r:.1f} {y - r:.1f}l{2 * r} {2 * r}m0 {-2 * r}l{-2 * r} {2 * r}"{more}/>'


def outline(plane: Floats, level: float) -> str:
    """Draw where a plane (y, x) passes a level, in its own pixels; nothing is drawn along the border."""
    import cv2

    h, w = plane.shape
    fine = cv2.resize(np.asarray(plane, np.float32), (2 * w, 2 * h), interpolation=cv2.INTER_LINEAR)
    rings, _ = cv2.findContours((fine > level).astype(np.uint8), cv2.RETR_LIST, cv2.CHAIN_APPROX_NONE)
    paths = []
    for ring in rings:
        if len(ring) < 12:
            continue
        points = cv2.approxPolyDP(ring, 0.9, True)[:, 0]
        points = np.vstack([points, points[:1]])
        edge = (points <= 0) | (points >= np.array([2 * w - 1, 2 * h - 1]))
        pen = False
        for n, (x, y) in enumerate(points):
            along = n > 0 and bool((edge[n] & edge[n - 1]).any())
            paths.append(f"{'L' if pen and not along else 'M'}{(x + 0.5) / 2:.1f} {(y + 0.5) / 2:.1f}")
            pen = True
    return f'<path d="{"".join(paths)}"/>' if paths else ""


def hue_ring(
    share: Floats, arcs: Sequence[tuple[float, float]], marks: Mapping[str, float], title: str, feather: float = 0.0
) -> Markup:
    """Draw the ring of hues (OKLCh, degrees, 0 at the right, going up), how much of the picture's colour lies at each, and ranges.

    ``share`` (72,) is drawn as bars inside the ring; ``arcs`` (from, to) as lines outside it, dashed where they fade out
    over ``feather`` degrees; ``marks`` as named ticks.
    """
    cx, cy, r = W / 2, 100.0, 72.0

    def at(hue: float, radius: float) -> tuple[float, float]:
        return cx + radius * math.cos(math.radians(hue)), cy - radius * math.sin(math.radians(hue))

    def arc(start: float, extent: float, radius: float, extra: str) -> str:
        (x0, y0), (x1, y1) = at(start, radius), at(start + min(extent, 359.9), radius)
        return f'<path d="M{x0:.1f} {y0:.1f}A{radius} {radius} 0 {int(extent > 180)} 0 {x1:.1f} {y1:.1f}" {extra}/>'

    body = []
    for n in range(72):
        rgb = [round(255 * colour.encode1(max(0.0, v))) for v in colour.light_of(0.72, 0.11, 5 * n)]
        paint = "#" + "".join(f"{min(255, v):02x}" for v in rgb)
        body.append(arc(5 * n - 2.7, 5.4, r, f'fill="none" stroke="{paint}" stroke-width="11"'))
    for n, v in enumerate(np.sqrt(share / max(float(share.max(initial=0)), 1e-12))):
        (x0, y0), (x1, y1) = at(5 * n, r - 9), at(5 * n, r - 9 - 48 * float(v))
        body.append(f'<line x1="{x0:.1f}" y1="{y0:.1f}" x2="{x1:.1f}" y2="{y1:.1f}" class="much"/>')
    for start, end in arcs:
        span = (end - start) % 360 or 360
        body.append(arc(start, span, r + 11, 'class="range"'))
        if feather and span < 360:
            body.append(
                arc(start - feather, feather, r + 11, 'class="range soft"') + arc(end, feather, r + 11, 'class="range soft"')
            )
    for name, hue in marks.items():
        (x0, y0), (x1, y1), (tx, ty) = at(hue, r - 7), at(hue, r + 16), at(hue, r + 22)
        anchor = "start" if tx > cx + 20 else "end" if tx < cx - 20 else "middle"
        body.append(f'<line x1="{x0:.1f}" y1="{y0:.1f}" x2="{x1:.1f}" y2="{y1:.1f}" class="tick"/>')
        body.append(f'<text x="{tx:.1f}" y="{ty + 4:.1f}" text-anchor="{anchor}">{escape(name)}</text>')
    return Markup(f'<svg viewBox="0 0 {W} 200" role="img" aria-label="{escape(title)}" class="plot ring">{"".join(body)}</svg>')


def table(head: Sequence[str], rows: Sequence[Sequence[str]]) -> Markup:
    """Write a small table."""
    top = "".join(f"<th scope='col'>{escape(h)}</th>" for h in head)
    body = "".join("<tr>" + "".join(f"<td class='num'>{escape(c)}</td>" for c in row) + "</tr>" for row in rows)
    return Markup(f"<table><thead><tr>{top}</tr></thead><tbody>{body}</tbody></table>")
