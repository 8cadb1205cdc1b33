"""A grey picture painted elsewhere is a mask: in the stack's size or the crop's, over what is seen; anything else is refused in words."""

import cv2
import numpy as np
import pytest
import tifffile
from astropy.io import fits

import nebulakit
from nebulakit import files, steps
from nebulakit.cli import call
from nebulakit.demo import make_scene
from nebulakit.errors import InputError, StepError, UsageError
from nebulakit.image import Image
from nebulakit.runner.placed import placed
from tests.runner import running

SHAPE = (160, 200)
RECIPE = """version: 1
inputs:
  stack: {scale: display}
  mine: {scale: mask, about: painted by hand}
steps:
  - crop: {box: [[10%, 10%], [90%, 85%]]}
    as: cropped
  - curve: {points: [[0.5, 1.0]]}
    mask: mine
    as: curved
  - level_mask: {above: 0.0}
    from: cropped
    as: bright
  - combine_masks: {a: mine, b: bright, how: and}
    as: both
  - patch: {where: mine}
    from: cropped
    as: {image: mended, filled: filled}
outputs:
  - {layer: cropped, file: cropped.tif, bits: 32}
  - {layer: curved, file: curved.tif, bits: 32}
  - {layer: both, file: both.tif, bits: 32}
  - {layer: filled, file: filled.tif, bits: 32}
"""


@pytest.fixture(scope="module")
def folder(tmp_path_factory):
    """A stretched picture, a disc painted over all of it, and the same disc over the crop."""
    where = tmp_path_factory.mktemp("painted")
    picture = np.random.default_rng(1).uniform(0.1, 0.4, (3, *SHAPE)).astype(np.float32)
    files.write(Image.from_array(picture, scale="display"), where / "picture.tif")
    disc = np.zeros(SHAPE, np.uint8)
    cv2.circle(disc, (90, 70), 25, 255, -1)
    cv2.imwrite(str(where / "whole.png"), disc)
    cv2.imwrite(str(where / "crop.png"), disc[16:136, 20:180])
    cv2.imwrite(str(where / "colour.png"), np.repeat(disc[..., None], 3, 2))
    cv2.imwrite(str(where / "other.png"), disc[:50, :70])
    (where / "r.yaml").write_text(RECIPE)
    return where


def run(folder, mask: str, out, *more: str) -> int:
    mine = f"mine={folder / mask}"
    return running.run(
        folder / "r.yaml", folder / "picture.tif", out, "--input", mine, "--assume", "display", "--no-cache", *more
    )


@pytest.mark.parametrize("mask", ["whole.png", "crop.png", "colour.png"])
def test_the_stacks_and_the_crops_size_say_the_same_place(folder, tmp_path, mask) -> None:
    assert run(folder, mask, tmp_path / "o") == 0
    before, after = (tifffile.imread(tmp_path / "o" / f"{n}.tif") for n in ("cropped", "curved"))
    y, x = np.mgrid[:120, :160]
    far = np.hypot(x - 70, y - 54)
    assert (after[far > 26.5] == before[far > 26.5]).all()
    assert (after[far < 24] > before[far < 24] + 0.05).all()
    for name in ("both", "filled"):
        plane = tifffile.imread(tmp_path / "o" / f"{name}.tif")
        plane = plane[..., 0] if plane.ndim == 3 else plane
        assert (plane[far > 26.5] == 0).all()
        assert (plane[far < 24] > 0.99).all()


def test_another_size_is_refused_with_all_sizes_named(folder, tmp_path, capsys) -> None:
    assert run(folder, "other.png", tmp_path / "o") == 4
    told = capsys.readouterr().err
    assert "70 x 50" in told
    assert "200 x 160" in told
    assert "160 x 120" in told
    assert "Traceback" not in told


CURVE = "  - curve: {points: [[0.5, 0.6]]}\n"


