"""Decoding: from a reading to the numbers it can be and when they were made, exactly and without losing the true one.

Readings with doubt about clean-looking characters are in ``test_doubt.py``; published numbers in ``tests/published``.
"""

from __future__ import annotations

import json
from collections import Counter
from itertools import product
from pathlib import Path
from typing import Any

import pytest
import strategies
from hypothesis import assume, example, given, settings
from hypothesis import strategies as st
from strategies import SmallFamily, fits, last_day

from decoder import (
    Answer,
    DecoderError,
    Decoding,
    MalformedReading,
    Reading,
    Tables,
    compile_table,
    decode,
    load_tables,
    read,
)

FOLDER = Path(__file__).parent.parent.parent / "sample" / "tables"
PACKAGED = load_tables()
HOUSE = load_tables(
    extra=[compile_table(path.read_text(encoding="utf-8"), path.name) for path in sorted(FOLDER.glob("*.yml"))]
)
CARRIERS = [None, "pan", "body", "engine", "plate", "title"]
NONE_OF_THESE = (
    0.05  #: what "none of these" starts with beside 1 for each family (shown in each answer as "beforehand")
)


def of_small(family: SmallFamily, text: str, **more: Any) -> Decoding | None:
    answer = decode(text, tables=Tables({"small": compile_table(family.text)}), doubt="none", **more)
    return answer.decodings[0] if answer.decodings else None


def sound(answer: Answer) -> None:
    """What must hold of any answer."""
    document = json.loads(json.dumps(answer.as_dict(), allow_nan=False))
    total = sum(d["probability"] for d in document["decodings"])
    if document["none_of_these"] is None:
        assert document["surface"] in ("ground", "restamped", "cut-away")
        assert not document["decodings"]
    else:
        assert 1 == pytest.approx(total + document["none_of_these"], abs=1e-9)
    for d in document["decodings"]:
        assert 0 <= d["probability"] <= 1
        assert len({c["number"] for c in d["candidates"]}) == len(d["candidates"])
        named = sum(c["probability"] for c in d["candidates"])
        in_all = d["candidates_in_all"]
        if in_all is not None and in_all == len(d["candidates"]):
            assert 1 == pytest.approx(named, abs=1e-9)
        else:
            assert named <= 1 + 1e-9
        assert (d["number"] is not None) == (in_all == 1)
        built = d["built"]
        assert sum(m["probability"] for m in built["months"]) <= 1 + 1e-9
        assert sum(y["probability"] for y in d["model_years"]) <= 1 + 1e-9
        if built["earliest"] and built["latest"]:
            assert built["earliest"] <= built["latest"]
        if built["likeliest_month"]:
            assert (built["earliest"] or "0001")[:7] <= built["likeliest_month"] <= (built["latest"] or "9999")[:7]
            assert built["likeliest_month"] in [m["month"] for m in built["months"]]
        assert set(built["span90"]) <= {m["month"] for m in built["months"]}


# --- against enumeration ---------------------------------------------------------------------------------------------


def sides(family: SmallFamily, reading: Reading, direction: str | None) -> list[Reading]:
    """The reading and, where figures can be read from either side, what is read from the other; once where both are the same."""
    turned = dict(zip("01689", "01986", strict=True))
    if not family.turned:
        return [reading]
    cells = []
    for cell in reversed(reading.cells):
        chars = "".join(sorted(turned[c] for c in cell.chars if c in turned))
        if cell.chars and not chars:
            cells = None
            break
        cells.append(cell._replace(chars=chars))
    other = reading._replace(cells=tuple(cells)) if cells is not None else None
    if other is not None and other.cells == reading.cells:
        return [reading] if direction != "turned" else [other]
    return [
        side
        for side, name in ((reading, "upright"), (other, "turned"))
        if side is not None and direction in (None, name)
    ]


@st.composite
def family_and_reading(draw: st.DrawFn, **more: Any) -> tuple[SmallFamily, str]:
    family = draw(strategies.small_families(**more))
    assume(family.issued)
    number = draw(st.sampled_from(family.issued)).number
    return family, draw(strategies.widened(number, family.alphabets))


