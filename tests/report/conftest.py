"""A run with its page, and a browser to open it in."""

import os
import shutil
from pathlib import Path

import pytest

from nebulakit.cli import call
from nebulakit.demo import make_scene, write_scene

RECIPE = """version: 1
about: A short recipe <b>with markup</b>.
steps:
  - crop_to_coverage: {}
  - remove_gradient: {}
  - separate_stars: {}
    as: {nebula: nebula, stars: stars}
  - stretch_asinh: {}
    id: stretch
    note: "a note with <script>alert(1)</script> & \\"quotes\\""
  - saturate: {gain: 1.3}
outputs:
  - {layer: last, file: picture.tif}
"""


@pytest.fixture(scope="session")
def night(tmp_path_factory) -> Path:
    """A small stack whose file name is hostile, and a recipe."""
    folder = tmp_path_factory.mktemp("night")
    stack, _ = write_scene(make_scene(5, (300, 400), "bubble"), folder)
    stack.rename(folder / "a <img src=x> & 'b'.fits")
    (folder / "r.yaml").write_text(RECIPE)
    return folder


@pytest.fixture(scope="session")
def stack(night) -> Path:
    return next(night.glob("a *.fits"))


@pytest.fixture(scope="session")
def page(night, stack) -> Path:
    """The page of a run."""
    out = night / "out"
    args = [
        "run",
        str(night / "r.yaml"),
        str(stack),
        "--input",
        f"coverage={night / 'coverage.fits'}",
        "-o",
        str(out),
        "--no-cache",
    ]
    assert call(args) == 0
    return out / "report.html"


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
    """A tab that fails the test on a console error, a page error, or a request that leaves the machine."""
    faults: list[str] = []
    context = browser.new_context(viewport={"width": 1400, "height": 1000})
    tab = context.new_page()
    tab.on("console", lambda m: faults.append(m.text) if m.type == "error" else None)
    tab.on("pageerror", lambda e: faults.append(str(e)))

    def leaves(request) -> None:
        if not request.url.startswith(("file:", "data:", "http://127.0.0.1:", "blob:")):
            faults.append(f"request to {request.url}")

    tab.on("request", leaves)
    yield tab
    context.close()
    assert faults == []


@pytest.fixture(scope="session")
def axe() -> str:
    """The source of axe-core, whose file the environment variable AXE_CORE names."""
    where = os.environ.get("AXE_CORE")
    if not where or not Path(where).is_file():
        pytest.skip("AXE_CORE does not name a copy of axe-core's axe.min.js")
    return Path(where).read_text(encoding="utf-8")
