"""Noise: as large as it is, under stars and nebula, correlated or not, evenly covered or not."""

from __future__ import annotations

import functools

import cv2
import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from nebulakit.demo import Scene, make_scene
from nebulakit.pixels import noise_model, starlet
from nebulakit.pixels.noise import fine_noise, fine_share, measure_noise, quiet_scales
from nebulakit.pixels.parallel import threads

BILINEAR = np.array([0.2113, 0.7887])  # as resampling at random shifts leaves noise correlated
DEMOSAICED = np.array([0.25, 0.5, 0.25])


def white(*shape: int, seed: int = 1) -> np.ndarray:
    return np.random.default_rng(seed).standard_normal(shape).astype(np.float32)


def filtered(planes: np.ndarray, taps: np.ndarray) -> np.ndarray:
    return np.stack([cv2.sepFilter2D(p, -1, taps, taps) for p in planes])


@pytest.mark.parametrize("taps", [np.ones(1), BILINEAR, np.array([0.5, 0.5]), DEMOSAICED, noise_model.kernel(0.9)])
def test_pure_noise_is_found_to_two_percent_and_so_are_its_scales(taps: np.ndarray) -> None:
    planes = filtered(white(3, 400, 500), taps)
    found = measure_noise(planes)
    for plane, sigma, scales in zip(planes, found.sigma, found.scales, strict=True):
        assert sigma == pytest.approx(float(plane.std()), rel=0.02)
        true = [float(w.std()) for w in starlet.transform(plane, 4)[0]]
        np.testing.assert_allclose(scales[:4], true, rtol=0.06)  # the fourth scale holds some 400 independent values
    assert found.map is None


def interpolated(shape: tuple[int, int], weights: np.ndarray) -> np.ndarray:
    """Average white noise of frames, each interpolated by its own part of a pixel; ``weights`` (taps, frames)."""
    random = np.random.default_rng(8)
    frames = weights.shape[1]
    total = np.zeros(shape)
    for i, k in np.ndindex(frames, frames):  # as evenly as hundreds of frames lie
        across, down = weights[:, i], weights[:, k]
        frame = random.standard_normal((shape[0] + 20, shape[1] + 20)).astype(np.float32)
        total += cv2.sepFilter2D(frame, -1, across, down)[10:-10, 10:-10]
    return (total / frames**2).astype(np.float32)


X = np.arange(-4, 5)[:, None] - (np.arange(8) + 0.5) / 8  # distance of the taps for 8 shifts
INTERPOLATIONS = {
    "linear": np.maximum(0, 1 - abs(X)),
    # Keys 1981, IEEE TASSP 29:1153, from memory
    "cubic": np.where(
        abs(X) < 1,
        1.5 * abs(X) ** 3 - 2.5 * X**2 + 1,
        np.where(abs(X) < 2, -0.5 * abs(X) ** 3 + 2.5 * X**2 - 4 * abs(X) + 2, 0),
    ),
    # Duchon 1979, J. Appl. Meteorology 18:1016, from memory
    "three lobes": np.where(abs(X) < 3, np.sinc(X) * np.sinc(X / 3), 0),
    "drops": np.clip(np.minimum(X + 0.4, 0.5) - np.maximum(X - 0.4, -0.5), 0, None),  # of 0.8 px; not in the family
}


@pytest.mark.parametrize("kind", INTERPOLATIONS)
def test_noise_of_interpolated_frames_is_found_on_all_scales(kind: str) -> None:
    weights = INTERPOLATIONS[kind] / INTERPOLATIONS[kind].sum(0)
    plane = interpolated((500, 600), weights)
    found = measure_noise(plane[None])
    assert found.sigma[0] == pytest.approx(float(plane.std()), rel=0.02)
    fine = [float(w.std()) for w in starlet.transform(plane, 3)[0]]
    np.testing.assert_allclose(found.scales[0][:3], fine, rtol=0.03)
    # coarse scales see only the sum of the weights, 1: white noise over the root of the frames, with the
    # frame's borders; half the goal of 8 %
    coarse = noise_model.scales_on(np.ones(1), 6, plane.shape)[4:] / 8
    np.testing.assert_allclose(found.scales[0][4:], coarse, rtol=0.04)


