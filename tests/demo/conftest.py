"""A demo to change, and a demo begun."""

import shutil
from pathlib import Path

import pytest
from sqlalchemy import make_url

from service.demo import building


@pytest.fixture
def own(built: Path, tmp_path: Path) -> Path:
    """A demo of one's own."""
    return Path(shutil.copytree(built, tmp_path / "layerbook-demo"))


@pytest.fixture
def migrated_by_copy(sqlite_template: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """Let a demo begin with a copy of a migrated file, for a test that ends its building early."""

    def copy(url: str) -> None:
        shutil.copyfile(sqlite_template, str(make_url(url).database))

    monkeypatch.setattr(building, "migrate", copy)
