"""What a step promises, declared once by its signature and read by everyone: checks, help, docs, schema, runner.

A step is a plain function. Arguments before ``*`` are images, arguments after it are parameters, each annotated
``Annotated[type, About("one sentence", low, high)]`` with a default inside its bounds. The :func:`step` decorator adds
what the pixels must be and what they become, and registers the function in :data:`STEPS` under its own name.
"""

from __future__ import annotations

import dataclasses
import functools
import inspect
import json
import math
import typing
from collections.abc import Callable, Set
from dataclasses import dataclass
from typing import Annotated, Any, Literal, ParamSpec, TypeVar

import numpy as np
from pydantic import AfterValidator, BaseModel, ConfigDict, Field, ValidationError, create_model

from nebulakit.errors import StepError
from nebulakit.image import Image, beyond_reach
from nebulakit.pixels.parallel import one_blas_thread
from nebulakit.quantity import Position, Quantity

P = ParamSpec("P")
R = TypeVar("R")
Refuses = Callable[[Any, Set[str]], tuple[str, str] | None]
"""Of a step's typed parameters and the names of the images it is given: which of them cannot be, and why; None where all fit."""


@dataclass(frozen=True)
class About:
    """What a parameter is: one sentence, its bounds (in its own unit, inclusive), and when to turn it which way.

    ``look`` is False for values that must be measured anew on other data (noise, star width, samples); True for those
    that make the look (softening, gain, curves). ``example`` is required where the parameter has no default.
    """

    text: str
    low: float | None = None
    high: float | None = None
    raise_when: str = ""
    lower_when: str = ""
    look: bool = True
    example: Any = None

    def check(self, value: Any) -> Any:
        """Refuse a number or quantity outside the bounds, also inside a sequence."""
        if isinstance(value, (list, tuple)):
            for v in value:
                self.check(v)
            return value
        number = value.number if isinstance(value, Quantity) else value
        if isinstance(number, bool) or not isinstance(number, (int, float)):
            return value
        # a share may be written either way; its bounds are told as fractions
        percent = isinstance(value, Quantity) and value.unit == "%" and self.high is not None and self.high <= 10
        number = number / 100 if percent else number
        if (self.low is not None and number < self.low) or (self.high is not None and number > self.high):
            raise ValueError(f"must be {self.range(percent)}, found {value}")
        return value

    def range(self, percent: bool = False) -> str:
        """Tell the bounds in words, as shares in percent where the value is one."""
        low, high = (
            None if bound is None else f"{100 * bound:g}%" if percent else f"{bound:g}" for bound in (self.low, self.high)
        )
        if low is not None and high is not None:
            return f"between {low} and {high}"
        return f"at least {low}" if low is not None else f"at most {high}" if high is not None else "any number"


@dataclass(frozen=True)
class Step:
    """A registered step: what its name leads to and what may be known of it without running it."""

    name: str
    call: Callable[..., Any]
    images: dict[str, bool]  # image argument -> is it required
    params: type[BaseModel]
    abouts: dict[str, About]
    results: tuple[str, ...]  # main result first
    reads: Literal["linear", "display", "any"]
    gives: Literal["same", "linear", "display", "mask"]
    takes: Literal["any", "rgb", "mosaic", "line"]  # line: one channel
    makes: Literal["same", "rgb", "line"]
    resizes: bool
    refuses: Refuses
    summary: str

    @property
    def first(self) -> str | None:
        """The name of the image that is worked on; None for a step that reads none."""
        return next(iter(self.images), None)

    @property
    def examples(self) -> dict[str, Any]:
        """The examples that are told of parameters; each that must be given has one."""
        return {name: about.example for name, about in self.abouts.items() if about.example is not None}

    def defaults(self) -> dict[str, Any]:
        """Give the plain values of the parameters that need not be given."""
        required = {k: v for k, v in self.examples.items() if self.params.model_fields[k].is_required()}
        return {k: v for k, v in canonical(self.check(required)).items() if k not in required}

    def check(self, given: dict[str, Any]) -> BaseModel:
        """Give the typed parameters of ``given``; pydantic's ValidationError lists every fault."""
        return self.params.model_validate_json(json.dumps(given, default=_plain))


STEPS: dict[str, Step] = {}

LIGHT = frozenset({"like", "stars"})
"""Further images of these names are measured or added as light, which a mask does not hold."""

