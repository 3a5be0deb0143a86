"""What changed since a decision, and what the findings bear now; nothing re-decides itself."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path

import pytest
from evidence_registry import ALL_THERE, COPY, OT, SHEET, WQ, add_car, make, see, tell
from furnishing import AT, BODY_TABLE
from sqlite_utils import Database

from registry import knowing, store
from registry.errors import NoAnswer
from registry.models import (
    DecisionIn,
    EvidenceIn,
    FamilyTableIn,
    ObservationIn,
    OddsIn,
    ReadingIn,
    ReleaseIn,
    StatementIn,
    StopIn,
    check,
)
from registry.opening import opened
from registry.reviewing import review


@pytest.fixture
def db(tmp_path: Path) -> Iterator[Database]:
    """Three cars seen and decided: two Trial bodies, one copy. Nothing has changed since."""
    with opened(make(tmp_path), write=True) as database:
        add_car(database, "E26-002", plate="KP 0401")
        add_car(database, "E26-003")
        for car, states, series, opinion in (
            ("E26-001", ALL_THERE, "KA", "maker's series"),
            ("E26-002", ALL_THERE, "KA", "maker's series"),
            ("E26-003", COPY, "NC", "copy taken from a body"),
        ):
            ids = see(database, car, states)
            decide(database, car, series, opinion, [("observation", ids[3])])
        yield database


def decide(db: Database, car: str, series: str, opinion: str, rows: list[tuple[str, int]], by: str = OT) -> int:
    evidence = tuple(check(EvidenceIn, kind=kind, ref=ref) for kind, ref in rows)
    decision = check(
        DecisionIn, car=car, opinion=opinion, series=series, reason="as seen", by=by, at="2026-01-06", evidence=evidence
    )
    return store.record_decision(db, decision, at=AT)


def test_nothing_changed(db: Database):
    assert review(db) == []
    assert [(one.car, one.matters, one.agrees) for one in review(db, everything=True)] == [
        ("E26-001", False, True), ("E26-002", False, True), ("E26-003", False, True),
    ]  # fmt: skip


def test_a_table_changed(db: Database):
    """Every decision that was weighed with the tell is listed; what the answer was then stays as it was kept."""
    before = [knowing.decisions_of(db, car) for car in (1, 2, 3)]
    store.record_tells(
        db, [tell("K04", "lamination", "45/46", "1/23", "2/40", version=2, minutes=4.0, place="front")], at=AT
    )
    found = review(db)
    assert [one.car for one in found] == ["E26-001", "E26-002", "E26-003"]
    assert all(one.changed == ("What is known of this tell has changed: K04 (tell K04).",) for one in found)
    assert not any(one.matters for one in found)
    assert [knowing.decisions_of(db, car) for car in (1, 2, 3)] == before


def test_a_table_that_turns_an_answer(db: Database):
    """Told with both answers, first in the list; the opinion stands until somebody gives another."""
    turned = [
        tell(code, grp, "1/46", "22/23", "2/40", version=2)
        for code, grp in (
            ("K04", "lamination"),
            ("K05", "lamination"),
            ("K07", "bonded"),
            ("K10", "size"),
            ("K13", "plate"),
        )
    ]
    store.record_tells(db, turned, at=AT)
    first = review(db)[0]
    assert first.matters and first.agrees is False
    assert first.says.startswith("Then: ") and "Now: " in first.says and "Trial body" in first.says
    assert len(knowing.standing_decisions(db, 1)) == 1 and knowing.standing_decisions(db, 1)[0]["series"] == "KA"
    document = first.as_dict()
    assert {"car", "stops", "decision", "changed", "matters", "agrees", "then", "now"} <= set(document)
    assert document["then"]["leading"] != document["now"]["leading"]


def test_a_tell_that_was_not_weighed_changes_nothing(db: Database):
    store.record_tells(db, [tell("K12", "plate", "1/46", "22/23", "2/40", version=2, carries="plate")], at=AT)
    assert [one.car for one in review(db)] == ["E26-003"]  # the only one on which K12 was looked at


def test_the_odds_changed(db: Database):
    store.record_odds(
        db, [check(OddsIn, sheet=SHEET, hypothesis=h, weight=1.0, source="even") for h in ("KA", "NC", "OTH")], at=AT
    )
    found = review(db)
    assert len(found) == 3 and found[0].changed == ("The odds at the gate changed: version 1 then, version 2 now.",)


def test_a_number_table_changed(db: Database):
    """Only the two whose number it reads."""
    text = BODY_TABLE.replace('last: "0712"', 'last: "0700"')
    store.record_family_table(db, check(FamilyTableIn, text=text, name="try-body.yml"), at=AT)
    assert [(one.car, one.changed) for one in review(db)] == [
        ("E26-001", ("The number table try-body changed.",)), ("E26-002", ("The number table try-body changed.",)),
    ]  # fmt: skip


class TestFacts:
    def changed(self, db: Database, car: str = "E26-001") -> tuple[str, ...]:
        (one,) = review(db, car)
        assert [each.car for each in review(db)] == [car]
        return one.changed

    def test_something_was_looked_at(self, db: Database):
        see(db, "E26-001", {"K12": "absent"}, by=WQ)
        assert self.changed(db) == ("Looked at since: K12.",)

    def test_what_is_no_finding_changes_nothing(self, db: Database):
        see(db, "E26-001", {"K12": "not visible"}, by=WQ)
        assert review(db) == []

    def test_a_slip_in_what_it_rests_on(self, db: Database):
        rests_on = knowing.decisions_of(db, 1)[0]["evidence"][0]["ref"]
        slip = check(ObservationIn, tell="K04", state="absent", slip_of=rests_on)
        store.record_observations(db, [slip], car="E26-001", by=OT, at=AT)
        changed = self.changed(db)
        assert changed[0] == f"Observation {rests_on}, on which it rests, was a slip of the pen."
        assert "Looked at since: K04." in changed and "Put right since: 1 finding that it was weighed with." in changed

    def test_a_paper_and_a_number(self, db: Database):
        paper = {
            "about": "body_moulded",
            "kind": "receipt",
            "car": "E26-001",
            "relation": "not after",
            "when": "21 May 1966",
        }
        store.record_statement(db, check(StatementIn, **paper), at=AT)
        store.record_statement(
            db, check(StatementIn, about="asking price", kind="advertisement", car="E26-001", value="9000"), at=AT
        )
        store.record_reading(
            db, check(ReadingIn, stamped_on="body", as_typed="KP 0400", car="E26-001", how="rubbing"), at=AT
        )
        assert self.changed(db) == ("Read since: KP 0400 on the body.", "Put on file since: receipt (“21 May 1966”).")

    def test_a_stop_and_its_release(self, db: Database):
        stop = store.record_stop(
            db, check(StopIn, kind="lien", says="A lien.", ask="Ask the bank.", car="E26-001", by=OT), at=AT
        )
        assert self.changed(db) == ("A stop since: lien.",)
        assert review(db)[0].as_dict()["stops"][0]["kind"] == "lien"
        decide(db, "E26-001", "KA", "maker's series", [("stop", stop)])
        assert review(db) == []
        store.release_stop(db, check(ReleaseIn, stop=stop, reason="paid", by=OT), at=AT)
        assert self.changed(db) == (f"Stop {stop}, on which it rests, was released.",)

    def test_a_new_decision_is_up_to_date(self, db: Database):
        ids = see(db, "E26-001", {"K12": "absent"}, by=WQ)
        decide(db, "E26-001", "KA", "maker's series", [("observation", ids[0])])
        assert review(db) == []


def test_a_decision_that_was_never_weighed_is_listed_for_its_facts(db: Database):
    """An opinion given on papers alone, before anybody looked."""
    add_car(db, "E26-004")
    paper = store.record_statement(
        db, check(StatementIn, about="lien", kind="letter", car="E26-004", as_written="x"), at=AT
    )
    decide(db, "E26-004", "OTH", "other", [("statement", paper)])
    assert review(db) == []
    see(db, "E26-004", ALL_THERE)
    (one,) = review(db)
    assert one.then is None and one.agrees is False and one.says.startswith("Nothing was weighed when it was given.")


def test_no_such_car(db: Database):
    with pytest.raises(NoAnswer, match="no car E99-001"):
        review(db, "E99-001")


def test_it_writes_nothing(db: Database):
    before = knowing.counts(db)
    see(db, "E26-001", {"K12": "absent"}, by=WQ)
    after = knowing.counts(db)
    review(db)
    assert knowing.counts(db) == after != before
