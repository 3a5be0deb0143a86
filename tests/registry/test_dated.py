"""The dates of one car: what counts, what does not, what is found before any date is taken, and what cannot be true."""

from __future__ import annotations

import json
from collections.abc import Iterator
from typing import Any

import pytest
from furnishing import AT, uids
from hypothesis import given
from hypothesis import strategies as st
from sqlite_utils import Database

from decoder.dating import DatingError
from decoder.errors import DecoderError
from registry import dated, knowing, metal, store
from registry.errors import NoAnswer, WrongInput
from registry.models import (
    DecisionIn,
    EntryIn,
    EvidenceIn,
    FamilyTableIn,
    FittingIn,
    JoinIn,
    ReadingIn,
    SeriesIn,
    StatementIn,
    ThingIn,
    check,
)

DAY = "2026-01-05"

#: A pan whose year figure comes round after ten years, with a feature that tells the decades apart; and one assigned number.
TEN_YEARS = """\
# Invented for the tests of dates: a pan of which 4 is 1964 and 1974.
family: try-ten
title: "Pan numbers that come round (invented)"
house: true
carried_by: [pan, title]
where: "stamped on the tunnel"
sources:
  sheet: {title: "Trial sheet", edition: "1st", supports: "all", standing: house, read: "2026-01-05"}
schemes:
  - id: ten
    parts:
      - {name: "letter", literal: "T"}
      - {name: "year figure", figures: 1}
      - {name: "running number", figures: 5}
    print: "{letter}{year figure} {running number}"
rows:
  - {id: "1964", scheme: ten, run: "sixties", basis: calendar, first: "T4 00001", last: "T4 50000", built: "1964-01/1964-12", source: "sheet"}
  - {id: "1965", scheme: ten, run: "sixties", basis: calendar, first: "T5 00001", last: "T5 50000", built: "1965-01/1965-12", source: "sheet"}
  - {id: "1966", scheme: ten, run: "sixties", basis: calendar, first: "T6 00001", last: "T6 50000", built: "1966-01/1966-12", source: "sheet"}
  - {id: "1974", scheme: ten, run: "seventies", basis: calendar, first: "T4 00001", last: "T4 50000", built: "1974-01/1974-12", source: "sheet"}
features:
  - {id: two-joints, what: "cover in two joints", from: "1970-01", to: null, question: "One joint or two?", source: "sheet"}
  - {id: one-joint, what: "cover in one joint", from: null, to: "1969-12", question: "One joint or two?", source: "sheet"}
"""


@pytest.fixture
def book(db: Database) -> Iterator[Book]:
    made = Book(db)
    made.write(store.record_family_table, check(FamilyTableIn, text=TEN_YEARS, name="try-ten.yml"))
    more = {"serial_family": "try-body", "made_edtf": "1965-03/1969-06"}
    made.write(store.record_series, check(SeriesIn, id="KB", name="series KB", kind="maker", maker="K", **more))
    made.write(
        store.record_series,
        check(
            SeriesIn, id="KC", name="late body", kind="continuation", serial_family="try-body", made_edtf="2004/2006"
        ),
    )
    yield made


class Book:
    """A registry to put cars into, one short call each."""

    def __init__(self, db: Database) -> None:
        self.db = db
        self.count = (f"dated-{uid}" for uid in uids())

    def write(self, record: Any, what: Any, **more: Any) -> Any:
        return record(self.db, what, at=AT, uid=next(self.count), **more)

    def car(self, *statements: StatementIn, things: tuple[ThingIn, ...] = (), **numbers: Any) -> str:
        """A car with these papers and these numbers (``pan="T4 00100"``, or a tuple with the surface)."""
        readings = []
        for on, said in numbers.items():
            text, surface = said if isinstance(said, tuple) else (said, None)
            readings.append(check(ReadingIn, stamped_on=on, as_typed=text, surface=surface))
        entry = check(EntryIn, entry_date=DAY, readings=tuple(readings), statements=statements, things=things)
        number = self.write(store.record_entry, entry)
        return knowing.rows(self.db, "SELECT number FROM entries WHERE id = ?", [number])[0]["number"]

    def decide(self, car: str, opinion: str, series: str | None, **more: Any) -> None:
        row = knowing.resolve_car(self.db, car)
        found = knowing.rows(
            self.db, "SELECT readings.id FROM readings JOIN fittings USING (thing) WHERE car = ?", [row["id"]]
        )
        decision = check(
            DecisionIn, car=car, opinion=opinion, series=series, reason="seen", by="Orla Thrennick", at=DAY,
            evidence=(check(EvidenceIn, kind="reading", ref=found[0]["id"]),), **more,
        )  # fmt: skip
        self.write(store.record_decision, decision)

    def date(self, car: str, **how: Any) -> dated.Answer:
        return dated.date_car(self.db, car, **how)


