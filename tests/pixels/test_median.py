"""The median is numpy's, to the last bit."""

import numpy as np
import pytest

from nebulakit.pixels.median import lower_quarter, median


@pytest.mark.parametrize("dtype", [np.float32, np.float64, np.int64])
@pytest.mark.parametrize("shape", [(1,), (2,), (7, 5), (6, 4), (301, 250), (3, 2, 8)])
def test_it_is_that_of_numpy(dtype: type, shape: tuple[int, ...]) -> None:
    rng = np.random.default_rng(1)
    values = (rng.normal(0, 30, shape)).astype(dtype)
    values.flat[:: max(1, values.size // 7)] = 3  # several alike
    for axis in (None, *range(-1, len(shape))):
        expected = np.median(values, axis=axis)
        found = median(values, axis=axis)
        assert np.asarray(found).dtype == expected.dtype
        assert np.array_equal(found, expected)


def test_where_a_value_is_missing_it_is_too() -> None:
    values = np.random.default_rng(2).normal(size=(9, 40)).astype(np.float32)
    values[2, 7] = values[5, 0] = np.nan
    assert np.array_equal(median(values, axis=1), np.median(values, axis=1), equal_nan=True)
    assert np.isnan(median(values))
    values[np.isnan(values)] = -np.inf
    assert np.array_equal(median(values, axis=1), np.median(values, axis=1))


@pytest.mark.parametrize("dtype", [np.float32, np.float64])
def test_the_lower_quarter_is_that_of_numpy(dtype: type) -> None:
    for n in (1, 2, 3, 4, 5, 6, 7, 100, 99_999):
        rows = np.random.default_rng(n).normal(0, 30, (4, n)).astype(dtype)
        rows[1, ::3] = 2  # several alike
        rows[2, n // 2] = np.nan
        found = lower_quarter(rows)
        assert found.dtype == rows.dtype
        assert np.array_equal(found, np.percentile(rows, 25, axis=1), equal_nan=True)


def test_values_stay_as_they_are() -> None:
    values = np.array([3.0, 1.0, 2.0])
    median(values)
    assert values.tolist() == [3.0, 1.0, 2.0]
