"""Dates that add up: what papers leave of each event, and which of them cannot all be true.

A case's docstring is its papers, one a line: event, relation, date, and after the stroke what it is; whose.
"""

from __future__ import annotations

from datetime import date
from itertools import combinations, pairwise, product

import pytest
from hypothesis import assume, given
from hypothesis import strategies as st

from decoder.dates import DateError, between, one_of, parse
from decoder.dating import (
    ALWAYS_SHOWN,
    EVENTS,
    RELATIONS,
    RULES,
    DatingError,
    Event,
    Rule,
    Unless,
    reconcile,
    statement,
    tightest,
)
from decoder.errors import DecoderError


def papers(text, events=EVENTS):
    """The statements of a docstring."""
    found = []
    for line in filter(None, map(str.strip, text.splitlines())):
        claim, _, origin = line.partition("|")
        about, rest = claim.strip().split(" ", 1)
        relation = next(each for each in RELATIONS if rest.strip().startswith(each))
        kind, _, source = origin.strip().partition(";")
        nature = next((n for n in ("stamping", "memory", "inference") if n in source), None)
        found.append(
            statement(
                about,
                relation,
                rest.strip().removeprefix(relation).strip(),
                kind=kind.strip(),
                source=source.strip(),
                nature=nature,
                events=events,
            )
        )
    return found


@pytest.fixture
def dated(request):
    """The answer to the papers in the test's own docstring."""
    return reconcile(papers(request.function.__doc__))


def ends(dated, name):
    answer = dated.events[name].as_dict()
    return answer["earliest"], answer["latest"]


#: Methods 2.1a: serials of one block, each with the span of its car.
SERIALS = {
    1010: "1965-03/1965-12",
    1100: "1964-06/1966-06",
    1180: "1966-01/1966-04",
    1250: "1965-10/1967-12",
    1300: "1966-09/1967-03",
}


class TestPublishedExamples:
    def test_the_running_example_of_1991(self):
        """Dechter, Meiri and Pearl: the whole matrix, computed twice by other means (methods 2.2a)."""
        spans = [(0, 1, 10, 20), (1, 2, 30, 40), (3, 4, 40, 50), (0, 4, 60, 70), (3, 2, 10, 20)]
        edges = [edge for i, j, low, high in spans for edge in ((i, j, high), (j, i, -low))]
        assert tightest(5, edges) == [
            [0, 20, 50, 30, 70],
            [-10, 0, 40, 20, 60],
            [-40, -30, 0, -10, 30],
            [-20, -10, 20, 0, 50],
            [-60, -50, -20, -40, 0],
        ]

    def test_a_cycle_shorter_than_nothing(self):
        assert tightest(2, [(0, 1, 5), (1, 0, -6)]) is None

    @pytest.mark.parametrize(
        ("serial", "earliest", "latest"),
        [
            (1000, None, "1965-12-31"),
            (1050, "1965-03-01", "1966-04-30"),
            (1100, "1965-03-01", "1966-04-30"),
            (1200, "1966-01-01", "1967-03-31"),
            (1250, "1966-01-01", "1967-03-31"),
            (1400, "1966-09-01", None),
        ],
    )
    def test_serials_given_out_in_order(self, serial, earliest, latest):
        """Methods 2.1a: dated serials bound the one between them. Each serial is an event of its own."""
        numbers = sorted({*SERIALS, serial})
        events = [Event(f"no{number}", f"No. {number}", f"{number} was moulded") for number in numbers]
        rules = [Rule(f"no{a}", f"no{b}", "numbers were given out in order") for a, b in pairwise(numbers)]
        stated = [statement(f"no{n}", "equals", span, events=events) for n, span in SERIALS.items()]
        if serial not in SERIALS:
            stated.append(statement(f"no{serial}", "not after", "2026", events=events))
        found = reconcile(stated, events=events, rules=rules)
        assert found.conflicts == ()
        assert ends(found, f"no{serial}") == (earliest, "2026-12-31" if serial == 1400 else latest)


