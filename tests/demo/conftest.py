"""A demo to change."""

import shutil
from pathlib import Path

import pytest


@pytest.fixture
def own(built: Path, tmp_path: Path) -> Path:
    """A demo of one's own."""
    return Path(shutil.copytree(built, tmp_path / "layerbook-demo"))
