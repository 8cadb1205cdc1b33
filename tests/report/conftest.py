"""A run with its page, and a browser to open it in."""

import os
import shutil
from pathlib import Path

import numpy as np
import pytest

from nebulakit.cli import call
from nebulakit.demo import make_scene, write_scene
from nebulakit.image import Image
from nebulakit.pixels.facts import Psf, StarList
from nebulakit.recipe import loads
from nebulakit.report.collect import Collector
from nebulakit.runner.execute import execute

RECIPE = """version: 1
about: A short recipe <b>with markup</b>.
steps:
  - crop_to_coverage: {}
    id: field
  - remove_gradient: {}
    as: {image: flat, model: glow}
  - denoise_wavelet: {}
  - stretch_asinh: {}
    id: stretch
    note: "a note with <script>alert(1)</script> & \\"quotes\\""
    as: shown
  - level_mask: {above: 50%}
    as: bright
  - saturate: {gain: 1.3, hues: [340, 60]}
    from: shown
    mask: bright
  - curve: {points: [[0.2, 0.25]]}
outputs:
  - {layer: last, file: picture.tif}
"""


@pytest.fixture(scope="session")
def night(tmp_path_factory) -> Path:
    """A small stack whose file name and header are hostile, and a recipe."""
    from astropy.io import fits

    folder = tmp_path_factory.mktemp("night")
    stack, _ = write_scene(make_scene(5, (240, 320), "bubble"), folder)
    with fits.open(stack, mode="update") as opened:
        opened[0].header["OBJECT"] = "<script>alert(2)</script>"
    stack.rename(folder / "a <img src=x> & 'b'.fits")
    (folder / "r.yaml").write_text(RECIPE)
    return folder


@pytest.fixture(scope="session")
def stack(night) -> Path:
    return next(night.glob("a *.fits"))


@pytest.fixture(scope="session")
def run(night, stack):
    """Run a recipe on the night into a folder; give the exit code."""

    def do(out: Path, *more: str, recipe: Path | None = None) -> int:
        coverage = f"coverage={night / 'coverage.fits'}"
        return call(["run", str(recipe or night / "r.yaml"), str(stack), "--input", coverage, "-o", str(out), *more])

    return do


@pytest.fixture(scope="session")
def page(night, run) -> Path:
    """The page of a run."""
    assert run(night / "out", "--no-cache") == 0
    return night / "out" / "report.html"


@pytest.fixture(scope="session")
def sweep_page(night, stack):
    out = night / "sweep"
    args = ["sweep", str(night / "r.yaml"), str(stack), "--input", f"coverage={night / 'coverage.fits'}", "--no-cache"]
    assert call([*args, "--vary", "saturate.gain=0.5,1,2", "-o", str(out)]) == 0
    return out / "sweep.html"


@pytest.fixture(scope="session")
def collected():
    """Run the text of a recipe on an image; give what is collected for its page."""

    def do(text: str, image: Image) -> Collector:
        recipe = loads(text)
        seen = Collector(recipe)
        execute(recipe, {"stack": image}, after=seen.after)
        return seen

    return do


@pytest.fixture(scope="session")
def sky() -> Image:
    """A noisy linear colour picture with known facts: some stars, a blob of light, and a sky at zero."""
    rng = np.random.default_rng(3)
    y, x = np.mgrid[0:240, 0:320].astype(np.float32)
    planes = rng.normal(0, 1, (3, 240, 320)).astype(np.float32)
    blob = 40 * np.exp(-((x - 150) ** 2 + (y - 120) ** 2) / 2 / 40**2)
    planes += np.array([1, 0.3, 0.25], np.float32)[:, None, None] * blob
    places = rng.uniform(20, 220, (40, 2))
    for sx, sy in places:
        planes += 300 * np.exp(-((x - sx) ** 2 + (y - sy) ** 2) / 2 / 1.3**2)
    kernel = np.exp(-(np.add.outer(np.arange(-7, 8) ** 2, np.arange(-7, 8) ** 2)) / 2 / 1.3**2).astype(np.float32)
    ones = np.ones(40)
    stars = StarList(places[:, 0], places[:, 1], 3000 * ones, 300 * ones, 6 * ones, np.zeros(40, bool))
    image = Image.from_array(
        planes, sky=(0.0, 0.0, 0.0), fwhm=3.06, stars=stars, psf=Psf(kernel / kernel.sum(), 3.06, 8.0, stars=40)
    )
    return image.measured("noise")


@pytest.fixture(scope="session")
def browser():
    """Headless Chromium, started by Playwright; skips where either is missing."""
    playwright = pytest.importorskip("playwright.sync_api", reason="playwright is not installed (extra: browser)")
    path = shutil.which("chromium") or shutil.which("chromium-browser")
    if path is None:
        pytest.skip("no Chromium is installed")
    with playwright.sync_playwright() as p:
        started = p.chromium.launch(
            executable_path=path, args=["--no-sandbox", "--disable-gpu", "--disable-background-networking"]
        )
        yield started
        started.close()


@pytest.fixture
def tab(browser):
    """A tab that fails the test on a console error, a page error, a dialog, or a request that leaves the machine."""
    faults: list[str] = []
    context = browser.new_context(viewport={"width": 1400, "height": 1000})
    tab = context.new_page()
    tab.on("console", lambda m: faults.append(m.text) if m.type == "error" else None)
    tab.on("pageerror", lambda e: faults.append(str(e)))
    tab.on("dialog", lambda d: faults.append(f"dialog {d.message}") or d.dismiss())

    def leaves(request) -> None:
        if not request.url.startswith(("file:", "data:", "http://127.0.0.1:", "blob:")):
            faults.append(f"request to {request.url}")

    tab.on("request", leaves)
    yield tab
    context.close()
    assert faults == []


@pytest.fixture
def nothing_serious(tab):
    """Check the page in the tab for those who cannot see well, wide and narrow, light and dark, by axe-core."""
    where = os.environ.get("AXE_CORE")
    if not where or not Path(where).is_file():
        pytest.skip("AXE_CORE does not name a copy of axe-core's axe.min.js")
    axe = Path(where).read_text(encoding="utf-8")

    def check() -> None:
        tab.evaluate(axe)
        for width in (1400, 400):
            for scheme in ("light", "dark"):
                tab.emulate_media(color_scheme=scheme)
                tab.set_viewport_size({"width": width, "height": 900})
                found = [v for v in tab.evaluate("axe.run()")["violations"] if v["impact"] in ("serious", "critical")]
                assert [(v["id"], [n["html"][:200] for n in v["nodes"][:2]]) for v in found] == [], (width, scheme)
                assert tab.evaluate("document.documentElement.scrollWidth <= innerWidth + 1"), f"wider than {width} px"

    return check