class TestTheTradesCases:
    def test_the_reference_car(self, dated):
        """
        pan_made equals 1960-10 | pan number; stamping
        body_moulded not after 21 May 1966 | receipt, body kit; family
        assembled not after 1967-06~ | letter, first owner's son; memory
        seen not after Aug '67 | photograph, pier; family album
        title_year equals 1961 | title; owner
        """
        assert dated.conflicts == ()
        assert ends(dated, "pan_made") == ("1960-10-01", "1960-10-31")
        assert ends(dated, "body_moulded") == (None, "1966-05-21")
        assert ends(dated, "assembled") == ("1960-10-01", "1967-07-31")
        assert dated.events["assembled"].latest_is_soft and not dated.events["assembled"].earliest_is_soft
        assert [each.kind for each in dated.events["assembled"].earliest_from] == ["pan number"]
        # The pan was made in October 1960, in model year 1961: the title's year may well be its.
        assert "can be that of the pan's model year" in dated.notes[0]
        assert "ask the licensing authority" in dated.notes[1]

    def test_four_dates_of_one_car_all_true(self, dated):
        """
        pan_made equals 1964 | pan number; stamping
        body_moulded equals 1971-02 | crayon number; inference
        assembled not after 19 Nov 1985 | certificate of inspection; owner
        title_year equals 1985 | title; owner
        """
        assert dated.conflicts == ()
        assert ends(dated, "pan_made") == ("1964-01-01", "1964-12-31")
        assert ends(dated, "assembled") == ("1971-02-01", "1985-11-19")
        assert ends(dated, "title_year") == ("1985-01-01", "1985-12-31")
        assert dated.notes[0] == (
            "The title's year (1985) can be that of the assembly and is not that of the pan or of the body."
        )

    def test_a_receipt_before_the_floor_was_built(self, dated):
        """
        body_moulded not after 04/03/66 | receipt, body kit; owner
        pan_made equals Dec 1966 | pan number; stamping
        """
        (odd,) = dated.conflicts
        assert odd.papers == (2, 1)
        assert not odd.is_certain
        assert odd.says == (
            "Pan number (stamping): the pan was made in December 1966. Receipt, body kit (owner): the body "
            "was moulded not after 4 March 1966 or 3 April 1966. As a rule the pan is older than the body, for "
            "the donor was a used car; here it is not."
        )
        assert "is there a second invoice" in odd.ask
        # What only looks odd narrows nothing and takes nothing away.
        assert ends(dated, "pan_made") == ("1966-12-01", "1966-12-31")
        assert ends(dated, "body_moulded") == (None, "1966-04-03")

    def test_a_second_invoice_explains_it(self, dated):
        """
        body_moulded not after 04/03/66 | receipt, body kit; owner
        pan_made equals Dec 1966 | pan number; stamping
        repanned equals Nov 1968 | invoice, pan from a breaker; owner
        """
        assert dated.conflicts == ()
        assert dated.notes == (
            "Pan made after body moulded is no conflict: the floor was changed later. Invoice, pan from a "
            "breaker (owner): the car was put on its present pan in November 1968.",
        )

    def test_without_a_second_invoice_the_assembly_cannot_be_older_than_the_pan(self, dated):
        """
        assembled not after June 1966 | photograph on the road; family
        pan_made equals Dec 1967 | pan number; stamping
        """
        (conflict,) = dated.conflicts
        assert conflict.is_certain
        assert conflict.says.endswith(
            "These cannot both be true, since a pan is made before a car is assembled on it."
        )
        assert "Unless the floor was changed later: is there a second invoice" in conflict.ask
        # Nobody is overruled: each event keeps what its own paper says.
        assert ends(dated, "assembled") == (None, "1966-06-30")
        assert ends(dated, "pan_made") == ("1967-12-01", "1967-12-31")
        assert dated.events["assembled"].is_disputed and dated.events["pan_made"].is_disputed
        assert len(dated.agree_without) == 2

    def test_with_it_the_assembly_may(self, dated):
        """
        assembled not after June 1966 | photograph on the road; family
        pan_made equals Dec 1967 | pan number; stamping
        repanned not before 14 Apr 1980 | invoice, second-hand pan; owner
        """
        assert dated.conflicts == ()

    def test_a_later_pan_must_still_be_made_before_it_was_fitted(self, dated):
        """
        pan_made equals Dec 1969 | pan number; stamping
        repanned equals Nov 1968 | invoice, pan from a breaker; owner
        """
        (conflict,) = dated.conflicts
        assert "a pan is made before a car is put on it" in conflict.says
        assert conflict.ask

    def test_the_title_of_the_pan_that_is_gone(self, dated):
        """
        pan_made equals Nov 1971 | pan number; stamping
        pan_made equals 1961 | title; owner
        repanned not before 14 Apr 1980 | invoice, second-hand pan; owner
        """
        (conflict,) = dated.conflicts
        assert set(conflict.papers) == {1, 2}
        assert "it happened once" in conflict.says
        assert "first_pan_made" in conflict.ask
        assert not conflict.is_certain
        assert dated.events["pan_made"].words() == "November 1971"

    def test_two_stampings_and_a_paper_of_a_changed_pan(self, dated):
        """
        pan_made equals Nov 1971 | pan number; stamping
        pan_made equals 1973 | second number; stamping
        pan_made equals 1961 | title; owner
        repanned not before 14 Apr 1980 | invoice, second-hand pan; owner
        """
        assert dated.events["pan_made"].words() == "November 1971 or 1973"
        assert dated.events["pan_made"].is_disputed

    def test_two_papers_of_a_pan_that_was_never_changed(self, dated):
        """
        pan_made equals Nov 1971 | pan number; stamping
        pan_made equals 1961 | title; owner
        """
        (conflict,) = dated.conflicts
        assert conflict.is_certain
        assert dated.events["pan_made"].words() == "1961 or November 1971"

    def test_a_paper_may_be_of_the_pan_before(self, dated):
        """
        pan_made equals 1961 or 1971 | pan number; stamping
        pan_made equals 1961 | title; owner
        repanned not before 14 Apr 1980 | invoice, second-hand pan; owner
        """
        assert dated.events["pan_made"].words() == "1961 or 1971"
        assert dated.notes == (
            "Pan made: Title (owner) may be of the present one or of the one before, and narrows nothing. If it is "
            "of the one before, date first_pan_made by it.",
        )

    def test_a_last_sighting_says_nothing_of_the_first(self, dated):
        """
        seen not before 1988 | photograph; list
        """
        assert ends(dated, "seen") == (None, None)
        assert "says nothing of the first time" in dated.notes[0]

    def test_told_as_the_first_pan_it_is_no_conflict(self, dated):
        """
        pan_made equals Nov 1971 | pan number; stamping
        first_pan_made equals 1961 | title; owner
        repanned not before 14 Apr 1980 | invoice, second-hand pan; owner
        """
        assert dated.conflicts == ()

    def test_a_plate_that_is_older_than_the_car(self, dated):
        """
        plate_issued equals 14 Feb 1967 | plate; stamping
        assembled not after June 1967 | photograph; family
        """
        assert dated.conflicts == ()
        assert ends(dated, "body_moulded") == (None, "1967-02-14")

    def test_a_plate_on_an_early_body_is_odd(self, dated):
        """
        plate_issued equals 22 Jan 1968 | plate; stamping
        assembled not after June 1966 | photograph; family
        """
        (odd,) = dated.conflicts
        assert not odd.is_certain
        assert "is there a letter from the maker" in odd.ask

    def test_unless_the_maker_sent_it_later(self, dated):
        """
        plate_issued equals 22 Jan 1968 | letter from the maker; owner
        assembled not after June 1966 | photograph; family
        """
        assert dated.conflicts == ()
        assert "the maker sent a plate later" in dated.notes[0]

    def test_day_first_and_month_first_papers_settle_each_other(self, dated):
        """
        first_registered equals 7.11.1971 | foreign registration; owner
        first_registered equals 11/7/71 | export certificate; owner
        """
        assert dated.conflicts == ()
        assert dated.events["first_registered"].span.edtf == "1971-11-07"

    def test_an_order_of_events_settles_a_set_of_two_days(self, dated):
        """
        first_registered equals 11/7/71 | export certificate; owner
        assembled not before 1 Aug 1971 | invoice, screen; owner
        """
        assert dated.events["first_registered"].span.edtf == "1971-11-07"

    def test_two_days_stay_two_until_something_settles_them(self, dated):
        """
        first_registered equals 12/11/73 | registration slip; owner
        """
        assert dated.events["first_registered"].span.edtf == "[1973-11-12,1973-12-11]"
        assert ends(dated, "assembled") == (None, "1973-12-11")

    def test_a_decade_that_is_left_open(self, dated):
        """
        pan_made equals 1964 or 1974 | pan number; stamping
        assembled not after 6 June 1970 | registration slip; owner
        """
        assert dated.events["pan_made"].words() == "1964"

    def test_memory_makes_soft_ends_and_soft_conflicts(self, dated):
        """
        body_moulded equals about 65 | owner's word; memory
        body_moulded not before 1 Jan 1968 | drawing of the mould; maker
        """
        (conflict,) = dated.conflicts
        assert not conflict.is_certain
        assert "Memory is often out" in conflict.ask
        assert "could it be further out" in conflict.ask

    def test_about_reaches_as_far_as_it_is_said_to(self, dated):
        """
        body_moulded equals about 1965 | owner's word; memory
        body_moulded not before 1 Jan 1966 | drawing of the mould; maker
        """
        assert dated.conflicts == ()
        assert ends(dated, "body_moulded") == ("1966-01-01", "1966-12-31")
        assert (
            dated.events["body_moulded"].latest_is_soft and not dated.events["body_moulded"].earliest_is_soft
        )

    def test_sightings_bound_from_above_each_alone(self, dated):
        """
        seen equals Aug 1967 | photograph, pier; family
        seen equals 1974-03 | slide; slide survey
        """
        assert dated.conflicts == ()
        assert ends(dated, "seen") == (None, "1967-08-31")
        assert ends(dated, "body_moulded") == (None, "1967-08-31")

    def test_one_wrong_paper_is_named(self, dated):
        """
        pan_made equals Oct 1960 | pan number; stamping
        body_moulded equals May 1966 | crayon; maker
        assembled equals 1967 | letter; family
        first_registered equals June 1967 | slip; family
        first_registered equals 1959 | slip, copy; seller
        """
        assert [[each.ref for each in group] for group in dated.agree_without] == [[5]]
        assert all(5 in conflict.papers and len(conflict.papers) == 2 for conflict in dated.conflicts)
        assert len(dated.conflicts) == 4
        assert "All the rest would agree without Slip, copy (seller)." in dated.tell()

    def test_three_papers_of_which_any_two_agree(self, dated):
        """
        assembled equals 1964 or 1974 | note; owner
        assembled not before 1965 | invoice; owner
        assembled not after 1973 | slip; owner
        """
        (conflict,) = dated.conflicts
        assert sorted(conflict.papers) == [1, 2, 3]
        assert "These cannot all be true" in conflict.says

    def test_nothing_known(self, dated):
        """ """
        assert list(dated.events) == list(ALWAYS_SHOWN)
        assert all(event.span is None and event.words() == "not known" for event in dated.events.values())
        assert dated.as_dict()["events"]["pan_made"]["edtf"] is None

    def test_an_engine_bounds_its_own_making_alone(self, dated):
        """
        engine_made equals 1979 | engine number; stamping
        assembled not after 1970 | slip; owner
        """
        assert dated.conflicts == ()
        assert "never the car's" in dated.notes[0]


