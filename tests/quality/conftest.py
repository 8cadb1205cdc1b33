"""The other generator of scenes, for tests."""

from pathlib import Path
from typing import Any

import pytest

from tests.quality import beside


@pytest.fixture(scope="session")
def scene(shared: Path) -> Any:
    """The generator of scenes that lies beside the project."""
    return beside.generator()
