"""Made-up inputs that several tests share: days, EDTF texts, spans; small number families, numbers of them, readings.

Everything is invented. Years stay between 1900 and 2030, where papers about cars are; the edges of the
calendar have tests of their own.
"""

from __future__ import annotations

from calendar import monthrange
from collections.abc import Iterator
from datetime import date
from itertools import product
from typing import Any, NamedTuple

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
        pieces.append((None if draw(st.integers(0, 9)) == 0 else start, None if draw(st.integers(0, 9)) == 0 else end))
    return one_of(pieces)


# --- readings --------------------------------------------------------------------------------------------------------

characters = st.sampled_from("0123456789ABCDEFGHIJKLMNOPQRSTUVWXYZ")


@st.composite
def places(draw: st.DrawFn) -> str:
    """One place of a reading: certain, either, unreadable, doubtful, or a stretch."""
    kind = draw(st.sampled_from(["certain", "certain", "certain", "set", "either", "unreadable", "stretch"]))
    if kind == "unreadable":
        return draw(st.sampled_from("?_"))
    if kind == "stretch":
        return draw(st.sampled_from(["*", "...", "…"]))
    chars = draw(st.lists(characters, min_size=1 if kind != "either" else 2, max_size=4 if kind != "certain" else 1))
    text = {"certain": chars[0], "set": f"[{''.join(chars)}]", "either": "/".join(chars)}[kind]
    return text + draw(st.sampled_from(["", "", "", "~"]))


@st.composite
def readings(draw: st.DrawFn) -> str:
    """A well-formed reading with at least one character, with spaces, dashes and end marks here and there."""
    parts = draw(st.lists(places(), max_size=9))
    parts.insert(draw(st.integers(0, len(parts))), draw(characters))
    gaps = st.sampled_from(["", "", "", " ", "-", ".", "--", " - "])
    edges = st.sampled_from(["", "", "*", "◊", " ★ "])
    return draw(edges) + "".join(draw(gaps) + part for part in parts) + draw(gaps) + draw(edges)


# --- small number families -------------------------------------------------------------------------------------------


class Issued(NamedTuple):
    """One issue of one number: the row that holds it and the month it was made in."""

    number: str
    row: str
    month: str


class SmallFamily(NamedTuple):
    """A family small enough to go through. ``alphabets``: what may stand at each place; ``issued`` names a number twice
    where two runs have it."""

    text: str
    alphabets: tuple[str, ...]
    issued: tuple[Issued, ...]
    turned: bool

    def __repr__(self) -> str:
        return f"<small family, {len(self.issued)} issued>\n{self.text}"


CHECK_LETTERS = "ABCDEFGHJKL"


@st.composite
def small_families(
    draw: st.DrawFn, *, checks: bool = True, runs: bool = True, turned: bool | None = None
) -> SmallFamily:
    """A table with month rows: perhaps code letters, a year figure, a check letter, two runs, figures read from both sides."""
    turns = draw(st.booleans()) if turned is None else turned
    codes = [] if turns else draw(st.sampled_from([[], [], ["S"], ["S", "C", "V"], ["HA", "HB"], ["AB", "BA"]]))
    years = draw(st.sampled_from([[], [], ["4", "6"], ["1", "6", "9"]]))
    width = draw(st.integers(1, 3))
    modulus = draw(st.sampled_from([0, 0, 3, 11])) if checks and not turns else 0
    rows = []
    for run in ["a", "b"][: draw(st.integers(1, 2)) if runs else 1]:
        month = (1960 if run == "a" else 1970) * 12
        for year in years or [""]:
            cuts = draw(st.sets(st.integers(0, 10**width - 1), min_size=2, max_size=7))
            ends = sorted(cuts)
            for low, high in zip(ends[::2], ends[1::2], strict=False):
                month += 1
                rows.append((run, year, low, high - draw(st.integers(0, 1)), f"{month // 12}-{month % 12 + 1:02d}"))
    return _small_family(codes, years, width, modulus, rows, turns)


