"""The largest rectangle: against every rectangle there is."""

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from hypothesis.extra.numpy import arrays

from nebulakit.errors import StepError
from nebulakit.pixels.cropping import decide_crop
from nebulakit.pixels.rectangle import Box, fit, largest_rectangle, widened

masks = arrays(np.bool_, st.tuples(st.integers(1, 8), st.integers(1, 8)))


def every_box(ok):
    rows, cols = ok.shape
    for y0 in range(rows):
        for y1 in range(y0 + 1, rows + 1):
            for x0 in range(cols):
                for x1 in range(x0 + 1, cols + 1):
                    if ok[y0:y1, x0:x1].all():
                        yield Box(y0, x0, y1 - y0, x1 - x0)


@settings(max_examples=150)
@given(masks)
def test_free_rectangle_is_the_largest(ok):
    found = largest_rectangle(ok)
    best = max((box.area for box in every_box(ok)), default=0)
    assert (found.area if found else 0) == best
    assert found is None or found.cut(ok).all()


@settings(max_examples=150)
@given(masks, st.sampled_from([0.5, 1.0, 1.5, 16 / 9]))
def test_rectangle_of_an_aspect_is_the_largest(ok, aspect):
    found = largest_rectangle(ok, aspect)
    best = max((int(np.prod(fit(b.height, b.width, aspect))) for b in every_box(ok)), default=0)
    assert (found.area if found else 0) == best
    if found:
        assert found.cut(ok).all()
        assert found.cut(ok).shape == (found.height, found.width)


@settings(max_examples=150)
@given(masks, st.data())
def test_centred_rectangle_is_the_largest(ok, data):
    x, y = data.draw(st.integers(0, ok.shape[1] - 1)), data.draw(st.integers(0, ok.shape[0] - 1))
    found = largest_rectangle(ok, None, (x, y))
    about = [b for b in every_box(ok) if 2 * b.y0 + b.height - 1 == 2 * y and 2 * b.x0 + b.width - 1 == 2 * x]
    assert (found.area if found else 0) == max((b.area for b in about), default=0)


def test_centred_rectangle_of_an_aspect_stays_inside_and_centred():
    ok = np.zeros((101, 201), bool)
    ok[10:90, 20:190] = True
    found = largest_rectangle(ok, 1.5, (100, 50))
    assert found is not None
    assert found.cut(ok).all()
    assert (found.y0 + found.height // 2, found.x0 + found.width // 2) == (50, 100)
    # 79 rows about row 50 and a width of 3:2 of that, both odd
    assert found.height == pytest.approx(79, abs=1)
    assert found.width == pytest.approx(119, abs=2)


@pytest.mark.parametrize("aspect", [0.01, 20, 1000])
def test_a_centred_rectangle_too_narrow_for_a_pixel_is_none(aspect):
    assert largest_rectangle(np.ones((40, 5), bool), aspect, (2, 20)) is None


def test_nothing_there():
    assert largest_rectangle(np.zeros((5, 6), bool)) is None
    assert largest_rectangle(np.zeros((5, 6), bool), 1.5, (2, 2)) is None


@settings(max_examples=150)
@given(masks, st.integers(0, 4))
def test_a_rim_is_as_wide_as_it_can_be_and_even(ok, rim):
    box = largest_rectangle(ok)
    if box is None:
        return
    wide = widened(box, rim, ok)
    assert wide.cut(ok).all()
    rows, cols = ok.shape
    grown = [box.y0 - wide.y0, box.x0 - wide.x0]
    grown += [wide.y0 + wide.height - box.y0 - box.height, wide.x0 + wide.width - box.x0 - box.width]
    assert set(grown) <= set(range(rim + 1))
    # no side could go on
    y, x, h, w = wide
    lines = [
        ok[y - 1 : y, x : x + w],
        ok[y : y + h, x - 1 : x],
        ok[y + h : y + h + 1, x : x + w],
        ok[y : y + h, x + w : x + w + 1],
    ]
    ends = [y == 0, x == 0, y + h == rows, x + w == cols]
    for grew, line, end in zip(grown, lines, ends, strict=True):
        assert grew == rim or end or not line.all()


def test_no_side_of_a_rim_takes_the_corners_from_the_others():
    y, x = np.mgrid[:100, :100]
    ok = np.abs(y - 49.5) + np.abs(x - 49.5) < 70  # corners cut off
    wide = widened(Box(25, 25, 50, 50), 20, ok)
    assert wide == Box(15, 15, 70, 70)


@pytest.mark.parametrize("centre", [None, (40.0, 30.0)])
def test_where_a_shape_fits_nowhere_the_shape_is_named(centre):
    """It said that nothing was covered, of a stack that is all over."""
    planes = np.random.default_rng(0).normal(0, 1, (1, 60, 80)).astype(np.float32)
    with pytest.raises(StepError, match="1000 times as wide as high"):
        decide_crop(planes, np.ones((60, 80), np.float32), keep=0.85, aspect=1000.0, centre=centre)
