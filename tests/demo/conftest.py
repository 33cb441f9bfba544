"""The invented laboratory, built once for all tests of it."""

import fcntl
import os
import shutil
from pathlib import Path

import pytest

from service.demo.building import build
from service.platform.database import now_utc


@pytest.fixture(scope="session")
def built(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A demo, built by the first process that wants one; nobody changes it."""
    of_all = tmp_path_factory.getbasetemp()
    if "PYTEST_XDIST_WORKER" in os.environ:
        of_all = of_all.parent
    folder, ready = of_all / "layerbook-demo", of_all / "demo-is-ready"
    with (of_all / "demo.lock").open("w") as lock:
        fcntl.flock(lock, fcntl.LOCK_EX)
        if not ready.exists():
            shutil.rmtree(folder, ignore_errors=True)
            build(folder, now_utc())
            ready.touch()
    return folder


@pytest.fixture
def own(built: Path, tmp_path: Path) -> Path:
    """A demo of one's own."""
    return Path(shutil.copytree(built, tmp_path / "layerbook-demo"))
