"""Dated marks on parts: tyres, lamps, glass, labels, and marks whose presence alone is a bound.

A part can carry its own date. A tyre's line of letters and figures that begins with DOT ends in the week and
the year it was made; a lamp names the year of the standard it follows; a circle with an E cannot be older
than the agreement behind it. Such a mark bounds the making of the part, and never that of the car: parts are
replaced, and a part younger than the car is no contradiction.

The tyre rule (49 CFR 574.5; Federal Register 64, 8 July 1999, p. 36807): the first two figures are the week,
01 being the first full week of the year, from Sunday to Saturday; the rest is the year. Four figures are the
rule since July 2000. Before, three figures left the decade open, and here it stays open:

>>> for reading in read_mark("DOT 4B9H L2K 031").readings:
...     print(reading.edtf, reading.standing)
1971-01-17/1971-01-23 from memory
1981-01-18/1981-01-24 seen
1991-01-20/1991-01-26 seen
>>> read_mark("DOT U2LL LMLR 0109").readings[0].edtf
'2009-01-04/2009-01-10'

A lamp's code and an E mark give a not-before:

>>> read_mark("SAE AIST 67").readings[0].edtf
'1967/..'
>>> answer = read_mark("E11 R6 0123")
>>> answer.readings[0].edtf, answer.readings[0].standing
('1967-10-15/..', 'from memory')

Much of what is known of such marks was not read in any source (``tables/marks.yml`` tells which): each
reading says how it stands. Text that fits no rule is an answer too: none, with what would be read.
"""

from __future__ import annotations

import functools
import re
import unicodedata
from collections.abc import Iterable, Iterator
from dataclasses import dataclass, replace
from datetime import date, timedelta
from typing import Any

from decoder import dates
from decoder.errors import DecoderError

#: The sentence that goes with every answer.
NEVER_THE_CARS = (
    "A part bounds its own making, never the car's: parts are replaced, and a part younger than the car is "
    "no contradiction."
)
#: No mark on one part is longer.
LONGEST = 120

_SEEN, _MEMORY = "seen", "from memory"
_FIGURE = r"(?:\d|\?|_|\[\d+\])"
_TRIANGLE = r"[\u25b2\u25b3\u25b6\u25b7\u25b8\u25b9\u25c0\u25c1\u25c2\u25c3\u25c4\u25c5\u0394\u2206<>]|\bTRIANGLE\b"


class MalformedMark(DecoderError):
    """The text cannot be a mark on a part: empty, too long, or with signs that no mark has."""


@dataclass(frozen=True)
class MarkReading:
    """One thing a mark can mean. ``span`` is None where no date follows; ``standing`` is that of the row the
    date comes from: "seen" in a source, or "from memory"."""

    kind: str
    span: dates.Span | None
    standing: str
    facts: tuple[str, ...] = ()
    sources: tuple[dict[str, str], ...] = ()

    @property
    def edtf(self) -> str | None:
        return self.span.edtf if self.span else None

    def says(self) -> str:
        """The reading in a sentence."""
        if self.span is None:
            return f"{_first_up(self.kind)}: no date follows from it."
        memory = " (from memory)" if self.standing == _MEMORY else ""
        if self.span.latest is None and self.span.earliest is not None:
            return f"{_first_up(self.kind)}: not made before {_day(self.span.earliest)}{memory}."
        return f"{_first_up(self.kind)}: made {self.span.when()}{memory}."

    def as_dict(self) -> dict[str, Any]:
        span = self.span.as_dict() if self.span else {"edtf": None, "earliest": None, "latest": None}
        return {
            "kind": self.kind,
            **span,
            "standing": self.standing,
            "facts": list(self.facts),
            "sources": list(self.sources),
        }