class TestTheAnswer:
    def test_the_contract(self):
        answer = reconcile(papers("pan_made equals 1967\nassembled not after 1966")).as_dict()
        assert set(ALWAYS_SHOWN) <= set(answer["events"])
        for event in answer["events"].values():
            assert {"edtf", "earliest", "latest"} <= set(event)
        assert all({"papers", "says"} <= set(conflict) for conflict in answer["conflicts"])
        assert len(answer["conflicts"]) == 1

    def test_a_papers_own_words_are_kept_where_they_say_the_same(self):
        dated = reconcile([statement("assembled", "equals", "the sixties")])
        assert dated.events["assembled"].span.edtf == "196X"

    def test_references_are_the_callers(self):
        dated = reconcile(
            [
                statement("pan_made", "equals", "1967", ref="row 7"),
                statement("assembled", "equals", "1966", ref=12),
            ]
        )
        assert set(dated.conflicts[0].papers) == {"row 7", 12}

    def test_many_conflicts_are_counted(self):
        clashing = [statement("assembled", "equals", str(year)) for year in range(1960, 1968)]
        dated = reconcile(clashing)
        assert len(dated.conflicts) == 20
        assert "8 more conflicts" in " ".join(dated.notes)

    def test_told_in_sentences(self):
        lines = reconcile(
            papers("pan_made equals Dec 1967 | pan number; stamping\nassembled not after June 1966 | slip")
        ).tell()
        assert lines[0] == "Pan made: December 1967 (its papers do not agree)."
        assert lines[5].startswith(
            "1. Pan number (stamping): the pan was made in December 1967. Slip: the car was assembled"
        )


