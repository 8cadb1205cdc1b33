"""Steps of the sky along the edges of nights are found, measured and followed; where there are none, nothing is changed."""

import math

import cv2
import numpy as np
import pytest

from nebulakit import steps
from nebulakit.demo import make_scene
from nebulakit.image import Image
from nebulakit.pixels.glow.seams import decide_seams, find_zones, surface

SHAPE = (400, 560)
FRAMES = 700


def night(middle: float, seed: int) -> np.ndarray:
    """Count the frames of a night whose field is turned by ``middle`` degrees, turns 2 more, and is dithered."""
    h, w = SHAPE
    rng = np.random.default_rng(seed)
    count = np.zeros(SHAPE, np.float32)
    for turn in np.deg2rad(np.linspace(middle - 1, middle + 1, 24)):
        cx, cy = np.array([w - 1, h - 1]) / 2 + rng.normal(0, 0.006 * h, 2)
        c, s = math.cos(turn), math.sin(turn)
        corners = [(a * w / 2, b * 0.42 * h) for a, b in ((-1, -1), (1, -1), (1, 1), (-1, 1))]
        frame = np.zeros(SHAPE, np.uint8)
        cv2.fillConvexPoly(frame, np.array([[round(cx + c * a - s * b), round(cy + s * a + c * b)] for a, b in corners]), 1)
        count += frame
    return count / 24 * FRAMES


FIRST, SECOND = night(-35, 1), night(35, 2)
COVERAGE = FIRST + SECOND


def two_nights(kind: str, seed: int, brighter: float):
    """Give a stack of two nights, the second's sky brighter by so many sigma of the whole stack, and the step in its mean, in sigma."""
    scene = make_scene(seed, SHAPE, kind, rotation=0.1, frames=2 * FRAMES)
    sigma = np.median(scene.sigma.reshape(3, -1), 1)
    part = np.where(COVERAGE > 0, SECOND / np.maximum(COVERAGE, 1), 0) * brighter * np.array([1, 0.7, 0.8])[:, None, None]
    noise = (scene.stack - scene.clean) * np.sqrt(2 * FRAMES / np.maximum(COVERAGE, 1))
    planes = np.where(COVERAGE > 0, scene.clean + noise + part * sigma[:, None, None], np.nan).astype(np.float32)
    return planes, sigma, part


def test_zones_lie_between_the_jumps_of_coverage() -> None:
    zones = find_zones(COVERAGE)
    assert zones is not None
    assert sorted(np.round(zones.coverage / FRAMES).tolist()) == [1, 1, 1, 1, 2]
    assert find_zones(night(0, 3)) is None  # one night, one zone


@pytest.mark.parametrize(("kind", "seed"), [("none", 4), ("bubble", 3), ("cove", 5)])
def test_a_step_is_measured_and_followed(kind, seed) -> None:
    planes, sigma, part = two_nights(kind, seed, 8.0)
    found = decide_seams(planes, sigma, COVERAGE, np.isnan(planes).any(0))
    assert found is not None
    for edge in found.edges:
        a, b = edge["zones"]
        true = [np.median(p[found.zones.label == b]) - np.median(p[found.zones.label == a]) for p in part]
        # three of the errors that are told beside the step, and half a sigma for what two nights' dithers blur
        assert (np.abs(np.subtract(edge["step_sigma"], true)) < 3 * np.array(edge["error_sigma"]) + 0.5).all()
    there = COVERAGE > 0
    left = (surface(found, COVERAGE) / sigma[:, None, None].astype(np.float32) - part)[:, there]
    assert (left.std(1) < 0.35 * part[:, there].std(1)).all()


@pytest.mark.parametrize("kind", ["none", "bubble", "cove", "veil"])
def test_two_nights_under_one_sky_have_no_seams(kind) -> None:
    planes, sigma, _ = two_nights(kind, 9, 0.0)
    assert decide_seams(planes, sigma, COVERAGE, np.isnan(planes).any(0)) is None


def test_remove_gradient_follows_them_and_says_so() -> None:
    planes, sigma, part = two_nights("bubble", 3, 8.0)
    image = Image.from_array(planes, coverage=COVERAGE)
    flat, model = steps.remove_gradient(image)
    assert "seams-followed" in {n.id for n in flat.notices}
    assert len(flat.record["seam_levels_sigma"]) == 3
    assert np.nanmax(np.abs(flat.planes + model.planes - planes)) < 1e-6
    there = COVERAGE > 0
    true = make_scene(3, SHAPE, "bubble", rotation=0.1, frames=2 * FRAMES).sky / sigma[:, None, None] + part
    wrong = [
        np.std((m.planes / sigma[:, None, None].astype(np.float32) - true)[:, there], axis=1)
        for m in (model, steps.remove_gradient(image, seams="off").model)
    ]
    assert (wrong[0] < 0.5 * wrong[1]).all()


def test_without_a_map_or_without_steps_not_a_bit_changes() -> None:
    scene = make_scene(9, (160, 200), "bubble")
    for coverage in (None, scene.coverage):
        image = Image.from_array(np.where(scene.coverage > 0, scene.stack, np.nan), coverage=coverage)
        with_seams, without = (steps.remove_gradient(image, seams=s)[0] for s in ("auto", "off"))
        assert np.array_equal(with_seams.planes, without.planes, equal_nan=True)
