"""Tables: what a person keeps as YAML, checked line by line, and what is made of it."""

from __future__ import annotations

import json
from datetime import date
from pathlib import Path

import pytest
import strategies
from hypothesis import given, settings
from hypothesis import strategies as st

from decoder import TableError, compile_table, decode, families, load_tables
from decoder.compiling import BEYOND_OPEN_ROW, FORMAT, ModelYearRule, model_year_of, source_ids

ROOT = Path(__file__).parent.parent.parent
TABLES = sorted((ROOT / "decoder" / "tables").glob("*.yml")) + sorted((ROOT / "sample" / "tables").glob("*.yml"))

#: Line numbers in the tests count from here: the rows are lines 11 and 12.
SMALL = """\
family: small
title: "A small family (invented)"
carried_by: [pan]
where: "on the tunnel"
sources: {sheet: {title: "Sheet", supports: "all", standing: house}}
schemes:
  - id: one
    parts: [{name: n, figures: 3}]
    print: "{n}"
rows:
  - {id: a, scheme: one, basis: month, first: "001", last: "100", built: "1964-09", source: sheet}
  - {id: b, scheme: one, basis: month, first: "101", last: "200", built: "1964-10", source: "sheet[p. 2]"}
"""
PARTS = "[{name: n, figures: 3}]"


def changed(old: str, new: str) -> str:
    assert old in SMALL
    return SMALL.replace(old, new, 1)


def refused(text: str) -> str:
    with pytest.raises(TableError) as error:
        compile_table(text, "small.yml")
    return str(error.value)


class TestRefusedRows:
    """Each names the file, the line, the row and the reason."""

    @pytest.mark.parametrize(
        ("old", "new", "says"),
        [
            (', source: "sheet[p. 2]"', "", "small.yml:12: row 'b': source: is missing."),
            ('source: "sheet[p. 2]"', "source: null", "small.yml:12: row 'b': source: is missing."),
            ('source: "sheet[p. 2]"', 'source: ""', "small.yml:12: row 'b': the source '' is not among this table's sources"),
            ("sheet[p. 2]", "book[p. 2]", "small.yml:12: row 'b': the source 'book' is not among this table's sources"),
            ("sheet[p. 2]", "sheet; book", "small.yml:12: row 'b': the source 'book' is not among this table's sources"),
            ('"1964-10"', '"1964-13"', "small.yml:12: row 'b': '1964-13' is no date"),
            ('"1964-10"', '"October"', "small.yml:12: row 'b': 'October' is no date"),
            ('"1964-10"', '"../.."', "small.yml:12: row 'b': '../..' bounds nothing"),
            ('"1964-10"', '"1964-10/1964-12"', "small.yml:12: row 'b': '1964-10/1964-12' is longer than a month"),
            ('"1964-10"', '"1964-12/1964-10"', "small.yml:12: row 'b': '1964-12/1964-10' is no date"),
            ('first: "101", last: "200"', 'first: "200", last: "101"', "small.yml:12: row 'b': '200' to '101' runs backwards"),
            ('first: "101"', 'first: "100"', "small.yml:12: row 'b': it overlaps row 'a' (001 to 100)"),
            ('last: "100"', 'last: "150"', "small.yml:12: row 'b': it overlaps row 'a' (001 to 150)"),
            ('first: "101"', 'first: "1O1"', "small.yml:12: row 'b': '1O1' does not fit the parts of scheme 'one'"),
            ('last: "200"', 'last: "2000"', "small.yml:12: row 'b': '2000' does not fit the parts of scheme 'one'"),
            ("id: b", "id: a", "small.yml:12: row 'a': the id 'a' is used by row 1 already"),
            ("id: b,", "id: b, id: c,", "small.yml:12: the key 'id' stands twice"),
            ("id: b,", "id: b, colour: red,", "small.yml:12: row 'b': colour: is no key of this format."),
            ("id: b, ", "", "small.yml:12: rows 2 id: is missing."),
            ("id: b,", "id: b, memory: [middle],", "small.yml:12: row 'b': memory 1: Input should be 'first', 'last' or 'built'."),
            ("id: b,", "id: b, model_year: late,", "small.yml:12: row 'b': model_year: Input should be a valid integer"),
            (
                "id: b,",
                "id: b, disputed: [{source: book, says: x, kept_because: y}],",
                "small.yml:12: row 'b': the source 'book' is not among",
            ),
            ('scheme: one, basis: month, first: "101"', 'scheme: two, basis: month, first: "101"', "small.yml:12: row 'b': there is no scheme 'two'"),
            ('basis: month, first: "101"', 'basis: week, first: "101"', "small.yml:12: row 'b': basis: Input should be 'month', 'model' or 'calendar'."),
        ],
    )  # fmt: skip
    def test_with_file_line_row_and_reason(self, old, new, says):
        assert says in refused(changed(old, new))

    def test_all_faults_of_the_form_at_once(self):
        """Two rows with faults give two sentences, each with its line."""
        text = SMALL.replace(", source: sheet}", "}").replace('basis: month, first: "101"', 'basis: week, first: "101"')
        assert [line.split(": ")[0] for line in refused(text).splitlines()] == ["small.yml:11", "small.yml:12"]

    def test_two_blocks_in_one_row(self):
        """A row whose limits differ before the running number is two rows."""
        text = SMALL.replace(PARTS, "[{name: year figure, figures: 1}, {name: n, figures: 2}]").replace(
            "{n}", "{year figure} {n}"
        )
        assert "row 'b': '101' and '200' differ before the running number" in refused(
            text.replace('"001", last: "100"', '"000", last: "099"')
        )

    def test_a_check_letter_that_does_not_agree(self):
        """Number 1 leaves 1, so its letter is B."""
        text = SMALL.replace(
            PARTS, "[{name: n, figures: 3}, {name: c, check: {modulus: 11, letters: ABCDEFGHJKL, of: [n]}}]"
        )
        assert "row 'a': '001A' has the check letter A, which should be B." in refused(text.replace('"001"', '"001A"'))
        assert compile_table(text.replace('"001"', '"001B"'))["rows"]

    def test_a_code_that_is_none(self):
        """With the codes AB and BA, AA is none, though each letter may stand where it stands."""
        text = SMALL.replace(PARTS, "[{name: c, codes: {AB: x, BA: y}}, {name: n, figures: 3}]")
        assert "row 'a': 'AA001' has AA where the codes are AB, BA." in refused(text.replace('"001"', '"AA001"'))
        assert compile_table(text.replace('"001"', '"AB001"'))["rows"]