class TestRefused:
    @pytest.mark.parametrize(
        ("about", "relation", "when", "says"),
        [
            ("body_mouldd", "equals", "1966", "Did you mean body_moulded"),
            ("wedding", "equals", "1966", "There is no event 'wedding'.*add your own"),
            ("assembled", "around", "1966", "told as one of: equals, not before, not after"),
            ("assembled", "not before", "../1966", "has no start"),
            ("assembled", "not after", "1966/..", "has no end"),
            ("assembled", "equals", "31/02", "is not a day"),
            ("assembled", "equals", "{1966,1968}", "Make one statement for each"),
        ],
    )
    def test_statement(self, about, relation, when, says):
        with pytest.raises(DecoderError, match=says):
            statement(about, relation, when)

    def test_nature(self):
        with pytest.raises(DatingError, match="rests on one of"):
            statement("assembled", "equals", "1966", nature="hunch")

    def test_an_impossible_date_is_a_date_error(self):
        with pytest.raises(DateError):
            statement("assembled", "equals", "30 February 1966")

    @pytest.mark.parametrize(
        ("rules", "says"),
        [
            ([Rule("assembled", "pan_made", "x")], "circle: pan_made before assembled before pan_made"),
            ([Rule("repanned", "body_moulded", "x")], "run in a circle"),
            ([Rule("seen", "seen", "x")], "ties 'seen' to itself"),
            ([Rule("seen", "sold", "x")], "no event 'sold'"),
            ([Rule("seen", "engine_made", "x", at_least=5, at_most=3)], "Change the two about"),
            (
                [Rule("seen", "engine_made", "x", unless=(Unless("y", "z?", event="sold"),))],
                "no event 'sold'",
            ),
            (
                [
                    Rule("body_moulded", "seen", "x", at_least=400),
                    Rule("body_moulded", "seen", "y", at_most=300),
                ],
                "leave no time",
            ),
        ],
    )
    def test_rules(self, rules, says):
        with pytest.raises(DatingError, match=says):
            reconcile([], rules=[*RULES, *rules])

    def test_an_event_told_twice(self):
        with pytest.raises(DatingError, match="is there twice"):
            reconcile([], events=[*EVENTS, Event("seen", "Seen", "seen")])

    def test_an_event_changed_by_none_that_is_there(self):
        with pytest.raises(DatingError, match="no event 'rebodied'"):
            reconcile(
                [], events=[*EVENTS, Event("trimmed", "Trimmed", "it was trimmed", changed_by="rebodied")]
            )

    def test_a_statement_of_an_event_that_is_not_in_the_list(self):
        own = [*EVENTS, Event("painted", "Painted", "the body was painted")]
        made = statement("painted", "equals", "1969", events=own)
        with pytest.raises(DatingError, match="no event 'painted'"):
            reconcile([made])


