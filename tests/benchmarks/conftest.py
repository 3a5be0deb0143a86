"""At the end of ``make bench``: one table of what was measured."""

from __future__ import annotations

from typing import Any

from tests.benchmarks.harness import MEASURED, table


def pytest_terminal_summary(terminalreporter: Any) -> None:
    if MEASURED:
        terminalreporter.section("measured: at most so many times what stands beside it")
        terminalreporter.write_line(table(MEASURED))
