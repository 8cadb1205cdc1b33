"""Colours of stars, those with a cut-off core among them."""

from __future__ import annotations

import numpy as np
import pytest

from nebulakit.pixels import starcolour
from nebulakit.pixels.facts import StarList


def moffat(size: int, x: float, y: float, fwhm: float, beta: float) -> np.ndarray:
    """A star of light 1; for beta > 1 the law sums to pi a^2 / (beta - 1)."""
    rows, columns = np.mgrid[:size, :size]
    a = fwhm / (2 * np.sqrt(2 ** (1 / beta) - 1))
    return (1 + ((rows - y) ** 2 + (columns - x) ** 2) / a**2) ** -beta * (beta - 1) / (np.pi * a**2)


def field(widths: tuple[float, float, float], beta: float, seed: int) -> tuple[np.ndarray, StarList, np.ndarray]:
    """Forty whole stars and five whose core is cut off at 1, of random colours, in channels of different width."""
    size, random = 360, np.random.default_rng(seed)
    columns, rows = (v.ravel()[:45] for v in np.meshgrid(np.arange(25, 350, 50), np.arange(25, 350, 50)))
    x, y = columns + random.uniform(-3, 3, 45), rows + random.uniform(-3, 3, 45)
    light = np.concatenate([random.uniform(2, 8, 40), random.uniform(100, 300, 5)])
    colours = np.exp(random.normal(0, 0.2, (45, 1)) * [0.5, 0.0, -0.5])
    planes = np.zeros((3, size, size), np.float32)
    for c in range(3):
        for i in range(45):
            planes[c] += light[i] * colours[i, c] * moffat(size, x[i], y[i], 3 * widths[c], beta)
    planes = np.minimum(planes + random.normal(0, 1e-4, planes.shape), 1).astype(np.float32)
    flux = light * colours.sum(1)
    return planes, StarList(x, y, flux, flux / 10, np.full(45, 24.0), light > 50), colours


@pytest.mark.parametrize(("widths", "beta"), [((1.0, 1.1, 1.0), 4.5), ((0.95, 1.0, 1.12), 3.0), ((1.0, 1.0, 1.0), 3.2)])
def test_a_cut_off_star_has_its_own_colour_and_not_that_of_the_widest_channel(widths, beta) -> None:
    """Beside whole stars, of which the same is asked: 1 % is what their aperture gives; the neighbours give the rest."""
    planes, stars, colours = field(widths, beta, 3)
    fluxes, whole = starcolour.star_fluxes(planes, stars, 3.0, (1.0, 1.0, 1.0))
    assert np.array_equal(whole, ~stars.saturated)
    off = np.log(fluxes / colours)
    off -= off.mean(1, keepdims=True)
    off -= np.median(off[whole], axis=0)
    assert np.abs(off[whole]).max() < 0.01
    assert np.abs(off[~whole]).max() < 0.03


def test_with_too_few_whole_stars_the_ring_is_taken_as_it_is() -> None:
    planes, stars, _ = field((1.0, 1.1, 1.0), 4.5, 3)
    few = np.r_[:4, 40:45]
    left = StarList(*(getattr(stars, name)[few] for name in ("x", "y", "flux", "peak", "radius", "saturated")))
    fluxes, _ = starcolour.star_fluxes(planes, left, 3.0, (1.0, 1.0, 1.0))
    assert np.isfinite(fluxes).all()
    assert (fluxes[4:, 1] > 1.2 * fluxes[4:, 0]).all()


def test_a_cut_off_star_far_outside_of_a_small_frame_has_no_light() -> None:
    """What lies left of the frame was counted from its right edge."""
    planes = np.random.default_rng(0).uniform(0, 1, (3, 8, 12)).astype(np.float32)
    for x, y in ((-20.0, 4.0), (40.0, 4.0), (5.0, -30.0), (5.0, 50.0), (-20.0, -20.0)):
        stars = StarList(np.array([x]), np.array([y]), *np.ones((3, 1)), np.ones(1, bool))
        fluxes, whole = starcolour.star_fluxes(planes, stars, 3.0, None)
        assert not fluxes.any()
        assert not whole.any()


def test_rims_are_evened_alike_whatever_the_values_are_multiplied_by() -> None:
    """By powers of two, which change no digit; 2^-31 leaves the noise at 5e-14."""
    planes, stars, _ = field((1.0, 1.1, 1.0), 4.5, 3)

    def evened(power: int) -> np.ndarray:
        scaled = np.ldexp(planes, power)
        fluxes, _ = starcolour.star_fluxes(scaled, stars, 3.0, (2.0**power,) * 3)
        return np.ldexp(starcolour.apply_balance(scaled, np.eye(3), stars, fluxes, 3.0), -power)

    assert np.array_equal(evened(0), evened(-31))
    assert np.array_equal(evened(0), evened(31))