class TestUsersOwn:
    EVENTS = (*EVENTS, Event("painted", "Painted", "the body was painted"))

    def test_own_event_and_rule(self):
        rules = [*RULES, Rule("body_moulded", "painted", "a body is moulded before it is painted")]
        dated = reconcile(
            papers("painted equals May 1969 | paint under the plate", self.EVENTS),
            events=self.EVENTS,
            rules=rules,
        )
        assert ends(dated, "body_moulded") == (None, "1969-05-31")
        assert dated.events["painted"].words() == "May 1969"

    def test_least_and_most_days(self):
        rules = [
            Rule(
                "body_moulded",
                "painted",
                "the resin cures for a month and the order was within a year",
                at_least=30,
                at_most=365,
            )
        ]
        dated = reconcile(papers("painted equals 1 July 1969", self.EVENTS), events=self.EVENTS, rules=rules)
        assert ends(dated, "body_moulded") == ("1968-07-01", "1969-06-01")


# ---- against the plain rule

FIRST = date(1966, 1, 1).toordinal()
NAMES = ("a", "b", "c")
SMALL_EVENTS = tuple(Event(name, name.upper(), f"{name} happened") for name in NAMES)
HORIZON = 7  # days in the small world


def span_of(days):
    """A span of some of the first days of 1966."""
    return one_of([(date.fromordinal(FIRST + d), date.fromordinal(FIRST + d)) for d in days])


