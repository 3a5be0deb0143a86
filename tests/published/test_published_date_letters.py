"""The year and month letters of the European date-letter saloons, against the published tables and the published cycle.

``ford-europe-date-letters.csv`` beside this file holds every pair from January 1965 to December 2000 with its source and
standing; ``ford-europe-ambiguous-codes.csv`` the pairs that stand for two months.
"""

from __future__ import annotations

import csv
from collections import Counter
from pathlib import Path

import pytest

from decoder import decode, load_tables

FAMILY = "ford-europe-date-letters"
HERE = Path(__file__).parent
#: fordwiki.co.uk, "Build Date Codes", seen: 16 month letters that go round once in 16 months, so three times in four years.
CYCLE = "JUMPBRAGCKDELYST"


def read_csv(name):
    lines = (HERE / name).read_text(encoding="utf-8").splitlines()
    return list(csv.DictReader(line for line in lines if not line.startswith("#")))


PAIRS = read_csv("ford-europe-date-letters.csv")
TWICE = {row["code"]: [row["first"], row["second"]] for row in read_csv("ford-europe-ambiguous-codes.csv")}


def months_of(text):
    found = next((d for d in decode(text, families=[FAMILY], doubt="none").decodings), None)
    return [month for month, _ in found.months] if found else []


def test_the_list_is_whole_and_counts_itself():
    assert len(PAIRS) == 36 * 12
    assert [p["month"] for p in PAIRS] == [f"{y}-{m:02d}" for y in range(1965, 2001) for m in range(1, 13)]
    assert {code for code, n in Counter(p["code"] for p in PAIRS).items() if n > 1} == set(TWICE)
    assert (
        Counter(p["standing"] for p in PAIRS)["seen"] == 24 + 92 + 120 - 8
    )  # eight cells of the manual are copy errors


def test_the_published_cycle_gives_every_month_letter():
    """The 16 letters, begun with J in January 1965, give the month letter of all 432 months, also of those read in tables."""
    assert [p["code"][1] for p in PAIRS] == [CYCLE[i % 16] for i in range(432)]


@pytest.mark.parametrize("pair", PAIRS, ids=lambda p: p["month"])
def test_each_pair_gives_its_month(pair):
    expected = TWICE.get(pair["code"], [pair["month"]])
    assert months_of(pair["code"]) == expected
    assert pair["month"] in expected


@pytest.mark.parametrize("pair", PAIRS[::7], ids=lambda p: p["month"])
def test_the_pair_inside_a_whole_number(pair):
    """Country and plant, body, the two letters, five figures."""
    assert pair["month"] in months_of(f"GAEC{pair['code']}12345")


@pytest.mark.parametrize("pair", [p for p in PAIRS if p["printed_otherwise"]], ids=lambda p: p["month"])
def test_printed_slips_stand_beside_the_row(pair):
    """The Scorpio manual's copy prints V for Y, and A for S in March 1990 (seen): the row keeps the printed pair and says why."""
    row = next(r for r in load_tables()[FAMILY].raw["rows"] if r["id"] == pair["month"])
    assert pair["printed_otherwise"] in row["disputed"][0]["says"]
    assert pair["month"] not in months_of(pair["printed_otherwise"])


@pytest.mark.parametrize("pair", [p for p in PAIRS if p["standing"] == "memory"], ids=lambda p: p["month"])
def test_year_letters_after_1996_say_that_they_are_from_memory(pair):
    row = next(r for r in load_tables()[FAMILY].raw["rows"] if r["id"] == pair["month"])
    assert "built" in row["memory"]


def test_the_year_letters_that_another_page_shifts_are_disputed():
    """A page on a small car of the nineties has 1997 U, 1998 V, 1999 W, 2000 X (seen); here 1997 V, 1998 W, 1999 X (from memory)."""
    says = {
        r["id"]: r["disputed"][0]["says"]
        for r in load_tables()[FAMILY].raw["rows"]
        if r["id"].endswith("-06") and r["disputed"]
    }
    assert (says["1978-06"], says["1997-06"], says["1998-06"], says["1999-06"]) == ("1997", "1998", "1999", "2000")


@pytest.mark.parametrize("pair", ["EI", "EO", "EQ", "EV", "EX", "EZ", "EN", "EW", "IJ", "OJ", "QJ", "ZJ"])
def test_letters_that_are_not_in_the_cycle(pair):
    """The cycle has 16 month letters; I, O, Q and Z are no year letters (fordwiki.co.uk, seen)."""
    answer = decode(pair, families=[FAMILY], doubt="none")
    assert answer.status == 1
    assert answer.problems


def test_the_days_of_the_answer_are_the_month():
    found = decode("TG", families=[FAMILY]).decodings[
        0
    ]  # August 1977, the last cell of the Capri table, seen; and April 1996
    assert (found.earliest, found.latest) == ("1977-08-01", "1996-04-30")
    found = decode("UG", families=[FAMILY]).decodings[0]
    assert (found.earliest, found.latest) == ("1978-12-01", "1978-12-31")
