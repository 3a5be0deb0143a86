"""Near look-up with the bounds that were promised; ``bench_near.py`` tells what is measured."""

from __future__ import annotations

import pytest

from tests.benchmarks.bench_near import SLIPS, Result, measure

BY_THE_INDEX, IN_MEMORY, OPEN = 100, 20, 120  # at most so many bare SELECTs


@pytest.fixture(scope="module")
def million() -> Result:
    found = measure(1_000_000)
    print("\n" + found.table())
    return found


@pytest.mark.parametrize("slip", SLIPS)
def test_one_slip(million, slip):
    """All of it is found, by the index alone and in memory, within the bounds."""
    for way, most in (("by the index alone", BY_THE_INDEX), ("deletion neighbourhood", IN_MEMORY)):
        row = million.rows[f"one character {slip}, {way}"]
        assert row.recall == 1.0
        assert row.times <= most


@pytest.mark.parametrize("unread", [1, 2, 3, 4, 5, 6, 7])
def test_characters_that_cannot_be_read(million, unread):
    """Up to three all are found; however many there are, it costs no more. Of very many only some are named."""
    way = "by the index alone" if unread < 3 else "bytes in memory"
    row = million.rows[f"{unread} unreadable, {way}"]
    assert row.times <= OPEN
    if unread <= 4:
        assert row.recall == 1.0


def test_two_misread_characters(million):
    assert million.rows["two misread characters, bytes in memory"].recall == 1.0


def test_on_a_list_of_ten_thousand_the_same_way_is_as_quick_as_the_simplest():
    """One way for every size: at 10^4 it costs what rapidfuzz over the list costs, give or take a half."""
    found = measure(10_000)
    print("\n" + found.table())
    rows = found.rows
    assert all(rows[f"one character {slip}, by the index alone"].recall == 1.0 for slip in SLIPS)
    if "rapidfuzz" in rows:
        assert (
            max(rows[f"one character {slip}, by the index alone"].times for slip in SLIPS)
            <= 1.5 * rows["rapidfuzz"].times
        )
