"""One factor for all channels of a pixel: undone and done again."""

import math

import numpy as np
import pytest

from nebulakit.pixels import colour
from nebulakit.pixels.stars.factor import Factor, Kind
from nebulakit.pixels.stars.unbend import Curve

KINDS = [Kind(of, encoded) for of in ("mean", "luma", "most") for encoded in (False, True)]


def stretched(light, kind, zero):
    """Light under one factor: a root of its brightness above zero."""
    one = kind.one(light)
    shown = light * (np.sqrt(one / 1000) / one) * 0.8 + zero
    return colour.encode(shown) if kind.encoded else shown


@pytest.mark.parametrize("kind", KINDS, ids=lambda kind: kind.name)
def test_light_comes_back_with_its_hues(kind):
    rng = np.random.default_rng(1)
    light = rng.uniform(1, 300, (3, 40, 50)).astype(np.float32)
    zero = 0.05
    shown = stretched(light, kind, zero).astype(np.float32)
    level = np.linspace(colour.encode1(zero) if kind.encoded else zero, float(shown.max()), 4000)
    bare = np.array([colour.decode1(v) for v in level.tolist()]) if kind.encoded else level
    curve = Curve(level, 1000 * ((bare - zero) / 0.8) ** 2 + 7)
    way = Factor.of(kind, curve, float(level[0]), [math.inf] * 3, math.inf)
    assert way.curve.light[0] == 0
    # the curve is a table: between two of its levels a parabola is a line
    assert np.abs(way.lit(shown)[0] / light - 1).max() < 2e-3
    assert np.abs(way.to_level(way.lit(shown)[0]) - shown).max() < 1e-5


def test_brightness():
    planes = np.array([0.2, 0.4, 0.6], np.float32).reshape(3, 1, 1)
    assert Kind("mean").brightness(planes)[0, 0] == pytest.approx(0.4)
    assert Kind("most", True).brightness(planes)[0, 0] == pytest.approx(0.6)
    assert Kind("luma").brightness(planes[:1])[0, 0] == pytest.approx(0.2)
    light = colour.decode(planes)
    assert Kind("mean", True).brightness(planes)[0, 0] == pytest.approx(float(colour.encode(light.mean(0))[0, 0]))
