"""The invented laboratory, built once for all tests of it."""

import shutil
from pathlib import Path

import pytest

from service.demo.building import build
from service.platform.database import now_utc


@pytest.fixture(scope="session")
def built(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A demo, built once; nobody changes it."""
    folder = tmp_path_factory.mktemp("demo") / "layerbook-demo"
    build(folder, now_utc())
    return folder


@pytest.fixture
def own(built: Path, tmp_path: Path) -> Path:
    """A demo of one's own."""
    return Path(shutil.copytree(built, tmp_path / "layerbook-demo"))
