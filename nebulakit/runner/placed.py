"""Masks that were painted elsewhere, brought to the layer they are used on."""

from __future__ import annotations

import math
from collections.abc import Iterable, Mapping

import numpy as np
import numpy.typing as npt

from nebulakit.declare import STEPS
from nebulakit.errors import InputError, StepError
from nebulakit.image import Image, Notice
from nebulakit.recipe.model import Call, Recipe, Ref
from nebulakit.runner.inputs import is_mask

FAINTEST = 0.01
"""No one paints less than this on purpose; the ones of a mask of zeros and ones in 8 bits are 1/255."""


class MasksToCome:
    """Masks that were given for steps to come; each is held against the first layer of the size that its step works on.

    What stands before the step may take minutes, and a wrong mask is mostly seen on the stack itself, or right after a crop.
    """

    def __init__(self, recipe: Recipe, calls: Iterable[Call], inputs: Mapping[str, Image]) -> None:
        """Find the masks of ``calls``, and by which step each layer got its size."""
        self._inputs = inputs
        self._sizes: dict[Ref, Ref] = {}
        for call in recipe.steps:
            resized = STEPS[call.step].resizes and not call.skip
            size = call.main if resized or call.first is None else self._sizes.get(call.first, call.first)
            self._sizes |= dict.fromkeys(call.results, size)
        self._open: dict[Ref, dict[str, Call]] = {}
        for call in calls:
            given = [ref for ref in call.needs if ref.step >= 0 or ref.result in inputs]
            masks = [ref for ref in given if ref.step < 0 and is_mask(recipe, ref.result)]
            beside = next((ref for ref in given if ref not in masks), None)
            if beside is not None and not call.skip:
                for ref in masks:
                    self._open.setdefault(self._sizes.get(beside, beside), {}).setdefault(ref.result, call)

    def refuse_misfits(self, layers: Mapping[Ref, Image]) -> None:
        """Raise InputError where a mask cannot be brought to the layer it is meant for, which has the size of one of these."""
        for ref, layer in layers.items():
            for name, call in self._open.pop(self._sizes.get(ref, ref), {}).items():
                try:
                    refuse_misfit(self._inputs[name], layer, name)
                except StepError as fault:
                    raise InputError(f"{call.id} in {call.where}: {fault}") from None


def refuse_misfit(mask: Image, layer: Image, name: str) -> None:
    """Raise StepError where a mask cannot be brought to ``layer``: its size, with all that would do named, or its values."""
    plane = np.nan_to_num(mask.planes[0])
    low, high = float(plane.min()), float(plane.max())
    if low < -1e-3 or high > 1 + 1e-3:
        raise StepError(
            f"the mask {name!r} holds values from {low:.6g} to {high:.6g}; a mask lies within 0 (nowhere) and 1 (fully). "
            "Save it as a grey picture (png, tif with 8 or 16 bits), or scale it to 0..1"
        )
    if 0 < high < FAINTEST:
        raise StepError(
            f"the mask {name!r} is nowhere above {high:.2g}, so next to nothing would be done. 1 means fully; whole numbers are taken as shares "
            "of the largest that their type holds (255 for 8 bits). Save it brighter, or scale it to 0..1"
        )
    if _matrix(plane.shape, layer) is None:
        told = {"the stack": layer.frame.stack_shape, "the crop": _crop(layer), "the layer": layer.shape}
        sizes = ", ".join(f"{k} {v[1]} x {v[0]}" for k, v in told.items() if v is not None)
        raise StepError(
            f"the mask {name!r} is {plane.shape[1]} x {plane.shape[0]} px, which is none of the sizes it could have: {sizes} px. "
            "Paint it over a picture of the stack or over this recipe's own, neither cropped nor scaled"
        )