def test_scales_on_a_frame_are_those_of_the_transform_with_its_borders() -> None:
    height, width, taps = 22, 30, np.array([0.2, 0.6, 0.2])
    wide = (height + 2, width + 2)  # white noise from beyond the frame comes in
    square = np.zeros((5, height, width))
    for i in range(wide[0] * wide[1]):
        one = np.zeros(wide, np.float32)
        one.flat[i] = 1
        seen = np.ascontiguousarray(cv2.sepFilter2D(one, -1, taps, taps, borderType=cv2.BORDER_CONSTANT)[1:-1, 1:-1])
        square += np.square([seen, *starlet.transform(seen, 4)[0]])
    true = np.sqrt(square.mean((1, 2)))
    np.testing.assert_allclose(noise_model.scales_on(taps, 4, (height, width)), true[1:] / true[0], rtol=1e-4)  # float32


def test_crowded_fields_leave_enough_to_measure() -> None:
    made = make_scene(seed=4, shape=(420, 560), nebula="cove", stars=7000, fwhm=4.2)
    well = made.coverage > 0.5 * made.coverage.max()
    found = measure_noise(made.stack, made.coverage)
    for c in range(3):
        far = well & (made.stars[c] < made.sigma[c])
        noise = (made.stack[c] - made.clean[c]) / found.map
        # what is left after 3 % is chance: a seventh of the pixels lies away from stars
        assert found.sigma[c] == pytest.approx(float(noise[far].std()), rel=0.03)


@functools.cache
def scene(nebula: str, resampling: float = 1.0) -> Scene:
    return make_scene(seed=4, shape=(420, 560), nebula=nebula, resampling=resampling)  # type: ignore[arg-type]


@pytest.mark.parametrize(("nebula", "resampling"), [("cove", 1.0), ("veil", 0.0), ("fans", 1.5), ("lantern", 0.6)])
def test_stars_and_nebula_do_not_count(nebula: str, resampling: float) -> None:
    made = scene(nebula, resampling)
    found = measure_noise(made.stack, made.coverage)
    assert found.map is not None
    well = made.coverage > 0.5 * made.coverage.max()
    for c in range(3):
        far = well & (made.stars[c] < made.sigma[c])
        noise = (made.stack[c] - made.clean[c]) / found.map
        assert found.sigma[c] == pytest.approx(float(noise[far].std()), rel=0.03)
        for j, w in enumerate(starlet.transform(np.where(made.coverage > 0, noise, 0).astype(np.float32), 4)[0]):
            assert found.scales[c][j] == pytest.approx(float(w[far].std()), rel=0.08)


def test_the_map_is_that_of_the_coverage_and_the_light() -> None:
    made = scene("cove")
    found = measure_noise(made.stack, made.coverage)
    assert found.map is not None
    there = (made.coverage > 0.1 * made.coverage.max()) & (made.stars.max(0) < made.sigma.min(0))
    # one map stands for all channels; each has its own light, red most of the nebula's
    ratio = (found.map / np.exp(np.log(made.sigma).mean(0)))[there]
    assert np.quantile(ratio, 0.95) / np.quantile(ratio, 0.05) < 1.03
    for sigma in made.sigma:
        ratio = (found.map / sigma)[there]
        assert np.quantile(ratio, 0.95) / np.quantile(ratio, 0.05) < 1.07
    assert np.median(found.map[made.coverage > 0]) == pytest.approx(1, abs=0.02)
    assert np.isfinite(found.map).all()


def test_without_a_map_uneven_noise_is_found_where_it_is() -> None:
    planes = white(3, 300, 400)
    planes[:, :, 200:] *= 0.5
    found = measure_noise(planes)
    assert found.map is not None
    left, right = found.map[:, :150].mean(), found.map[:, 250:].mean()
    assert left / right == pytest.approx(2, rel=0.05)
    assert found.sigma[0] * left == pytest.approx(1, rel=0.04)


