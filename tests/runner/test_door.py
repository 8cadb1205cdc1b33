"""At the door: each mistake is noticed on a stack doctored that way, and good stacks of any kind raise no doubt."""

import dataclasses
import re

import cv2
import numpy as np
import pytest
from astropy.io import fits

from nebulakit import steps
from nebulakit.cli.run import command as run
from nebulakit.demo import Conditions, make_scene, turned_frames
from nebulakit.files import read
from nebulakit.image import Image
from nebulakit.pixels.mosaic import cell_levels
from nebulakit.pixels.signs import lower_plateau
from nebulakit.runner.door import doubts

SHAPE = (300, 400)
SMALL = (240, 320)  # where that shows the same


@pytest.fixture(scope="module")
def scene():
    return make_scene(31, SHAPE, "cove")


@pytest.fixture(scope="module")
def sharp():
    """A scene with stars as narrow as can be, for binning."""
    return make_scene(33, SHAPE, "bubble", fwhm=2.2)


def ids(image: Image) -> set[str]:
    return {n.id for n in doubts(image)}


def like(scene, planes, **facts) -> Image:
    return Image.from_array(planes, **{"coverage": scene.coverage, "header": scene.header(), **facts})


def each(planes, change) -> np.ndarray:
    return np.stack([change(p) for p in planes])


def mixed(p):
    return np.einsum("ij,jyx->iyx", np.array([[1.6, -0.4, -0.2], [-0.3, 1.5, -0.2], [-0.1, -0.5, 1.6]]), p)


def srgb(p):
    return np.where(p < 0.0031308, 12.92 * p, 1.055 * np.maximum(p, 1e-9) ** (1 / 2.4) - 0.055)


def cut(p, share):
    return np.maximum(p - np.quantile(p, share, (1, 2), keepdims=True), 0)


def hot(p):
    rng = np.random.default_rng(3)
    p = p.copy()
    for c in range(3):
        p[c, rng.integers(5, 295, 40), rng.integers(5, 395, 40)] += rng.uniform(0.003, 0.1, 40).astype(np.float32)
    return p


def rings(scene):
    """Stars out of focus, the noise as it was."""
    y, x = np.mgrid[-7:8, -7:8]
    r = np.hypot(x, y)
    kernel = ((r < 6) & (r > 2.5)).astype(np.float32)
    return each(scene.clean, lambda p: cv2.filter2D(p, -1, kernel / kernel.sum())) + scene.stack - scene.clean


def trailed(scene):
    kernel = np.zeros((9, 9), np.float32)
    kernel[4, 1:8] = 1 / 7
    return each(scene.clean, lambda p: cv2.filter2D(p, -1, kernel)) + scene.stack - scene.clean


DOCTORED = {
    "already-stretched": [
        lambda s: srgb(s.stack),
        lambda s: np.arcsinh(np.maximum(s.stack, 0) * 100) / np.arcsinh(100),
        lambda s: 0.1 + 0.9 * np.arcsinh((s.stack - np.median(s.stack, (1, 2), keepdims=True)) * 1000) / np.arcsinh(1000),
    ],
    "channels-rescaled": [lambda s: s.stack * np.array([1.9, 1, 1.4], np.float32)[:, None, None]],
    "channels-mixed": [lambda s: mixed(s.stack)],
    "few-levels": [lambda s: np.rint(s.stack * 4095) / 4095, lambda s: np.rint(s.stack * 255) / 255],
    "blacks-cut": [lambda s: cut(s.stack, 0.02), lambda s: cut(s.stack, 0.4)],
    "values-beyond-one": [lambda s: 65535 * (s.starless + s.stars + s.sky)],
    "red-and-blue-swapped": [lambda s: s.stack[::-1]],
    "nebula-green": [lambda s: s.stack[[1, 0, 2]]],
    "three-equal-planes": [lambda s: np.repeat(s.stack[:1], 3, 0)],
    "sky-removed": [lambda s: s.stack - s.sky],
    "gradient-removed": [lambda s: s.stack - s.sky + np.float32(0.02)],
    "smoothed-already": [
        lambda s: each(s.stack, lambda p: cv2.GaussianBlur(p, (0, 0), 1.2)),
        lambda s: each(s.stack, lambda p: cv2.medianBlur(p, 3)),
        lambda s: each(s.stack, lambda p: cv2.medianBlur(p, 5)),
    ],
    "sharpened-already": [lambda s: s.stack + 1.5 * (s.stack - each(s.stack, lambda p: cv2.GaussianBlur(p, (0, 0), 2)))],
    "stars-removed": [lambda s: s.starless + s.sky],
    "trailed": [trailed],
    "out-of-focus": [rings],
    "hot-pixels": [lambda s: hot(s.stack)],
}
CASES = [(name, k) for name, ways in DOCTORED.items() for k in range(len(ways))]


