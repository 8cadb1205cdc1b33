"""The nebula and the sky around bright stars: what tells a star's wings from both."""

from types import SimpleNamespace

import numpy as np
import pytest
from scipy.ndimage import gaussian_filter

from nebulakit.pixels.stars import rings
from nebulakit.pixels.stars.law import PAD

LINES = np.array([[40.0, 1.5], [2.5, 33.0], [0.9, 26.0]])  # what red, green and blue answer to H-alpha and [O III], in noises


def seen(light: np.ndarray, seed: int = 3) -> SimpleNamespace:
    """Give what a fit knows of a picture (channel, y, x) of unit noise, a tenth of it hidden by small stars."""
    random = np.random.default_rng(seed)
    rest = np.pad(light + random.normal(size=light.shape), ((0, 0), (PAD, PAD), (PAD, PAD)), mode="reflect").astype(np.float32)
    hidden = gaussian_filter(random.normal(size=rest.shape[1:]), 4) > 0.045  # a standard deviation is 0.035
    return SimpleNamespace(
        rest=rest,
        hidden=np.broadcast_to(hidden, rest.shape),
        cores=np.zeros(rest.shape, bool),
        doubt=np.zeros(rest.shape, np.float16),
    )


def nebula(shape: tuple[int, int] = (500, 600), seed: int = 1) -> np.ndarray:
    """Give the light of two lines, uneven on the scale of stars' surroundings."""
    random = np.random.default_rng(seed)
    lines = np.stack([gaussian_filter(random.normal(size=shape), 12) * 42 for _ in range(2)])
    return np.tensordot(LINES, 0.1 * lines, 1)


def glow(shape: tuple[int, int] = (500, 600)) -> np.ndarray:
    """Give a skyglow of hundreds of noises whose channels differ in shape."""
    y, x = np.meshgrid(np.linspace(-1, 1, shape[0]), np.linspace(-1, 1, shape[1]), indexing="ij")
    return np.stack([300 * x + 60 * y * y, 200 * x + 40 * y, 180 * x - 50 * x * x])


@pytest.mark.parametrize("sky", [0.0, 1.0])
def test_the_nebula_does_not_shine_in_the_first_mixture(sky):
    """Two lines in three channels leave one mixture without nebula; a glow's own colour must not turn it."""
    ground = rings.ground_of(seen(nebula() + sky * glow()))
    first = rings.mixtures_of(ground)[0]
    left = np.abs(first @ LINES) / np.linalg.norm(LINES, axis=0)
    # some 500 patches whose means differ by 1.5 and more noises tell the direction to 0.1/sqrt(500)/1.5, the glow's
    # third order, which is not in it, adds as much; a glow that counts turns it by 0.1
    assert left.max() < 0.01


def test_the_glow_is_taken_off_the_ground_and_looked_up_around_a_star():
    fit = seen(glow())
    ground = rings.ground_of(fit)
    told = ground.known > 8
    assert np.abs(ground.value[:, told] / ground.known[told]).std() < 0.5  # noise of 8-16 pixels, where hundreds were
    fit.x, fit.y = np.full((3, 2), [[300.0 + PAD, 590.0 + PAD]]), np.full((3, 2), 250.0 + PAD)
    radii = np.array([5.0, 40.0, 80.0])
    middle, edge = (rings._glow_around(fit, ground, star, radii) for star in (0, 1))
    # the mean over a ring of x^2 (on [-1, 1] over 599 px) is that of its middle and half of the radius squared
    curved = -50 * (radii / 299.5) ** 2 / 2
    assert middle[2] - middle[2, 0] == pytest.approx(curved - curved[0], abs=0.1)  # what noise leaves to 15 terms
    assert np.ptp(edge[1]) < 0.3  # a slope of hundreds of noises is none where opposite sides are taken together


def test_how_uneven_the_nebula_is_around_a_star_is_told_mixture_by_mixture():
    cover, count = np.eye(12), 6
    left = np.concatenate([np.zeros(count), np.full(count, 3.0)])  # smoother in one mixture, three times as uneven in the other
    smooth, rough = rings.uneven_here(np.ones(12), left, cover, 2).reshape(2, count)
    assert smooth == pytest.approx(1)
    assert rough == pytest.approx((rings.PATIENCE + count * 9) / (rings.PATIENCE + count - 1))
