"""What the tests of commands share: how a command is run, what a registry holds, and text without its line breaks."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path

from registry import knowing
from registry.opening import opened

#: Runs a command line and gives its exit status, its standard output and its standard error.
Tubmark = Callable[..., tuple[int, str, str]]


def counts(path: Path) -> dict[str, int]:
    """How many rows of each kind a registry holds: what a command that refuses must leave as it was."""
    with opened(path) as db:
        return knowing.counts(db)


def plain(text: str) -> str:
    """The text as one line, whatever the terminal's width made of it."""
    return " ".join(text.split())