def says(about: str, edtf: str, relation: str = "equals", kind: str = "receipt", **more: Any) -> StatementIn:
    return check(StatementIn, about=about, edtf=edtf, relation=relation, kind=kind, **more)


def span(answer: dated.Answer, event: str) -> str | None:
    found = answer.dated.events[event].span
    return found.edtf if found else None


# What is always said


def test_the_five_stand_side_by_side_known_or_not(book: Book):
    """Pan, body, assembly, registration and title year are five things, and no answer has one year for the car."""
    answer = book.date(book.car(says("title_year", "1969", kind="title"), pan="S8 00100"))
    events = answer.as_dict()["events"]
    assert {"pan_made", "body_moulded", "assembled", "first_registered", "title_year"} <= set(events)
    assert ("1967-09/1968-08", None, "1969") == (
        span(answer, "pan_made"),
        span(answer, "body_moulded"),
        span(answer, "title_year"),
    )
    assert "year" not in answer.as_dict()
    assert "Nobody says when the body was moulded" in answer.headline


def test_every_answer_carries_the_open_stops(book: Book):
    answer = book.date(book.car(pan=("S8 00100", "ground")))
    assert ["number looks altered"] == [stop["kind"] for stop in answer.as_dict()["stops"]]


def test_nothing_on_file_is_no_answer(book: Book):
    """Status 1, and the five events are there all the same."""
    answer = book.date(book.car())
    assert 1 == answer.status
    assert answer.headline.startswith("Nothing on file gives a date to this car.")
    assert 5 == len(answer.as_dict()["events"])


def test_a_car_that_is_not_there_is_no_answer(book: Book):
    with pytest.raises(NoAnswer, match="no car E99-001"):
        book.date("E99-001")


def test_the_title_year_is_told_with_what_it_may_be(book: Book):
    """A title's year may be the donor's, the assembly's or neither, and who to ask is said."""
    answer = book.date(book.car(says("title_year", "1968", kind="title"), pan="S8 00100"))
    told = " ".join(answer.says)
    assert "the donor's, the assembly's or neither" in told and "ask the licensing authority" in told
    assert "can be that of the pan" in told


def test_the_answer_is_json_and_asking_writes_nothing(book: Book):
    car = book.car(says("body_moulded", "1966-05-21", "not after"), pan="T4 00100", body="KP 0147", title="T4 00100")
    before = knowing.counts(book.db)
    assert "1966-05-21" in json.dumps(book.date(car).as_dict())
    assert before == knowing.counts(book.db)


# Words of other lists


@pytest.mark.parametrize(
    ("word", "event"),
    [("pan_built", "pan_made"), ("present", "seen"), ("body moved", "repanned"), ("plate issued", "plate_issued")],
)
def test_words_of_other_lists_are_taken_for_the_events_they_are(book: Book, word: str, event: str):
    answer = book.date(book.car(says(word, "1968")))
    assert [event] == [one.about for one in answer.statements]


def test_a_dated_statement_about_something_unknown_is_told(book: Book):
    answer = book.date(book.car(says("painted", "1968")))
    assert () == answer.statements
    assert "'painted'" in answer.problems[0] and "--rules" in answer.problems[0]


def test_what_is_only_told_is_soft(book: Book):
    """Somebody's word without a paper is memory, even where nobody wrote that down."""
    (one,) = book.date(book.car(says("assembled", "1967", seen="told"))).statements
    assert ("memory", True) == (one.nature, one.is_soft)


def test_a_statement_that_bounds_nothing_is_told_and_harms_nothing(book: Book):
    answer = book.date(book.car(says("assembled", "../1966", "not before"), says("assembled", "1968", "not after")))
    assert "1968" in str(span(answer, "assembled"))
    assert "bounds nothing" in answer.problems[0]