@pytest.mark.parametrize("more", [(), ("--preview", "2")], ids=["whole", "preview"])
@pytest.mark.parametrize(
    ("before", "step", "done"),
    [
        (CURVE, CURVE + "    mask: mine\n", 0),
        (CURVE, "  - patch: {where: mine}\n", 0),
        ("  - level_mask: {above: 0.0}\n    as: bright\n", "  - combine_masks: {a: mine, b: bright, how: and}\n", 0),
        (CURVE + "    skip: true\n", CURVE + "    mask: mine\n", 0),
        ("  - bin: {factor: 2}\n" + CURVE, CURVE + "    mask: mine\n", 1),
        (CURVE, CURVE + "    mask: mine\n    skip: true\n", None),
    ],
    ids=["mask", "image", "mask beside mask", "after a skipped step", "after bin", "skipped"],
)
def test_a_mask_that_does_not_fit_is_told_before_any_work_where_it_can_be(
    folder, tmp_path, capsys, before, step, done, more
) -> None:
    """A user waited for all that stands before the step."""
    steps = f"steps:\n{before}{step}    id: second\noutputs:\n  - {{layer: last, file: a.tif}}\n"
    (tmp_path / "r.yaml").write_text(RECIPE.partition("steps:")[0] + steps)
    given = [tmp_path / "r.yaml", folder / "picture.tif", tmp_path / "o", "--assume", "display", "--no-cache", *more, "--input"]
    code = running.run(*given, f"mine={folder / 'other.png'}")
    told = capsys.readouterr().err
    if done is None:
        assert code == 0
    else:
        assert code == 4
        assert "error: second in line" in told
        assert "the mask 'mine' is 70 x 50 px, which is none of the sizes it could have: the stack 200 x 160" in told
        assert told.count(" s  ") == done  # steps that were run
    files.write(Image.from_array(np.full(SHAPE, 255.0), content="mask", channels=("mask",)), tmp_path / "much.fits")
    assert running.run(*given, f"mine={tmp_path / 'much.fits'}") == code
    assert "holds values from 255 to 255" in capsys.readouterr().err or not code
    assert running.run(*given, f"mine={folder / 'whole.png'}") == 0


@pytest.mark.parametrize("packed", ["stack", "mask"])
def test_a_mask_that_does_not_fit_is_told_before_any_work_where_files_are_packed_and_from_python(
    tmp_path, capsys, packed
) -> None:
    """Headers alone were asked, and of a packed file they do not tell enough."""
    ends = {"stack": ".fits", "mask": ".fits"} | {packed: ".fits.gz"}
    stack, mine = (tmp_path / f"{name}{end}" for name, end in ends.items())
    files.write(Image.from_array(np.full((3, *SHAPE), 0.2)), stack)
    files.write(Image.from_array(np.ones((50, 70)), content="mask", channels=("mask",)), mine)
    text = (
        "version: 1\ninputs: {mine: {scale: mask}}\nsteps:\n  - blend: {other: stack}\n  - blend: {other: stack}\n    mask: mine\n"
        "outputs:\n  - {layer: last, file: a.fits}\n"
    )
    (tmp_path / "r.yaml").write_text(text)
    assert running.run(tmp_path / "r.yaml", stack, tmp_path / "o", "--no-cache", "--input", f"mine={mine}") == 4
    told = capsys.readouterr().err
    assert " s  " not in told
    assert "blend-2 in line 5 of the recipe: the mask 'mine' is 70 x 50 px" in told
    for given in ((stack, mine), (nebulakit.read(stack), nebulakit.read(mine)), (np.ones((3, *SHAPE)), np.ones((50, 70)))):
        with pytest.raises(InputError, match="blend-2 in line 5 of the recipe: the mask 'mine' is 70 x 50 px"):
            nebulakit.run(text, given[0], mine=given[1])


@pytest.mark.parametrize("kind", ["tif", "png", "jpg", "fits", "planes first", "colours last", "fits.gz"])
def test_how_many_values_a_picture_has_is_told_by_its_header(tmp_path, kind) -> None:
    planes = np.zeros((3, 30, 40), np.float32)
    path = tmp_path / f"a.{kind if '.' in kind or len(kind) < 5 else 'fits'}"
    if " " in kind:
        fits.writeto(path, planes if kind == "planes first" else np.moveaxis(planes, 0, -1))
    else:
        files.write(Image.from_array(planes, scale="display"), path)
    assert files.count_values(path) == 3600


def test_a_preview_takes_it_as_well(folder, tmp_path) -> None:
    for mask in ("whole.png", "crop.png"):
        assert run(folder, mask, tmp_path / mask, "--preview", "2") == 0
        plane = tifffile.imread(tmp_path / mask / "filled.tif")
        plane = plane[..., 0] if plane.ndim == 3 else plane
        y, x = np.nonzero(plane)
        # 35 and 27 are the disc's middle in pixels of the preview; its half pixels are shared out
        assert (x.mean(), y.mean()) == pytest.approx(((90 - 20) / 2, (70 - 16) / 2), abs=0.5)


