"""The forty invented entries, from the sample registry as a person would ask it: whose body is it, and what of the papers?

What is true stands in tests/scenario/truth.csv and nowhere in the registry. Each kind of case has its test; the odds, the
tells and the numbers are those on file.
"""

from __future__ import annotations

import csv
from collections.abc import Iterator
from functools import cache
from pathlib import Path

import pytest

from decoder.evidence import JOINED
from registry import knowing
from registry.examining import evidence_of, look_of
from registry.first_hour import first_hour
from registry.opening import open_registry
from registry.reviewing import review

ROOT = Path(__file__).resolve().parent.parent
with (ROOT / "tests" / "scenario" / "truth.csv").open(encoding="utf-8", newline="") as _file:
    TRUTH = {row["entry"]: row for row in csv.DictReader(_file)}


@pytest.fixture(scope="module")
def db() -> Iterator[object]:
    database = open_registry(ROOT / "sample_registry.db")
    yield database
    database.close()


@pytest.fixture(scope="module")
def of(db):
    """What the findings on an entry's car bear, asked once."""

    @cache
    def ask(entry, **how):
        return evidence_of(db, entry, **how)

    return ask


def right(entry: str) -> str:
    joined = TRUTH[entry]["truth_decision"].startswith("Two bodies joined")
    return JOINED if joined else TRUTH[entry]["truth_hypothesis"]


def test_the_leading_answer_is_the_true_one_in_at_least_37(of):
    assert len(TRUTH) == 40
    wrong = {entry: of(entry).evidence.leading for entry in TRUTH if of(entry).evidence.leading != right(entry)}
    assert len(wrong) <= 3, wrong


def test_what_is_called_decidable_is_right(of):
    called = [entry for entry in TRUTH if of(entry).evidence.decidable]
    assert len(called) >= 30
    assert [entry for entry in called if of(entry).evidence.leading != right(entry)] == []


def test_each_is_asked_by_the_sheet_of_what_it_was_offered_as(of):
    sheets = {
        "K": "Kelderwick Pantile",
        "T": "Kelderwick Pantile",
        "D": "Draymarsh Corbel",
        "R": "Ruddenham Quoin",
        "U": "Umberlin Finial",
    }
    for entry in TRUTH:
        code = of(entry).observations[0]["tell"]
        assert of(entry).on_file.name == sheets[code[0]], entry


def test_a_number_goes_to_the_series_and_to_what_it_stands_on(of):
    """Numbers shared by two series part by their date, the doubtful keep every serial, each stands on its own tell."""
    expected = {
        "E21-003": ("KA", "K13"), "E21-007": ("KA", "K12"), "E22-010": ("D1", "D12"), "E22-015": ("D2", "D14"), "E24-001": ("D1", "D12"),
        "E22-020": ("RQ", "R01"), "E23-002": ("RQ", "R01"), "E23-005": ("UF", "U11"), "E24-003": ("TP", "T04"), "E25-012": ("KB", "K12"),
    }  # fmt: skip
    found = {entry: (max(n.series, key=n.series.get), n.on) for entry in expected for n in [of(entry).number.number]}
    assert found == expected
    assert set(of("E24-013").number.number.running["KA"]) == {"0101", "0700", "0701"}
    assert sorted(of("E22-020").number.number.running["RQ"]) == ["066", "069", "096", "099"]
    for entry in ("E22-004", "E23-006", "E23-018", "E24-004", "E26-009"):
        assert of(entry).number.number is None


def test_a_fresh_restoration_is_not_yet_decidable(db, of):
    """E24-004: paint hides what would decide; the answer says what to look at next, with what has to come off last."""
    said = of("E24-004").evidence
    assert not said.decidable and said.says.startswith("Not yet decidable.")
    looks = look_of(db, "E24-004").looks
    assert looks[0].tell in ("T02", "T08") and not looks[0].hidden
    assert any(each.hidden and each.minutes > 30 for each in looks)


def test_a_number_that_looks_altered_is_a_stop(db, of):
    """E23-018: the stop comes first in every answer, and nothing is called decidable."""
    found = of("E23-018")
    assert [stop["kind"] for stop in found.stops] == ["number looks altered"]
    for answer in (
        found.as_dict(),
        look_of(db, "E23-018").as_dict(),
        first_hour(db, "E23-018", day="2026-11-25").as_dict(),
    ):
        assert list(answer)[1] == "stops" and answer["stops"]
    assert not found.evidence.decidable
    half = first_hour(db, "E23-018", day="2026-11-25")
    assert any("looks altered, and no date is taken" in each for each in half.not_known)
    assert not any("pan was made" in each for each in half.known)


class TestWrongPapers:
    def test_a_certificate_of_a_pantile_on_a_purlin(self, of):
        """E22-001: dated before the first Purlin was made."""
        (paper,) = of("E22-001").papers
        assert "'certificate'" in paper["says"] and "“1968”" in paper["says"] and "Purlin" in paper["says"]

    def test_a_belief_about_a_pantile_on_an_unnamed_copy(self, of):
        """E22-004: no document and no number; the word goes with the claim."""
        (paper,) = of("E22-004").papers
        assert paper["says"].startswith("Owner's word: “about 65” goes with the claim")

    def test_no_other_paper_is_named(self, of):
        """Neither an invoice on a continuation body nor a photograph on a copy speaks of another body."""
        assert {entry for entry in TRUTH if of(entry).papers} == {"E22-001", "E22-004"}

    def test_both_are_on_the_half_page(self, db):
        for entry, word in (("E22-001", "certificate"), ("E22-004", "Owner's word")):
            half = first_hour(db, entry, day="2026-11-25")
            assert any(word in each for each in half.not_known)


