"""The number strip says the same in text, HTML and SVG, and never more than the reading does."""

from __future__ import annotations

import html
import re
import xml.etree.ElementTree as ET

import pytest
from hypothesis import given
from hypothesis import strategies as st

from decoder import MalformedReading, read
from decoder.reading import Cell
from registry import draw

CHARACTERS = "0123456789ABCDEFGHIJKLMNOPQRSTUVWXYZ"

cells = st.lists(
    st.one_of(
        st.tuples(st.sampled_from(CHARACTERS), st.booleans()).map(lambda made: Cell(*made)),
        st.tuples(
            st.sets(st.sampled_from(CHARACTERS), min_size=2, max_size=6).map(lambda chars: "".join(sorted(chars))),
            st.booleans(),
        ).map(lambda made: Cell(*made)),
        st.just(Cell("")),
        st.just(Cell("", stretch=True)),
    ),
    min_size=1,
    max_size=64,
)


def strip(text: str) -> list[Cell]:
    return list(read(text).cells)


class TestText:
    def test_a_doubtful_character_shows_what_it_may_be_in_its_place(self) -> None:
        assert draw.strip_text(strip("S6 2[17]967")) == "  S 6 2 [17] 9 6 7"

    def test_unreadable_and_stretch_can_be_typed_back(self) -> None:
        assert draw.strip_text(strip("KP 0?8~*1")) == "  K P 0 ? 8~ ... 1"

    def test_brackets_name_the_parts_under_them(self) -> None:
        drawn = draw.strip_text(
            strip("118012345"), [("body type", 2, ""), ("year figure", 1, "1968"), ("running number", 6, "")]
        )
        assert drawn.splitlines() == [
            "  1 1   8   0 1 2 3 4 5",
            "  ^-^   ^   ^---------^",
            "  |     |   running number",
            "  |     year figure: 1968",
            "  body type",
        ]

    def test_parts_that_do_not_cover_the_cells_are_left_out(self) -> None:
        """A bracket in the wrong place would say something false."""
        assert "^" not in draw.strip_text(strip("118012345"), [("body type", 2, ""), ("running number", 6, "")])

    @given(cells)
    def test_what_is_drawn_reads_back_as_the_same_cells(self, some: list[Cell]) -> None:
        drawn = "".join(draw.strip_text(some).split())
        merged = [cell for i, cell in enumerate(some) if not (cell.stretch and i and some[i - 1].stretch)]
        if merged == [Cell("", stretch=True)]:
            with pytest.raises(MalformedReading):  # nothing but a stretch is no reading
                read(drawn)
        else:
            assert list(read(drawn).cells) == merged

    @given(cells, st.text("abcdefghij klmno", min_size=1, max_size=90))
    def test_no_line_is_wider_than_the_terminal(self, some: list[Cell], name: str) -> None:
        for part in ([], [(name, len(some), name)]):
            assert max(map(len, draw.strip_text(some, part).splitlines())) <= 80


class TestComparing:
    def test_a_caret_stands_under_what_differs(self) -> None:
        drawn = draw.compare_text([(strip("UF-0283C"), "report"), (strip("UF 0233 C"), "this car")])
        assert drawn.splitlines() == ["  U F 0 2 8 3 C    report", "  U F 0 2 3 3 C    this car", "          ^"]

    def test_a_dropped_character_leaves_a_blank_in_its_place(self) -> None:
        drawn = draw.compare_text([(strip("KP0147"), ""), (strip("KP147"), "")])
        assert drawn.splitlines() == ["  K P 0 1 4 7", "  K P   1 4 7", "      ^"]

    def test_two_that_agree_have_no_caret(self) -> None:
        assert "^" not in draw.compare_text([(strip("KP0147"), "a"), (strip("KP 0147"), "b")])

    @given(cells, cells)
    def test_the_caret_line_marks_exactly_the_differing_places(self, one: list[Cell], other: list[Cell]) -> None:
        pairs = draw._aligned(one, other)
        assert [a for a, _ in pairs if a is not None] == one
        assert [b for _, b in pairs if b is not None] == other
        drawn = draw.compare_text([(one, ""), (other, "")]).splitlines()
        carets = drawn[2].count("^") if len(drawn) > 2 else 0
        assert carets == sum((a and draw._token(a)) != (b and draw._token(b)) for a, b in pairs)
        assert draw.compare_html([(one, ""), (other, "")]).count('class="caret"') == carets