class TestAgainstEnumeration:
    @settings(max_examples=60)
    @given(family_and_reading(), st.sampled_from([None, "upright", "turned"]))
    def test_months_and_numbers_are_weighed_exactly(self, given_, direction):
        """Every issued number is equally likely: codes, check letters, two runs, figures from both sides, stretches; to 1e-12."""
        family, text = given_
        reading = read(text)
        months: Counter[str] = Counter()
        numbers: Counter[str] = Counter()
        for side in sides(family, reading, direction):
            for one in family.issued:
                if fits(one.number, side):
                    months[one.month] += 1
                    numbers[one.number] += 1
        found = of_small(family, text, direction=direction)
        if not months:
            assert found is None
            return
        total = months.total()
        assert {m: n / total for m, n in months.items()} == pytest.approx(dict(found.months), abs=1e-12)
        # beyond 50 numbers, those that the figures can be from both sides are counted twice
        assert len(numbers) == found.total_candidates or (family.turned and 50 < len(numbers) < found.total_candidates)
        assert min(len(numbers), 50) == len(found.candidates)
        for candidate in found.candidates:
            assert numbers[candidate.number] / total == pytest.approx(candidate.probability, abs=1e-12)
        if len(numbers) > 50:
            assert sorted(numbers.values())[-50:] == pytest.approx(
                sorted(c.probability * total for c in found.candidates)
            )
        assert (f"{min(months)}-01", last_day(max(months))) == (found.earliest, found.latest)

    @settings(max_examples=60)
    @given(family_and_reading(checks=False, turned=False))
    def test_a_family_counts_by_the_share_that_was_issued(self, given_):
        """Of all numbers that the reading can be in the pattern, how many were issued, against 0.05 for none of these."""
        family, text = given_
        reading = read(text)
        figures = sum(alphabet == "0123456789" for alphabet in family.alphabets)
        codes = {one.number[:-figures] for one in family.issued}  # each row holds for every code
        assume(max(map(len, codes)) <= 1)  # of two code letters each counts by itself, whether they make a code or not
        pattern = [code + "".join(f) for code in codes for f in product("0123456789", repeat=figures)]
        can_be = sum(fits(number, reading) for number in pattern)
        issued = sum(fits(one.number, reading) for one in family.issued)
        found = of_small(family, text)
        evidence = min(issued / can_be, 1.0)
        assert evidence / (evidence + NONE_OF_THESE) == pytest.approx(found.probability, abs=1e-12)

    @settings(max_examples=50)
    @given(family_and_reading(turned=False), st.data())
    def test_the_next_look_is_worth_what_it_says(self, given_, data):
        """For a place in doubt: with which chance it is which character, and what is left then, by enumeration."""
        family, text = given_
        assume("*" not in text)
        found = decode(text, tables=Tables({"small": compile_table(family.text)}), doubt="none")
        places = [o for o in found.look_again if "place" in o]
        assume(places)
        look = data.draw(st.sampled_from(places))
        reading = read(text)
        fitting = [one for one in family.issued if fits(one.number, reading)]
        expected = Counter(one.number[look["place"] - 1] for one in fitting)
        said = {o["character"]: o["probability"] for o in look["options"] if o["probability"] > 0}
        assert {c: n / len(fitting) for c, n in expected.items()} == pytest.approx(said, abs=1e-12)
        assert {c for c in (o["character"] for o in look["options"]) if c not in expected} == {
            o["character"] for o in look["options"] if o["then"] == "no number that was issued"
        }