_STRICT = ConfigDict(extra="forbid", strict=True, frozen=True, allow_inf_nan=False, validate_default=True)


def _plain(value: Any) -> Any:
    """Bring what notebook callers hand in to JSON."""
    if isinstance(value, Position):
        return value.as_list()
    if isinstance(value, Quantity):
        return str(value)
    if isinstance(value, (np.generic, np.ndarray)):
        return value.tolist()
    if isinstance(value, BaseModel):
        return value.model_dump(mode="json")
    raise StepError(f"{value!r} is not a value a parameter can have")


def canonical(params: BaseModel) -> dict[str, Any]:
    """Give typed parameters as plain JSON values: the same choices always give the same."""
    return params.model_dump(mode="json")


def step(
    *,
    reads: Literal["linear", "display", "any"] = "any",
    gives: Literal["same", "linear", "display", "mask"] = "same",
    takes: Literal["any", "rgb", "mosaic", "line"] = "any",
    makes: Literal["same", "rgb", "line"] = "same",
    resizes: bool = False,
    refuses: Refuses = lambda params, images: None,
) -> Callable[[Callable[P, R]], Callable[P, R]]:
    """Register a function as a step.

    ``reads``/``gives``: scale of the first image and of the main result. ``takes``/``makes``: its channels; further images
    are of one plane where ``takes`` is "line", and where they are required of one or as many as the first.
    ``resizes``: the result may have another size. ``refuses``: what is wrong with parameters that fit singly but not together,
    told before a pixel is read. The function returns an Image, or a NamedTuple of Images whose field
    names are the result names, main first. Called with arrays it returns arrays.
    """

    def register(fn: Callable[P, R]) -> Callable[P, R]:
        hints = typing.get_type_hints(fn, include_extras=True)
        signature = inspect.signature(fn)
        images = {a.name: a.default is a.empty for a in signature.parameters.values() if a.kind is not a.KEYWORD_ONLY}
        fields = {a.name: _field(fn.__name__, a, hints[a.name]) for a in signature.parameters.values() if a.name not in images}
        abouts = {name: about for name, (about, _) in fields.items()}
        # the same file may be loaded twice (a test runner does so); two files may not claim one name
        if fn.__name__ in STEPS and STEPS[fn.__name__].call.__module__ != fn.__module__:
            raise TypeError(f"two steps are called {fn.__name__}")
        made: Any = {name: field for name, (_, field) in fields.items()}
        params: type[BaseModel] = create_model(fn.__name__, __config__=_STRICT, **made)
        returned = hints["return"]
        results = tuple(getattr(returned, "_fields", ("mask" if gives == "mask" else "image",)))

        @functools.wraps(fn)
        def checked(*args: P.args, **given: P.kwargs) -> R:
            return _call(STEPS[fn.__name__], fn, signature, args, given)  # type: ignore[no-any-return]

        STEPS[fn.__name__] = Step(
            fn.__name__,
            checked,
            images,
            params,
            abouts,
            results,
            reads,
            gives,
            takes,
            makes,
            resizes,
            refuses,
            (fn.__doc__ or "").strip().split("\n")[0],
        )
        try:
            STEPS[fn.__name__].check(STEPS[fn.__name__].examples)
        except ValidationError as fault:
            raise TypeError(f"step {fn.__name__}: its own defaults or examples are refused: {fault}") from fault
        return checked

    return register


def _field(step: str, parameter: inspect.Parameter, hint: Any) -> tuple[About, tuple[Any, Any]]:
    """Give what is told of a parameter, and its kind and default for pydantic."""
    told = [m for m in getattr(hint, "__metadata__", ()) if isinstance(m, About)]
    if not told or not told[0].text:
        raise TypeError(f"step {step}: parameter {parameter.name} has no About(...) with a description")
    about, required = told[0], parameter.default is parameter.empty
    if required and about.example is None:
        raise TypeError(f"step {step}: required parameter {parameter.name} needs an example")
    bounds: Any = {k: v for k, v in (("minimum", about.low), ("maximum", about.high)) if v is not None} or None
    default = ... if required else parameter.default
    kind: Any = Annotated[hint, AfterValidator(about.check)]
    return about, (kind, Field(default, description=about.text, json_schema_extra=bounds))