@dataclass(frozen=True)
class MarkAnswer:
    """What a mark says. Several readings are alternatives of one mark, or marks that stand side by side;
    each says its kind.
    """

    mark: str
    readings: tuple[MarkReading, ...]
    problems: tuple[str, ...] = ()

    @property
    def status(self) -> int:
        """0 where something could be said, 1 where the text fits no rule."""
        return 0 if self.readings else 1

    @property
    def says(self) -> list[str]:
        if not self.readings:
            return []
        return [*(reading.says() for reading in self.readings), NEVER_THE_CARS]

    def as_dict(self) -> dict[str, Any]:
        return {
            "mark": self.mark,
            "readings": [reading.as_dict() for reading in self.readings],
            "says": self.says,
            "problems": list(self.problems),
        }


def read_mark(text: str, *, by: date | None = None) -> MarkAnswer:
    """What the mark ``text`` says of the part that carries it.

    ``text``: the mark as read off the part, as "DOT 4B9H L2K 031", "SAE AIST 67", "E4 R37", "AS1 DOT 25", or
    words for it ("label FMVSS 209"). In the date of a tyre ``?`` is a figure that cannot be read and ``[38]``
    one of several. ``by``: a day on which the part was seen to exist; dates after it are dropped. This room
    reads no clock.

    Raises MalformedMark where the text cannot be a mark at all.
    """
    mark = _checked(text)
    table = _table()
    problems: list[str] = []
    found: list[MarkReading] = []
    for rule in (_label, _lamp, _glass, _e_mark):
        found += rule(mark, table, problems)
    if not found:
        found += _tyre(mark, table, problems, by)
    named = {reading.kind for reading in found}
    dated = any(reading.span for reading in found)
    found += [reading for reading in _by_words(mark, table, dated) if reading.kind not in named]
    if by is not None:
        late = [r for r in found if r.span and r.span.earliest and r.span.earliest > by]
        if late:
            problems.append(f"A reading later than {_day(by)}, when the part was there, was dropped: {late[0].kind}.")
        found = [reading for reading in found if reading not in late]
    if not found and not problems:
        problems.append(
            f"'{mark}' fits no mark that is known here. Known are the DOT line of a tyre (its last three or "
            "four figures), lamp "
            "codes that begin with SAE, E marks (E and the country's number), AS marks on glass, and labels "
            "that name a standard."
        )
    return MarkAnswer(mark, tuple(found), tuple(problems))


# --- tyres -----------------------------------------------------------------------------------------------------------


def week_of(year: int, week: int) -> tuple[date, date] | None:
    """Sunday and Saturday of a tyre maker's week, or None where the year has no such week.

    Week 01 is the first full week; a year has 52 or 53, as many as it has Sundays.

    >>> week_of(2009, 1)
    (datetime.date(2009, 1, 4), datetime.date(2009, 1, 10))
    >>> week_of(1981, 53) is None
    True
    """
    january = date(year, 1, 1)
    first = january + timedelta(days=(6 - january.weekday()) % 7)
    sunday = first + timedelta(weeks=week - 1)
    return (sunday, sunday + timedelta(days=6)) if week >= 1 and sunday.year == year else None


def _tyre(mark: str, table: dict[str, Any], problems: list[str], by: date | None) -> list[MarkReading]:
    upper = mark.upper()
    triangle = bool(re.search(_TRIANGLE, upper))
    body = re.sub(_TRIANGLE, " ", upper).strip()
    says_dot = bool(re.match(r"DOT\b|DOT(?=[A-Z0-9])", body))
    line = re.sub(r"^DOT", "", body).strip(" -:") if says_dot else body
    tail = re.search(rf"({_FIGURE}+)$", line)
    rows = {row["id"]: row for row in table["tyre"]["rows"]}
    if (
        not says_dot
        and not re.fullmatch(rf"{_FIGURE}{{3,4}}", line)
        and not re.fullmatch(rf"[A-Z0-9]{{2,4}}([ -]+[A-Z0-9]{{1,6}}){{1,3}}[ -]+{_FIGURE}{{3,4}}", line)
    ):
        return []
    figures = re.findall(_FIGURE, tail[1]) if tail else []
    if len(figures) < 3:
        if not says_dot or not line:
            return []
        problems.append(
            "No date stands at the end of that line. "
            "" + rows["one-side"]["rule"] + " Look at the other sidewall for three or "
            "four figures at the end."
        )
        return []
    groups = re.split(r"[ -]+", line)
    alone = re.fullmatch(rf"{_FIGURE}{{3,4}}", groups[-1])
    symbols = sum(len(re.findall(rf"{_FIGURE}|[A-Z]", group)) for group in groups)
    if len(figures) == 3 or (alone and len(re.findall(_FIGURE, groups[-1])) == 3):
        lengths = [3]
    elif alone or (len(groups) == 1 and symbols == 13):
        lengths = [4]
    else:
        lengths = [4, 3]
        problems.append(
            "It cannot be told whether the date is the last three or the last four figures; type a blank before it."
        )
    found: list[MarkReading] = []
    for length in lengths:
        date_figures = figures[-length:]
        if length == 4:
            found += _four_figures(date_figures, rows, table, problems, by, says_dot and symbols == 13, triangle)
        else:
            found += _three_figures(date_figures, rows, table, problems, triangle)
    if by is not None:
        found = [reading for reading in found if reading.span is None or (reading.span.earliest or by) <= by]
    if not found and not problems:
        problems.append(
            f"{''.join(figures[-lengths[0] :])} is no week and year of a tyre: weeks run from 01 to 52, in "
            "some years 53. Read it again."
        )
    return found


