"""A run shown in a notebook: the stack and the finished picture under a divider, and what the steps did."""

from __future__ import annotations

from html import escape
from typing import TYPE_CHECKING

import numpy as np

from nebulakit.image import Image, beside
from nebulakit.pixels import look

if TYPE_CHECKING:
    from nebulakit.runner.execute import Run

WIDTH = 900


def small(image: Image) -> Image:
    """Give a small copy of an image, its place in the stack kept and everything else left out."""
    planes = look.shrink(image.planes, WIDTH)
    k = image.shape[1] / planes.shape[2]
    frame = image.frame.then([[k, 0.0, (k - 1) / 2], [0.0, k, (k - 1) / 2]])
    return Image(planes, image.channels, image.scale, image.content, frame=frame)


def html(run: Run) -> str:
    """Show a run: the picture, with the stack under a divider where that is known and lies the same way round; and the facts."""
    picture = run.results.get(run.recipe.last)
    if picture is None:
        picture = next(iter(run.results.values()))
    after = look.thumbnail(picture.planes, linear=picture.scale == "linear" and picture.content != "mask", width=WIDTH)
    part = _same_part(run.stack, picture) if run.stack is not None else None
    if part is not None:
        before = look.thumbnail(part.planes, linear=part.scale == "linear", width=WIDTH)
        h, w = picture.shape
        shape = (max(1, round(h * min(1, WIDTH / w))), min(w, WIDTH))
        shown = divided(before, after, shape, "divider between the stack (left) and the picture (right)")
    else:
        shown = f'<img src="{after}" alt="the picture" style="max-width:100%">'
    steps = [(f"{n}. {s.call.id}", f"{s.state}, {s.seconds:.2f} s") for n, s in enumerate(run.steps, 1)]
    notes = [(n.id, f"{who}: {n.text}") for who, n in run.notices]
    facts = [("recipe", run.recipe.name), *picture.facts()[:3], ("took", f"{sum(s.seconds for s in run.steps):.1f} s"), *notes]
    return beside(shown, facts, steps=steps)


def divided(before: str, after: str, shape: tuple[int, int], label: str) -> str:
    """Give HTML for a notebook: two pictures of one size (data URLs) under a divider that is a slider, for mouse and keys."""
    height, width = shape
    image = '<img src="{}" alt="{}" style="display:block;width:100%;height:100%;position:absolute;top:0;left:0;margin:0;{}">'
    return (
        f'<div style="position:relative;width:{width}px;max-width:100%;aspect-ratio:{width}/{height};overflow:hidden;--at:50%">'
        + image.format(before, "before", "")
        + image.format(after, "after", "clip-path:inset(0 0 0 var(--at))")
        + '<span style="position:absolute;top:0;bottom:0;left:var(--at);border-left:1px solid #fff"></span></div>'
        f'<input type="range" min="0" max="100" value="50" aria-label="{escape(label)}" style="width:{width}px;max-width:100%;margin:4px 0" '
        "oninput=\"this.previousElementSibling.style.setProperty('--at',this.value+'%')\">"
    )


def _same_part(stack: Image, picture: Image) -> Image | None:
    """Cut out of the stack what the picture shows; None where the picture lies turned in it or not wholly inside."""
    h, w = picture.shape
    corners = ((-0.5, -0.5), (w - 0.5, -0.5), (w - 0.5, h - 0.5))
    (x0, y0), (x2, y2), (x1, y1) = (stack.frame.from_stack(*picture.frame.to_stack(*at)) for at in corners)
    if abs(y2 - y0) + abs(x2 - x1) > 1e-6:
        return None
    left, top, right, bottom = round(x0 + 0.5), round(y0 + 0.5), round(x1 + 0.5), round(y1 + 0.5)
    if not (0 <= left < right <= stack.shape[1] and 0 <= top < bottom <= stack.shape[0]):
        return None
    return Image(np.ascontiguousarray(stack.planes[:, top:bottom, left:right]), stack.channels, stack.scale, stack.content)