def _small_family(
    codes: list[str],
    years: list[str],
    width: int,
    modulus: int,
    rows: list[tuple[str, str, int, int, str]],
    turns: bool,
) -> SmallFamily:
    letters = CHECK_LETTERS[:modulus]
    parts, form, alphabets = [], "", []
    if codes:
        parts.append("{name: plant, codes: {" + ", ".join(f"{c}: plant {c}" for c in codes) + "}}")
        form += "{plant}"
        alphabets += ["".join(sorted({c[i] for c in codes})) for i in range(len(codes[0]))]
    if years:
        parts.append("{name: year figure, figures: 1}")
        form += "{year figure}"
        alphabets.append("0123456789")
    parts.append(f"{{name: running number, figures: {width}}}")
    form += " {running number}"
    alphabets += ["0123456789"] * width
    if modulus:
        parts.append(
            f'{{name: check, check: {{modulus: {modulus}, letters: "{CHECK_LETTERS}", of: [running number]}}}}'
        )
        form += "{check}"
        alphabets.append(letters)
    lines, issued = [], []
    for run, year, low, high, month in rows:
        row = f"{run}-{month}"
        lines.append(
            f'  - {{id: "{row}", scheme: one, run: {run}, basis: month, first: "{year}{low:0{width}d}", last: "{year}{high:0{width}d}", '
            f'built: "{month}", source: sheet}}'
        )
        for n in range(low, high + 1):
            for code in codes or [""]:
                check = letters[n % modulus] if modulus else ""
                issued.append(Issued(f"{code}{year}{n:0{width}d}{check}", row, month))
    text = "\n".join([
        "family: small", 'title: "A small family (invented)"', "house: true", "carried_by: [pan]", 'where: "on the tunnel"',
        'sources: {sheet: {title: "A sheet (invented)", supports: "all", standing: house}}',
        f"turned: {'true' if turns else 'false'}" if turns else "", "schemes:", "  - id: one",
        f'    parts: [{", ".join(parts)}]', f'    print: "{form.strip()}"', "rows:", *lines,
    ])  # fmt: skip
    return SmallFamily(text + "\n", tuple(alphabets), tuple(issued), turns)


@st.composite
def widened(draw: st.DrawFn, number: str, alphabets: tuple[str, ...] | None = None) -> str:
    """A reading that the number agrees with: some places unreadable, some a set that holds the character, perhaps a stretch gone."""
    out = []
    for i, c in enumerate(number):
        kind = draw(st.sampled_from(["as it is", "as it is", "unreadable", "set"]))
        if kind == "unreadable":
            out.append("?")
        elif kind == "set":
            others = draw(st.sets(st.sampled_from(alphabets[i] if alphabets else "0123456789"), max_size=3))
            out.append("[" + "".join(sorted({c, *others})) + "]")
        else:
            out.append(c)
    if len(out) > 2 and draw(st.integers(0, 4)) == 0:
        start = draw(st.integers(1, len(out) - 2))
        end = draw(st.integers(start + 1, len(out) - 1))
        out[start:end] = ["*"]
    if not any(c.isalnum() for c in "".join(out)):
        out[0] = number[0]
    return "".join(out)


def fits(number: str, reading: Any) -> bool:
    """Whether ``number`` is one that ``reading`` may be, each character taken as read. Said here a second time, and plainly."""
    return any(len(laid) == len(number) and all(c in chars for c, chars in zip(number, laid, strict=True))
               for laid in _laid(reading, len(number)))  # fmt: skip


def _laid(reading: Any, length: int) -> Iterator[list[str]]:
    every = "0123456789ABCDEFGHIJKLMNOPQRSTUVWXYZ"
    stretches = sum(cell.stretch for cell in reading.cells)
    missing = length - (len(reading.cells) - stretches)
    for lengths in product(range(1, max(missing, 0) + 1), repeat=stretches):
        if sum(lengths) == missing or not stretches:
            share = iter(lengths)
            laid: list[str] = []
            for cell in reading.cells:
                laid += [every] * next(share) if cell.stretch else [cell.chars or every]
            yield laid


def last_day(month: str) -> str:
    """``1964-02`` to ``1964-02-29``."""
    return f"{month}-{monthrange(int(month[:4]), int(month[5:7]))[1]}"
