"""What every step promises, tested on every step by its declaration alone: none is named here, a new one is tested unasked."""

from __future__ import annotations

import dataclasses
import functools
import itertools
import json
import math
import re
import traceback
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

import numpy as np
import pytest

import nebulakit.steps
from nebulakit.declare import STEPS, Step, canonical
from nebulakit.demo import make_scene
from nebulakit.errors import NebulakitError, RecipeError, StepError
from nebulakit.image import Image, Notice
from nebulakit.pixels.parallel import threads
from nebulakit.recipe import loads
from nebulakit.recipe.document import BESIDE
from nebulakit.recipe.layers import MASKS
from nebulakit.recipe.model import Call, Ref
from nebulakit.report.collect import Collector
from nebulakit.report.page import render
from nebulakit.runner.execute import StepRun

SHAPE = (168, 224)
every_step = pytest.mark.parametrize("step", [pytest.param(s, id=s.name) for s in STEPS.values()])


# -- small images of every kind -----------------------------------------------------------------------------------------


@functools.cache
def scene() -> Any:
    return make_scene(seed=11, shape=SHAPE, nebula="bubble", stars=2500, bright=60, fwhm=2.8)


def frozen(image: Image) -> Image:
    """Give the image with arrays that cannot be written, as layers read back from disk are."""
    facts = [image.planes, image.coverage]
    facts += [image.noise and image.noise.map, image.psf and image.psf.kernel]
    facts += vars(image.stars).values() if image.stars is not None else []
    for array in facts:
        if array is not None:
            array.flags.writeable = False
    return image


def everything(image: Image) -> Any:
    """Give all that an image holds, its arrays as bytes."""

    def plain(value: Any) -> Any:
        if isinstance(value, np.ndarray):
            return value.tobytes()
        if dataclasses.is_dataclass(value):
            return {f.name: plain(getattr(value, f.name)) for f in dataclasses.fields(value)}
        return str(value)

    return plain(image)


def with_gap(planes: Any) -> Any:
    """Give planes with nothing where no frame lies, and in one corner."""
    out = np.array(planes, np.float32, ndmin=3)
    out[:, scene().coverage <= 0] = np.nan
    out[:, :13, :17] = np.nan
    return out


@functools.cache
def stack() -> Image:
    coverage = scene().coverage.copy()
    coverage[:13, :17] = 0
    image = Image.from_array(with_gap(scene().stack), coverage=coverage, header=scene().header())
    return frozen(image.measured("noise", "sky", "stars", "fwhm", "psf", "white"))


@functools.cache
def starless() -> Image:
    return frozen(stack().replace(with_gap(scene().starless), content="starless", sky=(0.0, 0.0, 0.0)))


@functools.cache
def stars() -> Image:
    planes = stack().planes - np.float32(scene().sky) - starless().planes
    return frozen(stack().replace(planes, content="stars", sky=(0.0, 0.0, 0.0)))


@functools.cache
def line(name: str) -> Image:
    unmix = np.linalg.pinv(np.asarray(scene().sensor))[("ha", "oiii").index(name)]
    planes = np.einsum("c,cyx->yx", unmix.astype(np.float32), starless().planes)[None]
    assert starless().noise is not None
    noise = starless().noise.mixed([unmix])
    return frozen(starless().replace(planes, channels=(name,), sky=(0.0,), noise=noise, white=(1.0,)))


@functools.cache
def mask(turned: bool = False) -> Image:
    y, x = np.mgrid[: SHAPE[0], : SHAPE[1]] / max(SHAPE)
    plane = 0.5 + 0.5 * np.sin(9 * (x - y if turned else x + y))
    return frozen(stack().replace(with_gap(plane), channels=("mask",), content="mask", sky=None, noise=None, white=None))


@functools.cache
def mosaic() -> Image:
    rows, columns = np.mgrid[: SHAPE[0], : SHAPE[1]] % 2
    header = scene().header()
    header["BAYERPAT"] = "RGGB"
    plane = np.choose(rows + columns, stack().planes)
    facts = {"noise": None, "sky": None, "stars": None, "fwhm": None, "psf": None, "white": None}
    return frozen(stack().replace(plane[None], channels=("mosaic",), header=header, **facts))