@pytest.mark.parametrize(("name", "way"), CASES)
def test_a_doctored_stack_is_noticed(scene, name, way):
    found = doubts(like(scene, DOCTORED[name][way](scene)))
    assert name in {n.id for n in found}
    assert len(found) <= 3
    assert all(any(c.isdigit() for c in n.text) or n.id == "three-equal-planes" for n in found)
    said = {word for n in found for word in re.findall(r"--[a-z-]+", n.text)}
    assert said <= {option for p in run.params for option in p.opts}, "run, which tells of it as well, has no such option"


@pytest.mark.parametrize(
    ("kind", "seed"), [("cove", 31), ("cove", 32), ("bubble", 33), ("fans", 34), ("veil", 35), ("lantern", 36)]
)
def test_a_denoised_stack_is_noticed(kind, seed):
    made = make_scene(seed, SHAPE, kind)
    assert "smoothed-already" not in ids(made.image())
    assert "smoothed-already" in ids(like(made, steps.denoise_wavelet(like(made, made.stack)).planes))


def test_a_bright_sky_of_another_colour_is_no_white_balance():
    """Full at three times the sky: above the sky red is cut off lower than green."""
    assert "channels-rescaled" not in ids(make_scene(31, SHAPE, "cove", white=0.06).image())


def test_wrong_sampling_is_noticed(scene, sharp):
    big = np.stack([cv2.resize(p, None, fx=2, fy=2, interpolation=cv2.INTER_LINEAR) for p in scene.stack[:, 40:260, 60:340]])
    assert "enlarged" in ids(Image.from_array(big))
    small = np.stack([cv2.resize(p, None, fx=0.5, fy=0.5, interpolation=cv2.INTER_AREA) for p in sharp.stack[:, 40:260, 60:340]])
    assert "undersampled" in ids(Image.from_array(small))


def test_light_without_lines_is_noticed():
    assert ids(make_scene(31, SHAPE, "cove", ha_peak=0.0, oiii_peak=0.0, dust=0.002).image()) == {"no-line-light"}


@pytest.mark.parametrize(("between", "turning"), [(70.0, 20.0), (30.0, 20.0), (16.0, 10.0), (12.0, 5.0), (8.0, 1.0)])
def test_several_nights_are_noticed(between, turning):
    assert ids(make_scene(31, SMALL, "cove", second_night=between, rotation=turning).image()) == {"several-nights"}


@pytest.mark.parametrize("turning", [0.5, 2.0, 10.0, 20.0, 35.0, 60.0, 90.0])
def test_one_night_is_no_several(turning):
    for seed in range(3):
        frames = turned_frames(SMALL, Conditions(rotation=turning), np.random.default_rng(seed))
        assert lower_plateau(frames)[0] == 0


def blurred(planes, sigma: float) -> np.ndarray:
    return each(planes, lambda p: cv2.GaussianBlur(p, (0, 0), sigma)) if sigma else planes


