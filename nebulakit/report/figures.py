"""Drawings as SVG text: histogram, bars, curve, scatter. Lines are told apart by dash and mark, not by colour alone."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from typing import Any

import numpy as np
import numpy.typing as npt
from markupsafe import Markup, escape

W, H, LEFT, BOTTOM = 360, 170, 46, 26
STYLES = {
    "red": ("var(--ink-a)", "", "square"),
    "green": ("var(--ink-b)", "5 3", "ring"),
    "blue": ("var(--ink-c)", "2 3", "cross"),
    "ha": ("var(--ink-a)", "", "square"),
    "oiii": ("var(--ink-c)", "5 3", "ring"),
}
OTHER = [("var(--ink)", "", "square"), ("var(--ink-c)", "5 3", "ring"), ("var(--ink-a)", "2 3", "cross")]


def style(name: str, n: int = 0) -> tuple[str, str, str]:
    """Give stroke, dashes and mark for a channel's name."""
    return STYLES.get(name, OTHER[n % len(OTHER)])


def frame(body: str, title: str, x: tuple[str, str, str], y: tuple[str, str], legend: Sequence[tuple[str, int]] = ()) -> Markup:
    """Put axes round a drawing: ``x`` is (left, right, what), ``y`` (bottom, top)."""
    names = ""
    for k, (name, n) in enumerate(legend):
        stroke, dash, _ = style(name, n)
        at = LEFT + 8 + k * 84
        names += f'<line x1="{at}" y1="10" x2="{at + 22}" y2="10" stroke="{stroke}" stroke-width="2" stroke-dasharray="{dash}"/>'
        names += f'<text x="{at + 26}" y="14">{escape(name)}</text>'
    return Markup(
        f'<svg viewBox="0 0 {W} {H}" role="img" aria-label="{escape(title)}" class="plot">'
        f'<path d="M{LEFT} 18V{H - BOTTOM}H{W - 6}" class="axis"/>{body}'
        f'<text x="{LEFT}" y="{H - 8}">{escape(x[0])}</text><text x="{W - 6}" y="{H - 8}" text-anchor="end">{escape(x[1])}</text>'
        f'<text x="{(LEFT + W) / 2}" y="{H - 8}" text-anchor="middle">{escape(x[2])}</text>'
        f'<text x="{LEFT - 4}" y="{H - BOTTOM}" text-anchor="end">{escape(y[0])}</text>'
        f'<text x="{LEFT - 4}" y="26" text-anchor="end">{escape(y[1])}</text>{names}</svg>'
    )


def _xy(x: npt.NDArray[Any], y: npt.NDArray[Any]) -> str:
    px = LEFT + np.clip(x, 0, 1) * (W - 6 - LEFT)
    py = H - BOTTOM - np.clip(y, 0, 1) * (H - BOTTOM - 20)
    return "M" + "L".join(f"{a:.1f} {b:.1f}" for a, b in zip(px, py, strict=True))


def lines(
    series: Mapping[str, tuple[npt.ArrayLike, npt.ArrayLike]],
    title: str,
    x: str,
    low: tuple[float, float],
    high: tuple[float, float],
) -> Markup:
    """Draw curves given as name -> (x, y) between the corners ``low`` and ``high``."""
    body = ""
    for n, (name, (xs, ys)) in enumerate(series.items()):
        u = (np.asarray(xs, float) - low[0]) / (high[0] - low[0] or 1)
        v = (np.asarray(ys, float) - low[1]) / (high[1] - low[1] or 1)
        stroke, dash, _ = style(name, n)
        body += f'<path d="{_xy(u, v)}" fill="none" stroke="{stroke}" stroke-width="1.8" stroke-dasharray="{dash}"/>'
    legend = [(name, n) for n, name in enumerate(series)] if len(series) > 1 else []
    return frame(body, title, (f"{low[0]:.3g}", f"{high[0]:.3g}", x), (f"{low[1]:.2g}", f"{high[1]:.2g}"), legend)


def histogram(shown: npt.NDArray[np.float32], channels: Sequence[str], title: str) -> Markup:
    """Draw the histogram of planes 0..1, the count on a square-root scale."""
    bins = np.linspace(0, 1, 97)
    counts = [np.histogram(p, bins)[0] for p in shown]
    top = math.sqrt(max(max(int(c.max()) for c in counts), 1))
    centres = (bins[1:] + bins[:-1]) / 2
    series = {name: (centres, np.sqrt(c) / top) for name, c in zip(channels, counts, strict=False)}
    return lines(series, title, "shown value", (0.0, 0.0), (1.0, 1.0))


def bars(groups: Mapping[str, Sequence[float]], labels: Sequence[str], title: str, x: str) -> Markup:
    """Draw groups of values side by side as marks joined by lines, on a logarithmic scale."""
    values = [v for row in groups.values() for v in row if v and v > 0]
    if not values:
        return Markup("")
    low, high = math.floor(math.log10(min(values))), math.ceil(math.log10(max(values)))
    high += high == low
    body = ""
    for n, (name, row) in enumerate(groups.items()):
        stroke, dash, mark = style(name, n)
        u = (np.arange(len(row)) + 0.5) / len(labels)
        v = np.array([(math.log10(max(r or 0, 10.0**low)) - low) / (high - low) for r in row])
        body += f'<path d="{_xy(u, v)}" fill="none" stroke="{stroke}" stroke-dasharray="{dash}"/>'
        for a, b in zip(u, v, strict=True):
            body += marker(LEFT + a * (W - 6 - LEFT), H - BOTTOM - b * (H - BOTTOM - 20), mark, stroke)
    return frame(body, title, (labels[0], labels[-1], x), (f"1e{low}", f"1e{high}"), [(name, n) for n, name in enumerate(groups)])


def marker(x: float, y: float, mark: str, stroke: str, r: float = 3.2) -> str:
    """Draw a mark: square, ring or cross."""
    if mark == "ring":
        return f'<circle cx="{x:.1f}" cy="{y:.1f}" r="{r}" fill="none" stroke="{stroke}" stroke-width="1.4"/>'
    if mark == "cross":
        return f'<path d="M{x - r:.1f} {y - r:.1f}l{2 * r} {2 * r}m0 {-2 * r}l{-2 * r} {2 * r}" stroke="{stroke}" stroke-width="1.4"/>'
    return f'<rect x="{x - r / 1.3:.1f}" y="{y - r / 1.3:.1f}" width="{2 * r / 1.3:.1f}" height="{2 * r / 1.3:.1f}" fill="{stroke}"/>'


def overlay(picture: str, width: int, height: int, marks: str, title: str) -> Markup:
    """Draw marks over a picture (a data URL), in the picture's own pixels."""
    return Markup(
        f'<svg viewBox="0 0 {width} {height}" role="img" aria-label="{escape(title)}" class="over">'
        f'<image href="{picture}" width="{width}" height="{height}"/>{marks}</svg>'
    )


def table(head: Sequence[str], rows: Sequence[Sequence[str]]) -> Markup:
    """Write a small table."""
    top = "".join(f"<th scope='col'>{escape(h)}</th>" for h in head)
    body = "".join("<tr>" + "".join(f"<td>{escape(c)}</td>" for c in row) + "</tr>" for row in rows)
    return Markup(f"<table class='small'><thead><tr>{top}</tr></thead><tbody>{body}</tbody></table>")