def _call(declared: Step, fn: Callable[..., Any], signature: inspect.Signature, args: Any, given: dict[str, Any]) -> Any:
    """Check images and parameters, then run; arrays in, arrays out."""
    facts = {k: given.pop(k) for k in ("fwhm", "coverage", "scale") if k in given and k not in signature.parameters}
    options = {k: given.pop(k) for k in list(given) if k not in declared.images}
    bound = signature.bind_partial(*args, **given).arguments
    missing = [k for k, required in declared.images.items() if required and bound.get(k) is None]
    if missing:
        raise StepError(f"{declared.name}: the image {missing[0]!r} is missing")
    arrays = not any(isinstance(v, Image) for v in bound.values())
    if facts and not arrays:
        raise StepError(f"{declared.name}: {', '.join(facts)} can only be given together with arrays; an Image carries its own")
    beside = [v.scale for v in bound.values() if isinstance(v, Image)]  # an array beside an Image is what that is
    facts.setdefault("scale", beside[0] if beside else "display" if declared.reads == "display" else "linear")
    layers: dict[str, Any] = {
        k: v if isinstance(v, Image) or v is None else Image.from_array(v, **facts) for k, v in bound.items()
    }
    first: Image = next(iter(layers.values()))
    for name, image in layers.items():
        if image is not None and not declared.resizes:
            _within_reach(declared, name, image)
    _fits(declared, first)
    for name, image in layers.items():
        if image is not None and image is not first:
            _fits_beside(declared, name, image, first)
    strange = [k for k in options if k not in declared.params.model_fields]
    if strange:
        told = "; in a recipe it stands beside a step, a function has none" if strange[0] in ("mask", "amount") else ""
        raise StepError(f"{declared.name}: unknown parameter {strange[0]!r}{told}")
    try:
        typed = declared.check(options)
    except ValidationError as fault:
        raise StepError(f"{declared.name}: " + "; ".join(describe(e) for e in fault.errors())) from None
    refused = declared.refuses(typed, {k for k, v in layers.items() if v is not None})
    if refused:
        raise StepError(f"{declared.name}: {refused[1]}")
    with one_blas_thread():
        result = fn(**layers, **{k: getattr(typed, k) for k in type(typed).model_fields})
    if arrays:
        return type(result)(*(r.planes for r in result)) if isinstance(result, tuple) else result.planes
    # what was measured or decided stands for "auto", so that a frozen recipe leaves the same history
    found = result[0].record if isinstance(result, tuple) else result.record
    used = {k: found.get(k, v) for k, v in canonical(typed).items() if k in options or k in found}
    line = f"{declared.name}({', '.join(f'{k}={_short(v)}' for k, v in used.items())})"
    history = (*first.history, line)
    if isinstance(result, tuple):
        return type(result)(*(dataclasses.replace(r, history=history) for r in result))
    return dataclasses.replace(result, history=history)


def _short(value: Any) -> str:
    """Write a value with as many digits as float32 holds."""
    if isinstance(value, (list, tuple)):
        return "[" + ", ".join(map(_short, value)) + "]"
    return f"{value:.9g}" if isinstance(value, float) else str(value)


def _within_reach(declared: Step, name: str, image: Image) -> None:
    """Refuse values whose squares do not fit into 32-bit floats; what a run reads has been scaled, and so have layers of steps."""
    top = None if image.history or image.content == "mask" else beyond_reach(image.planes)
    if top is None or (image.scale == "display" and top < 1):
        return
    if image.scale == "display":
        raise StepError(
            f"{declared.name}: the largest value of {name} is {top:.3g}; a stretched picture lies within 0 (black) and 1 (white)"
        )
    times = -round(math.log2(top))
    raise StepError(
        f"{declared.name}: the largest value of {name} is {top:.3g}, and steps work in 2^-32 to 2^32 (2.3e-10 to 4.3e+09). Multiply it, and "
        f"all that goes with it, by a power of two, which changes no digit: numpy.ldexp({name}, {times}); numpy.ldexp(result, {-times}) "
        "brings values back. A run does so by itself."
    )