def averaged(planes, white: float) -> np.ndarray:
    """Twelve frames, each with a shift and a seeing of its own, cut off at ``white`` and then averaged."""
    rng = np.random.default_rng(1)
    frames = []
    for _ in range(12):
        shift = np.float32([[1, 0, rng.normal(0, 1.2)], [0, 1, rng.normal(0, 1.2)]])
        frame = np.minimum(blurred(planes, rng.uniform(0.3, 1.5)), np.float32(white))
        frames.append(each(frame, lambda p, m=shift: cv2.warpAffine(p, m, p.shape[::-1], borderMode=cv2.BORDER_REFLECT)))
    return np.mean(frames, axis=0)


CUT_THEN = [
    ("cove", 34, lambda s: blurred(s.clean, 1.5)),
    ("cove", 34, lambda s: blurred(s.clean, 2.0)),
    ("fans", 36, lambda s: blurred(s.clean, 1.2)),
    ("fans", 36, lambda s: averaged(s.nebula + s.stars + s.sky, 0.4)),
    ("none", 37, lambda s: blurred(s.clean, 2.0)),
    ("none", 37, lambda s: averaged(s.nebula + s.stars + s.sky, 0.4)),
]


@pytest.mark.parametrize("case", range(len(CUT_THEN)))
def test_cut_off_stars_that_were_blurred_or_averaged_later_are_noticed(case):
    kind, seed, later = CUT_THEN[case]
    night = make_scene(seed, SHAPE, kind, fwhm=2.4, bright=60 if kind == "cove" else 30, white=0.4)
    assert "white-unknown" in ids(like(night, later(night) + night.stack - night.clean))


@pytest.mark.parametrize("sigma", [0.0, 1.2, 2.0])
@pytest.mark.parametrize(("kind", "seed"), [("cove", 34), ("fans", 36), ("none", 37), ("bubble", 35), ("veil", 53)])
def test_stars_that_were_never_cut_off_are_not_taken_for_it(kind, seed, sigma):
    night = make_scene(seed, SMALL, kind, fwhm=2.4, bright=40)
    whole = blurred(night.nebula + night.stars + night.sky, sigma) + night.stack - night.clean
    assert "white-unknown" not in ids(like(night, whole))


def test_a_stack_that_was_turned_and_scaled_afterwards_raises_no_doubt():
    night = make_scene(31, SHAPE, "cove", rotation=0.1, dither=0.0).stack
    turn = cv2.getRotationMatrix2D((200, 150), 20, 0.8)
    for how in (cv2.INTER_LINEAR, cv2.INTER_CUBIC, cv2.INTER_LANCZOS4):
        turned = Image.from_array(each(night, lambda p, how=how: cv2.warpAffine(p, turn, SHAPE[::-1], flags=how)))
        assert ids(turned) <= {"white-unknown"}  # what was cut off is flat no longer: where that is seen it is true


def test_a_coverage_map_of_another_stack_or_sense_is_noticed(scene):
    y, x = np.mgrid[0 : SHAPE[0], 0 : SHAPE[1]]
    stripes = (1000 + 500 * np.sin(x / 23) * np.sin(y / 17)).astype(np.float32)
    stack = np.where(scene.coverage > 0, scene.stack, np.nan)
    assert "coverage-unrelated" in ids(like(scene, stack, coverage=stripes))
    most = scene.coverage.max()
    assert "coverage-inverted" in ids(like(scene, stack, coverage=np.where(scene.coverage > 0, most * 1.02 - scene.coverage, 0)))


def test_a_mirrored_sky_position_is_noticed(scene):
    header = scene.header()
    header["CDELT1"] = -header["CDELT1"]
    assert ids(like(scene, scene.stack, header=header)) == {"mirrored"}


def mosaic(scene, pattern: str) -> np.ndarray:
    out = np.empty(SHAPE, np.float32)
    for k, letter in enumerate(pattern):
        i, j = divmod(k, 2)
        out[i::2, j::2] = scene.stack["RGB".index(letter), i::2, j::2]
    return out