@st.composite
def small_worlds(draw):
    rules = []
    for before, then in combinations(NAMES, 2):
        if draw(st.integers(0, 3)):
            least = draw(st.integers(0, 2))
            most = draw(st.one_of(st.none(), st.integers(least, 5)))
            rules.append(Rule(before, then, f"{before} before {then}", at_least=least, at_most=most))
    stated = [
        statement(
            draw(st.sampled_from(NAMES)),
            draw(st.sampled_from([*RELATIONS, "equals", "equals"])),
            span_of(draw(st.sets(st.integers(0, HORIZON - 1), min_size=1, max_size=3))),
            events=SMALL_EVENTS,
        )
        for _ in range(draw(st.integers(0, 6)))
    ]
    return rules, stated


def keeps(days, rules, stated):
    """Whether a choice of days keeps every rule and statement, said plainly."""
    for rule in rules:
        gap = days[rule.then] - days[rule.before]
        if gap < rule.at_least or (rule.at_most is not None and gap > rule.at_most):
            return False
    for each in stated:
        day = date.fromordinal(FIRST + days[each.about])
        if each.relation == "equals" and not each.span.allows(day):
            return False
        if each.relation == "not before" and day < each.span.earliest:
            return False
        if each.relation == "not after" and day > each.span.latest:
            return False
    return True


def every_choice(rules, stated):
    # Wide enough that what is open at one end in the small world is open here too.
    for days in product(range(-4, HORIZON + 4), repeat=len(NAMES)):
        choice = dict(zip(NAMES, days, strict=True))
        if keeps(choice, rules, stated):
            yield choice


