"""A small registry to record in."""

from __future__ import annotations

import io
import sys
from collections.abc import Iterator
from pathlib import Path

import pytest
from commanding import Tubmark
from furnishing import AT, furnish
from sqlite_utils import Database

from registry.cli import run
from registry.commands import keeping
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


@pytest.fixture
def tubmark(path: Path, capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch) -> Tubmark:
    """Runs a command on the registry at ``path``, a fixture of the module's own: exit status, standard output, standard error."""
    monkeypatch.setenv("TUBMARK_REGISTRY", str(path))
    for name in ("TUBMARK_BY", "TUBMARK_RULES"):
        monkeypatch.delenv(name, raising=False)
    monkeypatch.setenv("COLUMNS", "80")

    def go(*args: str, typed: str | None = None) -> tuple[int, str, str]:
        """``typed`` is what somebody types at a terminal; without it there is none."""
        monkeypatch.setattr(keeping, "_at_terminal", lambda: typed is not None)
        monkeypatch.setattr(sys, "stdin", io.StringIO(typed or ""))
        capsys.readouterr()
        status = run(list(args))
        out, err = capsys.readouterr()
        assert "Traceback" not in err
        return status, out, err

    return go