def stretched(image: Image) -> Image:
    """Give a display layer of a linear one: asinh from the sky on, sky at a tenth."""
    if image.scale == "display" or image.content == "mask":
        return image
    known = image.measured("noise", "sky")
    assert known.noise is not None
    assert known.sky is not None
    n = len(image.channels)
    sky, soft = (np.float32(v).reshape(n, 1, 1) for v in (known.sky, np.multiply(known.noise.sigma, 8)))
    top = math.asinh(300.0)
    planes = np.clip(0.1 + 0.9 * np.arcsinh((image.planes - sky) / soft) / top, 0, 1)
    slope = [0.9 / float(s) / top for s in soft.ravel()]
    white = tuple(1.0 for _ in range(n))
    return frozen(image.replace(planes, scale="display", sky=(0.1,) * n, noise=known.noise.scaled(slope), white=white))


def candidates(step: Step) -> Iterator[Image]:
    """Give images that the declaration lets a step read first, the most natural one first."""
    kinds: dict[str, list[Callable[[], Image]]] = {
        "rgb": [stack, starless, stars],
        "line": [lambda: line("ha"), lambda: mask()],
        "mosaic": [mosaic],
        "any": [stack, stars, starless, lambda: line("ha"), lambda: mask()],
    }
    for make in kinds[step.takes]:
        image = make()
        if image.content == "mask" and step.reads == "linear":
            continue
        if step.reads != "display":
            yield image
        if step.reads != "linear" and image.content != "mask":
            yield stretched(image)
        elif step.reads == "display":
            yield image.replace(scale="display")


def other(name: str, first: Image) -> Image:
    """Give a further image that fits the first, by what it is called."""
    if name in ("mask", "protect", "where"):
        return mask(turned=True)
    if name in ("ha", "oiii"):
        found = line(name)
    elif name == "stars":
        found = stars()
        if len(first.channels) == 1:
            found = frozen(
                stars().replace(stars().planes.sum(0, keepdims=True), channels=("ha",), sky=(0.0,), noise=None, white=None)
            )
    elif first.content == "mask":
        return mask(turned=True)
    else:
        return frozen(first.replace(first.planes * np.float32(0.9) + np.float32(0.001)))
    return stretched(found) if first.scale == "display" else found