def _three_figures(
    figures: list[str], rows: dict[str, Any], table: dict[str, Any], problems: list[str], triangle: bool
) -> list[MarkReading]:
    row = rows["three-figures"]
    start, end = dates.parse(row["from"]).earliest, dates.parse(row["to"]).latest
    assert start is not None and end is not None
    years: dict[int, list[tuple[date, date]]] = {}
    for week, figure in _completed(figures):
        # The whole of the first year stays in: that the rule began in its May is from memory.
        for year in range(start.year, end.year + 1):
            days = week_of(year, week)
            if year % 10 == figure and days and days[0] <= end:
                years.setdefault(year, []).append(days)
    used = [row, rows["three-figures-decade"], rows["weeks"]]
    counted = f"Weeks: {rows['weeks']['note']}; if they did not, the days lie a week off."
    if triangle:
        years = {year: weeks for year, weeks in years.items() if 1990 <= year <= 1999}
        used.append(rows["triangle"])
        if not years:
            problems.append(
                "A triangle stands for the nineties, and no week of the nineties fits these figures. Read them again."
            )
    found = []
    for year in sorted(years):
        weeks = years[year]
        facts = [_week_fact(figures, weeks), rows["three-figures-decade"]["rule"] if len(years) > 1 else ""]
        if triangle:
            facts.append(_fact(rows["triangle"]))
        early = weeks[0][1] < start
        if early:
            facts.append(
                f"The rule began on {_day(start)} (from memory), so a tyre of that week is hardly to be expected."
            )
        facts.append(counted)
        standing = _MEMORY if early else _SEEN
        found.append(_reading(_TYRE, dates.between(weeks[0][0], weeks[-1][1]), standing, facts, used, table))
    return found


_TYRE = "tyre identification number"


