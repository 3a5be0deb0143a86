"""Half a page: known, not known, what comes next, and the stop before all of it."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path

import pytest
from evidence_registry import ALL_THERE, COPY, OT, WQ, add_car, make, see
from furnishing import AT
from sqlite_utils import Database

from registry import store
from registry.errors import NoAnswer
from registry.first_hour import FirstHour, first_hour, first_hour_html, first_hour_text
from registry.models import DecisionIn, EvidenceIn, ReadingIn, StatementIn, StopIn, check
from registry.opening import opened

DAY = "2026-11-25"


@pytest.fixture
def db(tmp_path: Path) -> Iterator[Database]:
    with opened(make(tmp_path), write=True) as database:
        yield database


def test_a_car_of_which_nothing_is_known(db: Database):
    """Each thing that is not known is said, and what to look at first."""
    add_car(db, "E26-002")
    half = first_hour(db, "E26-002", day=DAY)
    assert half.known == ()
    text = " ".join(half.not_known)
    assert "nothing has been examined yet" in text
    assert "The number of the pan: none has been read." in text
    assert "No serial is an answer" in text
    assert half.next[0].startswith("Look at K") and half.claim == "It is a Trial body."


def test_what_is_known_says_from_what(db: Database):
    see(db, "E26-001", ALL_THERE)
    store.record_reading(db, check(ReadingIn, stamped_on="pan", as_typed="S8 00100", car="E26-001"), at=AT)
    store.record_reading(db, check(ReadingIn, stamped_on="title", as_typed="S8 00100", car="E26-001"), at=AT)
    half = first_hour(db, "E26-001", day=DAY)
    text = " ".join(half.known)
    assert "by 8 findings: Kelderwick" in text and "times more probable if it is Trial body" in text
    assert "The pan was made" in text and "The number on the title is the pan's." in text
    assert "No other car on file claims its numbers." in text


def test_leaning_is_not_known(db: Database):
    """Two marks of the mould are no answer: what leads stands among what is not known, and why."""
    add_car(db, "E26-002")
    see(db, "E26-002", {"K01": "present", "K02": "present"})
    half = first_hour(db, "E26-002", day=DAY)
    (line,) = [each for each in half.not_known if each.startswith("Whose body it is")]
    assert "not yet decidable" in line
    assert not any("Kelderwick" in each for each in half.known)


def test_a_stop_is_first(db: Database):
    store.record_stop(
        db, check(StopIn, kind="unsafe to move", says="Fuel smell.", ask="Ask a mechanic.", car="E26-001", by=OT), at=AT
    )
    half = first_hour(db, "E26-001", day=DAY)
    assert first_hour_text(half).splitlines()[1].startswith("STOP, unsafe to move: Fuel smell. Ask a mechanic.")
    page = first_hour_html(half)
    assert page.index("Fuel smell") < page.index("E26-001: the first hour")
    assert list(half.as_dict())[:2] == ["car", "stops"]


def test_no_date_from_altered_metal(db: Database):
    store.record_reading(
        db, check(ReadingIn, stamped_on="pan", as_typed="S8 00100", car="E26-001", surface="ground"), at=AT
    )
    half = first_hour(db, "E26-001", day=DAY)
    assert any("looks altered, and no date is taken" in each for each in half.not_known)
    assert not any("The pan was made" in each for each in half.known)


def test_a_title_of_another_pan_is_a_question(db: Database):
    for on, number in (("pan", "S8 00100"), ("title", "S9 55555")):
        store.record_reading(db, check(ReadingIn, stamped_on=on, as_typed=number, car="E26-001"), at=AT)
    half = first_hour(db, "E26-001", day=DAY)
    assert any("title" in each for each in half.not_known)
    assert not any("title is the pan's" in each for each in half.known)


def test_a_paper_of_another_body_dates_nothing_here(db: Database):
    """The certificate is named, and its year is not among what is known."""
    see(db, "E26-001", COPY)
    paper = {
        "about": "body_moulded",
        "kind": "certificate",
        "car": "E26-001",
        "relation": "equals",
        "edtf": "1968",
        "as_written": "1968",
    }
    store.record_statement(db, check(StatementIn, nature="inference", seen="copy", **paper), at=AT)
    half = first_hour(db, "E26-001", day=DAY)
    assert any("Certificate: “1968”" in each for each in half.not_known)
    assert not any("moulded 1968" in each or "moulded in 1968" in each for each in half.known)


def test_two_opinions_stand(db: Database):
    ids = see(db, "E26-001", ALL_THERE)
    for by, series, opinion in ((OT, "KA", "maker's series"), (WQ, "NC", "copy taken from a body")):
        evidence = (check(EvidenceIn, kind="observation", ref=ids[0]),)
        store.record_decision(
            db,
            check(
                DecisionIn,
                car="E26-001",
                opinion=opinion,
                series=series,
                reason="x",
                by=by,
                at="2026-01-06",
                evidence=evidence,
            ),
            at=AT,
        )
    known = first_hour(db, "E26-001", day=DAY).known
    assert (
        "Orla Thrennick" in known[0] and "Wim Quillory" in known[1] and known[2].startswith("These opinions all stand")
    )


def test_what_a_person_typed_is_escaped(db: Database):
    add_car(db, "E26-002", claim_words='<b>It\'s "real" & mine</b>')
    page = first_hour_html(first_hour(db, "E26-002", day=DAY))
    assert "<b>It's" not in page and "&lt;b&gt;It&#x27;s" in page
    assert "http" not in page  # nothing is loaded from elsewhere


def test_it_stays_half_a_page():
    """However much there is, each part names how much it leaves out."""
    from registry.first_hour import MOST, _few

    assert len(_few([f"line {n}" for n in range(30)])) == MOST
    assert _few([f"line {n}" for n in range(30)])[-1] == "And 25 more; the commands below give them."
    assert _few(["a", "a", " "]) == ["a"]
    half = FirstHour("E26-001", DAY, (), "", (), (), (), "more")
    assert first_hour_text(half).count("Nothing") == 3


def test_no_such_car(db: Database):
    with pytest.raises(NoAnswer, match="no car E99-001"):
        first_hour(db, "E99-001", day=DAY)
