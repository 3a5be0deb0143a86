"""Calibration: whether the one who says "nine in ten" is right nine times in ten.

A chance that nobody has checked against outcomes is only a way of speaking. Decided cars tell: of the answers given at 80
to 90 per cent, how many held (`reliability`), and what the saying cost all in all.

The Brier score is the mean squared distance between what was said and what was so. It falls into three parts: how far what
was said lies from how often it held (reliability, small is good), how far the cases were told apart (resolution, large is
good), and how uncertain the matter was to begin with:

>>> said = [0.9] * 10 + [0.6] * 10 + [0.2] * 10
>>> so = [1] * 8 + [0] * 2 + [1] * 6 + [0] * 4 + [1] * 3 + [0] * 7
>>> [round(part, 4) for part in murphy(said, so)]
[0.21, 0.0067, 0.0422, 0.2456]

For likelihood ratios the cost is `cllr`. A large ratio on the wrong side costs dearly, so an examiner who says too much is
found out; `cllr_min` is what would be left if his ratios were stretched rightly, and the difference is what it cost him.

With fewer than about fifty decided cars any of these is noise: counts stand beside them.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from typing import NamedTuple

from decoder.errors import DecoderError


class Murphy(NamedTuple):
    """The Brier score taken apart: brier = reliability - resolution + uncertainty, exactly where all forecasts of a bin are
    equal."""

    brier: float
    reliability: float
    resolution: float
    uncertainty: float


class Bin(NamedTuple):
    """Forecasts between two edges: how many, their mean, and how often the thing was so."""

    low: float
    high: float
    cases: int
    said: float
    held: float


def brier(said: Sequence[float], so: Sequence[bool | int]) -> float:
    """Mean squared distance between what was said (0 to 1) and what was so; 0 is perfect (G. W. Brier, Monthly Weather
    Review 78, 1950; from memory).

    >>> round(brier([0.1, 0.9, 0.8, 0.3], [0, 1, 1, 0]), 4)
    0.0375
    """
    _check_forecasts(said, so)
    return math.fsum((p - o) ** 2 for p, o in zip(said, so, strict=True)) / len(said)


def murphy(said: Sequence[float], so: Sequence[bool | int], bins: int | None = None) -> Murphy:
    """A. H. Murphy's decomposition (Journal of Applied Meteorology 12, 1973, pp. 595-600). Without ``bins`` equal
    forecasts go together, and it is exact; with them, so many bins of equal width."""
    _check_forecasts(said, so)
    groups: dict[float, list[tuple[float, float]]] = {}
    for p, o in zip(said, so, strict=True):
        groups.setdefault(p if bins is None else min(int(p * bins), bins - 1), []).append((p, float(o)))
    n = len(said)
    base = math.fsum(float(o) for o in so) / n
    reliability = resolution = 0.0
    for group in groups.values():
        mean, held = math.fsum(p for p, _ in group) / len(group), math.fsum(o for _, o in group) / len(group)
        reliability += len(group) / n * (mean - held) ** 2
        resolution += len(group) / n * (held - base) ** 2
    return Murphy(brier(said, so), reliability, resolution, base * (1 - base))


def reliability(said: Sequence[float], so: Sequence[bool | int], bins: int = 10) -> list[Bin]:
    """Bins of equal width that hold anything, with their counts: with fewer than about fifty decided cars any such table is
    noise, and the counts say so."""
    _check_forecasts(said, so)
    held: dict[int, list[tuple[float, float]]] = {}
    for p, o in zip(said, so, strict=True):
        held.setdefault(min(int(p * bins), bins - 1), []).append((p, float(o)))
    return [
        Bin(at / bins, (at + 1) / bins, len(group), *(math.fsum(x) / len(group) for x in zip(*group, strict=True)))
        for at, group in sorted(held.items())
    ]


def cllr(for_one: Sequence[float], for_other: Sequence[float]) -> float:
    """The log-likelihood-ratio cost in bits (N. Brummer and J. du Preez, Computer Speech and Language 20, 2006, pp.
    230-275): 0 is perfect, 1 is always saying nothing, above 1 does harm. Takes **log10** ratios: of the cases where the
    first proposition was so, and of those where the second was. Infinite where one was infinitely sure of what was not so.

    >>> round(cllr([1, 2], [-1, -2]), 7), cllr([0], [0])
    (0.0759294, 1.0)
    """
    if not for_one or not for_other:
        raise DecoderError("The cost needs cases of both kinds: at least one where each proposition was so.")
    one = math.fsum(_softplus(-x * math.log(10)) for x in for_one) / len(for_one)
    other = math.fsum(_softplus(x * math.log(10)) for x in for_other) / len(for_other)
    return (one + other) / (2 * math.log(2))


def cllr_min(for_one: Sequence[float], for_other: Sequence[float]) -> float:
    """The cost that would be left if the ratios were set right by the best rising curve (pool adjacent violators): what
    the findings can tell apart. ``cllr - cllr_min`` is the loss by saying too much or too little."""
    cllr(for_one, for_other)  # refuses empty lists
    at: dict[float, tuple[float, float]] = {}  # (ones, cases) at each ratio
    for x, label in [(x, 1.0) for x in for_one] + [(x, 0.0) for x in for_other]:
        ones, cases = at.get(x, (0.0, 0.0))
        at[x] = (ones + label, cases + 1)
    blocks: list[tuple[float, float]] = []
    for x in sorted(at):
        ones, cases = at[x]
        while blocks and blocks[-1][0] * cases >= ones * blocks[-1][1]:
            ones, cases = ones + blocks[-1][0], cases + blocks[-1][1]
            blocks.pop()
        blocks.append((ones, cases))
    odds = math.log10(len(for_one) / len(for_other))
    one = other = 0.0
    for ones, cases in blocks:
        zeros = cases - ones
        lr = math.inf if not zeros else -math.inf if not ones else math.log10(ones / zeros) - odds
        one += ones * _softplus(-lr * math.log(10)) if ones else 0.0
        other += zeros * _softplus(lr * math.log(10)) if zeros else 0.0
    return (one / len(for_one) + other / len(for_other)) / (2 * math.log(2))


def _softplus(x: float) -> float:
    """log(1 + e^x), also for large x."""
    return max(x, 0.0) + math.log1p(math.exp(-abs(x))) if math.isfinite(x) else max(x, 0.0)


def _check_forecasts(said: Sequence[float], so: Sequence[bool | int]) -> None:
    if not said or len(said) != len(so):
        raise DecoderError("There must be as many outcomes as forecasts, and at least one.")
    if any(not 0 <= p <= 1 for p in said):
        raise DecoderError("A forecast is a probability from 0 to 1.")