class TestRefusedForm:
    @pytest.mark.parametrize(
        ("old", "new", "says"),
        [
            ("family: small", 'family: "Small One"', "small.yml:1: family: String should match pattern"),
            ("family: small\n", "", "family: is missing."),
            ('title: "A small family (invented)"', 'title: x\ntitle: y', "small.yml:3: the key 'title' stands twice"),
            ('title: "A small family (invented)"', "colour: red\ntitle: x", "small.yml:2: colour: is no key of this format."),
            ('title: "A small family (invented)"', "title: [x", "this is not YAML"),
            ('title: "A small family (invented)"', "title: *x", "small.yml:2: this is not YAML: found undefined alias"),
            ("carried_by: [pan]", "carried_by: [roof]", "small.yml:3: carried_by 1: Input should be 'pan', 'body', 'engine', 'plate' or 'title'."),
            ("carried_by: [pan]", "carried_by: []", "small.yml:3: carried_by: List should have at least 1 item"),
            ("standing: house", "standing: rumour", "sources sheet standing: Input should be 'maker', 'secondary', 'memory' or 'house'."),
            (PARTS, "[]", "parts: List should have at least 1 item"),
            (PARTS, "[{name: n, figures: 3, literal: K}]", "exactly one of literal, codes, figures, letters, any, check"),
            (PARTS, "[{name: n}]", "exactly one of literal, codes, figures, letters, any, check"),
            (PARTS, "[{name: n, figures: x}]", "'x' is no width"),
            (PARTS, '[{name: n, figures: "3-1"}]', "'3-1' is no width"),
            (PARTS, '[{name: n, figures: "0"}]', "'0' is no width"),
            (PARTS, '[{name: n, figures: "99"}]', "'99' is no width; a part has 1 to 20 characters"),
            (PARTS, "[{name: n, figures: 3}, {name: n, literal: K}]", "two parts are called 'n'"),
            (PARTS, "[{name: c, codes: {A: x, BB: y}}, {name: n, figures: 3}]", "the codes of one part must all be of one length"),
            (PARTS, "[{name: c, codes: {a: x}}, {name: n, figures: 3}]", "'a' has a sign in it that is no capital letter or figure"),
            (PARTS, '[{name: c, literal: "K-"}, {name: n, figures: 3}]', "'K-' has a sign in it that is no capital letter or figure"),
            (PARTS, "[{name: l, letters: ABA}, {name: n, figures: 3}]", "'ABA' has a letter twice"),
            (PARTS, '[{name: n, figures: 3}, {name: s, any: "Z-A"}]', "'Z-A' is no class of characters"),
            (PARTS, '[{name: n, figures: 3}, {name: s, any: "a-z"}]', "'a-z' is no class of characters"),
            (PARTS, '[{name: n, figures: 3}, {name: s, any: "A-Z", count: "3-1"}]', "'3-1' is no width"),
            (PARTS, "[{name: n, figures: 3}, {name: c, check: {modulus: 11, letters: ABC, of: [n]}}]", "a check by 11 needs 11 letters or figures"),
            (PARTS, "[{name: n, figures: 3}, {name: c, check: {modulus: 1, letters: ABC, of: [n]}}]", "greater than or equal to 2"),
            (PARTS, "[{name: n, figures: 3}, {name: c, check: {modulus: 3, letters: ABC, of: []}}]", "check of: List should have at least 1 item"),
            (PARTS, "[{name: n, figures: 3}, {name: c, check: {modulus: 3, letters: ABC, of: [m]}}]", "the check is of 'm', which is no part of figures"),
            ('print: "{n}"', 'print: "{m}"', "'{m}' names a part 'm'; the parts are n"),
            ('print: "{n}"', 'print: "{n}"\n    also: ["{m}"]', "'{m}' names a part 'm'; the parts are n"),
            ("where:", 'shut_months: ["13"]\nwhere:', "small.yml:4: shut_months 1: String should match pattern"),
            ("where:", 'model_year: {starts: "13-45", source: sheet}\nwhere:', "starts: String should match pattern"),
            ("where:", 'model_year: {starts: "09-01", source: book}\nwhere:', "the source 'book' is not among"),
            ("where:", "turned: perhaps\nwhere:", "small.yml:4: turned: Input should be a valid boolean"),
            ("where:", "notes: [{text: x}]\nwhere:", "small.yml:4: notes 1 source: is missing."),
            ("where:", 'change_points: [{at: "9999", what: x, source: sheet}]\nwhere:', "small.yml:4: '9999' is no number of this family"),
            ("where:", 'never: [{first: "x", last: "300", why: x, source: sheet}]\nwhere:', "small.yml:4: 'x' is no number of this family"),
            ("where:", 'never: [{first: "300", last: "250", why: x, source: sheet}]\nwhere:', "'300' to '250' runs backwards"),
            ("where:", 'never: [{first: "150", last: "300", why: x, source: sheet}]\nwhere:', "never to have been used, but row 'b' has numbers of it"),
            ("where:", 'features: [{id: f, what: x, from: "1964-13", question: "?", source: sheet}]\nwhere:', "'1964-13' is no date"),
            ("where:", 'features: [{id: f, what: x, from: "1965", to: "1964", question: "?", source: sheet}]\nwhere:', "'1965' to '1964' runs backwards"),
            ("family: small", "kind: wizard\nfamily: small", "there is no kind 'wizard' of table"),
            ("family: small", "kind: vin17\nfamily: small", "a table of kind vin17 needs 'weights'"),
            ("family: small", "? [a, b]\n: c\nfamily: small", "small.yml:1: a key is a word, not a list"),
            ("family: small", "family: &a [*a]", "lists inside lists"),
        ],
    )  # fmt: skip
    def test_with_a_sentence(self, old, new, says):
        assert says in refused(changed(old, new))

    @pytest.mark.parametrize(("text", "says"), [("", "the file is empty"), ("# nothing\n", "the file is empty"), ("[]", "small.yml:1: a table is a list of 'key: value'"),
                                                ("small", "small.yml:1: a table is a list of 'key: value'"), ("\x00", "not YAML"), ("[" * 3000, "lists inside lists")])  # fmt: skip
    def test_what_is_no_table_at_all(self, text, says):
        assert says in refused(text)

    def test_two_schemes_of_one_id(self):
        text = SMALL.replace("rows:", '  - id: one\n    parts: [{name: m, figures: 2}]\n    print: "{m}"\nrows:')
        assert "two schemes have one id" in refused(text)

    def test_too_many_lengths(self):
        """Four parts that may each be absent or up to 20 long are a slip of the pen."""
        parts = ", ".join(f'{{name: p{i}, any: "A-Z", count: "0-20"}}' for i in range(4))
        assert "scheme 'one' has too many lengths" in refused(SMALL.replace(PARTS, f"[{parts}]").replace("{n}", "{p0}"))

    @settings(max_examples=60)
    @given(st.data())
    def test_a_spoilt_table_is_a_table_or_a_sentence(self, data):
        """Whatever is cut out of a table or put into it, it compiles or is refused in words."""
        text = SMALL
        for _ in range(data.draw(st.integers(1, 3))):
            at = data.draw(st.integers(0, len(text)))
            cut = data.draw(st.integers(0, 5))
            text = (
                text[:at]
                + data.draw(
                    st.sampled_from(
                        ["", '"', "{", "]", ":", "\n", "0", "null", "&a", "*a", "1964-13", "../..", "-", "K"]
                    )
                )
                + text[at + cut :]
            )
        try:
            compiled = compile_table(text, "small.yml")
        except TableError as error:
            assert str(error).startswith("small.yml")
            return
        assert decode("150", tables=load_tables(extra=[compiled])).as_dict()