class TestHtml:
    def test_who_hears_the_page_gets_the_number_and_its_parts_in_words(self) -> None:
        drawn = draw.strip_html(strip("S[17]?"), [("body letter", 1, "closed"), ("rest", 2, "")])
        heard = html.unescape(re.search(r'aria-label="([^"]*)"', drawn)[1])
        assert heard.endswith("S; 1 or 7; one that cannot be read. Its parts, in order: body letter closed, rest")

    def test_doubt_is_in_the_shape_and_the_text(self) -> None:
        drawn = draw.strip_html(strip("[38]?*8~"))
        assert "<i>3</i><i>8</i>" in drawn
        assert [kind in drawn for kind in ("cell doubt", "cell unread", "cell stretch", "cell doubt one")] == [True] * 4

    @pytest.mark.parametrize("typed", ['"><script>alert(1)</script>', "<b>&'", "'onload='x"])
    def test_nothing_that_was_typed_becomes_markup(self, typed: str) -> None:
        some = [Cell(typed[:1]), Cell(typed)]
        for drawn in (
            draw.strip_html(some, [(typed, 1, typed), (typed, 1, "")], label=typed),
            draw.compare_html([(some, typed), (some[:1], typed)], label=typed),
            draw.strip_svg(some, [(typed, 2, typed)], title=typed),
            draw.month_strip_svg([("1967-08", 0.5), ("1967-09", 0.5)], [(typed, "1967-08", "1968-07")], title=typed),
        ):
            assert "<script" not in drawn and "<b>&'" not in drawn
            root = ET.fromstring(drawn)
            assert not any(name.startswith("on") for element in root.iter() for name in element.attrib)

    @given(cells)
    def test_html_and_svg_are_well_formed_whatever_was_read(self, some: list[Cell]) -> None:
        ET.fromstring(draw.strip_html(some))
        ET.fromstring(draw.strip_svg(some))


class TestSvg:
    def test_a_picture_has_a_title_and_its_data_in_words(self) -> None:
        root = ET.fromstring(draw.strip_svg(strip("S6[17]"), title="As read by rubbing"))
        names = {child.tag.rpartition("}")[2]: child.text for child in root}
        assert names["title"] == "As read by rubbing"
        assert names["desc"] == "S; 6; 1 or 7"

    def test_two_strips_on_one_page_do_not_share_their_hatching(self) -> None:
        ids = [re.search(r'id="([^"]+)"', draw.strip_svg(strip(text)))[1] for text in ("[38]1", "[38]2")]
        assert len(set(ids)) == 2


class TestMonths:
    def test_each_month_is_a_bar_and_stands_in_the_description(self) -> None:
        drawn = draw.month_strip_svg(
            [("1967-08", 0.25), ("1967-09", 0.5), ("1967-10", 0.25)], [("1968", "1967-08", "1968-07")]
        )
        assert drawn.count('class="bar"') == 3
        assert "August 1967 0.25; September 1967 0.50; October 1967 0.25" in drawn
        assert "1967" in re.findall(r"<text[^>]*>([^<]*)</text>", drawn)

    def test_estimated_months_have_a_broken_outline(self) -> None:
        months = [("1967-08", 0.5), ("1967-09", 0.5)]
        assert "stroke-dasharray" in draw.month_strip_svg(months, estimated=True)
        assert "stroke-dasharray" not in draw.month_strip_svg(months, estimated=False)

    def test_the_calendar_is_broken_between_two_decades(self) -> None:
        months = [("1964-11", 0.25), ("1964-12", 0.25), ("1974-11", 0.25), ("1974-12", 0.25)]
        written = re.findall(r"<text[^>]*>([^<]*)</text>", draw.month_strip_svg(months))
        assert "1964" in written and "1974" in written and "1969" not in written

    def test_one_month_or_a_smear_is_not_drawn(self) -> None:
        assert draw.month_strip_svg([("1967-08", 1.0)]) == ""
        assert draw.month_strip_svg([(f"{1950 + i // 12}-{i % 12 + 1:02}", 1 / 90) for i in range(90)]) == ""


class TestMonthsWithoutAPicture:
    """The month strip as text and as a table says what the picture draws."""

    def test_bars_are_in_order_of_time_and_to_one_scale(self):
        lines = draw.month_strip_text([("1966-01", 0.25), ("1965-12", 0.5)]).splitlines()
        assert [line.split()[:2] for line in lines] == [["December", "1965"], ["January", "1966"]]
        assert [line.count("#") for line in lines] == [20, 10]

    def test_what_is_left_out_is_said(self):
        months = [(f"{1960 + i // 12}-{i % 12 + 1:02}", 1 / 30) for i in range(30)]
        assert draw.month_strip_text(months).splitlines()[-1].strip() == "and 18 more months, together 0.60"

    def test_an_estimate_is_drawn_otherwise(self):
        assert "#" not in draw.month_strip_text([("1966-01", 1.0)], estimated=True)

    def test_the_table_holds_every_month(self):
        drawn = draw.month_strip_html([("1965-12", 0.5), ("1966-01", 0.5)], estimated=True)
        assert drawn.count("<tr>") == 3 and "estimated by even output" in drawn