def test_several_dates_that_are_all_meant_are_several_statements(book: Book):
    """Seen in 1966 and in 1968: the first time bounds."""
    answer = book.date(book.car(says("seen", "{1966,1968}", "not after")))
    assert "../1966" == span(answer, "seen")


# What the numbers date


def test_a_year_figure_that_comes_round_gives_both_decades(book: Book):
    """Never silently the earlier, dearer year; and the thing to look at is asked."""
    answer = book.date(book.car(pan="T4 00100"))
    assert "[1964,1974]" == span(answer, "pan_made")
    assert any("One joint or two?" in sentence for sentence in answer.look)


@pytest.mark.parametrize(("feature", "year"), [("two-joints", "1974"), ("one-joint", "1964")])
def test_a_feature_that_was_seen_settles_the_decade(book: Book, feature: str, year: str):
    assert year == span(book.date(book.car(pan="T4 00100"), seen=(feature,)), "pan_made")


def test_a_feature_that_no_table_has_is_refused(book: Book):
    with pytest.raises(DecoderError, match="three-joints"):
        book.date(book.car(pan="T4 00100"), seen=("three-joints",))


def test_a_paper_that_leaves_one_decade_is_named_with_its_exception(book: Book):
    """The slip of 1970 rules the later floor out, unless the floor was changed; it is not said as if the number did."""
    answer = book.date(book.car(says("first_registered", "1970", kind="registration slip"), pan="T4 00100"))
    assert "1964" == span(answer, "pan_made")
    assert "the registration slip leaves 1964, unless the floor was changed later" in answer.look[0]


def test_a_decade_in_which_the_floor_would_be_younger_than_the_body_is_told(book: Book):
    answer = book.date(book.car(says("body_moulded", "1966"), pan="T4 00100"))
    assert "[1964,1974]" == span(answer, "pan_made")
    assert "A pan of 1974 would be younger than the body: then the floor was changed" in answer.look[0]


def test_a_doubtful_figure_gives_all_it_can_be(book: Book):
    assert "1964/1965" == span(book.date(book.car(says("assembled", "1970"), pan="T[45] 00100")), "pan_made")


@pytest.mark.parametrize("surface", ["ground", "restamped", "cut-away"])
def test_a_number_on_altered_metal_dates_nothing(book: Book, surface: str):
    answer = book.date(book.car(pan=("S8 00100", surface), title="S8 00100"))
    assert (None, ()) == (span(answer, "pan_made"), answer.statements)
    assert any("dates nothing" in sentence for sentence in answer.not_used)
    assert "nothing is dated from either" in answer.compared[0].says
    assert 0 == answer.status  # the stop is the answer


def test_the_better_of_two_readings_is_gone_by_and_the_other_is_told(book: Book):
    car = book.car(pan="S8 00100")
    book.write(store.record_reading, check(ReadingIn, stamped_on="pan", as_typed="S8 001000", car=car, how="e-mail"))
    answer = book.date(car)
    assert "1967-09/1968-08" == span(answer, "pan_made")
    assert "also read as S8 001000 (e-mail); this goes by S8 00100" in answer.not_used[0]


def test_a_number_that_is_more_likely_none_of_the_tables_dates_nothing(book: Book):
    """Half a number that happens to fit somewhere with letters taken for figures is no date."""
    answer = book.date(book.car(pan="S8 001"))
    assert span(answer, "pan_made") is None


# Body and plate


def test_the_number_on_the_shell_is_hard_and_the_plates_is_soft(book: Book):
    on_body, on_plate = book.date(book.car(body="KP 0147")), book.date(book.car(plate="KP 0147"))
    assert "1965-03/1969-06" == span(on_body, "body_moulded") == span(on_plate, "body_moulded")
    assert (False, True) == (on_body.statements[0].is_soft, on_plate.statements[0].is_soft)
    assert "if the plate is this body's" in on_plate.headline and "if the plate" not in on_body.headline


def test_one_number_on_shell_and_plate_is_said_once(book: Book):
    answer = book.date(book.car(body="KP 0147", plate="KP 0147"))
    assert ["number KP 0147 on the body"] == [one.kind for one in answer.statements]