def _fits(declared: Step, image: Image) -> None:
    """Refuse a first image of the wrong kind."""
    if declared.reads != "any" and image.scale != declared.reads:
        want = {"linear": "linear data (before any stretch)", "display": "stretched data (after a stretch step)"}[declared.reads]
        raise StepError(f"{declared.name} needs {want}, but what it was given is {image.scale}")
    n = len(image.channels)
    if declared.takes == "rgb" and n != 3:
        raise StepError(
            f"{declared.name} needs red, green and blue, but what it was given has {n} channel{'s' * (n > 1)} ({', '.join(image.channels)})"
        )
    if declared.reads == "display" and n not in (1, 3):
        raise StepError(
            f"{declared.name} needs a picture in grey or in red, green and blue, but what it was given has {n} channels "
            f"({', '.join(image.channels)})"
        )
    if declared.takes in ("line", "mosaic") and n != 1:
        raise StepError(
            f"{declared.name} needs a single plane, but what it was given has {n} channels ({', '.join(image.channels)})"
        )
    if declared.name != "collapse_bayer" and image.channels == ("mosaic",) and not declared.resizes:
        raise StepError(f"{declared.name} cannot work on a colour-filter mosaic; put the step collapse_bayer before it")


def _fits_beside(declared: Step, name: str, image: Image, first: Image) -> None:
    """Refuse a further image whose channels do not fit."""
    n, m = len(first.channels), len(image.channels)
    if name in LIGHT and image.content == "mask" != first.content:
        raise StepError(f"{declared.name} needs light as {name!r}, but what it was given is a mask; give a layer of light")
    if declared.takes == "line" and m != 1:
        raise StepError(f"{declared.name}: {name} must be a single plane, but has {m} channels ({', '.join(image.channels)})")
    if declared.images[name] and m not in (1, n):
        raise StepError(
            f"{declared.name}: {name} has {m} channels ({', '.join(image.channels)}), but what it is laid on has {n} "
            f"({', '.join(first.channels)}). It needs as many, or one."
        )
    if image.channels == ("mosaic",) and declared.takes != "mosaic" and not declared.resizes:
        raise StepError(f"{declared.name}: {name} is a colour-filter mosaic; put the step collapse_bayer before it")


def describe(error: Any) -> str:
    """Put one entry of ``ValidationError.errors()`` into words: parameter, what is wrong, what was found."""
    place = ".".join(str(p) for p in error["loc"] if not str(p).startswith(("function-", "tuple[", "literal", "lax", "json")))
    found = error.get("input")
    shown = "" if isinstance(found, dict) else f", found {json.dumps(found, default=str)}"
    kind = error["type"]
    if kind == "extra_forbidden":
        return f"unknown parameter {place!r}"
    if kind == "missing" and isinstance(error["loc"][-1], int):
        return f"{place.rpartition('.')[0]}: value {error['loc'][-1] + 1} is missing"
    if kind == "missing":
        return f"parameter {place!r} must be given"
    if kind == "value_error":
        return f"{place}: {error['ctx']['error']}"
    words = {
        "literal_error": f"expected {error.get('ctx', {}).get('expected', '')}",
        "float_type": "expected a number",
        "int_type": "expected a whole number",
        "int_from_float": "expected a whole number",
        "bool_type": "expected true or false",
        "string_type": "expected a text",
        "tuple_type": "expected a list of values",
        "list_type": "expected a list of values",
        "finite_number": "expected a finite number",
        "less_than_equal": f"must be at most {error.get('ctx', {}).get('le')}",
        "greater_than_equal": f"must be at least {error.get('ctx', {}).get('ge')}",
    }.get(kind, error["msg"][:1].lower() + error["msg"][1:])
    return f"{place}: {words}{shown}"


def same_size(name: str, **layers: Image | None) -> None:
    """Refuse layers of different size or scale, naming both."""
    there = [(k, v) for k, v in layers.items() if v is not None]
    for k, v in there[1:]:
        first, image = there[0]
        if v.shape != image.shape:
            raise StepError(
                f"{name}: {first} is {image.shape[1]}x{image.shape[0]} px but {k} is {v.shape[1]}x{v.shape[0]} px; "
                "layers must have the same size (crop or bin both, or take both after the same crop)"
            )
        if v.content != "mask" and image.content != "mask" and v.scale != image.scale:
            raise StepError(
                f"{name}: {first} is {image.scale} but {k} is {v.scale}; stretch both, or neither, before combining them"
            )
        factors = [(i.header or {}).get("BSCALE", 1.0) for i in (image, v) if i.content != "mask"]
        if image.scale == "linear" and len(set(factors)) > 1:
            raise StepError(
                f"{name}: {first} and {k} are in units so far apart that their values were multiplied by different powers of two "
                "when they were read; save both in the same units"
            )


def finite(number: float) -> float | None:
    """Give a number that JSON can hold: None for NaN and infinities."""
    return float(number) if math.isfinite(number) else None