class TestWidening:
    """A reading made less certain never loses what it was."""

    @settings(max_examples=50)
    @given(st.data())
    def test_of_a_small_family_keeps_every_row(self, data):
        family, text = data.draw(family_and_reading())
        narrow = of_small(family, text)
        assume(narrow is not None and "*" not in text)
        cells = [str(cell) for cell in read(text).cells]
        at = data.draw(st.integers(0, len(cells) - 1))
        cells[at] = "?"
        wide = of_small(family, "".join(cells) if any(c != "?" for c in cells) else "?" * len(cells))
        assert {row["id"] for row in narrow.rows} <= {row["id"] for row in wide.rows}
        assert wide.earliest <= narrow.earliest
        assert narrow.latest <= wide.latest
        assert narrow.total_candidates <= wide.total_candidates

    @settings(max_examples=80)
    @given(st.data())
    def test_of_the_real_and_the_house_tables_keeps_the_true_row(self, data):
        """Any issued number of any family, any of its characters unreadable or in a set: its row stays in the answer."""
        family = data.draw(st.sampled_from([f for f in HOUSE if f.templates and f.rows]))
        template = data.draw(st.sampled_from(family.templates))
        first, last, _ = template.tracks[data.draw(st.integers(0, len(template.tracks) - 1))]
        at = data.draw(st.integers(0, len(first) - 1))
        width = template.running[1] - template.running[0] if template.running else 0
        key = data.draw(st.sampled_from([first[at], last[at]]))
        if width:
            running = data.draw(st.integers(int(first[at][-width:]), int(last[at][-width:])))
            key = first[at][:-width] + f"{running:0{width}d}"
        text = [data.draw(st.sampled_from(alphabet)) for alphabet in template.cells]
        for start, end, codes in template.codes:
            text[start:end] = data.draw(st.sampled_from(sorted(codes)))
        places = [i for a, b in template.ordered for i in range(a, b)]
        for i, c in zip(places, key, strict=True):
            text[i] = c
        for place, modulus, letters, of in template.checks:
            text[place] = letters[int("".join(text[i] for i in of)) % modulus]
        number = "".join(text)
        true = next(
            d for d in decode(number, families=[family.id], tables=HOUSE, direction="upright", doubt="none").decodings
        )
        reading = data.draw(strategies.widened(number, tuple(template.cells)))
        found = next(
            d for d in decode(reading, families=[family.id], tables=HOUSE, direction="upright", doubt="none").decodings
        )
        assert {row["id"] for row in true.rows} <= {row["id"] for row in found.rows}
        sound(decode(reading, on=family.carried_by[0], tables=HOUSE, doubt="none"))
        assert family.id in [
            d.family.id for d in decode(reading, on=family.carried_by[0], tables=HOUSE, doubt="none").decodings
        ]


class TestAnyText:
    @settings(max_examples=300)
    @given(st.text(max_size=24), st.sampled_from(CARRIERS), st.sampled_from([None, 1968]))
    def test_is_answered_or_is_no_reading(self, text, on, says):
        """Nothing but MalformedReading is ever raised, and the answer is sound."""
        try:
            answer = decode(text, on, says=says)
        except MalformedReading:
            return
        sound(answer)

    @settings(max_examples=60)
    @given(
        strategies.readings(),
        st.sampled_from(CARRIERS),
        st.sampled_from([None, "painted", "ground"]),
        st.sampled_from([None, "turned"]),
    )
    @example("H*047", "engine", None, None)
    @example("…3", None, None, None)
    @example("94C7D7?", "plate", None, None)
    @example("1167967", "engine", None, None)
    @example("[38]02*44417", "plate", None, "turned")
    def test_every_reading_is_answered(self, text, on, surface, direction):
        """Any well-formed reading has an answer, over the packaged and the house tables."""
        sound(
            decode(
                text, on, tables=HOUSE, surface=surface, direction=direction, doubt=None if len(text) < 12 else "none"
            )
        )

    @pytest.mark.parametrize("text", ["1" * 64, "?" * 64, "[01]" * 64, "0" * 64, "A" * 64, "*1*2*3*4*"])
    @pytest.mark.parametrize("on", CARRIERS)
    def test_of_any_length(self, text, on):
        sound(decode(text, on, tables=HOUSE, doubt="none"))


# --- separators and end marks ----------------------------------------------------------------------------------------


def only(text: str, family: str, **more: Any) -> Decoding:
    (found,) = decode(text, families=[family], tables=HOUSE, **more).decodings
    return found


