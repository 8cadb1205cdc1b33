"""The whole job on real sky: a nebula seen through an invented camera, frames of a star field, a mosaic."""

import json
from pathlib import Path

import numpy as np
import pytest
import tifffile
from astropy.io import fits
from scipy import ndimage, stats

from nebulakit.cli import call
from tests.real.hh204 import make_stack

pytestmark = pytest.mark.real


@pytest.fixture(scope="module")
def night(shared_data: Path, tmp_path_factory: pytest.TempPathFactory) -> tuple[Path, dict[str, np.ndarray]]:
    """Run bicolour on the stack; give the folder of the run and the truth, cut as the picture is."""
    folder = tmp_path_factory.mktemp("nebula")
    truth = make_stack(shared_data / "nebula-hh204")
    for name in ("stack", "coverage"):
        fits.writeto(folder / f"{name}.fits", truth[name])
    out = folder / "out"
    args = ["run", "bicolour", str(folder / "stack.fits"), "--input", f"coverage={folder / 'coverage.fits'}", "-o", str(out)]
    assert call([*args, "--no-cache"]) == 0
    y0, x0, h, w = json.loads((out / "run.json").read_text())["crop"]
    return out, {name: plane[..., y0 : y0 + h, x0 : x0 + w] for name, plane in truth.items()}


def test_colours_tell_of_the_lines(night) -> None:
    out, truth = night
    picture = tifffile.imread(out / "picture.tif") / 65535
    sigma = float(truth["sigma"].mean())
    seen = (truth["stars"].max(0) < sigma) & (truth["ha"] > 5 * sigma) & (truth["oiii"] > 2 * sigma)
    told = (picture[..., 2] - picture[..., 0]) / picture.sum(2)
    # the nebula fills the frame and has the widest forms a glow has: 1 % of the glow's range left is 5 noises, and turns
    # hues. Measured 0.66; 0.61-0.89 with other rims and orders, none of which is better founded. The goal is 0.9 where sky is free
    assert stats.spearmanr(truth["oiii"][seen] / truth["ha"][seen], told[seen])[0] > 0.55
    # the bow shock is H-alpha's, and red; where [O III] is strongest beside it, blue-green
    shock = truth["ha"] > np.quantile(truth["ha"], 0.97)
    ratio = truth["oiii"] / np.maximum(truth["ha"], sigma)
    teal = seen & (ratio > np.quantile(ratio[seen], 0.95))
    red, green, blue = np.moveaxis(picture, 2, 0)
    assert (red > blue + 0.1)[shock].mean() > 0.9
    # measured 0.78-0.85: in one corner a rest of the red glow outshines [O III]. Without sky the fit of the glow has two ends
    # there, 4 and 6 noises off, and a percent more or less of noise decides between them
    assert (blue > red)[teal].mean() > 0.75
    assert np.abs(green - blue)[teal].mean() < 0.06  # neither green nor blue alone
    assert ((picture <= 0.001) | (picture >= 0.999)).any(2).mean() < 0.005


def test_no_holes_discs_or_rings_where_stars_were(night) -> None:
    out, truth = night
    ha = fits.getdata(out / "ha.fits")
    ha = np.squeeze(ha)
    sigma = float(np.median(truth["sigma"][0]))
    light = truth["stars"].max(0)
    # the nebula where stars were, against the truth, smoothed to the size of a star; the level differs by what was taken for sky
    error = ndimage.gaussian_filter(ha - truth["ha"], 1.5)
    error -= ndimage.gaussian_filter(error, 25)
    for name, where in {"faint": (light > 5 * sigma) & (light < 100 * sigma), "bright": light > 100 * sigma}.items():
        beside = float(np.std(error[light < sigma]))
        assert float(np.std(error[where])) < 3 * beside, name
        assert abs(float(np.mean(error[where]))) < beside, name


def test_the_lines_are_those_of_the_telescope(night) -> None:
    out, truth = night
    for name in ("ha", "oiii"):
        line = np.squeeze(fits.getdata(out / f"{name}.fits"))
        # measured 0.99 and 0.85; 0.83-0.89 in [O III] with other rims and orders of the glow
        assert np.corrcoef(ndimage.gaussian_filter(line, 2).ravel(), truth[name].ravel())[0, 1] > 0.8, name
        # the nebula fills the frame, so its widest forms pass for skyglow; everything finer is there
        found, true = (ndimage.gaussian_filter(p, 2) - ndimage.gaussian_filter(p, 60) for p in (line, truth[name]))
        assert np.corrcoef(found.ravel(), true.ravel())[0, 1] > 0.95, name  # 0.96 for [O III], noise and all


@pytest.mark.parametrize("name", ["tetra3-Alt40_Azi-135", "tetra3-Alt60_Azi45"])
def test_single_frames_of_a_star_field(name, shared_data: Path, tmp_path: Path, capsys) -> None:
    """Glow and vignetting, hardly a nebula: the picture is a calm dark sky with its stars."""
    frame = str(shared_data / "starfield-tiff" / f"{name}.tiff")
    assert call(["inspect", frame, "--json"]) == 0
    told = json.loads(capsys.readouterr().out)
    assert told["recipe"] == "one_line"
    assert "undersampled" in {w["id"] for w in told["warnings"]}
    assert call(["run", "one_line", frame, "-o", str(tmp_path / "out"), "--no-cache"]) == 0
    picture = tifffile.imread(tmp_path / "out" / "picture.tif")[..., 0] / 65535
    rows = [v.reshape(-1) for half in np.array_split(picture, 4) for v in np.array_split(half, 4, axis=1)]
    levels = [float(np.median(v)) for v in rows]
    assert 0.05 < np.median(levels) < 0.15
    assert np.ptp(levels) < 0.2  # of a glow of ten noises nothing dominates
    assert (picture > 0.5).any()


def test_a_mosaic_whose_pattern_is_told(shared_data: Path, tmp_path: Path, capsys) -> None:
    mosaic = str(shared_data / "panoptes" / "unsolved.fits")
    assert call(["inspect", mosaic, "--json"]) == 0
    told = json.loads(capsys.readouterr().out)
    assert (told["width"], told["height"], told["planes"]) == (700, 700, ["grey"])
    recipe = tmp_path / "mosaic.yaml"
    recipe.write_text(
        "version: 1\nextends: natural\ninsert:\n  - before: field\n    steps:\n      - collapse_bayer: {pattern: GBRG}\n"
    )
    assert call(["run", str(recipe), mosaic, "-o", str(tmp_path / "out"), "--no-cache"]) == 0
    picture = tifffile.imread(tmp_path / "out" / "picture.tif") / 65535
    assert picture.shape[2] == 3
    assert 300 < min(picture.shape[:2]) <= max(picture.shape[:2]) <= 350
    # stars one pixel wide stand so close that half of the frame is their light: the sky is under it. Boxes, for where nothing
    # but noise is to be seen the stretch may show it as strongly as a tenth
    rows, columns = (n // 12 for n in picture.shape[:2])
    boxes = picture[: 12 * rows, : 12 * columns].reshape(rows, 12, columns, 12, 3)
    sky = np.quantile(np.median(boxes.transpose(0, 2, 1, 3, 4).reshape(rows * columns, 144, 3), axis=1), 0.1, axis=0)
    assert 0.05 < sky.mean() < 0.15
    assert np.ptp(sky) < 0.06  # neutral to half a noise, though green has twice the pixels
