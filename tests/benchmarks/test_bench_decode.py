"""What it costs to decode a certain number, alone and in a list of a million, against the bare search over the same starts."""

from __future__ import annotations

import random
from bisect import bisect_right

import numpy as np
import pytest

from decoder import decode, decode_many, load_tables
from tests.benchmarks.harness import record, side_by_side

ONE, MANY = 20, 20  # the aims: times a bare bisect; times a bare searchsorted
MILLION = 1_000_000


@pytest.fixture(scope="module")
def starts() -> list[str]:
    """The first numbers of all stretches of the platform pan's nine figures with seven of running number before them, as they are searched."""
    template = next(
        t for t in load_tables()["aircooled-platform"].templates if (t.scheme, t.length) == ("nine-digit", 9)
    )
    return template.tracks[0][0]


@pytest.fixture(scope="module")
def numbers() -> list[str]:
    """A million numbers of model year 1968, drawn at random."""
    chance = random.Random(1968)
    return [f"118{chance.randrange(1, 999_999):06d}" for _ in range(MILLION)]


def test_one_certain_number(starts):
    """The whole answer: family, number, probability, none of these, first and last day, model years, months."""
    text, key = "118012345", "8012345"

    def ours():
        answer = decode(text, "pan")
        return answer

    assert ("118012345", "1967-08-01", [(1968, 1.0)]) == (
        ours().decodings[0].number,
        ours().decodings[0].earliest,
        ours().decodings[0].model_years,
    )
    times = side_by_side(ours, lambda: bisect_right(starts, key), rounds=60, ours_times=2000, theirs_times=20_000)
    line = record("decode one certain number / bare bisect over the same starts", *times, ONE)
    spaced = side_by_side(
        lambda: decode("118 012 345", "pan"),
        lambda: bisect_right(starts, key),
        rounds=30,
        ours_times=2000,
        theirs_times=20_000,
    )
    record("... with spaces in it", *spaced, None)

    def read_out():
        first = decode(text, "pan").decodings[0]
        return first.number, first.earliest, first.latest, first.model_years, first.months

    record(
        "... and number, days, model years and months read out",
        *side_by_side(read_out, lambda: bisect_right(starts, key), rounds=30, ours_times=1000, theirs_times=20_000),
        None,
    )
    record(
        "... and written as the JSON document's dict",
        *side_by_side(
            lambda: decode(text, "pan").as_dict(),
            lambda: bisect_right(starts, key),
            rounds=15,
            ours_times=100,
            theirs_times=20_000,
        ),
        None,
    )
    assert line.is_met


def test_a_million_numbers(starts, numbers):
    """Columns in and out, against the bare search of ready integers."""
    ready, knots = np.array([int(n[2:]) for n in numbers]), np.array([int(s) for s in starts])
    columns = decode_many(numbers, "pan")
    for i in range(0, MILLION, 100_003):
        found = decode(numbers[i], "pan").decodings[0]
        assert (found.number, found.earliest, found.likeliest_month) == (
            columns["number"][i],
            columns["earliest"][i],
            columns["likeliest_month"][i],
        )
    times = side_by_side(
        lambda: decode_many(numbers, "pan"), lambda: np.searchsorted(knots, ready, side="right"), rounds=5
    )
    line = record("decode_many of 10^6 strings / bare numpy.searchsorted of ready integers", *times, MANY)
    spaced = [f"{n[:3]} {n[3:6]} {n[6:]}" for n in numbers]
    record(
        "... with spaces in them",
        *side_by_side(
            lambda: decode_many(spaced, "pan"), lambda: np.searchsorted(knots, ready, side="right"), rounds=3
        ),
        None,
    )
    assert line.is_met


def test_a_list_is_quicker_than_a_loop(numbers):
    """The same columns by a plain loop of decode, a tenth of the list for each."""
    some = numbers[: MILLION // 10]

    def loop():
        out = []
        for text in some:
            first = decode(text, "pan").decodings[0]
            out.append(
                (first.family.id, first.number, first.probability, first.earliest, first.latest, first.likeliest_month)
            )
        return out

    line = record(
        "decode_many of 10^5 strings / a plain loop of decode",
        *side_by_side(lambda: decode_many(some, "pan"), loop, rounds=5),
        1,
    )
    assert line.is_met