class TestSeparators:
    @pytest.mark.parametrize("text", ["1-0053815", "1-53815", "1 - 0053815", "1 0053815"])
    def test_a_prefix_that_is_no_part_of_the_number(self, text):
        """The 1- of the early pans: it is left off, and the answer says so."""
        found = next(d for d in decode(text, on="pan").decodings if d.family.id == "aircooled-platform")
        assert "53815" == found.number
        assert "The leading '1-' is not part of the number." in found.facts

    def test_a_number_that_begins_with_the_same_figure(self):
        """Without the dash and the zeros 153815 is a number of its own."""
        assert "153815" == only("153815", "aircooled-platform").number

    @pytest.mark.parametrize("text", ["118-12345", "118.12345", "118 - 12345"])
    def test_a_dash_where_a_figure_is_missing_is_asked_about(self, text):
        """The length fits with a character in its place: all ten are answered, and the person is sent to look."""
        answer = decode(text, on="pan")
        assert [f"118{n}12345" for n in range(10)] == sorted(c.number for c in answer.decodings[0].candidates)
        assert answer.decodings[0].number is None
        assert any("look whether there is one under it" in problem for problem in answer.problems)

    @pytest.mark.parametrize(
        ("text", "family", "number"),
        [
            ("GHN3-101", "mgb", "GHN3101"),
            ("UF-0412F", "finial", "UF0412F"),
            ("KP-0147", "pantile-a", "KP0147"),
        ],
    )
    def test_a_dash_between_parts_hides_nothing(self, text, family, number):
        """Where it stands between two parts, or the number is whole without it, it is spelling and no question is asked."""
        answer = decode(text, families=[family], tables=HOUSE)
        assert [number] == [c.number for c in answer.decodings[0].candidates]
        assert not any("under it" in problem for problem in answer.problems)

    def test_a_whole_number_with_dashes_is_that_number(self):
        """118-012-345 fits as it stands; that there is also a number of ten figures is no better fit."""
        answer = decode("118-012-345", families=["aircooled-platform"])
        assert ["118012345"] == [c.number for c in answer.decodings[0].candidates]


class TestEndMarks:
    @pytest.mark.parametrize("text", ["*118012345*", "118012345*", "◊118 012 345◊", "★ 118 012 345 ★", "118012345 *"])
    def test_a_star_at_the_edge_of_a_whole_number(self, text):
        """It closes the stamping, and the answer says so."""
        found = only(text, "aircooled-platform")
        assert "118012345" == found.number
        assert any("end mark" in fact for fact in found.facts)

    def test_a_star_at_the_edge_of_half_a_number(self):
        """Too short for one: then characters are gone there, and that is said too."""
        answer = decode("KP 01*", families=["pantile-a"], tables=HOUSE)
        assert {f"KP01{n:02d}" for n in range(1, 100)} >= {c.number for c in answer.decodings[0].candidates}
        assert any("cannot be read" in problem for problem in answer.problems)


# --- the questions of the job, in their words ------------------------------------------------------------------------


