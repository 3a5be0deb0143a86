"""The receipt says what was agreed, names what was not, guesses no law, and tells nobody's secrets."""

from __future__ import annotations

import re

import pytest
from furnishing import AT
from sqlite_utils import Database

from registry import knowing, receipt, store
from registry.errors import NoAnswer
from registry.models import EntryIn, PersonIn, ReadingIn, StopIn, TheftIn, check


def enter(db: Database, **more: object) -> str:
    values = {"entry_date": "2026-01-05", "left_by": PersonIn(name="Ann <Vane>", town="Lowmere"), "reason": "consign"}
    entry = store.record_entry(db, check(EntryIn, **(values | more)), at=AT)
    return knowing.rows(db, "SELECT number FROM entries WHERE id = ?", [entry])[0]["number"]


def test_everything_that_was_agreed_is_on_it(db: Database):
    """Reason, terms, condition, contents, the day to collect, and the claim in its own words, as a claim."""
    number = enter(
        db,
        claim_words="Believed to be a 1965 body, one of two.",
        by_right="owner",
        terms="30 days, 10 per cent",
        condition="3, cracked at the sill",
        contents="jack, two keys",
        until="2026-03-01",
        readings=(check(ReadingIn, stamped_on="pan", as_typed="S8 6[17]077"),),
    )
    text = receipt.receipt_text(db, number)
    for said in ("Ann <Vane>, Lowmere", "consign", "owner", "30 days, 10 per cent", "3, cracked at the sill", "jack, two keys",
                 "2026-03-01", "pan S8 6[17]077", "\u201cBelieved to be a 1965 body, one of two.\u201d", number):  # fmt: skip
        assert said in text
    assert "no finding of the shop's" in text
    assert "Left blank" not in text
    assert all(len(line) <= 78 for line in text.splitlines())


def test_what_was_not_agreed_is_named_as_a_blank(db: Database):
    """Three answers make an entry, and a receipt that says what is still to be agreed."""
    sheet = receipt.lines_of(db, enter(db))
    assert sheet["blanks"] == [
        "By what right",
        "Condition at the door",
        "Contents",
        "Terms",
        "To be collected or looked at again by",
    ]
    text = receipt.receipt_text(db, "E26-001")
    said = " ".join(text.split())
    assert (
        "Left blank: by what right, condition at the door, contents, terms, to be collected or looked at again by."
        in said
    )
    assert len(re.findall(r"^  \.{40}$", text, re.M)) == 5


def test_no_law_is_guessed(db: Database):
    """No number of days, no act, no place stands on it that nobody put there."""
    said = receipt.receipt_text(db, enter(db)).casefold()
    for word in ("days", "statute", "vehicle code", "liab", "warrant", "california"):
        assert word not in said


def test_it_is_advice_to_the_shop_that_a_number_is_near_a_report(db: Database):
    """Whoever leaves the car reads nothing of theft reports, altered numbers or liens; what can hurt somebody is printed."""
    store.record_theft(db, check(TheftIn, as_typed="KP 0238", source="Loft Book"))
    number = enter(
        db,
        readings=(check(ReadingIn, stamped_on="body", as_typed="KP 0233"), check(ReadingIn, stamped_on="pan", as_typed="S8 61077", surface="ground")),
    )  # fmt: skip
    store.record_stop(
        db,
        check(
            StopIn,
            kind="unsafe to drive",
            says="The weld is cracked.",
            ask="Ask a welder.",
            car=number,
            by="Orla Thrennick",
        ),
    )
    for text in (receipt.receipt_text(db, number), receipt.receipt_html(db, number).partition("<body>")[2]):
        assert "The weld is cracked." in text
        for word in ("theft", "report", "KP 0238", "ground", "altered", "police"):
            assert word not in text


def test_a_body_without_a_pan_gets_no_vehicle_paper(db: Database):
    """Nothing on the receipt asks for a pan, a title or a registration."""
    text = receipt.receipt_text(db, enter(db, readings=(check(ReadingIn, stamped_on="body", as_typed="KP 0331"),)))
    for word in ("title", "registration", "pan"):
        assert not re.search(rf"\b{word}\b", text.casefold())


def test_the_page_escapes_what_people_typed(db: Database):
    """A name with an angle bracket is a name."""
    text = receipt.receipt_html(db, enter(db, claim_words="<script>alert(1)</script>"))
    assert "Ann &lt;Vane&gt;" in text and "<script>" not in text
    assert "http" not in text.replace("http-equiv", "")


def test_a_receipt_that_was_handed_over_is_kept_without_the_name(db: Database):
    """The paper is kept with the person by id, so erasing the person reaches the paper too."""
    number = enter(db)
    store.record_paper(db, receipt.as_paper(db, number, day="2026-01-05"))
    (paper,) = knowing.rows(db, "SELECT * FROM papers_issued")
    person = knowing.entry_row(db, number)["left_by"]
    assert person == paper["to_person"]
    assert b"Vane" not in paper["body"] and f"{{{{person:{person}:name}}}}".encode() in paper["body"]
    store.erase_person(db, person, by="Orla Thrennick")
    assert "[erased " in receipt.receipt_text(db, number)


def test_an_unknown_entry_is_no_answer(db: Database):
    """Nothing is printed for an entry that is not in the book."""
    with pytest.raises(NoAnswer, match="no entry E26-777"):
        receipt.receipt_text(db, "E26-777")