class TestOneOfSeveralDays:
    """A date that is one of several needs no branching; these are the cases that would show if it did."""

    ORDER = (Rule("a", "b", "a before b"), Rule("b", "c", "b before c"))
    TOGETHER = (Rule("a", "b", "on one day", at_least=0, at_most=0),)

    def test_an_event_pushed_past_its_first_choice_pushes_the_next(self):
        stated = [
            statement("a", "not before", span_of([3]), events=SMALL_EVENTS),
            statement("b", "equals", span_of([1, 5]), events=SMALL_EVENTS),
            statement("c", "not after", span_of([9]), events=SMALL_EVENTS),
        ]
        dated = reconcile(stated, events=SMALL_EVENTS, rules=self.ORDER)
        assert dated.events["b"].span == span_of([5])
        assert dated.events["c"].span == between(date(1966, 1, 6), date(1966, 1, 10))

    def test_and_back(self):
        stated = [
            statement("a", "not before", span_of([0]), events=SMALL_EVENTS),
            statement("b", "equals", span_of([2, 6]), events=SMALL_EVENTS),
            statement("c", "not after", span_of([4]), events=SMALL_EVENTS),
        ]
        dated = reconcile(stated, events=SMALL_EVENTS, rules=self.ORDER)
        assert dated.events["b"].span == span_of([2])
        assert dated.events["a"].span == between(date(1966, 1, 1), date(1966, 1, 3))

    def test_a_choice_in_the_middle_that_nothing_allows_is_dropped(self):
        stated = [
            statement("a", "equals", span_of([1, 5, 9]), events=SMALL_EVENTS),
            statement("b", "equals", span_of([1, 9]), events=SMALL_EVENTS),
        ]
        dated = reconcile(stated, events=SMALL_EVENTS, rules=self.TOGETHER)
        assert dated.events["a"].span == span_of([1, 9])

    def test_a_conflict_along_a_chain_names_every_rule_on_the_way(self):
        names = [f"no{n}" for n in range(6)]
        events = [Event(f"no{n}", f"no{n}", f"no{n} was moulded") for n in (3, 0, 5, 1, 4, 2)]
        rules = [Rule(a, b, f"{a} is before {b}") for a, b in pairwise(names)]
        stated = [
            statement("no0", "equals", "1970", events=events),
            statement("no5", "equals", "1960", events=events),
        ]
        (conflict,) = reconcile(stated, events=events, rules=rules).conflicts
        assert conflict.rules == tuple(rules)
        since = " and ".join(rule.says for rule in rules)
        assert conflict.says.endswith(f"These cannot both be true, since {since}.")


class TestAgainstEveryChoiceOfDays:
    """On a few days everything can be tried: the answer must be the same as trying."""

    @given(small_worlds())
    def test_spans_are_the_tightest(self, world):
        rules, stated = world
        assume(tight(rules))
        # Bounded, so that trying can see every day.
        bounds = [
            statement(
                name,
                "equals",
                between(*map(date.fromordinal, (FIRST - 4, FIRST + HORIZON + 3))),
                events=SMALL_EVENTS,
            )
            for name in NAMES
        ]
        possible = list(every_choice(rules, stated))
        dated = reconcile([*stated, *bounds], events=SMALL_EVENTS, rules=rules)
        assert bool(possible) == (dated.conflicts == ())
        if possible:
            for name in NAMES:
                days = {choice[name] for choice in possible}
                span = dated.events[name].span
                assert (span.earliest.toordinal() - FIRST, span.latest.toordinal() - FIRST) == (
                    min(days),
                    max(days),
                )
                for piece in span.pieces:
                    assert any(piece[0].toordinal() <= FIRST + day <= piece[1].toordinal() for day in days)

    @given(small_worlds())
    def test_conflicts_are_smallest(self, world):
        rules, stated = world
        assume(tight(rules))
        dated = reconcile(stated, events=SMALL_EVENTS, rules=rules)
        for conflict in dated.conflicts:
            assert not agrees(conflict.statements, rules)
            for left_out in range(len(conflict.statements)):
                assert agrees(conflict.statements[:left_out] + conflict.statements[left_out + 1 :], rules)
        for group in dated.agree_without:
            refs = {each.ref for each in group}
            assert agrees([each for place, each in enumerate(stated, 1) if place not in refs], rules)

    @given(small_worlds())
    def test_a_conflict_leaves_each_event_a_span(self, world):
        rules, stated = world
        assume(tight(rules))
        dated = reconcile(stated, events=SMALL_EVENTS, rules=rules)
        for each in stated:
            # One says before, the other after: then nothing is left, and that is said.
            assert dated.events[each.about].span is not None or dated.events[each.about].is_disputed

    @given(small_worlds(), st.randoms(use_true_random=False))
    def test_the_order_of_statements_does_not_matter(self, world, random):
        rules, stated = world
        assume(tight(rules))
        shuffled = list(stated)
        random.shuffle(shuffled)
        one, other = (reconcile(each, events=SMALL_EVENTS, rules=rules) for each in (stated, shuffled))
        assert {n: e.span for n, e in one.events.items()} == {n: e.span for n, e in other.events.items()}
        assert bool(one.conflicts) == bool(other.conflicts)

    @given(small_worlds())
    def test_a_span_only_narrows_as_statements_are_added(self, world):
        rules, stated = world
        assume(tight(rules) and stated)
        more, fewer = (reconcile(each, events=SMALL_EVENTS, rules=rules) for each in (stated, stated[:-1]))
        assume(not more.conflicts)
        assert not fewer.conflicts
        for name, event in fewer.events.items():
            if event.span is not None:
                assert more.events[name].span.earliest is not None or event.span.earliest is None
                assert (event.span & more.events[name].span).pieces == more.events[name].span.pieces