@pytest.mark.parametrize("true", ["RGGB", "BGGR", "GRBG", "GBRG"])
@pytest.mark.parametrize("said", ["RGGB", "BGGR", "GRBG", "GBRG"])
def test_a_wrong_pattern_is_noticed_and_the_right_one_named(scene, true, said):
    header = scene.header()
    header["BAYERPAT"] = said
    found = doubts(Image.from_array(mosaic(scene, true), channels=("mosaic",), header=header, coverage=scene.coverage))
    assert [n.id for n in found] == ([] if true == said else ["wrong-pattern"])
    if found:
        assert f"pattern: {true}" in found[0].text


@pytest.mark.parametrize("true", ["RGGB", "BGGR", "GRBG", "GBRG"])
def test_a_mosaic_without_a_pattern_is_noticed_and_the_two_that_fit_are_named(scene, true):
    found = doubts(Image.from_array(mosaic(scene, true), header=scene.header(), coverage=scene.coverage))
    assert [n.id for n in found] == ["pattern-missing"]
    named = re.findall(r"\b[RGB]{4}\b", found[0].text)
    assert len(named) == 2
    assert true in named


GREY = {
    "a channel": lambda s: s.stack[0],
    "a channel as whole numbers": lambda s: np.rint(s.stack[1] * 4095) / 4095,
    "a channel of steep glow": lambda s: s.stack[2] + np.linspace(0, 1, SHAPE[1], dtype=np.float32) * np.ptp(s.stack[2]),
    "fine waves": lambda s: s.stack[0] + np.sin(np.arange(SHAPE[1]) / 3)[None] * np.cos(np.arange(SHAPE[0]) / 4)[:, None] * 0.01,
    "a sensor whose columns differ": lambda s: s.stack[0] + np.arange(SHAPE[1]) % 2 * np.float32(0.01),
    "enlarged twice": lambda s: cv2.resize(s.stack[0], None, fx=2, fy=2, interpolation=cv2.INTER_LINEAR),
    "every pixel twice": lambda s: np.kron(s.stack[0], np.ones((2, 2))),
    "nebula and stars without noise": lambda s: s.clean[0],
}


@pytest.mark.parametrize("name", GREY)
def test_a_grey_picture_is_not_taken_for_a_mosaic(scene, name):
    assert "pattern-missing" not in ids(Image.from_array(GREY[name](scene)))


def test_of_a_large_grey_picture_no_more_than_a_million_pixels_are_sorted_at_the_door(monkeypatch):
    sizes, partition = [], np.partition  # which the median is told by
    monkeypatch.setattr(
        np, "partition", lambda values, *rest, **more: sizes.append(np.size(values)) or partition(values, *rest, **more)
    )
    plane = np.random.default_rng(0).standard_normal((1500, 1500)).astype(np.float32)
    plane[::2, ::2] += 1
    assert np.ptp(cell_levels(plane, np.ones(plane.shape, bool))) > 0.9
    assert 100_000 < max(sizes) < 1_100_000


def test_lost_colour_is_noticed(scene):
    header = scene.header()
    header["BAYERPAT"] = "RGGB"
    assert ids(Image.from_array(scene.stack.mean(0), channels=("mosaic",), header=header, coverage=scene.coverage)) == {
        "colour-lost"
    }


def test_what_the_user_says_is_believed(scene):
    image = like(scene, srgb(scene.stack))
    assert "already-stretched" in ids(image)
    assert "already-stretched" not in ids(dataclasses.replace(image, record={"assume": "linear"}))