class TestMouldMarks:
    def test_on_a_continuation_body_they_are_set_aside(self, of):
        """E23-002: all that comes from the mould is right and weighs nothing between the two."""
        found = of("E23-002", pair=("RC", "RQ")).evidence
        assert found.leading == "RC" and found.decidable
        mould = next(group for group in found.groups if group.group == "mould")
        assert mould.findings >= 4 and mould.log10_lr == pytest.approx(0, abs=1e-12) and "one mould" in mould.note
        assert set(found.carries) >= {"R04", "R07", "R09"}

    @pytest.mark.parametrize(
        "entry", [entry for entry, row in TRUTH.items() if row["truth_hypothesis"] in ("TP", "NC")]
    )
    def test_on_copies_they_count_about_once(self, of, entry):
        """However many, they speak no more than the bound for the maker; back face and hardware speak for the copy."""
        copy = "TP" if TRUTH[entry]["truth_hypothesis"] == "TP" else "NC"
        found = of(entry, pair=("KA", copy))
        bound = found.on_file.sheet.mould_bound("KA", copy)
        mould = next((group for group in found.evidence.groups if group.group == "mould"), None)
        assert mould is None or 10**mould.log10_lr <= bound
        if right(entry) != JOINED and found.evidence.decidable:
            assert found.evidence.makers.get("Kelderwick Plastics", 0) < 0.05


def test_two_cars_that_claim_one_number(of):
    """E22-001 and E22-009: the evidence decides between them, and both keep the number."""
    assert (of("E22-001").evidence.leading, of("E22-009").evidence.leading) == ("TP", "KA")
    against = of("E22-001", pair=("KA", "TP")).evidence
    assert next(line for line in against.tells if line.tell == "K03").log10_lr < -0.5


def test_a_plate_on_the_wrong_body(of):
    """E25-012: the plate speaks for the maker, the body is a copy."""
    found = of("E25-012", pair=(("KA", "KB"), ("TP", "NC"))).evidence
    groups = {group.group: group.log10_lr for group in found.groups}
    assert found.leading == "NC" and groups["plate"] > 0 > groups["lamination"]


def test_a_plate_that_is_too_early(of):
    """E26-002: KP 0118 was moulded before plates and has one that was sent later. Odd, not false."""
    found = of("E26-002").evidence
    assert found.leading == "KA" and found.decidable


def test_two_bodies_joined(of):
    """E24-019: the front of a Pantile B, the rear of a copy; somebody found the seam, and said so."""
    found = of("E24-019")
    assert found.seam and found.evidence.leading == JOINED and found.evidence.joined == ("KB", "NC")
    assert "Two bodies joined, likeliest Pantile, series B in front" in found.evidence.says
    half = found.evidence.half
    assert max(half["front"], key=half["front"].get) == "KB" and half["rear"]["KB"] < 0.1


def test_no_other_car_is_called_joined(of):
    for entry in TRUTH:
        assert right(entry) == JOINED or of(entry).evidence.posterior.get(JOINED, 0) < 0.1


def test_none_of_the_bodies_in_the_tables(of):
    assert of("E26-009").evidence.leading == "OTH"


def test_every_decision_of_the_yard_kept_what_it_rested_on(db):
    """The sample's opinions were given before any table changed, so nothing is to be reviewed."""
    decisions = [
        one
        for car in {row["car"] for row in knowing.rows(db, "SELECT car FROM decisions")}
        for one in knowing.decisions_of(db, car)
    ]
    assert len(decisions) >= 38
    assert [one["id"] for one in decisions if not one["weighed"]] == []
    assert review(db) == []
    every = review(db, everything=True)
    assert len(every) >= 37 and not any(one.matters for one in every)
    assert [one.car for one in every if one.agrees is False] == []


def test_the_half_page_is_half_a_page(db):
    from registry.first_hour import first_hour_text

    for entry in TRUTH:
        text = first_hour_text(first_hour(db, entry, day="2026-11-25"))
        assert len(text.splitlines()) <= 44 and max(map(len, text.splitlines())) <= 78
        for word in ("genuine", "authentic", "verified", "certified"):
            assert word not in text.replace("“Genuine early Pantile", "").lower(), entry


def test_no_verdict_is_a_warranty(of):
    """The sentences say what the findings are more probable under, never that the car is the real thing."""
    for entry in TRUTH:
        said = of(entry).evidence
        assert "more probable if it is" in said.strength.says or "speak neither" in said.strength.says
        for word in ("genuine", "authentic", "original", "fake", "likely to be"):
            assert word not in f"{said.says} {said.strength.says}".lower()


@pytest.mark.parametrize("name", ["tell_changes.csv", "gate_odds.csv"])
def test_the_sample_and_the_decoders_tests_read_the_same_tables(name):
    """The decoder's own tests keep a copy beside them; two that differ would test two things."""
    assert (ROOT / "sample" / name).read_text() == (ROOT / "tests" / "scenario" / name).read_text()