@pytest.mark.parametrize("sense", ["turned over", "unrelated"])
def test_a_map_that_does_not_explain_the_noise_is_not_followed(sense: str) -> None:
    cover = np.ones((300, 400), np.float32)
    cover[:, 200:] = 4
    planes = white(1, 300, 400) / np.sqrt(cover)
    told = 1 / cover if sense == "turned over" else cover.T[:300, :300].repeat(2, axis=1)[:, :400]
    found = measure_noise(planes, np.ascontiguousarray(told, np.float32))
    assert found.map is not None
    assert found.sigma[0] * found.map[:, :150].mean() == pytest.approx(1, rel=0.06)
    assert found.sigma[0] * found.map[:, 250:].mean() == pytest.approx(0.5, rel=0.06)


@settings(max_examples=10)
@given(st.floats(1e-6, 1e6), st.floats(-100, 100))
def test_units_do_not_matter(factor: float, offset: float) -> None:
    planes = white(1, 120, 120, seed=5)
    plain = measure_noise(planes).sigma[0]
    moved = measure_noise((planes * np.float32(factor) + np.float32(offset * factor)).astype(np.float32)).sigma[0]
    assert moved == pytest.approx(plain * factor, rel=2e-3)


def test_the_same_bits_with_two_threads_and_nothing_changed() -> None:
    planes, cover = scene("cove").stack.copy(), scene("cove").coverage.copy()
    one = measure_noise(planes, cover)
    token = threads.set(2)
    try:
        two = measure_noise(planes, cover)
    finally:
        threads.reset(token)
    assert (one.sigma, one.scales) == (two.sigma, two.scales)
    assert np.array_equal(one.map, two.map)  # type: ignore[arg-type]
    assert np.array_equal(planes, scene("cove").stack)
    assert np.array_equal(cover, scene("cove").coverage)


def holed(share: float) -> np.ndarray:
    planes = white(3, 240, 300)
    planes[:, np.random.default_rng(2).random((240, 300)) < share] = np.nan
    return planes


def half() -> np.ndarray:
    planes = white(3, 240, 300)
    planes[:, :110] = np.nan
    return planes


def bordered() -> np.ndarray:
    planes = white(3, 240, 300) + 5
    planes[:, :70] = 0
    return planes


GAPS = {
    "a few": (holed(0.001), 0.03),
    "many": (holed(0.02), 0.03),
    "everywhere": (holed(0.2), 0.06),
    "half": (half(), 0.03),
    "border": (bordered(), 0.03),
}


@pytest.mark.parametrize("kind", GAPS)
def test_gaps_do_not_count(kind: str) -> None:
    planes, tolerance = GAPS[kind]
    for sigma in measure_noise(planes).sigma:
        assert sigma == pytest.approx(1, rel=tolerance)


def test_what_has_no_coverage_does_not_count() -> None:
    planes, cover = white(1, 240, 300), np.ones((240, 300), np.float32)
    planes[:, :100] *= 50
    cover[:100] = 0
    cover[0, 0] = np.nan
    assert measure_noise(planes, cover).sigma[0] == pytest.approx(1, rel=0.04)  # 28000 pixels