def _four_figures(
    figures: list[str],
    rows: dict[str, Any],
    table: dict[str, Any],
    problems: list[str],
    by: date | None,
    thirteen: bool,
    triangle: bool,
) -> list[MarkReading]:
    start = dates.parse(rows["four-figures"]["from"]).earliest
    assert start is not None
    # Without a day on which the tyre was seen, years up to 2069 are read; later ones nobody can have met.
    newest = by.year if by is not None else 2069
    years: dict[int, list[tuple[date, date]]] = {}
    for week, year2 in _completed(figures):
        year = 1999 if year2 == 99 else 2000 + year2
        days = week_of(year, week)
        if days and year <= newest and (by is None or days[0] <= by):
            years.setdefault(year, []).append(days)
    used = [rows["four-figures"], rows["weeks"]]
    bound = dates.parse(rows["thirteen-symbols"]["from"]).earliest
    found = []
    for year in sorted(years):
        weeks = years[year]
        facts = [_week_fact(figures, weeks)]
        if weeks[0][1] < start:
            facts.append(f"Four figures were allowed from {_day(start)}; this would be earlier.")
        if thirteen and bound is not None:
            if weeks[-1][1] < bound:
                facts.append(
                    f"The number has 13 symbols, which the rule has only from {_day(bound)}: count them again."
                )
            else:
                facts.append(rows["thirteen-symbols"]["rule"])
            used = [*used, rows["thirteen-symbols"]]
        found.append(_reading(_TYRE, dates.between(weeks[0][0], weeks[-1][1]), _SEEN, facts, used, table))
    with_day = _day_figure(figures, rows, table, triangle)
    if found:
        older = " or ".join(dict.fromkeys(str(r.span.earliest.year) for r in with_day if r.span and r.span.earliest))
        if older:
            doubt = f"{_fact(rows['day-figure'])} On an old tyre this could be {older}."
            found = [replace(reading, facts=(*reading.facts, doubt)) for reading in found]
        with_day = []
    if not found and with_day:
        problems.append(
            "As week and year these four figures give no date that can be. On a tyre made before 2000 they "
            "may be a figure for the day of the week, then week and year."
        )
    elif found and triangle:
        problems.append("A triangle goes with three figures, and here are four. Read the group again.")
    return [*found, *with_day]


def _day_figure(figures: list[str], rows: dict[str, Any], table: dict[str, Any], triangle: bool) -> list[MarkReading]:
    if not any(f in "1234567" for f in _choices(figures[0])):
        return []
    row = rows["day-figure"]
    return [
        MarkReading(
            f"{_TYRE} with a figure for the day",
            reading.span,
            reading.standing,
            (*reading.facts, _fact(row)),
            _sources([row], table, reading.sources),
        )
        for reading in _three_figures(figures[1:], rows, table, [], triangle)
    ]


def _completed(figures: list[str]) -> Iterator[tuple[int, int]]:
    """(week, year figures) of every completion, in order."""
    texts = [""]
    for figure in figures:
        texts = [text + choice for text in texts for choice in _choices(figure)]
    for text in sorted(texts):
        yield int(text[:2]), int(text[2:])


def _choices(figure: str) -> str:
    if figure in "?_":
        return "0123456789"
    return "".join(sorted(set(figure.strip("[]"))))


def _week_fact(figures: list[str], weeks: list[tuple[date, date]]) -> str:
    if len(weeks) == 1:
        return f"{''.join(figures)}: the week from Sunday {_day(weeks[0][0])} to Saturday {_day(weeks[0][1])}."
    return f"{''.join(figures)}: one of {len(weeks)} weeks between {_day(weeks[0][0])} and {_day(weeks[-1][1])}."


# --- lamps, glass, E marks, labels -----------------------------------------------------------------------------------


def _lamp(mark: str, table: dict[str, Any], problems: list[str]) -> list[MarkReading]:
    match = re.search(r"\bSAE\b[\s\-]*(.*)$", mark.upper()) or re.search(r"\bSAE([A-Z].*)$", mark.upper())
    if not match:
        return []
    rows = table["lamp_code"]
    rest = re.sub(r"\bDOT\b|\(\s*\d\s*\)", " ", match[1]).strip(" -.")
    standard = re.match(r"J\s?\d{2,4}", rest)
    code = re.fullmatch(r"(?P<letters>(?:[A-Z]\d?[\s\-]*)*?)[\s\-]*(?P<year>(?:19|20)?\d\d)", rest)
    if standard:
        facts = [f"{standard[0]} is the number of a standard, not a year."]
        return [_reading("lamp code", None, _MEMORY, facts, [rows], table)]
    if not code:
        facts = [
            "A lamp code ends in two figures for the year; none were read here.",
            *_functions(rest, rows),
        ]
        return [_reading("lamp code", None, _standing(rows), facts, [rows], table)]
    figures = code["year"]
    if len(figures) == 4:
        year = int(figures)
    else:
        year = int(figures) + (1900 if int(figures) >= int(rows["century_turns_at"]) else 2000)
    facts = [_fact(rows), *_functions(code["letters"], rows)]
    if len(figures) == 2:
        facts.append(f"The century is not marked; {figures} is taken as {year} (own rule, from memory).")
    used = [rows, {"source": rows["letters_source"]}]
    return [_reading("lamp code", dates.between(date(year, 1, 1), None), _standing(rows), facts, used, table)]