class TestTheQuestions:
    def test_de1_when_was_this_floor_built(self):
        """A clean reading: family, model year, calendar span, likeliest month, source (E22-010)."""
        found = decode("118 012 345", on="pan").decodings[0].as_dict()
        assert "aircooled-platform" == found["family"]
        assert [{"year": 1968, "probability": 1.0}] == found["model_years"]
        assert ("1967-08-01", "1968-07-31", "1967-08/1968-07") == tuple(
            found["built"][k] for k in ("earliest", "latest", "edtf")
        )
        assert "1967-08" == found["built"]["likeliest_month"]
        assert found["built"]["months_estimated"]
        assert found["sources"]

    def test_de1_a_month_row_is_no_estimate(self):
        """Where the table has months the month is the table's."""
        found = only("C6 67967", "p-late")
        assert ([("1966-05", 1.0)], False, "1966-05-01", "1966-05-31") == (
            found.months,
            found.months_estimated,
            found.earliest,
            found.latest,
        )

    def test_de2_three_or_eight(self):
        """Every number it can be with its chance, and what each would mean."""
        answer = decode("C6 67[38]67", families=["p-late"], tables=HOUSE)
        assert [("C667367", 0.5), ("C667867", 0.5)] == [
            (c.number, c.probability) for c in answer.decodings[0].candidates
        ]
        assert [(5, ["3", "8"])] == [
            (o["place"], [x["character"] for x in o["options"]]) for o in answer.look_again if "place" in o
        ]

    def test_de3_two_figures_gone(self):
        """The model year is certain, the months are spread (E21-012)."""
        found = only("S9 2??06", "p-late")
        assert [(1969, 1.0)] == found.model_years
        assert {"1968-11", "1968-12"} == {month for month, _ in found.months}
        assert 100 == found.total_candidates

    def test_de4_what_was_never_issued_is_named_and_dropped(self):
        """P 3-or-8, 1, 3-or-8, 204: no number began with P 8 (E24-006)."""
        answer = decode("P [38]1[38]204", on="pan", tables=HOUSE)
        assert ["P313204", "P318204"] == sorted(c.number for c in answer.decodings[0].candidates)
        options = {
            o["place"]: {x["character"]: x["then"] for x in o["options"]} for o in answer.look_again if "place" in o
        }
        assert "no number that was issued" == options[2]["8"]

    def test_de5_a_repeating_year_figure_gives_both_decades(self):
        """Sixty-four or seventy-four: both with their chances, and what on the car decides; never the earlier alone (E24-008)."""
        answer = decode("S4 37961", on="pan", tables=HOUSE)
        assert [(1964, 0.5), (1974, 0.5)] == answer.decodings[0].model_years
        (question,) = [o for o in answer.look_again if "question" in o]
        assert "tunnel cover" in question["question"]
        assert {"January 1964", "April 1974"} == {x["then"] for x in question["options"]}

    def test_de5_a_feature_that_was_seen_decides(self):
        """With the tunnel cover in two joints it is the later one; without, the earlier."""
        (seen,) = decode("S4 37961", on="pan", tables=HOUSE, seen=["two-joint-tunnel-cover"]).decodings
        assert [(1974, 1.0)] == seen.model_years
        (not_seen,) = decode("S4 37961", on="pan", tables=HOUSE, not_seen=["two-joint-tunnel-cover"]).decodings
        assert [(1964, 1.0)] == not_seen.model_years

    def test_de5_a_number_beyond_a_years_last_rules_that_year_out(self):
        assert [(1964, 1.0)] == only("S4 58403", "p-late").model_years

    @pytest.mark.parametrize("tables", [PACKAGED, HOUSE], ids=["packaged", "with the sample's"])
    @pytest.mark.parametrize("text", ["H 0204417", "H0204417", "AS 123456"])
    @pytest.mark.parametrize("on", [None, "pan"])
    def test_de6_an_engine_number(self, text, on, tables):
        """It dates nothing: no answer, and where the pan's number is (E25-010)."""
        answer = decode(text, on=on, tables=tables)
        assert 1 == answer.status
        assert not answer.decodings
        (said,) = answer.problems
        assert said.startswith("That is an engine number")
        assert "on the tunnel" in said

    def test_de6_on_an_engine_it_is_answered(self):
        assert "aircooled-platform-engines" == decode("H 0204417", on="engine").decodings[0].family.id

    @pytest.mark.parametrize(
        ("text", "number", "says"),
        [
            ("KP O147", "KP0147", "The letter O was read as 0: only figures can stand there in this family. Type [O0] if it is not clear."),
            ("KP 0I47", "KP0147", "The letter I was read as 1"),
            ("KP 0l47", "KP0147", "The letter L was read as 1"),
            ("KP 0147", "KP0147", ""),
            ("KP S147", None, "its characters do not fit: pantile-a has letters KP, running number 4 figures"),
        ],
    )  # fmt: skip
    def test_de7_letters_where_only_figures_can_stand(self, text, number, says):
        """They are read as figures, and it says so (E21-003, E26-005)."""
        answer = decode(text, families=["pantile-a"], tables=HOUSE, doubt="none")
        assert number == (answer.decodings[0].number if answer.decodings else None)
        assert any(says in problem for problem in answer.problems) if says else not answer.problems
        assert (0 if number else 1) == answer.status

    def test_de7_the_other_way_about(self):
        """A figure where only a letter can stand."""
        answer = decode("5 4 58403", families=["p-late"], tables=HOUSE, doubt="none")
        assert "S458403" == answer.decodings[0].number
        assert any(problem.startswith("The figure 5 was read as S") for problem in answer.problems)

    def test_de7_what_fits_as_typed_is_not_read_otherwise(self):
        """An S that can stand there is an S: 'S4' is not the figures '54' as well."""
        assert ["p-late"] == [d.family.id for d in decode("S4 58403", on="pan", tables=HOUSE).decodings]

    def test_de9_model_year_is_no_calendar_year(self):
        """Model year 1968 of the platform pan: 1 August 1967 to 31 July 1968, both in the answer."""
        found = only("118 000 001", "aircooled-platform")
        assert [(1968, 1.0)] == found.model_years
        assert ("1967-08-01", "1968-07-31") == (found.earliest, found.latest)

    @pytest.mark.parametrize("text", ["DMV 12345 CA", "DRXASSIGNED85", "NV12ASGN345678"])
    def test_de10_an_assigned_number_decodes_to_nothing(self, text):
        """A number given by an office belongs to no maker's table (E24-001)."""
        assert 1 == decode(text, on="pan", tables=HOUSE).status

    def test_de11_figures_read_from_either_side(self):
        """66 or 99: both, with the question from which side (E22-020)."""
        answer = decode("66", on="body", tables=HOUSE)
        assert ["66", "99"] == sorted(c.number for c in answer.decodings[0].candidates)
        assert any("from either side" in problem for problem in answer.problems)
        for direction, number in (("upright", "66"), ("turned", "99")):
            assert number == decode("66", on="body", tables=HOUSE, direction=direction).decodings[0].number

    def test_de11_one_that_reads_the_same_both_ways(self):
        """96 turned is 96: one number, and it is said (E25-002)."""
        found = only("96", "quoin")
        assert "96" == found.number
        assert "It reads the same from either side." in found.facts

    def test_de11_the_range_decides_where_it_can(self):
        """816 is beyond the last, its other side 918 as well; 911 turned is 116: only the other side was issued, and it says so."""
        answer = decode("911", families=["quoin"], tables=HOUSE, doubt="none")
        assert "116" == answer.decodings[0].number
        assert any("read from the other side it is" in problem for problem in answer.problems)
        assert not decode("816", families=["quoin"], tables=HOUSE, doubt="none").decodings

    def test_de15_junk_is_wrong_input(self):
        with pytest.raises(MalformedReading, match="which no number has"):
            decode("'; DROP")

    def test_de16_a_range_from_memory_says_so(self):
        """Each range opens to its source; one from memory carries its notice."""
        found = only("118 012 345", "aircooled-platform").as_dict()
        assert found["provisional"]
        assert all({"id", "title", "standing"} == set(source) for source in found["sources"])