def tight(rules):
    """Whether the rules by themselves leave any time; those that do not are refused."""
    place = {name: index for index, name in enumerate(NAMES)}
    edges = []
    for rule in rules:
        edges.append((place[rule.then], place[rule.before], -rule.at_least))
        if rule.at_most is not None:
            edges.append((place[rule.before], place[rule.then], rule.at_most))
    return tightest(len(NAMES), edges) is not None


def agrees(stated, rules):
    return next(every_choice_wide(rules, stated), None) is not None


def every_choice_wide(rules, stated):
    """As every_choice, over the events that matter, and far enough out for open ends and distances."""
    tied = {name for rule in rules for name in (rule.before, rule.then)}
    names = [name for name in NAMES if name in tied or any(each.about == name for each in stated)]
    for days in product(range(-7, HORIZON + 7), repeat=len(names)):
        choice = dict(zip(names, days, strict=True))
        if keeps(choice, rules, stated):
            yield choice


class TestNetwork:
    @given(st.lists(st.tuples(st.integers(0, 5), st.integers(0, 5), st.integers(-9, 9)), max_size=20))
    def test_shortest_paths_are_consistent_and_within_the_edges(self, edges):
        """What the loops give keeps every edge and is closed; a contradiction is found where there is one."""
        matrix = tightest(6, edges)
        # Bellman and Ford from a point joined to all: a second, separate computation.
        reached = [0.0] * 6
        for _ in range(7):
            changed = False
            for i, j, weight in edges:
                if reached[i] + weight < reached[j]:
                    reached[j], changed = reached[i] + weight, True
        assert (matrix is None) == changed
        if matrix is not None:
            for i, j, weight in edges:
                assert matrix[i][j] <= weight
            for i, j, k in product(range(6), repeat=3):
                assert matrix[i][j] <= matrix[i][k] + matrix[k][j]
            assert all(matrix[i][i] == 0 for i in range(6))


def test_every_default_rule_and_event_is_told_in_words():
    for event in EVENTS:
        assert event.title and event.says
    names = {event.name for event in EVENTS}
    assert set(ALWAYS_SHOWN) <= names
    for rule in RULES:
        assert {rule.before, rule.then} <= names
        assert rule.says and rule.source
        assert all(unless.says and unless.ask.endswith("?") for unless in rule.unless)
    assert parse("1966")  # the spans it is all told in