def _functions(letters: str, rows: dict[str, Any]) -> list[str]:
    known = rows["letters"]
    codes = re.findall(r"P2|[A-Z]\d?", letters)
    meant = [f"{code} {known[code]}" for code in codes if code in known]
    unknown = [code for code in codes if code not in known]
    out = [f"Letters: {', '.join(meant)} (from memory)."] if meant else []
    if unknown:
        out.append(f"{', '.join(unknown)}: not in the table here.")
    return out


def _glass(mark: str, table: dict[str, Any], problems: list[str]) -> list[MarkReading]:
    match = re.search(r"\bAS[\s\-]?(\d{1,2})\b", mark.upper())
    if not match:
        return []
    rows = table["glazing"]
    number = match[1]
    facts = [f"{rows['marks'].get(number, f'AS{number} is not in the table here')}".rstrip(".") + " (from memory)."]
    code = re.search(r"\bDOT[\s\-]*(\d{1,4})\b", mark.upper())
    if code:
        facts.append(f"DOT {code[1]}: {rows['dot_code'][0].lower()}{rows['dot_code'][1:]} (from memory)")
    facts.append("An AS mark is no date.")
    return [_reading("safety glazing mark", None, _MEMORY, facts, [rows], table)]


def _e_mark(mark: str, table: dict[str, Any], problems: list[str]) -> list[MarkReading]:
    match = re.search(r"(?<![A-Za-z])(?P<e>[Ee])[\s\-(]*(?P<country>\d{1,2})(?!\d)", mark)
    if not match:
        return []
    rows = table["e_mark"]
    country = match["country"].lstrip("0") or "0"
    rest = mark[match.end() :]
    regulation = re.search(r"\bR[\s.\-]*(?P<n>\d{1,3})\b|\b(?P<m>\d{1,3})\s?R\b", rest, re.IGNORECASE)
    name = rows["countries"].get(country)
    country_fact = f"Country {country}: {name}." if name else f"Country number {country} is not in the table here."
    agreement = rows["agreement"]
    used = [agreement, {"source": rows["country_source"]}]
    facts = [country_fact, agreement["rule"]]
    start = dates.parse(agreement["from"]).earliest
    standing = _SEEN
    if regulation:
        number = str(int(regulation["n"] or regulation["m"]))
        row = rows["regulations"].get(number)
        if row is None:
            facts.append(
                f"Regulation {number} is not in the table here; its first day would bound the part more closely."
            )
        else:
            used.insert(1, row)
            begins = dates.parse(row["from"]).earliest
            facts.append(f"Regulation {number}, {row['what']}: from {_day(begins)}{_unsure(row)}.")
            if begins and start and begins > start:
                start, standing = begins, _standing(row)
    circle = _reading("E mark", dates.between(start, None), standing, facts, used, table)
    if match["e"] == "E":
        return [circle]
    problems.append(
        "Is the letter in a circle (E mark) or in a rectangle (the small e of the European Communities)? "
        "Both are given."
    )
    small = rows["small_e"]
    first = dates.parse(small["from"]).earliest
    inside = [country_fact, _fact(small)]
    return [
        circle,
        _reading("small e in a rectangle", dates.between(first, None), _standing(small), inside, [small], table),
    ]


def _label(mark: str, table: dict[str, Any], problems: list[str]) -> list[MarkReading]:
    row = table["certification_label"]
    match = re.search(
        r"\b(?:MFD|MFG|MFR|MANUFACTURED|MANUFACTURE|CERTIFICATION|CERT)\b"
        r".*?\b(\d{1,2})\s*[/.\- ]\s*((?:19|20)?\d\d)\b",
        mark.upper(),
    )
    if not match:
        return []
    month = int(match[1])
    year = int(match[2])
    if year < 100:
        # The label is of 1969 and later, so its two figures can be of one century only.
        year += 1900 if year >= 69 else 2000
    if not 1 <= month <= 12:
        problems.append(f"A label gives the month and the year; {match[1]} is no month. Read it again.")
        return []
    span = dates.parse(f"{year:04d}-{month:02d}")
    start = dates.parse(row["from"]).earliest
    facts = [_fact(row), row["fact"]]
    if start and span.latest and span.latest < start:
        facts.append("That is earlier than the rule; some makers dated their plates before it was asked for.")
    return [_reading("certification label", span, _MEMORY, facts, [row], table)]


