"""What is known of a layer before any pixel is read: linear or display, mask, colour or line, and its size.

A step's declaration says what it reads and makes; following it from the stack on shows a wrong order of steps or layers
that cannot be combined while the recipe is still text. What cannot be known stays open, and the step itself decides.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import Any, Literal

from nebulakit.declare import LIGHT, Step

MASKS = frozenset({"mask", "filled"})
"""Results of these names are masks, also beside a main result that is none."""


@dataclass(frozen=True)
class Layer:
    """What is known; None means: open."""

    scale: Literal["linear", "display"] | None = None
    mask: bool | None = None
    kind: Literal["rgb", "line", "mosaic"] | None = None
    size: tuple[Any, ...] | None = None
    """Equal where the same crops and turns lead here from the stack."""
    stretched: str = ""
    """What made it a display layer, for people."""
    optional: bool = False
    """Whether it may be missing."""
    doubtful: bool = False
    """Whether it is as it is only by a fault that has been told."""

    def what(self) -> str:
        """Say what the layer is."""
        if self.mask:
            return "a mask"
        return "display data" if self.scale == "display" else "linear data"


OPEN = Layer()


def refused(step: Step, layer: Layer, name: str) -> str | None:
    """Say why ``step`` cannot work on ``layer``, or None."""
    if step.reads == "linear" and layer.mask:
        return f"{step.name} needs linear data, but {name} is a mask"
    why = _stretched_or_not(step, layer, name)
    if why:
        return why
    if step.takes == "rgb" and layer.kind == "line":
        return f"{step.name} needs red, green and blue, but {name} is a single plane"
    if step.takes in ("line", "mosaic") and layer.kind == "rgb":
        return f"{step.name} needs a single plane, but {name} has red, green and blue"
    return _mosaic(step, layer, name)


def refused_beside(step: Step, image: str, layer: Layer, name: str, first: Layer) -> str | None:
    """Say why ``step`` cannot read ``layer`` as its further image ``image``, beside ``first``, or None; :func:`differ` looks at sizes.

    A mask may stand for any of them that need not be light: a step that needs more of one looks itself.
    """
    if image in LIGHT and layer.mask and not first.mask:
        return f"{step.name} needs light as '{image}', but {name} is a mask; give a layer of light"
    why = _stretched_or_not(step, layer, name)
    if why and not layer.mask:
        return why
    if layer.kind == "rgb" and step.takes == "line":
        return f"{step.name} needs a single plane, but {name} has red, green and blue"
    if layer.kind == "rgb" and step.images[image] and first.kind == "line":
        return f"{step.name} cannot lay {name}, which has red, green and blue, over a single plane; give one plane"
    return _mosaic(step, layer, name)


def _stretched_or_not(step: Step, layer: Layer, name: str) -> str | None:
    if step.reads == "linear" and layer.scale == "display":
        how = f" ({layer.stretched})" if layer.stretched else ""
        return f"{step.name} needs linear data, but {name} is stretched already{how}" + (
            "; put it before the stretch" if layer.stretched.startswith("by ") else ""
        )
    if step.reads == "display" and layer.scale == "linear" and not layer.mask:
        return f"{step.name} needs stretched data, but {name} is still linear; put a stretch step before it"
    return None


def _mosaic(step: Step, layer: Layer, name: str) -> str | None:
    if layer.kind == "mosaic" and step.takes != "mosaic" and not step.resizes:
        return f"{step.name} cannot work on a colour-filter mosaic, and {name} is one; put collapse_bayer before it"
    return None


def made(step: Step, first: Layer, params: Any, line: str) -> dict[str, Layer]:
    """Give what is known of each result of ``step`` on ``first``."""
    seen: Layer = replace(first, optional=False)
    if step.reads != "any":
        seen = replace(seen, scale=step.reads)
    if step.takes != "any" and not first.mask:
        seen = replace(seen, kind=step.takes)
    size = seen.size
    if step.resizes:
        size = None if size is None or params is None else (*size, (step.name, params))
    kind = seen.kind if step.makes == "same" else step.makes
    if step.takes == "mosaic" and step.makes == "same":
        kind = "rgb" if step.resizes else "mosaic"
    if step.gives == "mask":
        main = Layer(mask=True, kind="line", size=size)
    else:
        scale, stretched = seen.scale, seen.stretched
        if step.gives == "display" and scale != "display":
            scale, stretched = "display", f"by {step.name} in {line}"
        elif step.gives == "linear":
            scale, stretched = "linear", ""
        main = Layer(scale, first.mask, kind, size, stretched)
    mask = Layer(mask=True, kind="line", size=size)
    return {name: mask if name in MASKS else main for name in step.results}


def made_nonetheless(step: Step, first: Layer, params: Any, line: str) -> dict[str, Layer]:
    """Give what stays known of each result of ``step`` on a layer it is refused for, so that one fault neither hides others nor brings them.

    A step that comes after the stretch leaves its results stretched: whatever follows and needs linear data must go before it, too.
    """
    late = step.reads == "linear" and first.scale == "display"
    if first.mask or not (late or (step.takes != "any" and first.kind != "mosaic")):
        return {r: OPEN if known.mask is None else known for r, known in made(step, OPEN, params, line).items()}
    kind = step.makes if step.makes != "same" else first.kind if late else None
    size = None if step.resizes else first.size
    main = Layer(first.scale, first.mask, kind, size, first.stretched, doubtful=True)
    return {r: replace(known, size=size) if known.mask else main for r, known in made(step, first, params, line).items()}


def changes(step: Step, first: Layer) -> str | None:
    """Say how the main result differs from what came in, in kind or size; None where one can stand for the other."""
    if step.resizes:
        return "changes the size"
    if step.gives == "mask":
        return None if first.mask else "makes a mask"
    if step.gives != "same" and step.gives != (first.scale or (step.reads if step.reads != "any" else None)):
        return f"makes {'display' if step.gives == 'display' else 'linear'} data of what it is given"
    kind = first.kind or (step.takes if step.takes != "any" else None)
    if step.makes != "same" and step.makes != kind:
        return f"makes {'red, green and blue' if step.makes == 'rgb' else 'single planes'} of what it is given"
    return None


def differ(one: Layer, other: Layer) -> str | None:
    """Say why two layers cannot be combined, or None."""
    if one.size is not None and other.size is not None and one.size != other.size:
        return f"they differ in size: {_way(one)}, and {_way(other)}"
    sure = not (one.mask or other.mask or one.doubtful or other.doubtful)
    if sure and one.scale and other.scale and one.scale != other.scale:
        return (
            f"one is linear, the other stretched ({one.stretched or other.stretched or 'display data'}); stretch both or neither"
        )
    return None


def _way(layer: Layer) -> str:
    steps = [name for name, _ in layer.size or ()]
    return f"one went through {', '.join(steps)}" if steps else "one has the size of the stack"