def tinted(like: Image, content: Any) -> Image:
    """Give a picture of the kind of ``like`` whose sky has a colour; it is empty left of column 90, stars and nebula are right of it."""
    n, unit = len(like.channels), 1.0 if like.scale == "display" else 0.2
    y, x = np.mgrid[: SHAPE[0], : SHAPE[1]]
    light = np.zeros(SHAPE)
    if content != "starless":
        for k in range(14):
            light += (0.08 + 0.04 * k) * np.exp(-((x - 140 - 17 * (k % 5)) ** 2 + (y - 25 - 50 * (k // 5)) ** 2) / 3.4)
    if content != "stars":
        light += 0.4 * np.exp(-((x - 175) ** 2 + (y - 85) ** 2) / 392)
    light[light < 1e-6] = 0
    sky = (0.0,) * n if content == "stars" else tuple(unit * v for v in (0.1, 0.2, 0.12)[:n])
    grain = np.random.default_rng(n).normal(0, 0.008 * unit, (n, *SHAPE)).astype(np.float32)
    planes = unit * light * np.reshape((1, 0.5, 0.4)[:n], (n, 1, 1)) + np.reshape(sky, (n, 1, 1))
    if like.scale != "display" or content != "stars":  # a stretched layer of stars is black between them
        planes = planes + grain
    noise = Image(grain, like.channels).measured("noise").noise
    return frozen(Image(np.float32(planes), like.channels, like.scale, content, sky=sky, noise=noise, white=(unit,) * n))


def images_for(step: Step, first: Image, optional: bool = True) -> dict[str, Image]:
    names = list(step.images)
    return {names[0]: first} | {n: other(n, first) for n in names[1:] if optional or step.images[n]}


def results(step: Step, made: Any) -> dict[str, Any]:
    if len(step.results) == 1:
        return {step.results[0]: made}
    assert made._fields == step.results
    return made._asdict()


Made = tuple[Image, dict[str, Any]]


def accepted(name: str) -> tuple[Made, ...]:
    """Give the first images a step works on, each with what it makes of it."""
    found, refusals, _ = tried(name)
    assert found, f"{name} refuses every image its declaration lets it read: {refusals}"
    return found


@functools.cache
def tried(name: str) -> tuple[tuple[Made, ...], tuple[str, ...], tuple[str, ...]]:
    """Run a step on every image it may read: what it made, its refusals in words, and what went wrong otherwise."""
    step = STEPS[name]
    found, refusals, crashes = [], [], []
    for first in candidates(step):
        kind = f"{first.scale} {first.content} {first.channels}"
        try:
            found.append((first, results(step, step.call(**images_for(step, first), **step.examples))))
        except StepError as fault:
            refusals.append(f"{kind}: {fault}")
        except Exception:
            crashes.append(f"{kind}: {traceback.format_exc(limit=-4)}")
    return tuple(found), tuple(refusals), tuple(crashes)


@every_step
def test_every_kind_of_image_is_worked_on_or_refused_in_words(step: Step) -> None:
    _, refusals, crashes = tried(step.name)
    assert not crashes, "\n".join(crashes)
    assert all(len(r) > 60 for r in refusals), refusals


def told(work: Callable[[], Any]) -> str | None:
    """Give the sentence with which ``work`` was refused, or None; anything but a refusal in words comes through."""
    try:
        work()
    except NebulakitError as fault:
        sentence = str(fault)
    else:
        return None
    assert len(sentence) > 20, sentence
    return sentence


def run(step: Step, first: Image, **params: Any) -> dict[str, Any]:
    return results(step, step.call(**images_for(step, first), **{**step.examples, **params}))


def same(a: dict[str, Any], b: dict[str, Any]) -> bool:
    return all(np.array_equal(a[k].planes, b[k].planes, equal_nan=True) for k in a)


@every_step
@pytest.mark.parametrize("power", [-93, 93])
def test_values_far_out_of_reach_are_refused_with_the_range_that_is_worked_in(step: Step, power: int) -> None:
    """Squares of such values are nothing or infinite in 32-bit floats: what came of it was a fault of linear algebra, or wrong."""
    given = images_for(step, next(candidates(step)), optional=False)
    far = {n: Image(np.ldexp(i.planes, power), i.channels, i.scale, header=i.header, fwhm=3.0) for n, i in given.items()}
    linear = step.reads != "display"
    refused = told(lambda: step.call(**far, **step.examples))
    if step.resizes or (power < 0 and not linear):  # places alone, or a picture that is nearly black
        assert refused is None
    else:
        assert refused is not None
        assert ("steps work in 2^-32 to 2^32" if linear else "a stretched picture lies within 0") in refused


# -- what it makes ------------------------------------------------------------------------------------------------------


@every_step
def test_the_input_is_left_alone(step: Step) -> None:
    first, _ = accepted(step.name)[0]
    given = images_for(step, first)
    kept = {name: everything(image) for name, image in given.items()}
    step.call(**given, **step.examples)
    for name, image in given.items():
        assert everything(image) == kept[name], f"{name} was changed"


@every_step
def test_results_are_as_declared(step: Step) -> None:
    for first, made in accepted(step.name):
        for name, image in made.items():
            where = f"{name} of {first.scale} {first.content} {first.channels}"
            assert isinstance(image, Image), where
            assert image.planes.dtype == np.float32, where
            assert image.planes.flags.c_contiguous, where
            assert not np.isinf(image.planes).any(), where
            if not step.resizes:
                assert image.shape == first.shape, where
                assert image.frame == first.frame, where
            is_mask = image.content == "mask" and first.content != "mask"
            assert not is_mask or step.gives == "mask" or name in MASKS, f"{where} is a mask, which no recipe could know"
            if step.gives == "mask" or name in MASKS:
                assert (image.content, image.channels) == ("mask", ("mask",)), where
                assert np.nanmin(image.planes) >= 0, where
                assert np.nanmax(image.planes) <= 1, where
                continue
            assert image.scale == (first.scale if step.gives == "same" else step.gives), where
            if image.scale == "display":
                assert np.nanmin(image.planes) >= -1e-6, where
                assert np.nanmax(image.planes) <= 1 + 1e-6, where
            count = {"rgb": 3, "line": 1, "same": len(first.channels)}[step.makes]
            if not (step.takes == "mosaic" and step.resizes):
                assert len(image.channels) == count, where
            if step.makes == "rgb":
                assert image.is_rgb, where


@every_step
def test_nothing_stays_nothing(step: Step) -> None:
    """NaN stays where it was and comes nowhere else; a mask may say 0 there."""
    for first, made in accepted(step.name):
        if step.resizes:
            continue
        gap = np.isnan(first.planes).any(0)
        for name, image in made.items():
            where = f"{name} of {first.scale} {first.content} {first.channels}"
            nothing = np.isnan(image.planes)
            assert not nothing[:, ~gap].any(), f"{where}: NaN where there was light"
            if image.content == "mask":
                assert (np.nan_to_num(image.planes[:, gap]) == 0).all(), where
            else:
                assert nothing[:, gap].all(), f"{where}: something where there was nothing"


@every_step
def test_facts_fit_the_pixels(step: Step) -> None:
    for first, made in accepted(step.name):
        for name, image in made.items():
            where, n = f"{name} of {first.scale} {first.content} {first.channels}", len(image.channels)
            for fact in ("sky", "white"):
                value = getattr(image, fact)
                assert value is None or (len(value) == n and all(map(math.isfinite, value))), f"{fact} of {where}: {value}"
            if image.noise is not None:
                assert len(image.noise.sigma) == len(image.noise.scales) == n, where
                assert all(math.isfinite(s) and s >= 0 for s in image.noise.sigma), where
                assert image.noise.map is None or image.noise.map.shape == image.shape, where
            assert image.coverage is None or (image.coverage.shape == image.shape and image.coverage.dtype == np.float32), where
            assert image.fwhm is None or (math.isfinite(image.fwhm) and image.fwhm > 0), where
            if not step.resizes:
                assert (image.coverage is None) == (first.coverage is None), f"{where} lost its coverage"
            if image.stars is not None:
                fields = [
                    image.stars.x,
                    image.stars.y,
                    image.stars.flux,
                    image.stars.peak,
                    image.stars.radius,
                    image.stars.saturated,
                ]
                assert len({len(f) for f in fields}) == 1, where
            assert image.frame.stack_shape == first.frame.stack_shape, where


@every_step
def test_the_sky_is_where_it_is_said_to_be(step: Step) -> None:
    """Also a sky that has a colour, which work on colours changes: it is said anew, or no longer said."""
    for like in candidates(step):
        if step.resizes or like.content == "mask":
            continue
        first = tinted(like, like.content)
        given = {step.first: first}
        for name in [n for n, required in step.images.items() if required and n not in given]:
            given[name] = tinted(first, "stars" if name == "stars" else first.content)
        made: dict[str, Any] = {}
        if told(lambda given=given, made=made: made.update(results(step, step.call(**given, **step.examples)))) is not None:
            continue
        for name, image in made.items():
            if image.sky is not None:
                found = np.median(image.planes[:, 20:-20, 20:90], (1, 2))
                unit = 1.0 if image.scale == "display" else 0.2
                # 0.15 of the noise; the median of so many pixels is good to 0.02 of it
                assert image.sky == pytest.approx(found.tolist(), abs=0.0012 * unit), f"{name} of {first.scale} {first.content}"


@every_step
def test_records_are_plain_and_notices_are_sentences(step: Step) -> None:
    for _, made in accepted(step.name):
        for image in made.values():
            json.dumps(dict(image.record), allow_nan=False)
            assert all(re.fullmatch(r"[a-z][a-z0-9_]*", k) for k in image.record)
            for notice in image.notices:
                assert isinstance(notice, Notice)
                assert re.fullmatch(r"[a-z][a-z0-9]*(-[a-z0-9]+)+", notice.id), notice.id
                assert len(notice.text) > 20, notice.text


@every_step
def test_the_same_again_and_with_more_threads(step: Step) -> None:
    first, made = accepted(step.name)[0]
    assert same(made, run(step, first)), "another run gave other pixels"
    token = threads.set(3)
    try:
        threaded = run(step, first)
    finally:
        threads.reset(token)
    assert same(made, threaded), "three threads gave other pixels"
    main = step.results[0]
    assert json.dumps(dict(threaded[main].record)) == json.dumps(dict(made[main].record))


@every_step
def test_what_was_decided_can_be_given_back(step: Step) -> None:
    """A recorded value named like a parameter is one, and with it the step gives the same pixels."""
    for first, made in accepted(step.name)[:1]:
        record = json.loads(json.dumps(dict(made[step.results[0]].record)))
        decided = {k: v for k, v in record.items() if k in step.abouts and v is not None}
        step.check({**step.examples, **decided})
        again = run(step, first, **decided)
        for name, image in made.items():
            assert np.array_equal(image.planes, again[name].planes, equal_nan=True), f"{name} differs with {decided}"


@every_step
def test_arrays_in_arrays_out(step: Step) -> None:
    first, made = accepted(step.name)[0]
    given = {k: i.planes for k, i in images_for(step, first, optional=False).items()}
    options = {"pattern": "RGGB"} if "pattern" in step.abouts else {}
    got = step.call(**given, coverage=first.coverage, fwhm=2.8, scale=first.scale, **{**step.examples, **options})
    assert isinstance(got, tuple) == (len(step.results) > 1)
    for array, image in zip(got if isinstance(got, tuple) else [got], made.values(), strict=True):
        assert isinstance(array, np.ndarray)
        assert (array.dtype, array.ndim) == (np.float32, 3)
        assert step.resizes or array.shape == image.planes.shape


@pytest.mark.parametrize("lay", [np.asfortranarray, lambda a: a[..., ::-1], lambda a: np.repeat(a, 2, -1)[..., ::2]])
def test_an_image_lies_in_memory_row_by_row(lay: Callable[[Any], Any]) -> None:
    """However the arrays did that it is made of: sums of pixels in another order have other bits."""
    planes, coverage = (lay(np.random.default_rng(0).random(shape, np.float32)) for shape in ((3, 40, 50), (40, 50)))
    for image in (Image(planes, ("red", "green", "blue"), coverage=coverage), Image.from_array(planes, coverage=coverage)):
        for array, given in ((image.planes, planes), (image.coverage, coverage)):
            assert array is not None
            assert array.flags.c_contiguous
            assert np.array_equal(array, given)


@every_step
def test_an_array_beside_an_image_is_what_that_is(step: Step) -> None:
    """Stretched where the image is, and the same as the image it was taken from."""
    for first, made in accepted(step.name):
        if len(step.images) == 1 or first.content == "mask":
            continue
        given = {k: v if v is first else Image(v.planes, v.channels, first.scale) for k, v in images_for(step, first).items()}
        arrays = {k: v if v is first else v.planes for k, v in given.items()}
        made = results(step, step.call(**arrays, **step.examples))
        for name, image in results(step, step.call(**given, **step.examples)).items():
            assert np.array_equal(image.planes, made[name].planes, equal_nan=True), f"{name} of {first.scale} {first.content}"


@pytest.mark.parametrize(
    ("given", "words"),
    [
        ("stack.fits", r"found 'stack\.fits'; read a file first, by nebulakit\.read\(FILE\)$"),
        (Path("stack.fits"), r"Path\('stack\.fits'\); read a file first, by nebulakit\.read\(FILE\)$"),
        ([[1, "a"]], r"found \[\[1, 'a'\]\]$"),
        ({}, r"expected an array of numbers .*, found \{\}$"),
    ],
)
def test_what_is_no_array_is_refused_in_words(given: Any, words: str) -> None:
    with pytest.raises(StepError, match=words):
        nebulakit.steps.bin(given)


def test_all_results_of_a_step_given_to_the_next_are_refused_with_their_names() -> None:
    both = nebulakit.steps.remove_gradient(Image.from_array(np.ones((8, 8))))
    with pytest.raises(
        StepError, match=r"found Flattened, the results image, model of a step; give one of them, such as \.image$"
    ):
        nebulakit.steps.bin(both)


def test_too_few_values_are_counted_in_plain_words() -> None:
    with pytest.raises(StepError) as caught:
        nebulakit.steps.mix_channels(np.zeros((3, 4, 5)), matrix=[[1, 2], [3, 4, 5]])
    assert str(caught.value) == "mix_channels: matrix.0: value 3 is missing; matrix: value 3 is missing"
    with pytest.raises(StepError, match=r"^crop: box: value 2 is missing; "):
        nebulakit.steps.crop(np.zeros((4, 5)), box=[["10%", "10%"]])


@every_step
def test_an_array_without_a_pixel_is_refused_in_words(step: Step) -> None:
    with pytest.raises(StepError, match="there is no pixel"):
        step.call(**{name: np.zeros((3, 0, 5)) for name in step.images}, **step.examples)


@every_step
def test_facts_that_are_not_known_are_measured(step: Step) -> None:
    """A layer with nothing but pixels is worked on, or refused in words."""
    first, _ = accepted(step.name)[0]
    bare = {k: Image(i.planes, i.channels, i.scale, i.content) for k, i in images_for(step, first, optional=False).items()}
    told(lambda: step.call(**bare, **step.examples))  # anything but a refusal in words comes through


# -- what it refuses ----------------------------------------------------------------------------------------------------


@every_step
def test_the_wrong_scale_or_channels_are_refused(step: Step) -> None:
    first, _ = accepted(step.name)[0]
    if step.reads != "any":
        wrong = frozen(first.replace(scale="display" if step.reads == "linear" else "linear"))
        with pytest.raises(StepError, match="linear data" if step.reads == "linear" else "stretched data"):
            step.call(**{**images_for(step, first), step.first: wrong}, **step.examples)
    if step.takes != "any":
        wrong = line("ha") if step.takes == "rgb" else stack()
        wrong = frozen(wrong.replace(scale=first.scale))
        with pytest.raises(StepError, match=r"red, green and blue|single plane"):
            step.call(**{**images_for(step, first), step.first: wrong}, **step.examples)


@every_step
@pytest.mark.parametrize("odd", ["nothing", "even", "zero", "tiny", "dot"])
def test_odd_pictures_are_worked_on_or_refused_in_words(step: Step, odd: str) -> None:
    """All NaN, all one value, all zero, 5x7, 1x1: a result or a sentence, never a crash or a warning."""
    first, _ = accepted(step.name)[0]

    def made_odd(image: Image) -> Image:
        shape = {"tiny": (5, 7), "dot": (1, 1)}.get(odd, (48, 64))
        value = {"nothing": np.nan, "zero": 0.0}.get(odd, 0.25)
        planes = np.full((len(image.channels), *shape), value, np.float32)
        if odd == "tiny":
            planes += np.linspace(0, 0.01, planes.size, dtype=np.float32).reshape(planes.shape)
        return Image(
            planes, image.channels, image.scale, image.content, header=image.header if image.channels == ("mosaic",) else None
        )

    given = {k: made_odd(i) for k, i in images_for(step, first).items()}
    made: dict[str, Any] = {}
    if told(lambda: made.update(results(step, step.call(**given, **step.examples)))) is None:
        for name, image in made.items():
            assert not np.isinf(image.planes).any(), name
            assert odd != "nothing" or step.resizes or image.content == "mask" or np.isnan(image.planes).all(), name


@every_step
@pytest.mark.parametrize("odd", ["even", "nothing", "hot"])
def test_a_channel_without_light_is_worked_on_or_refused_in_words(step: Step, odd: str) -> None:
    """Green holds one value or nothing beside two channels as ever; or all hold one value but for a hot pixel."""
    for first, _ in accepted(step.name):
        if not first.is_rgb or step.resizes:
            continue
        planes = tinted(first, first.content).planes[:, 20:80, 110:190].copy()
        if odd == "hot":
            planes[:] = 0.1
            planes[:, 30, 40] = 1
        else:
            planes[1] = 0.1 if odd == "even" else np.nan
        image = Image(planes, first.channels, first.scale, first.content)
        given = {name: image for name, required in step.images.items() if required}
        told(lambda given=given: step.call(**given, **step.examples))  # anything but a refusal in words comes through


@every_step
def test_its_page_can_be_drawn(step: Step) -> None:
    recipe = loads("version: 1\nsteps:\n  - bin: {}\noutputs:\n  - {layer: last, file: a.fits}\n")
    for first, made in accepted(step.name):
        images = images_for(step, first)
        reads = {n: Ref(-1, n) for n in images}
        call = Call(0, step.name, step.name, step.check(step.examples), reads)
        layers = {reads[n]: i for n, i in images.items()} | {Ref(0, r): i for r, i in made.items()}
        main = next(iter(made.values()))
        collected = Collector(recipe)
        collected.after(StepRun(call, "computed", main.record, main.notices, 0.1, None), layers)
        (page,) = collected.steps
        assert page.whole is not None
        assert page.numbers
        assert page.pictures() <= set(collected.pictures)
        told = json.dumps([page.numbers, page.decided]) + "".join(d.svg for d in page.drawings)
        assert not re.search(r"\b(nan|inf)\b", told), "a figure is no number"
        assert len(render(title=step.name, steps=collected.steps, pictures=collected.pictures)) > 10_000


@every_step
def test_an_unknown_parameter_is_refused_with_the_nearest(step: Step) -> None:
    first, _ = accepted(step.name)[0]
    for name in step.abouts:
        wrong = name + "e" if not name.endswith("e") else name[:-1]
        if wrong in step.abouts or wrong in step.images or wrong in BESIDE:
            continue
        with pytest.raises(StepError, match=wrong):
            step.call(**images_for(step, first), **{**step.examples, wrong: 1})
        with pytest.raises(RecipeError, match=f"unknown parameter '{wrong}'; did you mean '"):
            loads(f"version: 1\nsteps:\n  - {step.name}: {{{wrong}: 1}}\noutputs:\n  - {{layer: last, file: a.tif}}\n")


def forms(value: Any, number: float, percent: float) -> Iterator[Any]:
    """Give ``number`` in every form a parameter may have, those like ``value`` first; ``percent`` is it in %."""
    if isinstance(value, list) and value:
        for inner in forms(value[0], number, percent):
            yield [inner, *value[1:]]
    unit = re.fullmatch(r"\S+ (\w+)", value) if isinstance(value, str) else None
    if unit:
        yield f"{number!r} {unit[1]}"
    yield number
    if float(number).is_integer():
        yield int(number)
    yield from (f"{number!r} {u}" for u in ("fwhm", "px", "sigma", "deg"))
    yield f"{percent!r}%"
    for n, m in itertools.product((1, 2, 3, 4), (0, 2, 3)):
        yield [[number] * m] * n if m else [number] * n


def takes(step: Step, name: str, value: Any) -> bool:
    try:
        step.check({**step.examples, name: value})
    except ValueError:
        return False
    return True


@every_step
def test_bounds_are_kept(step: Step) -> None:
    """Just inside a bound is taken, just outside is refused, in every form the parameter may have."""
    for name, about in step.abouts.items():
        default = canonical(step.check(step.examples))[name]
        low, high = about.low, about.high
        if low is None and high is None:
            continue
        assert low is None or high is None or low < high, name
        percent = 100.0 if high is not None and high <= 10 else 1.0
        span = (high - low) if low is not None and high is not None else max(1.0, abs(low if low is not None else high or 1.0))
        inside = [b for b in (low, high) if b is not None]
        for bound in inside:
            outward = -1.0 if bound == low else 1.0
            good = [i for i, v in enumerate(forms(default, float(bound), float(bound) * percent)) if takes(step, name, v)]
            assert good, f"{name}: its own bound {bound} is refused in every form"
            for beyond in (bound + outward * 1e-3 * span, bound + outward, bound + outward * 10 * span):
                outside = list(forms(default, float(beyond), float(beyond) * percent))
                for i, value in enumerate(outside):
                    assert not takes(step, name, value), f"{name}: {value} is taken, though it must be {about.range()} (form {i})"


@pytest.mark.parametrize("step", [pytest.param(s, id=s.name) for s in STEPS.values() if s.reads == "display"])
def test_stretched_pictures_stay_in_range_at_the_ends_of_every_parameters(step: Step) -> None:
    """Or the value is refused in words; and nothing is lost where there was light."""
    first, _ = accepted(step.name)[0]
    given, gap = images_for(step, first), np.isnan(first.planes).any(0)
    for name, about in step.abouts.items():
        default = canonical(step.check(step.examples))[name]
        percent = 100.0 if about.high is not None and about.high <= 10 else 1.0
        for bound in (about.low, about.high):
            good = [] if bound is None else [v for v in forms(default, float(bound), bound * percent) if takes(step, name, v)]
            for value in good[:1]:
                made: dict[str, Any] = {}
                told(lambda v=value, n=name, m=made: m.update(results(step, step.call(**given, **{**step.examples, n: v}))))
                for result, image in made.items():
                    light = image.planes[:, ~gap]
                    assert (light >= -1e-6).all(), f"{result} with {name}: {value}"
                    assert (light <= 1 + 1e-6).all(), f"{result} with {name}: {value}"


# -- how it is declared -------------------------------------------------------------------------------------------------


@every_step
def test_it_tells_what_it_does(step: Step) -> None:
    text = step.call.__doc__ or ""
    summary = text.strip().split("\n")[0]
    assert summary.endswith("."), summary
    assert 15 < len(summary) <= 130, summary
    assert ">>>" in text, "no example"
    assert step.summary == summary
    for name, about in step.abouts.items():
        assert len(about.text) > 10, name
        for when in (about.raise_when, about.lower_when):
            assert not when or ((when[0].islower() or when[0] in "[H0123456789") and not when.endswith(".")), (name, when)


@every_step
def test_names_do_not_coincide(step: Step) -> None:
    assert not set(step.images) & set(step.abouts)
    assert not (set(step.images) | set(step.abouts)) & set(BESIDE) - {"mask"}, "a name that has a meaning beside every step"
    assert "mask" not in step.abouts
    for name in (step.name, *step.images, *step.abouts, *step.results):
        assert re.fullmatch(r"[a-z][a-z0-9_]*", name), name


@every_step
def test_defaults_are_values_like_others(step: Step) -> None:
    typed = step.check(step.examples)
    assert step.check(canonical(typed)) == typed
    json.dumps(canonical(typed), allow_nan=False)


@pytest.mark.parametrize(
    ("name", "given", "told"),
    [
        ("stretch_midtone", {"white": 1e300}, "1e+300 is larger than any length, level or share"),
        ("remove_gradient", {"reach": 10**400}, "is not a finite number"),
        ("remove_gradient", {"order": b"x"}, "b'x' is not a value a parameter can have"),
    ],
)
def test_values_that_nothing_can_be_reckoned_with_are_refused(name: str, given: dict[str, Any], told: str) -> None:
    """They ended in errors of arithmetic."""
    with pytest.raises(StepError, match=re.escape(told)):
        STEPS[name].call(np.ones((3, 40, 40), np.float32), **given)


@pytest.mark.parametrize("name", [n for n, s in STEPS.items() if s.reads == "display"])
def test_a_stretched_picture_is_grey_or_in_colour(name: str) -> None:
    """Two or four planes ended in an error of zip."""
    with pytest.raises(StepError, match="channels"):
        STEPS[name].call(
            **dict.fromkeys([i for i, needed in STEPS[name].images.items() if needed], np.ones((4, 40, 40), np.float32))
        )