def layer(**facts) -> Image:
    return Image.from_array(np.zeros((3, *SHAPE), np.float32), **facts)


def painted(plane) -> Image:
    return Image.from_array(plane, channels=("mask",), content="mask", scale="display")


def test_values_beyond_a_mask_are_refused() -> None:
    with pytest.raises(StepError, match=r"from 0 to 2"):
        placed(painted(np.linspace(0, 2, 160 * 200).reshape(SHAPE)), layer(), "mine")


def test_a_mask_of_zeros_and_ones_in_whole_numbers_is_refused() -> None:
    """It was taken as 1/255, and the step did next to nothing without a word."""
    plane = np.zeros(SHAPE)
    plane[:50] = 1
    for most in (255, 65535):
        with pytest.raises(StepError, match=r"nowhere above (0.0039|1.5e-05), so next to nothing would be done"):
            placed(painted(plane / most), layer(), "mine")
    for fine in (plane, 0 * plane, plane / 50):
        assert np.allclose(placed(painted(fine), layer(), "mine").planes[0], fine, rtol=0, atol=1e-7)  # 32-bit floats


def test_it_follows_turns_and_the_rows_of_the_file(tmp_path) -> None:
    plane = np.zeros(SHAPE, np.float32)
    plane[20:40, 30:70] = 1
    turned = steps.orient(layer(), turn=90)
    assert (placed(painted(plane), turned, "mine").planes[0] == np.rot90(plane, -1)).all()
    scene = make_scene(3, SHAPE, "bubble")
    header = scene.header()
    header["ROWORDER"] = "BOTTOM-UP"
    fits.PrimaryHDU(scene.stack, header).writeto(tmp_path / "s.fits")
    stack = files.read(tmp_path / "s.fits")
    assert stack.frame.bottom_up
    part = steps.crop(stack, box=[["10 px", "20 px"], ["150 px", "120 px"]])
    y0 = SHAPE[0] - 1 - 120  # rows are counted from the bottom in this file
    assert (placed(painted(plane), part, "mine").planes[0] == plane[y0 : y0 + 100, 10:150]).all()


def test_a_crop_with_a_rim_takes_a_mask_of_the_picture_without_it() -> None:
    scene = make_scene(3, SHAPE, "bubble")
    cropped = steps.crop_to_coverage(scene.image(), keep="85%", rim="10%")
    assert cropped.frame.inside is not None
    x0, y0, x1, y1 = (round(v + 0.5) for v in cropped.frame.inside)
    plane = np.zeros((y1 - y0, x1 - x0), np.float32)
    plane[10:20, 5:25] = 1
    found = placed(painted(plane), cropped, "mine").planes[0]
    top, left = cropped.frame.bounding_box(cropped.shape)[:2]
    ys, xs = np.nonzero(found > 0.5)
    assert (ys.min() + top, xs.min() + left) == (y0 + 10, x0 + 5)
    assert (found > 0.5).sum() == 200


def test_what_the_run_was_given_is_recorded(folder, tmp_path) -> None:
    assert run(folder, "crop.png", tmp_path / "o") == 0
    assert running.record(tmp_path / "o")["inputs"]["mine"]["file"] == "crop.png"


def test_a_file_that_was_a_mask_and_now_is_a_picture_is_another_input(folder, tmp_path) -> None:
    coloured = np.zeros((*SHAPE, 3), np.uint8)
    coloured[:, :60] = (255, 60, 10)
    cv2.imwrite(str(tmp_path / "coloured.png"), coloured)
    for scale, out, kept in (("mask", "a", True), ("display", "b", True), ("display", "c", False)):
        (tmp_path / "r.yaml").write_text(
            f"version: 1\ninputs: {{stack: {{scale: display}}, mine: {{scale: {scale}}}}}\nsteps:\n  - blend: {{other: mine}}\n"
            "outputs:\n  - {layer: last, file: a.tif}\n"
        )
        more = ("--input", f"mine={tmp_path / 'coloured.png'}", "--assume", "display")
        cache = ("--cache", tmp_path / "kept") if kept else ("--no-cache",)
        assert running.run(tmp_path / "r.yaml", folder / "picture.tif", tmp_path / out, *more, *cache) == 0
    assert (tifffile.imread(tmp_path / "b" / "a.tif") == tifffile.imread(tmp_path / "c" / "a.tif")).all()