def placed(mask: Image, layer: Image, name: str) -> Image:
    """Bring a mask that was given as a file to the pixels of ``layer``.

    The mask may have the size of the stack, of the crop whose picture was written, or of the layer itself; it follows
    crops, turns and changes of scale by the frames. Beyond its edge it goes on as it ends. Raises StepError, with all sizes
    named, on any other size, and where its values do not lie within 0..1 or are all next to 0.
    """
    import cv2

    refuse_misfit(mask, layer, name)
    plane = np.nan_to_num(mask.planes[0])
    to_mask = _matrix(plane.shape, layer)
    assert to_mask is not None
    if not (plane.shape == layer.shape and np.allclose(to_mask, [[1, 0, 0], [0, 1, 0]])):
        scale = math.sqrt(abs(float(np.linalg.det(to_mask[:, :2]))))
        if scale > 1.5:  # several pixels of the mask become one
            plane = cv2.GaussianBlur(plane, (0, 0), 0.4 * scale)
        size, how = layer.shape[::-1], cv2.INTER_LINEAR | cv2.WARP_INVERSE_MAP
        plane = np.asarray(cv2.warpAffine(plane, to_mask, size, flags=how, borderMode=cv2.BORDER_REPLICATE), np.float32)
    return layer.as_mask(np.clip(plane, 0, 1), scale="display")


def nowhere(mask: Image, name: str, step: str, acts: bool) -> tuple[Notice, ...]:
    """Tell where a given mask, as it lies on its layer, marks nothing; ``acts``: it says where the step acts."""
    if (np.nan_to_num(mask.planes) > 0).any():
        return ()
    so = f"so {step} changes nothing" if acts else f"so it marks nothing for {step}"
    text = (
        f"The mask {name!r} is 0 (black) everywhere on the layer that {step} works on, {so}. Paint the places that are meant white, "
        f"or leave the mask out{' to have the step act everywhere' if acts else ''}."
    )
    return (Notice("mask-empty", text),)


def _box(layer: Image) -> tuple[float, float, float, float] | None:
    """Give the edges x0, y0, x1, y1, in the layer's pixels, of the crop that a rim was left around."""
    (a, b, _), (d, e, _) = layer.frame.to_stack_matrix
    if layer.frame.inside is None or min(max(abs(a), abs(e)), max(abs(b), abs(d))) > 1e-9:
        return None
    left, top, right, bottom = layer.frame.inside
    (x0, y0), (x1, y1) = layer.frame.from_stack(left, top), layer.frame.from_stack(right, bottom)
    return min(x0, x1), min(y0, y1), max(x0, x1), max(y0, y1)


def _crop(layer: Image) -> tuple[int, int] | None:
    """Give the size of that crop."""
    box = _box(layer)
    return None if box is None else (round(box[3] - box[1]), round(box[2] - box[0]))


def _matrix(shape: tuple[int, int], layer: Image) -> npt.NDArray[np.float64] | None:
    """Give the 2x3 matrix from pixels of the layer to those of a mask of ``shape``; None where it fits nothing."""
    frame = layer.frame
    if shape == frame.stack_shape:
        seen = np.asarray(frame.to_stack_matrix, float)
        # masks are painted over what is seen, with the top row first
        return seen * [[1], [-1]] + [[0, 0, 0], [0, 0, shape[0] - 1]] if frame.bottom_up else seen
    whole = (-0.5, -0.5, layer.shape[1] - 0.5, layer.shape[0] - 0.5)
    # in a preview the mask has the size of the whole picture, of which some pixels were cut off
    for scale in dict.fromkeys((1.0, frame.scale)):
        for box in (_box(layer), whole):
            if box is None:
                continue
            wide = np.array([box[2] - box[0], box[3] - box[1]])
            if np.abs(wide * scale - shape[::-1]).max() < (0.5 if scale == 1 else scale):
                x0, y0 = np.array(box[:2]) * scale
                return np.array([[scale, 0, -x0 - 0.5], [0, scale, -y0 - 0.5]])
    return None
