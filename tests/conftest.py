"""What all tests share: where real files lie, and properties that search the same cases every time."""

import os
from pathlib import Path

import pytest
from hypothesis import settings

# tests run side by side, one a processor: threads of the linear algebra beside them would only wait for one another.
# Read when numpy is loaded, which is later, and by the programs that tests start
for name in ("OPENBLAS_NUM_THREADS", "OMP_NUM_THREADS"):
    os.environ.setdefault(name, "1")

settings.register_profile("nebulakit", deadline=None, derandomize=True, database=None)
settings.load_profile("nebulakit")


@pytest.fixture(scope="session")
def shared() -> Path:
    """The folder of real files and made scenes that is no part of the project."""
    folder = Path(__file__).resolve().parents[2] / "shared"
    if not folder.is_dir():
        pytest.skip("the folder of real files does not lie beside the project")
    return folder


@pytest.fixture(scope="session")
def shared_data(shared: Path) -> Path:
    """The real observations and standard files in it."""
    folder = shared / "data"
    if not folder.is_dir():
        pytest.skip("the real files do not lie beside the project")
    return folder
