"""Running a recipe from Python."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy.typing as npt

from nebulakit.image import Image
from nebulakit.recipe import load, loads
from nebulakit.recipe.model import Recipe
from nebulakit.runner.execute import Run, execute
from nebulakit.runner.inputs import refuse_unknown, taken
from nebulakit.runner.notebook import small


def run(
    recipe: str | Path | Recipe, stack: Image | npt.ArrayLike | str | Path, *, until: str | None = None, **inputs: Any
) -> Run:
    """Run a recipe on an image, an array or a file; nothing is written.

    Parameters
    ----------
    recipe
        A shipped recipe's name, a file, the YAML text itself (with at least one line break), or a checked recipe.
    stack
        An :class:`~nebulakit.image.Image`, an array (channel, y, x) or (y, x) of linear data (of stretched data where the
        recipe says so of its stack), or a file.
    until
        Stop after the step of that id.
    inputs
        Further inputs by name, as images, arrays or files, each in its own way whatever the stack is; ``coverage`` is the stack's
        coverage map (y, x). Of a mask the mean of its channels is taken, and whole numbers without sign become 0..1 of their type.

    Returns
    -------
    Run
        ``run["last"]`` is the finished picture, ``run["ha"]`` a layer that is an output; ``run.steps`` tells what each
        step measured and decided.

    Raises
    ------
    nebulakit.errors.NebulakitError
        The recipe has faults, a file cannot be read, or a step cannot go on.

    Examples
    --------
    >>> import numpy as np, nebulakit
    >>> text = '''
    ... version: 1
    ... steps:
    ...   - bin: {factor: 2}
    ... outputs:
    ...   - {layer: last, file: small.fits}
    ... '''
    >>> nebulakit.run(text, np.ones((1, 4, 6)))["last"].shape
    (2, 3)
    """
    checked = (
        recipe if isinstance(recipe, Recipe) else loads(recipe) if isinstance(recipe, str) and "\n" in recipe else load(recipe)
    )
    refuse_unknown(checked, inputs)
    coverage = inputs.pop("coverage", None)
    images = {"stack": taken(checked, "stack", stack, coverage=coverage, until=until)}
    images |= {name: taken(checked, name, value, until=until) for name, value in inputs.items()}
    return replace(execute(checked, images, until=until), stack=small(images["stack"]))
