"""Every shipped recipe, whichever there are: runs, writes what it promises, whole and plausible, the same for any -j."""

import json
from pathlib import Path

import numpy as np
import pytest
import tifffile
from astropy.io import fits
from PIL import Image as Pillow

from nebulakit import files, steps
from nebulakit.cli import call
from nebulakit.demo import make_scene
from nebulakit.image import Image
from nebulakit.recipe import load, shipped


@pytest.fixture(scope="module")
def stacks(tmp_path_factory) -> dict[str, Path]:
    """One scene as a colour stack, as its red plane alone, and stretched, with its coverage."""
    folder = tmp_path_factory.mktemp("stacks")
    scene = make_scene(5, (260, 340), "bubble")
    linear = Image.from_array(scene.stack, header=scene.header())
    cropped = steps.crop_to_coverage(Image.from_array(scene.stack, coverage=scene.coverage))
    stretched = steps.stretch_asinh(steps.remove_gradient(cropped).image)
    made = {
        "linear": linear,
        "grey": Image.from_array(scene.stack[:1], channels=("grey",), header=scene.header()),
        "display": stretched,
        "coverage": Image.from_array(scene.coverage, channels=("grey",)),
    }
    for name, image in made.items():
        files.write(image, folder / f"{name}.{'tif' if image.scale == 'display' else 'fits'}")
    return {name: next(folder.glob(f"{name}.*")) for name in made}


def suited(name: str, stacks: dict[str, Path]) -> list[str]:
    """Give the stack a recipe is made for, by what it says of itself, as arguments."""
    recipe = load(name)
    if recipe.inputs["stack"].scale == "display":
        return [str(stacks["display"])]
    mono = "mono" in recipe.about
    return [str(stacks["grey" if mono else "linear"]), "--input", f"coverage={stacks['coverage']}"]


def values(path: Path) -> np.ndarray:
    """Give a file's values as another program would read them."""
    if path.suffix == ".fits":
        return np.asarray(fits.getdata(path), float)
    if path.suffix == ".tif":
        found = tifffile.imread(path)
        return found / np.iinfo(found.dtype).max if found.dtype.kind == "u" else found.astype(float)
    with Pillow.open(path) as picture:
        picture.load()
        return np.asarray(picture) / 255


@pytest.mark.parametrize("name", sorted(shipped()))
def test_it_writes_what_it_promises(name, stacks, tmp_path, capsys) -> None:
    for count in ("1", "2"):
        code = call(["run", name, *suited(name, stacks), "-o", str(tmp_path / count), "--no-cache", "--no-report", "-j", count])
        told = capsys.readouterr()
        assert code == 0, told.err
    out = tmp_path / "1"
    promised = {o.file for o in load(name).outputs}
    record = json.loads((out / "run.json").read_text())
    pictures = {o["file"] for o in record["outputs"] if o["scale"] == "display"}
    assert {p.name for p in out.iterdir()} == promised | {"run.json"} | ({"caption.txt"} if pictures else set())
    assert told.out.split() == [str(tmp_path / "2" / o.file) for o in load(name).outputs]
    height, width = record["crop"][2:]
    assert 0.4 * 260 * 340 < height * width <= 260 * 340
    for told_of in record["outputs"]:
        file = told_of["file"]
        assert (out / file).read_bytes() == (tmp_path / "2" / file).read_bytes(), f"{file} depends on the number of threads"
        found = values(out / file)
        assert np.isfinite(found).all(), file
        assert {told_of["height"], told_of["width"]} <= set(found.shape)
        assert found.std() > 0
        if told_of["scale"] == "display":
            # neither black nor burnt out: a dark sky, something bright in it, hardly anything at either end
            assert np.quantile(found, 0.995) > np.median(found) + 0.1, file
            if "star" not in told_of["layer"]:  # which lie on black
                assert 0.02 < np.median(found) < 0.5, file
                assert (found <= 0).mean() < 0.02, file
            assert (found >= 1).mean() < 0.05, file
