"""Looking a number up exactly, in registries of ten thousand and of a million numbers, against the bare indexed SELECT."""

from __future__ import annotations

import random

import pytest

from decoder import load_tables
from registry import lookup
from tests.benchmarks.bench_near import listed
from tests.benchmarks.harness import Measured, record, side_by_side

TIMES, GROWTH = 2, 2  # the aims: times the bare SELECT; times what it costs at a hundredth of the size
BARE = "SELECT subject_kind, subject, kind, family, certain FROM number_keys WHERE key = ?"
ASKED = 500


@pytest.fixture(scope="module")
def measured() -> dict[int, tuple[Measured, float]]:
    """For each size: the line of the table, and the seconds of one look-up."""
    out = {}
    tables = load_tables()
    for size in (10_000, 1_000_000):
        with listed(size) as (conn, keys):
            drawn = random.Random(1968).sample(keys, ASKED)
            assert all(1 == len(lookup.exact(conn, key)) for key in drawn)

            def ours(conn=conn, drawn=drawn):
                for key in drawn:
                    lookup.exact(conn, key)

            def theirs(conn=conn, drawn=drawn):
                for key in drawn:
                    conn.execute(BARE, (key,)).fetchall()

            a, b = side_by_side(ours, theirs, rounds=30)
            line = record(
                f"exact look-up among {size:,} numbers / the bare indexed SELECT", a / ASKED, b / ASKED, TIMES
            )
            out[size] = line, a / ASKED

            def told(conn=conn, drawn=drawn):
                for key in drawn[:50]:
                    lookup.find(conn, key, on="pan", tables=tables, near=False)

            a, b = side_by_side(told, theirs, rounds=5)
            record("... and all that a person is told (find, families and sentences)", a / 50, b / ASKED, None)
    return out


@pytest.mark.parametrize("size", [10_000, 1_000_000])
def test_exact_look_up(measured, size):
    assert measured[size][0].is_met


def test_it_grows_little(measured):
    """A hundred times the numbers, at most twice the time."""
    (_, small), (_, large) = measured[10_000], measured[1_000_000]
    assert record("exact look-up among 1,000,000 numbers / among 10,000", large, small, GROWTH).is_met
