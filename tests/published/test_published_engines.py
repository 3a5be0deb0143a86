"""Engine prefixes of the air-cooled platform pan's family: three lists that disagree, and each has to find room in the answer.

``aircooled-platform-engines.csv`` beside this file holds each list's claim as printed (all seen in their sources).
"""

from __future__ import annotations

import csv
from calendar import monthrange
from pathlib import Path

import pytest

from decoder import decode

FAMILY = "aircooled-platform-engines"
LINES = (Path(__file__).parent / "aircooled-platform-engines.csv").read_text(encoding="utf-8").splitlines()
CLAIMS = list(csv.DictReader(line for line in LINES if not line.startswith("#")))


def span(claim):
    """The claim's first and last day; model years run from 1 August to 31 July."""
    first, last = claim["from"], claim["to"]
    if claim["basis"] == "model":
        return f"{int(first) - 1}-08-01", f"{last}-07-31"
    if claim["basis"] == "calendar":
        return f"{first}-01-01", f"{last}-12-31" if last else None
    if not last:
        return f"{first}-01", None
    year, month = map(int, last.split("-"))
    return f"{first}-01", f"{last}-{monthrange(year, month)[1]}"


@pytest.mark.parametrize("claim", CLAIMS, ids=lambda c: f"{c['number']} {c['source']}")
def test_each_published_claim_is_inside_the_answer(claim):
    found = next(d for d in decode(claim["number"], on="engine").decodings if d.family.id == FAMILY)
    first, last = span(claim)
    assert found.earliest <= first
    if claim["number"] == "5000001":
        return  # one page has June 1960, another May 1961, both as a beginning
    if last is None:
        assert found.latest is None or found.latest[:4] == claim["from"][:4]
    else:
        assert found.latest is None or last <= found.latest


@pytest.mark.parametrize(
    ("number", "earliest", "latest"),
    [
        ("AC 123456", "1970-08-01", "1975-07-31"),  # one list only: B. Verbeek
        ("AH 123456", "1971-08-01", "1976-01-31"),  # B. Verbeek to July 1974, the camper-parts guide to January 1976
        ("H 0123456", "1965-08-01", "1971-02-28"),  # guide from August 1965, B. Verbeek to February 1971 (Type 181)
        ("AK 123456", "1966-08-01", "1980-07-31"),  # S. Bartnik from model year 1967, guide to July 1980
        ("D 0123456", "1965-08-01", None),  # no list names an end (Mexico)
        ("6234567", "1961-08-01", "1962-07-31"),  # S. Bartnik: leading 6 is model year 1962
    ],
)
def test_the_span_is_no_wider_than_the_lists_together(number, earliest, latest):
    found = next(d for d in decode(number, on="engine").decodings if d.family.id == FAMILY)
    assert (found.earliest, found.latest) == (earliest, latest)


@pytest.mark.parametrize("prefix", ["AE", "AH", "AK", "AB", "H"])
def test_where_the_lists_disagree_each_claim_is_kept(prefix):
    number = f"{prefix} 0123456" if len(prefix) == 1 else f"{prefix} 123456"
    found = next(d for d in decode(number, on="engine").decodings if d.family.id == FAMILY)
    assert len({d["source"].split("[")[0] for d in found.rows[0]["disputed"]}) >= 2


@pytest.mark.parametrize("number", ["AD 123456", "H 0123456", "AS 654321"])
def test_an_engine_number_given_as_the_pans_dates_nothing(number):
    answer = decode(number, on="pan")
    assert answer.status == 1
    assert any("engine" in sentence for sentence in answer.problems)