def test_a_plate_that_is_not_the_bodys_is_shown_beside_it(book: Book):
    answer = book.date(book.car(body="KP 0147", plate="KP 0502"))
    (one,) = answer.compared
    assert ("plate", "another number") == (one.paper, one.verdict)
    assert "separate evidence" in one.says and () == answer.conflicts


def test_the_plate_of_a_copy_dates_nothing(book: Book):
    """A maker's plate on a copy is a plate: its number says nothing of the body it is on."""
    car = book.car(plate="KP 0147")
    book.decide(car, "copy taken from a body", "NC")
    answer = book.date(car)
    assert span(answer, "body_moulded") is None
    assert "is not taken as a date of this body" in answer.not_used[0]


def test_figures_of_a_mould_that_was_used_again_date_nothing(book: Book):
    """A continuation body carries the mould's figures; the years of its own series stand instead."""
    car = book.car(body="KP 0147")
    book.decide(car, "continuation body", "KC")
    assert "2004/2006" == span(book.date(car), "body_moulded")


def test_a_number_of_the_series_that_the_opinion_names_dates_the_body(book: Book):
    car = book.car(body="KP 0147")
    book.decide(car, "maker's series", "KB")
    answer = book.date(car)
    assert ["number KP 0147 on the body"] == [one.kind for one in answer.statements]


def test_an_open_opinion_takes_nothing_away(book: Book):
    car = book.car(plate="KP 0147")
    book.decide(car, "open", None)
    assert "1965-03/1969-06" == span(book.date(car), "body_moulded")


def test_two_bodies_joined_have_no_date_as_one(book: Book):
    car = book.car(plate="KP 0147")
    book.decide(car, "two bodies joined", "KB", second_series="NC")
    answer = book.date(car)
    assert span(answer, "body_moulded") is None
    assert "dates the half that it belongs to" in answer.not_used[0]


def test_without_a_number_the_years_of_the_series_bound_the_body_softly(book: Book):
    car = book.car(pan="S8 00100")
    book.decide(car, "maker's series", "KB")
    answer = book.date(car)
    assert "1965-03/1969-06" == span(answer, "body_moulded")
    assert "if it is the body that it is held to be" in answer.headline


# Papers against metal


def test_the_same_number_is_said_to_be_the_same_however_it_is_spelt(book: Book):
    (one,) = book.date(book.car(pan="T4 00100", title="t4-00100")).compared
    assert ("same", "The number on the title is the pan's.") == (one.verdict, one.says)


def test_two_figures_the_other_way_round_are_shown_and_judged_by_nobody(book: Book):
    """Side by side with the places marked: not called a fraud, not called fine, and no conflict of dates."""
    answer = book.date(book.car(pan="T5 04974", title="T5 09474"))
    (one,) = answer.compared
    assert [
        {"place": 4, "on_metal": "4", "on_paper": "9"},
        {"place": 5, "on_metal": "9", "on_paper": "4"},
    ] == one.differs
    assert "4 and 9 stand the other way round" in one.says
    assert "neither a fraud nor fine" in one.ask
    assert () == answer.conflicts
    assert ["    T 5 0 4 9 7 4    on the pan", "    T 5 0 9 4 7 4    on the title", "          ^ ^"] == one.text()
    assert one.html().count('class="caret"') == 2


@pytest.mark.parametrize(
    ("title", "says_so"),
    [
        ("T5 04975", "one character differs: 5 in place of 4"),
        ("T5 0497", "a 4 is missing"),
        ("T5 049744", "there is a 4 more"),
    ],
)
def test_one_slip_apart_is_named(book: Book, title: str, says_so: str):
    answer = book.date(book.car(pan="T5 04974", title=title))
    assert "one slip apart" == answer.compared[0].verdict
    assert says_so in answer.compared[0].says
    assert () == answer.conflicts


def test_a_title_of_another_pan_is_found_before_any_date(book: Book):
    """Both pans may be of the same time; the numbers alone show it."""
    answer = book.date(book.car(pan="T5 00100", title="T5 43872"))
    (conflict,) = answer.conflicts
    assert ("numbers", True) == (conflict.kind, conflict.is_certain)
    assert "the title speaks of another pan" in conflict.says
    assert {one.ref for one in answer.numbers} >= set(conflict.papers)


