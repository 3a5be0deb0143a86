"""A small registry to record in."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path

import pytest
from furnishing import AT, furnish
from sqlite_utils import Database

from registry.opening import create_registry, open_registry


@pytest.fixture
def registry_path(tmp_path: Path) -> Path:
    """An empty registry, made at a fixed time."""
    return create_registry(
        tmp_path / "try.db", name="Try list", origin="try", keeper="Orla Thrennick", at=AT, uid="0000"
    )


@pytest.fixture
def db(registry_path: Path) -> Iterator[Database]:
    """The registry open for writing, with house tables, a maker, two series and three tells in it."""
    database = open_registry(registry_path, write=True)
    furnish(database)
    yield database
    database.close()