class TestAccepted:
    @pytest.mark.parametrize("path", TABLES, ids=lambda path: path.stem)
    def test_every_table_that_is_kept_here(self, path):
        """The packaged tables and the sample's compile, and what is made of them can be written as JSON and read back."""
        compiled = compile_table(path.read_text(encoding="utf-8"), path.name)
        assert path.stem == compiled["family"]
        assert compiled == json.loads(json.dumps(compiled))

    def test_numbers_issued_twice_are_two_runs(self):
        """The same numbers in two runs are accepted, and both are answered."""
        text = changed(
            'id: b, scheme: one, basis: month, first: "101", last: "200"',
            'id: b, scheme: one, run: again, basis: month, first: "051", last: "100"',
        )
        found = decode("075", families=["small"], tables=load_tables(extra=[compile_table(text)])).decodings[0]
        assert found.months == [("1964-09", 0.5), ("1964-10", 0.5)]

    def test_calendar_and_model_rows_lie_over_each_other(self):
        """Two bases are two views of one sequence: no overlap, and the span is what both allow."""
        text = (
            SMALL.split("rows:")[0]
            + """\
rows:
  - {id: "cal", scheme: one, basis: calendar, first: "001", last: "200", calendar_year: 1964, built: "1964", source: sheet}
  - {id: "mod", scheme: one, basis: model, first: "101", last: "300", model_year: 1965, built: "1964-08-01/1965-07-31", source: sheet}
"""
        )
        tables = load_tables(extra=[compile_table(text)])
        spans = {
            n: (d.earliest, d.latest)
            for n in ("050", "150", "250")
            for d in decode(n, families=["small"], tables=tables).decodings
        }
        assert spans == {
            "050": ("1964-01-01", "1964-12-31"),
            "150": ("1964-08-01", "1964-12-31"),
            "250": ("1964-08-01", "1965-07-31"),
        }

    def test_bases_that_contradict_each_other(self):
        """Where no day suits both rows, both stand: the wider span, and a warning."""
        text = (
            SMALL.split("rows:")[0]
            + """\
rows:
  - {id: "cal", scheme: one, basis: calendar, first: "001", last: "200", built: "1963", source: sheet}
  - {id: "mod", scheme: one, basis: model, first: "001", last: "200", built: "1964-08-01/1965-07-31", source: sheet}
"""
        )
        (found,) = decode("050", families=["small"], tables=load_tables(extra=[compile_table(text)])).decodings
        assert (found.earliest, found.latest) == ("1963-01-01", "1965-07-31")
        assert any("disagree" in warning for warning in found.warnings)

    def test_numbers_and_their_overflow_are_told_by_length(self):
        """999 and 1000 are one run; a row reaches over both lengths."""
        text = changed(PARTS, '[{name: n, figures: "3-4"}]').replace('last: "200"', 'last: "1200"')
        tables = load_tables(extra=[compile_table(text)])
        assert [
            decode(n, families=["small"], tables=tables).decodings[0].months[0][0] for n in ("999", "1000", "1200")
        ] == ["1964-10"] * 3
        assert not decode("1201", families=["small"], tables=tables, doubt="none").decodings
        (found,) = decode("0999", families=["small"], tables=tables).decodings
        assert (found.number, found.facts) == ("999", ["Leading zeros were left out; this numbering has none."])

    def test_an_open_row_is_said_and_goes_on_to_the_next(self):
        """A row without a last number ends before the next first; no month is estimated in it, and the answer says why."""
        text = changed(', last: "100", built: "1964-09"', ', built: "1964-01/1964-08"').replace(
            'month, first: "001"', 'model, first: "001"'
        )
        text = text.replace(
            'basis: month, first: "101", last: "200", built: "1964-10"', 'basis: model, first: "101", built: "1965"'
        )
        tables = load_tables(extra=[compile_table(text)])
        (first,) = decode("100", families=["small"], tables=tables).decodings
        assert (first.earliest, first.latest, first.months) == ("1964-01-01", "1964-08-31", [])
        assert any("no last number" in warning for warning in first.warnings)
        (last,) = decode("999", families=["small"], tables=tables).decodings
        assert (last.earliest, last.latest, last.months) == ("1965-01-01", "1965-12-31", [])

    def test_far_beyond_an_open_row_weighs_little(self):
        """An unknown end does not count as numbers issued without end: beyond the size of the largest closed row they weigh 1 in 100."""
        text = changed(', last: "200", built: "1964-10"', ', built: "1964-10"').replace(
            PARTS, "[{name: n, figures: 5}]"
        )
        text = text.replace('"001", last: "100"', '"00001", last: "00100"').replace('first: "101"', 'first: "00101"')
        assert [segment[6] for segment in compile_table(text)["segments"]] == [1.0, 1.0, BEYOND_OPEN_ROW]
        tables = load_tables(extra=[compile_table(text)])
        near, far = (decode(n, families=["small"], tables=tables).decodings[0].probability for n in ("00200", "90000"))
        assert near == pytest.approx(1 / 1.05)
        assert far == pytest.approx(0.01 / 0.06)

    def test_a_block_that_was_never_used(self):
        """It is kept beside the rows; a number in it is answered with the reason."""
        text = changed(
            "where:", 'never: [{first: "300", last: "400", why: "the block was burnt", source: sheet}]\nwhere:'
        )
        answer = decode("350", families=["small"], tables=load_tables(extra=[compile_table(text)]), doubt="none")
        assert answer.status == 1
        assert any("The block was burnt." in problem for problem in answer.problems)

    def test_nothing_is_read_as_a_number_or_a_date(self):
        """Scalars stay text: an unquoted 007 keeps its zeros, a no is no boolean, a date is no date object."""
        text = changed('first: "001"', "first: 001").replace('"1964-09"', "1964-09").replace('"on the tunnel"', "no")
        compiled = compile_table(text)
        assert (
            compiled["rows"][0]["first"],
            compiled["rows"][0]["built"],
            compiled["where"],
        ) == ("001", "1964-09", "no")

    def test_rows_without_dates_of_their_own_are_recognised_by_the_pattern(self):
        """No rows at all: the number is known for what it is, and gets no date."""
        text = SMALL.split("rows:")[0] + "rows: []\n"
        (found,) = decode("123", families=["small"], tables=load_tables(extra=[compile_table(text)])).decodings
        assert (found.earliest, found.latest, found.months) == (None, None, [])