def test_the_car_whose_pan_the_title_names_is_told(book: Book):
    other = book.car(pan="T6 43872")
    answer = book.date(book.car(pan="T5 00100", title="T6 43872"))
    assert other == answer.compared[0].other_car
    assert f"the number of the pan of {other}" in answer.conflicts[0].says


def test_the_title_of_the_first_pan_dates_the_first_pan(book: Book):
    """Three objects, three histories: the title goes with the pan that is gone."""
    car = book.car(
        says("repanned", "1980-04-14", kind="invoice"),
        says("title_year", "1965", kind="title"),
        pan="S8 00100",
        title="T5 43872",
    )
    answer = book.date(car)
    assert ("1967-09/1968-08", "1965") == (span(answer, "pan_made"), span(answer, "first_pan_made"))
    (conflict,) = answer.conflicts
    assert "belongs to another pan, as it seems the car's first" in conflict.says
    assert any("can be that of the first pan" in note for note in answer.notes)


def test_a_paper_about_the_pan_that_is_gone_dates_that_one(book: Book):
    car = book.car(pan="S8 00100")
    gone = book.write(store.record_thing, check(ThingIn, kind="pan", car=car, former=True, fitted="../1980"))
    book.write(
        store.record_statement,
        check(StatementIn, car=car, thing=gone, about="pan_made", edtf="1961", relation="equals", kind="title"),
    )
    answer = book.date(car)
    assert ("1967-09/1968-08", "1961", ()) == (
        span(answer, "pan_made"),
        span(answer, "first_pan_made"),
        answer.conflicts,
    )


def test_another_pan_on_file_says_that_the_floor_was_changed(book: Book):
    """A pan younger than the receipt is then no conflict, even where no invoice is on file."""
    car = book.car(says("body_moulded", "1964", "not after"), pan="S8 00100")
    before = book.date(car)
    assert ["dates"] == [one.kind for one in before.conflicts]
    book.write(store.record_thing, check(ThingIn, kind="pan", car=car, former=True))
    here = knowing.things_on(book.db, knowing.resolve_car(book.db, car)["id"])[0]
    fitted = check(FittingIn, thing=here["id"], car=car, edtf="1969/..", supersedes=here["fitting"])
    book.write(store.fit_thing, fitted)
    after = book.date(car)
    assert () == after.conflicts
    assert "1969/.." == span(after, "repanned")


def test_metal_in_doubt_may_be_the_titles_number_and_is_not_narrowed_by_it(book: Book):
    answer = book.date(book.car(pan="T[45] 00100", title="T5 00100"))
    assert "may be the same" == answer.compared[0].verdict
    assert "read the pan again" in answer.compared[0].ask
    assert "[1964..1965,1974]" == span(answer, "pan_made")


def test_an_assigned_number_dates_nothing_and_contradicts_nothing(book: Book):
    answer = book.date(book.car(pan="S8 00100", title="ZZ 0085-311"))
    assert ("no number of a table", ()) == (answer.compared[0].verdict, answer.conflicts)
    assert "dates nothing" in answer.compared[0].says


def test_a_title_without_a_pan_to_compare_is_told(book: Book):
    answer = book.date(book.car(title="T5 00100"))
    assert span(answer, "pan_made") is None
    assert "no number of the pan has been read" in answer.not_used[0] and "1965" in answer.not_used[0]


def test_comparing_does_not_depend_on_which_is_paper_and_which_is_metal(book: Book):
    tables = knowing.house_tables(book.db)
    for one, other in (("T5 00100", "T5 00010"), ("T5 00100", "T5 43872"), ("T[45] 00100", "T5 00100")):
        assert metal.compare(one, other, "pan", tables) == metal.compare(other, one, "pan", tables)


# Conflicts of dates


def test_a_pan_younger_than_the_receipt_is_odd_until_a_second_invoice_explains_it(book: Book):
    receipt = says("body_moulded", "1966-03", "not after", kind="receipt, body kit")
    odd = book.date(book.car(receipt, pan="S8 00100"))
    (conflict,) = odd.conflicts
    assert ("dates", 2) == (conflict.kind, len(conflict.papers))
    assert "is there a second invoice" in conflict.ask
    fine = book.date(book.car(receipt, says("repanned", "1968-11", kind="invoice"), pan="S8 00100"))
    assert () == fine.conflicts
    assert any("the floor was changed later" in note for note in fine.notes)


