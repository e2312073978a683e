"""A store in a temporary folder that gives up on locks at once."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path

import pytest

from gateway.store import engines
from gateway.store.database import Store
from tests.store.records import store_in


@pytest.fixture
def store(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Iterator[Store]:
    monkeypatch.setattr(engines, "BUSY_TIMEOUT_MS", 20)
    store = store_in(tmp_path)
    yield store
    store.close()
