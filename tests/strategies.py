"""Made-up inputs that several tests share: days, EDTF texts, spans.

Everything is invented. Years stay between 1900 and 2030, where papers about cars are; the edges of the
calendar have tests of their own.
"""

from __future__ import annotations

from datetime import date

from hypothesis import strategies as st

from decoder.dates import Span, one_of, parse

FIRST_DAY, LAST_DAY = date(1900, 1, 1), date(2030, 12, 31)

days = st.dates(FIRST_DAY, LAST_DAY)
marks = st.sampled_from(["", "", "", "~", "?", "%"])


@st.composite
def plain_dates(draw: st.DrawFn) -> str:
    """A day, a month or a year, as EDTF."""
    return draw(days).isoformat()[: draw(st.sampled_from([4, 7, 10]))]


@st.composite
def masked_dates(draw: st.DrawFn) -> str:
    """A date with figures that are not known; it may fit no day."""
    text = draw(plain_dates())
    places = draw(st.sets(st.integers(2, len(text) - 1), max_size=4))
    return "".join("X" if place in places and c != "-" else c for place, c in enumerate(text))


@st.composite
def parts_of_years(draw: st.DrawFn) -> str:
    """A season, a quarter, four months or a half."""
    code = draw(st.sampled_from([21, 22, 23, 24, 29, 33, 36, 37, 38, 39, 40, 41]))
    return f"{draw(st.integers(1900, 2030))}-{code}"


@st.composite
def qualified_dates(draw: st.DrawFn) -> str:
    """A date with or without a mark for the whole of it."""
    return draw(st.one_of(plain_dates(), plain_dates(), parts_of_years())) + draw(marks)


@st.composite
def intervals(draw: st.DrawFn) -> str:
    """An interval that runs forwards; either end may be open or not known."""
    ends = sorted([draw(plain_dates()), draw(plain_dates())], key=lambda text: parse(text)._key())
    shape = draw(st.sampled_from(["both", "both", "open start", "open end", "unknown start", "unknown end"]))
    start, end = (text + draw(marks) for text in ends)
    return {
        "both": f"{start}/{end}" if parse(ends[0]).earliest <= parse(ends[1]).latest else f"{end}/{start}",
        "open start": f"../{end}",
        "open end": f"{start}/..",
        "unknown start": f"/{end}",
        "unknown end": f"{start}/",
    }[shape]


@st.composite
def sets(draw: st.DrawFn) -> str:
    """One of several dates."""
    return "[" + ",".join(draw(st.lists(plain_dates(), min_size=1, max_size=4))) + "]"


edtf_texts = st.one_of(qualified_dates(), intervals(), sets())
spans: st.SearchStrategy[Span] = edtf_texts.map(parse)


@st.composite
def stretches(draw: st.DrawFn) -> Span:
    """A span of one to four stretches of days, as computing makes them; ends may be open."""
    pieces = []
    for _ in range(draw(st.integers(1, 4))):
        start, end = sorted([draw(days), draw(days)])
        pieces.append(
            (None if draw(st.integers(0, 9)) == 0 else start, None if draw(st.integers(0, 9)) == 0 else end)
        )
    return one_of(pieces)