def test_a_conflict_with_a_number_in_doubt_asks_to_read_it_again(book: Book):
    """What was read with doubt is not certain to contradict anything."""
    answer = book.date(book.car(says("assembled", "1960", "not after", kind="slip"), pan=("S8 00100", "pitted")))
    (conflict,) = [one for one in answer.conflicts if one.kind == "dates"]
    assert not conflict.is_certain
    assert "read it again first" in conflict.ask


def test_what_both_visits_of_a_car_know_counts(book: Book):
    """A record joined to another brings its papers along."""
    first, second = book.car(pan="S8 00100"), book.car(says("assembled", "1970", "not after", kind="slip"))
    book.write(store.record_join, check(JoinIn, car=second, into_car=first, kind="merge", reason="one car", at=DAY))
    answer = book.date(second)
    assert first == answer.car
    assert "1967-09/1970" == span(answer, "assembled")


@given(st.lists(st.integers(1960, 1975), max_size=5))
def test_a_further_paper_never_widens_a_date_unless_they_clash(years: list[int]):
    """Spans only narrow as statements are added."""
    from decoder import dating

    papers = [
        dating.statement("assembled", "not after", str(year), ref=f"statement {n}") for n, year in enumerate(years)
    ]
    for count in range(len(papers)):
        fewer, more = (
            dating.reconcile(papers[:count], events=dated.EVENTS, rules=dated.RULES),
            dating.reconcile(papers[: count + 1], events=dated.EVENTS, rules=dated.RULES),
        )
        was, now = fewer.events["body_moulded"].span, more.events["body_moulded"].span
        assert now is not None and now.latest is not None
        assert was is None or was.latest is None or now.latest <= was.latest


def test_a_sale_bounds_the_body_from_above(book: Book):
    assert "../1968-05" == span(book.date(book.car(says("sold", "1968-05", kind="bill of sale"))), "body_moulded")


# A user's own events and rules


OWN = """
events: [{name: painted, title: Painted, says: the body was painted}]
rules: [{before: body_moulded, then: painted, says: a body is moulded before it is painted}]
"""


def test_a_users_own_event_and_rule_take_part(book: Book):
    events, rules = dated.order_of(OWN, "ours.yml")
    answer = book.date(book.car(says("painted", "1966", kind="invoice")), events=events, rules=rules)
    assert ("1966", "../1966") == (span(answer, "painted"), span(answer, "body_moulded"))
    assert () == answer.problems


def test_rules_that_run_in_a_circle_are_refused_with_the_circle(book: Book):
    events, rules = dated.order_of("rules: [{before: assembled, then: body_moulded, says: x}]", "ours.yml")
    with pytest.raises(DatingError, match="run in a circle: .*body_moulded"):
        book.date(book.car(pan="S8 00100"), events=events, rules=rules)


def test_a_rule_of_the_same_two_events_takes_the_place_of_ours(book: Book):
    text = "rules: [{before: body_moulded, then: assembled, says: as a rule, always: 'no'}]"
    events, rules = dated.order_of(text, "ours.yml")
    answer = book.date(book.car(says("assembled", "1966")), events=events, rules=rules)
    assert span(answer, "body_moulded") is None


@pytest.mark.parametrize(
    "text",
    [
        "[1, 2]",
        "event: []",
        "events: {a: b}",
        "events: [{name: painted}]",
        "rules: [{before: assembled, then: seen, says: x, sometimes: 'yes'}]",
        "rules: [{before: assembled, then: seen, says: x, always: perhaps}]",
        "rules: [word]",
        "events: [",
    ],
)
def test_a_file_of_rules_that_is_not_one_is_refused_by_name(text: str):
    with pytest.raises(WrongInput, match=r"ours\.yml"):
        dated.order_of(text, "ours.yml")


def test_a_rule_about_an_event_that_is_not_there_is_refused(book: Book):
    events, rules = dated.order_of("rules: [{before: assembled, then: repainted, says: x}]", "ours.yml")
    with pytest.raises(DatingError, match="no event 'repainted'"):
        book.date(book.car(), events=events, rules=rules)