@pytest.fixture(scope="module")
def covered(tmp_path_factory):
    """A linear stack whose file has the bottom row first, a map of half its frame, a mask in one colour, all as files; and the answers by command line."""
    where = tmp_path_factory.mktemp("covered")
    rng = np.random.default_rng(2)
    stack = (0.1 + rng.normal(0, 0.001, (3, 96, 120))).astype(np.float32)
    counts = np.full((96, 120), 100, np.float32)
    counts[:, :40] = 30
    counts[:10] = 20
    fits.writeto(where / "stack.fits", stack, fits.Header({"ROWORDER": "BOTTOM-UP"}))
    fits.writeto(where / "map.fits", counts, fits.Header({"ROWORDER": "BOTTOM-UP"}))
    mask = np.zeros((96, 120, 3), np.uint8)
    mask[20:60, 30:80, :2] = 255  # no red
    cv2.imwrite(str(where / "mine.png"), mask)
    (where / "r.yaml").write_text(
        "version: 1\ninputs: {mine: {scale: mask}}\nsteps:\n  - crop_to_coverage: {map_counts: frames}\n  - stretch_asinh: {}\n"
        "  - curve: {points: [[0.5, 0.9]]}\n    mask: mine\noutputs:\n  - {layer: last, file: a.tif, bits: 32}\n"
    )
    more = ("--input", f"mine={where / 'mine.png'}", "--input", f"coverage={where / 'map.fits'}", "--no-cache")
    assert running.run(where / "r.yaml", where / "stack.fits", where / "o", *more) == 0
    return where


@pytest.mark.parametrize("mine", ["file", "image", "array"])
@pytest.mark.parametrize("coverage", ["file", "image", "array"])
@pytest.mark.parametrize("stack", ["file", "image", "array"])
def test_from_python_every_way_of_giving_stack_map_and_mask_is_that_of_the_command_line(covered, stack, coverage, mine) -> None:
    path, counts, painted = covered / "stack.fits", covered / "map.fits", covered / "mine.png"
    rows = slice(None) if stack == "file" else slice(None, None, -1)  # an array has the rows of the stack it is given with
    run = nebulakit.run(
        covered / "r.yaml",
        {"file": path, "image": nebulakit.read(path), "array": nebulakit.read(path).planes}[stack],
        coverage={"file": counts, "image": nebulakit.read(counts), "array": fits.getdata(counts)[rows]}[coverage],
        mine={"file": painted, "image": nebulakit.read(painted), "array": np.moveaxis(cv2.imread(str(painted)), 2, 0)}[mine],
    )
    expected = np.moveaxis(tifffile.imread(covered / "o" / "a.tif"), 2, 0)
    assert expected.shape[1:] < (96, 120)
    assert np.array_equal(run["last"].planes, expected)


def test_from_python_an_array_is_what_the_recipe_says_and_an_unknown_input_is_refused() -> None:
    text = "version: 1\ninputs: {stack: {scale: display}}\nsteps:\n  - orient: {}\noutputs:\n  - {layer: last, file: a.tif}\n"
    run = nebulakit.run(text, np.full((3, 8, 9), 51, np.uint8))
    assert run["last"].scale == "display"
    assert np.allclose(run["last"].planes, 0.2)
    with pytest.raises(UsageError, match="no input called 'mien'"):
        nebulakit.run(text, np.zeros((3, 8, 9)), mien=np.zeros((8, 9)))


@pytest.mark.parametrize(
    ("given", "words"),
    [
        ([["a", "b"]], "expected an array of numbers"),
        ([[1], [2, 3]], "expected an array of numbers"),
        (np.ones((8, 9), complex), "expected an array of numbers"),
        (np.full((8, 9), 1e300), "beyond what 32-bit floats hold"),
    ],
    ids=["text", "ragged", "complex", "too large"],
)
def test_from_python_a_mask_or_a_map_of_no_numbers_is_told_as_a_stack_is(given, words) -> None:
    text = (
        "version: 1\ninputs: {stack: {scale: display}, mine: {scale: mask, optional: true}}\nsteps:\n"
        "  - curve: {points: [[0.5, 1.0]]}\n    mask: mine\noutputs:\n  - {layer: last, file: a.tif}\n"
    )
    for name in ("mine", "coverage"):
        with pytest.raises(StepError, match=words):
            nebulakit.run(text, np.full((3, 8, 9), 0.2), **{name: given})
    with pytest.raises(KeyError, match="layer 'mine' was not kept; kept: last"):
        nebulakit.run(text, np.full((3, 8, 9), 0.2))["mine"]