@pytest.mark.parametrize("shape", [(97, 121), (200, 300), (500, 600)])
@pytest.mark.parametrize("gap", ["map", "nan"])
@pytest.mark.parametrize("where", ["strip", "corner"])
def test_where_little_is_covered_its_noise_is_measured(shape: tuple[int, int], gap: str, where: str) -> None:
    planes, cover = white(2, *shape), np.zeros(shape, np.float32)
    cover[shape[0] * 5 // 6 :, : shape[1] if where == "strip" else shape[1] // 2] = 1
    planes[:, cover == 0] = 7 if gap == "map" else np.nan
    found = measure_noise(planes, cover if gap == "map" else None)
    assert found.sigma == pytest.approx((1, 1), rel=0.12)  # 1000 pixels, of which a fifth are independent
    assert found.map is None or found.map.shape == shape


@pytest.mark.parametrize("cover", [0.0, np.nan, -1.0])
def test_a_map_of_nothing_is_no_map(cover: float) -> None:
    planes = white(1, 100, 100)
    assert measure_noise(planes, np.full((100, 100), cover, np.float32)).sigma == measure_noise(planes).sigma


@pytest.mark.parametrize("levels", [0.5, 0.7, 1.0, 3.0, 30.0])
def test_few_levels(levels: float) -> None:
    # at half a level the median deviation of the pixels is 0 or a level; the sky's slope carries them through all phases
    slope = np.linspace(0, 9, 400, dtype=np.float32)
    planes = np.round(white(1, 400, 400) * np.float32(levels) + slope)
    assert measure_noise(planes).sigma[0] == pytest.approx(levels, rel=0.06)


@pytest.mark.parametrize("cut", [-2.0, -1.0, 0.0, 0.5])
def test_blacks_that_were_cut_off(cut: float) -> None:
    assert measure_noise(np.maximum(white(3, 300, 300), np.float32(cut))).sigma[1] == pytest.approx(1, rel=0.05)


@pytest.mark.parametrize("shape", [(1, 40, 40), (3, 40, 40), (1, 20, 30), (3, 8, 8), (1, 5, 200), (1, 3, 3)])
def test_small_pictures(shape: tuple[int, int, int]) -> None:
    planes = white(*shape)
    expected = 4 / np.sqrt(2 * planes[0].size)  # four sigma of the deviation of so many values
    for sigma in measure_noise(planes).sigma:
        assert sigma == pytest.approx(1, rel=0.05 + expected)


@pytest.mark.parametrize("plane", [np.zeros((60, 60)), np.full((60, 60), 0.37), np.full((60, 60), np.nan), np.zeros((1, 1))])
def test_no_noise_is_zero(plane: np.ndarray) -> None:
    found = measure_noise(plane[None].astype(np.float32))
    assert found.sigma == (0.0,)
    assert not any(found.scales[0])


def test_fine_grain_tells_what_was_smoothed() -> None:
    planes = filtered(white(3, 300, 300), BILINEAR)
    told = measure_noise(planes)
    np.testing.assert_allclose(fine_noise(planes), fine_share(told), rtol=0.05)
    calm = np.stack([cv2.GaussianBlur(p, (0, 0), 1.0) for p in planes])
    assert (fine_noise(calm) < 0.2 * fine_share(told)).all()


def test_quiet_scales_see_noise_and_not_the_structure_beside_it() -> None:
    planes = white(1, 320, 320)
    planes[:, :, 200:] += 50 * np.sin(np.arange(120, dtype=np.float32) / 3)
    planes[:, 100:120] = np.nan
    np.testing.assert_allclose(quiet_scales(planes, 3)[0], starlet.white_sigmas(3), rtol=0.1)


def test_the_kernel_of_a_noise_is_found_from_its_scales() -> None:
    for width in (0.0, 0.45, 0.9, 1.5):
        taps = noise_model.kernel(width)
        np.testing.assert_allclose(
            noise_model.scales(noise_model.kernel_of(noise_model.scales(taps, 6)), 6), noise_model.scales(taps, 6), rtol=5e-3
        )
    assert noise_model.kernel_of(np.array([])).tolist() == [1.0]


def test_the_kernel_of_interpolated_noise_is_no_gaussian() -> None:
    weights = INTERPOLATIONS["three lobes"] / INTERPOLATIONS["three lobes"].sum(0)
    power = (np.abs(np.fft.fft(weights, 128, axis=0)) ** 2).mean(1)
    known = noise_model.family()
    taps = min(
        known.kernels, key=lambda k: float(np.abs(noise_model.power(k)[0] - power / power.mean() * power[0] / power.mean()).max())
    )
    again = noise_model.kernel_of(noise_model.scales(taps, 6))
    np.testing.assert_allclose(np.abs(np.fft.fft(again, 128)) ** 2, power, atol=0.02)


def test_a_pixel_beyond_all_numbers_is_no_fault() -> None:
    """In units of the noise round it, it fits into no 32-bit float; that was told in numpy's words."""
    planes = np.random.default_rng(0).normal(0, 1e-31, (1, 120, 130)).astype(np.float32)
    planes[0, 50, 60] = 4e9
    assert np.isfinite(measure_noise(planes).sigma).all()