class TestOutsideEveryRange:
    @pytest.mark.parametrize(
        ("text", "says"),
        [
            (
                "6502400",
                ["1 above the last of model year 1964 (6502399)", "before the first of model year 1965 (115 000 001)"],
            ),
            (
                "1161021299",
                [
                    "1 above the last of model year 1966 (116 1 021 298)",
                    "before the first of model year 1967 (117 000 001)",
                ],
            ),
            ("117 000 000", ["1 below the first of model year 1967 (117 000 001)"]),
        ],
    )
    def test_the_neighbours_are_named(self, text, says):
        """Between which two rows it lies, and how far from them."""
        answer = decode(text, on="pan", families=["aircooled-platform"], doubt="none")
        assert 1 == answer.status
        assert all(part in answer.problems[0] for part in says)

    def test_between_two_rows_of_one_block(self):
        """So many numbers above the one and below the other, where the table has both."""
        text = FOLDER.joinpath("pantile-a.yml").read_text(encoding="utf-8")
        text = (
            text.replace("family: pantile-a", "family: gap").split("rows:")[0]
            + """\
rows:
  - {id: "a", scheme: kp, basis: model, first: "KP 0101", last: "KP 0200", model_year: 1966, built: "1966", source: "list"}
  - {id: "b", scheme: kp, basis: model, first: "KP 0301", last: "KP 0400", model_year: 1967, built: "1967", source: "list"}
"""
        )
        answer = decode("KP 0250", tables=Tables({"gap": compile_table(text)}), doubt="none")
        assert (
            "gap: this table issued no such number; it is 50 above the last of model year 1966 (KP 0200) and 51 below the first of model year 1967 (KP 0301)."
            == answer.problems[0]
        )

    @pytest.mark.parametrize("text", ["12345678901234567890", "XXXXX", "KP 0147 Q", "Q"])
    def test_what_was_expected_is_said(self, text):
        """No pattern fits: a sentence says what does."""
        answer = decode(text, on="pan", doubt="none")
        assert 1 == answer.status
        assert answer.problems
        assert 1.0 == answer.none_of_these

    def test_carried_by_something_else(self):
        """A body's number on the pan: it is said whose it is."""
        answer = decode("KP 0147", on="pan", tables=HOUSE, doubt="none")
        assert 1 == answer.status
        assert any(
            "it fits 'pantile-a'" in problem and "carried by the body or plate" in problem
            for problem in answer.problems
        )