def test_from_python_what_is_masked_holds_nothing() -> None:
    """Of masked arrays the masked values were taken as data."""
    text = (
        "version: 1\ninputs: {stack: {scale: display}, mine: {scale: mask}}\nsteps:\n  - curve: {points: [[0.5, 1.0]]}\n    mask: mine\n"
        "outputs:\n  - {layer: last, file: a.tif}\n"
    )
    hidden = np.zeros((8, 9), bool)
    hidden[:4] = True
    levels = np.full((3, 8, 9), 51, np.uint8)
    run = nebulakit.run(text, levels, mine=np.ma.array(np.full((8, 9), 255, np.uint8), mask=hidden))
    assert np.allclose(run["last"].planes[:, :4], 0.2)
    assert (run["last"].planes[:, 4:] > 0.3).all()
    stack = np.ma.array(levels, mask=np.broadcast_to(hidden, levels.shape))
    assert np.array_equal(np.isnan(nebulakit.run(text, stack, mine=np.ones((8, 9)))["last"].planes[0]), hidden)
    assert np.array_equal(np.isnan(Image.from_array(np.ma.array(np.ones((8, 9)), mask=hidden)).planes[0]), hidden)
    counted = files.with_coverage(layer(), np.ma.array(np.full(SHAPE, 7), mask=np.arange(SHAPE[1]) < 20 + np.zeros(SHAPE)))
    assert (counted.coverage[:, :20] == 0).all()
    assert (counted.coverage[:, 20:] == 7).all()


def test_a_mask_that_marks_nothing_is_told_with_its_step() -> None:
    text = (
        "version: 1\ninputs: {stack: {scale: display}, mine: {scale: mask}}\nsteps:\n  - crop: {box: [[0%, 0%], [50%, 100%]]}\n"
        "  - level_mask: {above: 0.1, feather: 0 px}\n    as: all\n  - combine_masks: {a: all, b: mine, how: and}\n"
        "  - curve: {points: [[0.5, 1.0]]}\n    mask: mine\noutputs:\n  - {layer: last, file: a.tif}\n"
    )
    picture = np.full((3, 8, 20), 0.2, np.float32)
    right, left, nothing = np.zeros((8, 20)), np.zeros((8, 20)), np.full((8, 20), np.nan)
    right[:, 15:] = left[:, :5] = 1
    for mine, told in ((np.zeros((8, 20)), True), (nothing, True), (right, True), (left, False)):
        run = nebulakit.run(text, picture, mine=mine)
        found = [(who, n.text) for who, n in run.notices if n.id == "mask-empty"]
        assert [who for who, _ in found] == ["combine_masks", "curve"] * told
        assert np.array_equal(run["last"].planes, picture[:, :, :10]) == told
        if told:
            assert "'mine' is 0 (black) everywhere on the layer that combine_masks works on, so it marks nothing" in found[0][1]
            assert "so curve changes nothing. Paint the places that are meant white" in found[1][1]


@pytest.mark.parametrize("amount", ["", "    amount: 50%\n"])
def test_an_optional_mask_that_is_not_given_leaves_the_step_to_act_everywhere(folder, tmp_path, amount, capsys) -> None:
    head = "version: 1\ninputs: {stack: {scale: display}, mine: {scale: mask, optional: true}}\nsteps:\n"
    text = f"{head}  - curve: {{points: [[0.5, 0.8]]}}\n    mask: mine\n{amount}outputs:\n  - {{layer: last, file: a.tif}}\n"
    answers = []
    for name, written in (("with", text), ("without", text.replace("    mask: mine\n", ""))):
        (tmp_path / f"{name}.yaml").write_text(written)
        more = ("--cache", str(tmp_path / "kept"))
        assert running.run(tmp_path / f"{name}.yaml", folder / "picture.tif", tmp_path / name, "--assume", "display", *more) == 0
        answers.append((tmp_path / name / "a.tif").read_bytes())
    assert answers[0] == answers[1]
    capsys.readouterr()
    assert call(["plan", str(tmp_path / "with.yaml"), str(folder / "picture.tif"), *more]) == 0
    assert "1 of 1 steps run" in capsys.readouterr().out