class TestMonths:
    def test_estimated_months_follow_even_output(self):
        """A row over three months of 30, 31 and 30 days: 91 numbers fall into them in that ratio, flagged as estimated."""
        text = changed(
            'basis: month, first: "001", last: "100", built: "1964-09"',
            'basis: model, first: "001", last: "091", built: "1964-04/1964-06"',
        )
        tables = load_tables(extra=[compile_table(text)])
        months = [decode(f"{n:03d}", families=["small"], tables=tables).decodings[0] for n in range(1, 92)]
        assert [d.likeliest_month for d in months] == ["1964-04"] * 30 + ["1964-05"] * 31 + ["1964-06"] * 30
        assert all(d.months_estimated and (d.earliest, d.latest) == ("1964-04-01", "1964-06-30") for d in months)

    def test_months_over_two_widths_are_cut_on_the_whole_row(self):
        """A row from 950 to 1049 over two months: the first half is the first month, wherever the figures grow."""
        text = changed(PARTS, '[{name: n, figures: "3-4"}]')
        text = text.replace(
            'basis: month, first: "101", last: "200", built: "1964-10"',
            'basis: model, first: "940", last: "1000", built: "1964-09/1964-10"',
        )
        tables = load_tables(extra=[compile_table(text)])
        month = {
            n: decode(n, families=["small"], tables=tables).decodings[0].likeliest_month
            for n in ("940", "969", "970", "999", "1000")
        }
        assert month == {"940": "1964-09", "969": "1964-09", "970": "1964-10", "999": "1964-10", "1000": "1964-10"}

    def test_a_shut_month_gets_no_number(self):
        """Nothing was made in July; its numbers are shared by the months beside it."""
        text = changed("where:", 'shut_months: ["07"]\nwhere:')
        text = text.replace(
            'basis: month, first: "001", last: "100", built: "1964-09"',
            'basis: model, first: "001", last: "100", built: "1964-06/1964-08"',
        )
        (found,) = decode(
            "[0123456789]??", families=["small"], tables=load_tables(extra=[compile_table(text)])
        ).decodings
        assert {"1964-06", "1964-08", "1964-10"} == {month for month, _ in found.months}

    def test_where_a_row_says_so_no_month_is_estimated(self):
        text = changed(
            'basis: month, first: "001", last: "100", built: "1964-09"',
            'basis: model, interpolate: false, first: "001", last: "100", built: "1964-06/1964-08"',
        )
        (found,) = decode("050", families=["small"], tables=load_tables(extra=[compile_table(text)])).decodings
        assert (found.months, found.likeliest_month, found.months_estimated) == ([], None, False)

    @pytest.mark.parametrize(
        ("day", "expected"),
        [("1944-05-01", 1944), ("1952-07-31", 1952), ("1952-08-01", 1953), ("1953-07-31", 1953), ("1953-12-31", 1954)],
    )
    def test_the_model_year_of_a_day(self, day, expected):
        """The rule in force counts: by calendar year to July 1952, then from 1 August the year before."""
        rules = [
            ModelYearRule.model_validate({"from": "1945-01", "starts": "01-01", "source": "s"}),
            ModelYearRule.model_validate({"from": "1952-08", "starts": "08-01", "source": "s"}),
        ]
        assert expected == model_year_of(rules, date.fromisoformat(day))

    @settings(max_examples=40)
    @given(strategies.small_families())
    def test_every_issued_number_is_in_its_row_and_no_other(self, family):
        """A number is found in the rows that list it, once for each run, and not outside of them."""
        tables = load_tables(extra=[compile_table(family.text)])
        issued: dict[str, set[str]] = {}
        for one in family.issued:
            issued.setdefault(one.number, set()).add(one.row)
        for number, rows in list(issued.items())[:40]:
            (found,) = decode(
                number, families=["small"], tables=tables, direction="upright" if family.turned else None
            ).decodings
            assert rows == {row["id"] for row in found.rows}


def test_the_two_versions_of_the_format_are_one():
    """families reads the compiled form without importing what makes it; both must mean the same."""
    assert FORMAT == families.FORMAT


@pytest.mark.parametrize(
    ("text", "ids"),
    [
        ("sheet", ["sheet"]),
        ("sheet[p. 2]", ["sheet"]),
        ("sheet[p. 2; p. 3]; book[x]", ["sheet", "book"]),
        ("", []),
        (" ; ", []),
    ],
)
def test_sources_are_named_with_their_places(text, ids):
    """Several sources stand with semicolons between them; what is in square brackets is the place in them."""
    assert ids == source_ids(text)