def _by_words(mark: str, table: dict[str, Any], dated: bool) -> list[MarkReading]:
    """Marks named in words: those whose presence is a bound, and requirements from which no date follows. The
    letters DOT bound nothing more where the mark is ``dated`` already."""
    said = " ".join(re.findall(r"[a-z0-9]+", mark.lower()))

    def named(row: dict[str, Any]) -> bool:
        return any(re.search(rf"\b{re.escape(words)}s?\b", said) for words in row["words"])

    out = []
    for row in table["presence"]:
        letters = row["id"] == "dot-letters"
        if (named(row) or (letters and said.startswith("dot"))) and not (letters and dated):
            span = dates.between(dates.parse(row["from"]).earliest, None)
            out.append(_reading(row["mark"], span, _standing(row), [_fact(row)], [row], table))
    for row in table["requirements"]:
        if named(row):
            out.append(_reading(row["mark"], None, _standing(row), [_fact(row)], [row], table))
    return out


# --- the table -------------------------------------------------------------------------------------------------------


@functools.cache
def _table() -> dict[str, Any]:
    from decoder.families import load_data

    return load_data("marks")


def _checked(text: str) -> str:
    if not isinstance(text, str):
        raise MalformedMark(f"A mark is text, not {type(text).__name__}. Put it in quotes.")
    mark = " ".join(unicodedata.normalize("NFKC", text).split())
    if not mark:
        raise MalformedMark("There is no mark here. Type what stands on the part, as 'DOT 4B9H L2K 031' or 'E4 R37'.")
    if len(mark) > LONGEST:
        raise MalformedMark(
            f"That is {len(mark)} characters long; a mark has {LONGEST} at most. Type one mark at a time."
        )
    if any(unicodedata.category(c) in ("Cc", "Cf", "Co", "Cs") for c in mark) or not re.search(r"[A-Za-z0-9?_]", mark):
        raise MalformedMark("There is no letter or figure of a mark in that. Type what stands on the part.")
    if re.search(r"\[\s*\]|\[[^\]]*$|^[^\[]*\]", mark):
        raise MalformedMark(
            "A set is empty or not closed. Write it as [38], or type ? for a figure that cannot be read."
        )
    return mark


def _reading(
    kind: str,
    span: dates.Span | None,
    standing: str,
    facts: Iterable[str],
    rows: Iterable[dict[str, Any]],
    table: dict[str, Any],
) -> MarkReading:
    return MarkReading(kind, span, standing, tuple(fact for fact in facts if fact), _sources(rows, table))


def _sources(
    rows: Iterable[dict[str, Any]], table: dict[str, Any], first: tuple[dict[str, str], ...] = ()
) -> tuple[dict[str, str], ...]:
    out = {source["id"]: source for source in first}
    for row in rows:
        for one in row["source"].split(";"):
            name = one.split("[")[0].strip()
            source = table["sources"][name]
            out.setdefault(
                name,
                {
                    "id": name,
                    "title": f"{source['title']}, {source['edition']}",
                    "standing": source["standing"],
                },
            )
    return tuple(out.values())


def _standing(row: dict[str, Any]) -> str:
    return _SEEN if row["standing"] == "seen" else _MEMORY


def _unsure(row: dict[str, Any]) -> str:
    return " (from memory)" if _standing(row) == _MEMORY else ""


def _fact(row: dict[str, Any]) -> str:
    return f"{row['rule']}{_unsure(row)}"


def _day(day: date | None) -> str:
    if day is None:
        return "an open date"
    return dates.between(day, day).words()


def _first_up(text: str) -> str:
    return text[:1].upper() + text[1:]
