"""Two ways of doing one thing, measured side by side; the table that ``make bench`` ends with.

A busy machine slows both sides, so they take turns: in each round the one and then the other, and of all rounds the best of
each counts. What is promised is the ratio; seconds are of this machine and stand beside it for orientation.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass
from time import perf_counter


@dataclass
class Measured:
    """One line of the table. ``aim``: at most so many times; None where nothing was promised."""

    what: str
    ratio: float
    aim: float | None
    ours: float = math.nan
    theirs: float = math.nan

    @property
    def is_met(self) -> bool:
        return self.aim is None or self.ratio <= self.aim


#: Everything measured in this run, in order.
MEASURED: list[Measured] = []


def side_by_side(
    ours: Callable[[], object],
    theirs: Callable[[], object],
    *,
    rounds: int = 15,
    ours_times: int = 1,
    theirs_times: int = 1,
) -> tuple[float, float]:
    """Seconds of one call of each, the best of some rounds in turn; in a round each is called so many times."""
    best = [math.inf, math.inf]
    for _ in range(rounds):
        for side, (call, times) in enumerate(((ours, ours_times), (theirs, theirs_times))):
            start = perf_counter()
            for _ in range(times):
                call()
            best[side] = min(best[side], (perf_counter() - start) / times)
    return best[0], best[1]


def record(what: str, ours: float, theirs: float, aim: float | None) -> Measured:
    """Put a line into the table and give it back, so that it can be asserted."""
    line = Measured(what, ours / theirs, aim, ours, theirs)
    MEASURED.append(line)
    return line


def duration(seconds: float) -> str:
    """``1.23 ms`` and the like."""
    for unit, size in (("s", 1.0), ("ms", 1e-3), ("us", 1e-6)):
        if seconds >= size:
            return f"{seconds / size:.2f} {unit}"
    return f"{seconds * 1e9:.0f} ns"


def table(lines: list[Measured]) -> str:
    """What, how many times, the aim, met or not."""
    width = max([len("what"), *(len(line.what) for line in lines)])
    out = [f"{'what':<{width}}  {'ratio':>8}  {'aim':>6}  {'':<7}  {'ours':>10}  {'beside':>10}"]
    for line in lines:
        aim = "" if line.aim is None else f"{line.aim:g}"
        met = "" if line.aim is None else "met" if line.is_met else "NOT MET"
        out.append(
            f"{line.what:<{width}}  {line.ratio:>8.2f}  {aim:>6}  {met:<7}  {duration(line.ours):>10}  {duration(line.theirs):>10}"
        )
    return "\n".join(out)
