"""A store of its own for tests of pages that write."""

import shutil
from pathlib import Path

import pytest

from dashboard.variables import STORE as STORE_VARIABLE
from pipelines.store.folder import Store


@pytest.fixture
def store(known_store: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Store:
    """A copy of the known store, which the pages then show."""
    shutil.copytree(known_store, tmp_path / "store")
    monkeypatch.setenv(STORE_VARIABLE, str(tmp_path / "store"))
    return Store(tmp_path / "store")