GOOD = [
    ("cove", {}),
    ("bubble", {"fwhm": 2.3}),
    ("fans", {"fwhm": 4.0, "white": 0.8}),
    ("veil", {"resampling": 1.4}),
    ("lantern", {}),
    ("ember", {"resampling": 0.0}),
    ("none", {}),
    ("bubble", {"oval": 0.2, "dust": 0.0004}),
    ("cove", {"rotation": 5.0, "glow": 0.8}),
    ("fans", {"reflection": 0.002, "frames": 300}),
    ("veil", {"frames": 5000, "empty": float("nan")}),
    ("cove", {"widths": (1.1, 1.0, 1.05)}),
    ("fans", {"stars": 4000, "bright": 25}),
    ("bubble", {"stars": 8000}),
]


@pytest.mark.parametrize("number", range(len(GOOD)))
def test_a_good_stack_raises_no_doubt(number):
    kind, conditions = GOOD[number]
    assert doubts(make_scene(50 + number, SMALL, kind, **conditions).image()) == []


def apart(planes, by: int):
    """Each channel laid down by itself, so that what is empty differs."""
    planes = planes.copy()
    planes[0], planes[2] = np.roll(planes[0], by, 1), np.roll(planes[2], -by, 0)
    planes[0, :, :by] = planes[2, -by:] = 0
    return planes


EMPTY = {
    "channels one pixel apart": lambda p: apart(p, 1),
    "channels three pixels apart": lambda p: apart(p, 3),
    "dead pixels": lambda p: np.where(np.random.default_rng(1).random(p.shape[1:]) < 0.003, 0, p),
    "holes": lambda p: np.where(
        cv2.dilate((np.random.default_rng(1).random(p.shape[1:]) < 0.0002) * 1.0, np.ones((6, 6))) > 0, 0, p
    ),
}


@pytest.mark.parametrize("name", EMPTY)
def test_what_is_empty_is_not_taken_for_a_sky_cut_off(scene, name):
    planes = EMPTY[name](np.where(scene.coverage > 0, scene.stack, np.float32(0))).astype(np.float32)
    assert "blacks-cut" not in ids(Image.from_array(planes))


@pytest.mark.parametrize("share", [0.015, 0.1, 0.7])
def test_a_sky_cut_off_anywhere_is_noticed(scene, share):
    assert "blacks-cut" in ids(like(scene, cut(scene.stack, share)))


@pytest.mark.parametrize("levels", [16, 4])  # to the noise; 16 is what a packer takes unless told otherwise
@pytest.mark.parametrize("number", [0, 3])
def test_a_good_stack_that_was_packed_with_losses_raises_no_doubt(tmp_path, levels, number):
    kind, conditions = GOOD[number]
    night = make_scene(50 + number, SMALL, kind, **conditions)
    packed = fits.CompImageHDU(night.stack, compression_type="RICE_1", quantize_level=levels, quantize_method=-1)
    fits.HDUList([fits.PrimaryHDU(), packed]).writeto(tmp_path / "a.fits")
    assert doubts(like(night, read(tmp_path / "a.fits").planes)) == []


@pytest.mark.parametrize(("seed", "kind", "conditions"), [(703, "veil", {"resampling": 1.4}), (75, "none", {})])
def test_light_of_neighbours_is_not_taken_for_a_dark_ring(seed, kind, conditions):
    night = make_scene(seed, SMALL, kind, **conditions)
    assert doubts(night.image()) == []
    sharpened = night.stack + 1.5 * (night.stack - blurred(night.stack, 2.0))
    assert "sharpened-already" in ids(like(night, sharpened))


def test_a_good_stack_without_a_map_raises_no_doubt(scene):
    assert doubts(like(scene, np.where(scene.coverage > 0, scene.stack, np.nan), coverage=None)) == []


def test_cells_are_told_apart_beside_a_pixel_beyond_all_numbers() -> None:
    """In units of the noise it fits into no 32-bit float; that was told in numpy's words."""
    plane = np.random.default_rng(0).normal(0, 1e-31, (160, 160)).astype(np.float32)
    plane[80, 81] = 4e9
    assert np.isfinite(cell_levels(plane, np.ones(plane.shape, bool))).all()