class TestStops:
    @pytest.mark.parametrize("surface", ["ground", "restamped", "cut-away"])
    def test_an_altered_surface_is_a_stop_and_nothing_is_dated(self, surface):
        """A stop is an answer; it advises and accuses nobody."""
        answer = decode("118 012 345", on="pan", surface=surface)
        assert (0, [], None) == (answer.status, list(answer.decodings), answer.none_of_these)
        (stop,) = answer.as_dict()["stops"]
        assert {"kind", "says", "ask"} == set(stop)
        assert "accuse nobody" in stop["ask"]
        sound(answer)

    def test_the_reading_is_kept(self):
        assert "118 012 345" == decode("118 012 345", surface="ground").as_dict()["reading"]

    def test_an_untouched_surface_is_none(self):
        assert [] == decode("118 012 345", on="pan", surface="untouched").stops


class TestFamiliesBesideOneAnother:
    def test_a_number_of_two_tables_is_answered_from_both(self):
        """Families start equal, which is shown; the probabilities with none of these add up to 1."""
        answer = decode("1167967", on="pan")
        assert {"aircooled-platform", "fiat-500"} == {d.family.id for d in answer.decodings}
        assert answer.decodings[0].probability == pytest.approx(answer.decodings[1].probability)
        beforehand = answer.as_dict()["beforehand"]
        assert (1.0, NONE_OF_THESE) == (beforehand["each_family"], beforehand["none_of_these"])
        sound(answer)

    def test_limiting_the_families(self):
        answer = decode("1167967", families=["fiat-500"])
        assert ["fiat-500"] == [d.family.id for d in answer.decodings]
        assert 1 / 1.05 == pytest.approx(answer.decodings[0].probability)

    def test_the_length_tells_nine_figures_from_ten(self):
        """117 000 001 is of 1967, 117 2 000 001 of 1977; the millionth of a year has ten figures too."""
        for text, year in (("117 000 001", 1967), ("117 2 000 001", 1977), ("116 1 000 000", 1966)):
            assert [(year, 1.0)] == only(text, "aircooled-platform").model_years

    @pytest.mark.parametrize(
        ("more", "says"),
        [
            ({"on": "roof"}, "stamped on one of pan, body, engine, plate, title"),
            ({"surface": "rusty"}, "The surface is one of untouched, painted"),
            ({"direction": "sideways"}, "upright or turned"),
            ({"families": ["nonesuch"]}, "'tubmark families' lists them"),
            ({"seen": ["nonesuch"]}, "no dated feature 'nonesuch'"),
            ({"doubt": "enormous"}, "none, low, usual, high"),
        ],
    )
    def test_a_wrong_option_is_said(self, more, says):
        with pytest.raises(DecoderError, match=says):
            decode("118 012 345", **more)

    @pytest.mark.parametrize("text", [None, 118012345, b"118"])
    def test_what_is_no_text_is_no_reading(self, text):
        with pytest.raises(MalformedReading, match="A reading is text"):
            decode(text)


class TestTheShortWay:
    """A certain number takes a short way through the tables; it must say what the long way says."""

    @settings(max_examples=150)
    @given(st.data())
    def test_says_what_the_long_way_says(self, data):
        """The same number, once plainly typed and once with a set of one character, which is certain too but not plain."""
        limits = [row[end] for family in HOUSE for row in family.rows for end in ("first", "last") if row[end]]
        text = data.draw(st.sampled_from(limits)).replace("-", "").replace(" ", "")
        text = data.draw(st.sampled_from(["", "S", "11", "HA"])) + text
        on = data.draw(st.sampled_from(CARRIERS))
        short = decode(text, on, tables=HOUSE, doubt="none").as_dict()
        long = decode(f"[{text[0]}]{text[1:]}", on, tables=HOUSE, doubt="none").as_dict()
        assert long.pop("reading") == f"[{text[0]}]{text[1:]}"
        assert short.pop("reading") == text
        assert long == short
