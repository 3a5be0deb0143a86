"""Dates as papers and people give them: spans of days with an earliest and a latest.

A receipt says "21 May 1966", a slide mount "MAR 74", a son "about 65", a registration slip "04/03/66". None
of them is one day for certain, and none of them is nothing. A *span* keeps what was said as an EDTF text (the
Extended Date/Time Format of the Library of Congress, specification of 4 February 2019, which is the profile
of ISO 8601-2:2019), and beside it the first and the last day that the text allows. An end that is open
(``..``) or not known (nothing) is None: no year is made up for it.

>>> parse("1967-08/1968-07").words()
'between August 1967 and July 1968'
>>> parse("196X").earliest, parse("196X").latest
(datetime.date(1960, 1, 1), datetime.date(1969, 12, 31))
>>> print(parse("1985/").latest)
None

What is read: level 0 and level 1, and of level 2 the forms that papers need: sets (``[1966,1967]`` one of
them, ``{..}`` all of them), unspecified figures anywhere (``1984-1X``), marks on a part (``2004-06~-11``),
parts of a year (``2001-34``, the second quarter), intervals of those. What is refused, with a sentence: years
outside 0001 to 9999, significant digits (``1950S2``: write ``19XX``), dates that name no year, intervals
between seasons (the standard has none), the words of the 2012 draft.

``~`` is approximate, ``?`` uncertain, ``%`` both. How far "about" reaches the standard leaves to the reader.
``earliest`` and ``latest`` never stretch; the stretched ends stand apart, by the reach stated in
:data:`REACH`.

>>> about = parse("1966~")
>>> about.words(), about.earliest.isoformat(), about.earliest_about.isoformat()
('about 1966', '1966-01-01', '1965-01-01')

A season is three whole months. Winter 2001 (``2001-24``) is December 2001 to February 2002, our choice: the
season is named for the year it begins in. Spring is March to May (northern, common practice); 29 to 32 are
the southern seasons.

Where figures can be read day first or month first, both days are kept until a paper settles it.

>>> both = parse_written("04/03/66")
>>> both.edtf, both.words()
('[1966-03-04,1966-04-03]', '4 March 1966 or 3 April 1966')
>>> (both & parse("1966-04")).edtf
'1966-04-03'
>>> parse_written("31/02")
Traceback (most recent call last):
...
decoder.dates.DateError: '31/02' is not a day: no month has both, whichever comes first, and the year is \
missing. If the date is uncertain, write it as 'about 1966', 'before March 1966', 'between 1964 and 1967' \
or, for either of two, '4 March 1966 or 3 April 1966'; if there is none, leave it empty.
"""

from __future__ import annotations

import re
from collections.abc import Iterable, Iterator
from dataclasses import dataclass, field
from datetime import date
from itertools import product

from decoder.errors import DecoderError

__all__ = ["REACH", "DateError", "Span", "between", "hull", "one_of", "parse", "parse_written"]


class DateError(DecoderError):
    """The text is no date that can be kept; the message says how to write it."""


#: How far "about" (``~``) or "perhaps" (``?``) reaches on each side, by the part that carries the mark; ``%``
#: reaches twice as far. No source gives these: the standard leaves them to the reader. They are a house
#: choice, one unit of what was named, since somebody who names a year can be a year out and somebody who
#: names a month is seldom a year out; a day reaches a week, because "about the 21st" is not "the 20th to the
#: 22nd".
REACH: dict[str, tuple[int, str]] = {
    "day": (7, "days"),
    "month": (1, "months"),
    "part of a year": (3, "months"),
    "year": (12, "months"),
    "decade": (60, "months"),
    "century": (300, "months"),
}

#: A set of more separate stretches of days than this is kept as one span from its first day to its last.
MOST_PIECES = 64

#: Texts longer than this are not dates.
LONGEST = 200


MONTHS = (
    "January", "February", "March", "April", "May", "June",
    "July", "August", "September", "October", "November", "December",
)  # fmt: skip

#: code -> (name, first month, months): the "sub-year groupings" of the specification of 4 February 2019.
_PARTS: dict[int, tuple[str, int, int]] = {
    21: ("spring", 3, 3), 22: ("summer", 6, 3), 23: ("autumn", 9, 3), 24: ("winter", 12, 3),
    25: ("northern spring", 3, 3), 26: ("northern summer", 6, 3),
    27: ("northern autumn", 9, 3), 28: ("northern winter", 12, 3),
    29: ("southern spring", 9, 3), 30: ("southern summer", 12, 3),
    31: ("southern autumn", 3, 3), 32: ("southern winter", 6, 3),
    33: ("first quarter of", 1, 3), 34: ("second quarter of", 4, 3),
    35: ("third quarter of", 7, 3), 36: ("fourth quarter of", 10, 3),
    37: ("first four months of", 1, 4), 38: ("middle four months of", 5, 4),
    39: ("last four months of", 9, 4),
    40: ("first half of", 1, 6), 41: ("second half of", 7, 6),
}  # fmt: skip

_PART_NAMES = ("year", "month", "day")

Piece = tuple[date | None, date | None]


@dataclass(frozen=True, slots=True)
class Span:
    """A date as somebody gave it: its EDTF text and the days that it allows.

    ``earliest`` and ``latest`` are the first and last day of the text as it stands; None is an open or an
    unknown end. ``earliest_about`` and ``latest_about`` are the same with "about" and "perhaps" stretched by
    :data:`REACH`. ``pieces`` are the separate stretches of days, where the text is one of several. ``notes``
    say what was assumed in reading the text (a century, the order of day and month); they do not take part in
    comparing. Make one with :func:`parse`, :func:`parse_written`, :func:`between` or :func:`one_of`.
    """

    edtf: str
    earliest: date | None
    latest: date | None
    qualifiers: frozenset[str]
    earliest_about: date | None
    latest_about: date | None
    pieces: tuple[Piece, ...]
    pieces_about: tuple[Piece, ...]
    notes: tuple[str, ...] = field(default=(), compare=False)

    def __str__(self) -> str:
        return self.edtf

    @property
    def is_approximate(self) -> bool:
        """Somebody said "about" (``~`` or ``%``)."""
        return "approximate" in self.qualifiers

    @property
    def is_uncertain(self) -> bool:
        """Somebody said "perhaps" (``?`` or ``%``)."""
        return "uncertain" in self.qualifiers

    def words(self) -> str:
        """The date as people read it.

        >>> for text in ("1967-02-14", "1966~", "../1966", "1966/..", "2001-24", "[1964,1974]"):
        ...     print(parse(text).words())
        14 February 1967
        about 1966
        before 1967
        from 1966 on
        winter 2001/02
        1964 or 1974
        """
        return _words(_node(self.edtf))

    def when(self) -> str:
        """The same with the word before it that a sentence needs: "on 14 February 1967", "in May 1966".

        >>> parse("1967-02-14").when(), parse("196X").when(), parse("1966~").when()
        ('on 14 February 1967', 'in the 1960s', 'about 1966')
        """
        node = _node(self.edtf)
        said = _words(node)
        if isinstance(node, _Interval):
            return said
        if isinstance(node, _Set):
            plain = node.one and all(isinstance(member, _Date) and not any(member.marks) for member in node.members)
            days = all(isinstance(member, _Date) and member.day.isdigit() for member in node.members)
            return f"{'on' if days else 'in'} {said}" if plain else said
        if "about" in said:
            return said
        perhaps, said = ("perhaps ", said[8:]) if said.startswith("perhaps ") else ("", said)
        if said.startswith("some "):
            return f"{perhaps}{'on' if node.day else 'in'} {said}"
        the = "the " if said.endswith("0s") or " of " in said else ""
        return f"{perhaps}{'on' if node.day else 'in'} {the}{said}"

    def as_dict(self) -> dict[str, str | None]:
        """``edtf``, and ``earliest`` and ``latest`` as ISO days or None: how every answer writes a span."""
        return {
            "edtf": self.edtf,
            "earliest": self.earliest.isoformat() if self.earliest else None,
            "latest": self.latest.isoformat() if self.latest else None,
        }

    def allows(self, day: date) -> bool:
        """Whether the day is among those that the text allows as it stands."""
        return any((e is None or e <= day) and (la is None or day <= la) for e, la in self.pieces)

    def is_before(self, other: Span) -> bool | None:
        """True where every day of this span lies before every day of the other, False where none can, None
        where it depends on which days they are.

        >>> parse("1966").is_before(parse("1967")), parse("1966").is_before(parse("1966-05"))
        (True, None)
        """
        if self.latest is not None and other.earliest is not None and self.latest < other.earliest:
            return True
        if self.earliest is not None and other.latest is not None and self.earliest >= other.latest:
            return False
        return None

    def __lt__(self, other: Span) -> bool:
        """For lists: by the first day, then by the last; an open start comes first, an open end last."""
        return self._key() < other._key()

    def _key(self) -> tuple[date, date, str]:
        return (self.earliest or date.min, self.latest or date.max, self.edtf)

    def __and__(self, other: Span) -> Span | None:
        """The days that both allow as they stand, or None where there is none. "About" is not stretched here.

        >>> (parse("1966/..") & parse("../1967-05")).edtf
        '1966/1967-05'
        >>> print(parse("1966") & parse("1968"))
        None
        """
        both = [shared for mine in self.pieces for theirs in other.pieces if (shared := _shared(mine, theirs))]
        return one_of(both) if both else None

    def __or__(self, other: Span) -> Span:
        """The days that either allows.

        >>> (parse("1964") | parse("1974")).edtf, (parse("1966") | parse("1967")).edtf
        ('[1964,1974]', '1966/1967')
        """
        return one_of(self.pieces + other.pieces)


def parse(text: str) -> Span:
    """Read an EDTF text.

    Args:
        text: level 0, level 1 or one of the level 2 forms named above, without spaces inside; 200 characters
            at most.

    Raises:
        DateError: it cannot be read, names a day that does not exist, runs backwards, or lies outside the
            years 0001 to 9999. The sentence says what to write.

    >>> parse("2008/1964")
    Traceback (most recent call last):
    ...
    decoder.dates.DateError: '2008/1964' runs backwards: its start lies after its end. Write 1964/2008.
    >>> parse("1966-06-31")
    Traceback (most recent call last):
    ...
    decoder.dates.DateError: '1966-06-31' is not a day: June 1966 has 30 days.
    """
    node = _node(text.strip())
    pieces, about = node.pieces(), node.pieces_about()
    return Span(
        node.text,
        pieces[0][0],
        _last(pieces),
        frozenset(node.qualifiers()),
        about[0][0],
        _last(about),
        pieces,
        about,
    )


def between(earliest: date | None, latest: date | None) -> Span:
    """The span from one day to another, both included; None is an open end. Months and years are written as
    such.

    >>> between(date(1966, 9, 1), date(1967, 8, 31)).edtf, between(None, date(1967, 5, 20)).edtf
    ('1966-09/1967-08', '../1967-05-20')
    """
    if earliest is not None and latest is not None and earliest > latest:
        raise DateError(
            f"A span cannot start on {_day_words(earliest)} and end before that, on {_day_words(latest)}. "
            "Change the two about."
        )
    return one_of([(earliest, latest)])


def one_of(pieces: Iterable[Piece]) -> Span:
    """The span of several stretches of days, one of which holds; stretches that touch become one.

    >>> one_of([(date(1966, 4, 3), date(1966, 4, 3)), (date(1966, 3, 4), date(1966, 3, 4))]).edtf
    '[1966-03-04,1966-04-03]'
    """
    joined = _join(pieces)
    if not joined:
        raise DateError("A span needs at least one stretch of days.")
    if len(joined) == 1:
        text = _interval_text(joined[0], "/")
    else:
        text = "[" + ",".join(_interval_text(piece, "..") for piece in joined) + "]"
    return Span(text, joined[0][0], _last(joined), frozenset(), joined[0][0], _last(joined), joined, joined)


def hull(spans: Iterable[Span]) -> Span:
    """The span from the first day that any of them allows to the last.

    >>> hull([parse("1964"), parse("1974-05")]).edtf
    '1964/1974-05'
    """
    pieces = _join(piece for span in spans for piece in span.pieces)
    if not pieces:
        raise DateError("A span needs at least one stretch of days.")
    return between(pieces[0][0], _last(pieces))


# ---- days and stretches


def _last(pieces: tuple[Piece, ...]) -> date | None:
    return pieces[-1][1]


def _shared(one: Piece, other: Piece) -> Piece | None:
    starts = [day for day in (one[0], other[0]) if day is not None]
    ends = [day for day in (one[1], other[1]) if day is not None]
    start, end = max(starts, default=None), min(ends, default=None)
    return None if start is not None and end is not None and start > end else (start, end)


def _join(pieces: Iterable[Piece]) -> tuple[Piece, ...]:
    """The stretches in order; those that overlap or touch (one day follows the other) made one."""
    in_order = sorted(pieces, key=lambda piece: (piece[0] or date.min, piece[1] or date.max))
    joined: list[Piece] = []
    for start, end in in_order:
        if joined:
            open_start, open_end = joined[-1]
            if open_end is None or start is None or start.toordinal() <= open_end.toordinal() + 1:
                joined[-1] = (open_start, None if open_end is None or end is None else max(open_end, end))
                continue
        joined.append((start, end))
    if len(joined) > MOST_PIECES:
        return ((joined[0][0], joined[-1][1]),)
    return tuple(joined)


def _month_days(year: int, month: int) -> int:
    if month == 2:
        return 29 if year % 4 == 0 and (year % 100 != 0 or year % 400 == 0) else 28
    return 30 if month in (4, 6, 9, 11) else 31


def _is_month_end(day: date) -> bool:
    return day.day == _month_days(day.year, day.month)


def _unit(day: date, is_start: bool) -> int:
    """How many characters of the ISO day state this end exactly: 4 for a year, 7 a month, 10 a day."""
    if (day.month, day.day) == ((1, 1) if is_start else (12, 31)):
        return 4
    return 7 if (day.day == 1 if is_start else _is_month_end(day)) else 10


def _interval_text(piece: Piece, dots: str) -> str:
    """A stretch as EDTF, with ``/`` or, inside a set, ``..`` between its ends.

    Each end is written in the coarsest unit that states it exactly, so that no day is made up for a paper's
    month; in one unit where both lie in one year, and inside sets, which ask for it.
    """
    start, end = piece
    opened = "../" if dots == "/" else ".."
    if start is None or end is None:
        if start is None and end is None:
            return "../.."
        if start is None:
            assert end is not None  # the line above
            return opened + end.isoformat()[: _unit(end, False)]
        return start.isoformat()[: _unit(start, True)] + opened[::-1]
    units = (_unit(start, True), _unit(end, False))
    if dots == ".." or start.year == end.year:
        units = (max(units), max(units))
    texts = (start.isoformat()[: units[0]], end.isoformat()[: units[1]])
    return texts[0] if texts[0] == texts[1] else dots.join(texts)


def _day_words(day: date) -> str:
    return f"{day.day} {MONTHS[day.month - 1]} {day.year}"


def _month_words(day: date) -> str:
    return f"{MONTHS[day.month - 1]} {day.year}"


def _months_on(day: date, months: int) -> date:
    """The day so many months on (or back), kept inside its month and inside the years 1 to 9999."""
    index = day.year * 12 + day.month - 1 + months
    year, month = divmod(index, 12)
    if year < 1:
        return date.min
    if year > 9999:
        return date.max
    # A month's last day stays a month's last day: 30 June one month later is 31 July.
    last = _month_days(year, month + 1)
    return date(year, month + 1, last if _is_month_end(day) and months > 0 else min(day.day, last))


def _days_on(day: date, days: int) -> date:
    return date.fromordinal(min(max(day.toordinal() + days, 1), date.max.toordinal()))


# ---- what an EDTF text is


def _digits(mask: str, backwards: bool) -> Iterator[int]:
    """The numbers that a text of figures and X can be, in order."""
    if "X" not in mask:
        return iter((int(mask),))
    figures = "9876543210" if backwards else "0123456789"
    return (int("".join(each)) for each in product(*(figures if c == "X" else c for c in mask)))


# The three shapes are plain classes: to make a dataclass of each would cost every command's start-up a while.


class _Date:
    __slots__ = ("day", "left", "month", "right", "text", "year")

    def __init__(
        self,
        text: str,
        year: str,
        month: str = "",
        day: str = "",
        left: tuple[str, str, str] = ("", "", ""),
        right: tuple[str, str, str] = ("", "", ""),
    ) -> None:
        """Masks of figures and X; the marks left of each part (it alone) and right (it and all before)."""
        self.text, self.year, self.month, self.day, self.left, self.right = (
            text,
            year,
            month,
            day,
            left,
            right,
        )

    @property
    def marks(self) -> tuple[str, ...]:
        return tuple(before + after for before, after in zip(self.left, self.right, strict=True))

    @property
    def code(self) -> int:
        """The code of a part of the year (21 to 41), or 0 for a month, a day or a whole year."""
        return int(self.month) if self.month.isdigit() and int(self.month) > 12 else 0

    def qualifiers(self) -> set[str]:
        written = "".join(self.marks)
        said = set()
        if "~" in written or "%" in written:
            said.add("approximate")
        if "?" in written or "%" in written:
            said.add("uncertain")
        return said

    def stretches(self, backwards: bool = False) -> Iterator[tuple[date, date]]:
        """The days it can be, as stretches in order."""
        for year in _digits(self.year, backwards):
            if self.code:
                _, first, count = _PARTS[self.code]
                years, last = divmod(first + count - 2, 12)
                if year + years <= 9999:
                    end = date(year + years, last + 1, _month_days(year + years, last + 1))
                    yield date(year, first, 1), end
                continue
            if not self.month or (self.month == "XX" and self.day in ("", "XX")):
                yield date(year, 1, 1), date(year, 12, 31)
                continue
            for month in _digits(self.month, backwards):
                if not 1 <= month <= 12:
                    continue
                days = _month_days(year, month)
                if self.day in ("", "XX"):
                    yield date(year, month, 1), date(year, month, days)
                    continue
                for day in _digits(self.day, backwards):
                    if 1 <= day <= days:
                        yield date(year, month, day), date(year, month, day)

    def pieces(self) -> tuple[Piece, ...]:
        first = next(self.stretches(), None)
        if first is None:
            raise DateError(self._no_such_day())
        if "X" not in self.year + self.month + self.day:
            return (first,)
        last = next(self.stretches(backwards=True))
        found: list[list[date]] = []
        for start, end in self.stretches():
            if found and start.toordinal() == found[-1][1].toordinal() + 1:
                found[-1][1] = end
            else:
                found.append([start, end])
            if len(found) > MOST_PIECES:
                return ((first[0], last[1]),)
        return tuple((start, end) for start, end in found)

    def _no_such_day(self) -> str:
        if "X" in self.year + self.month + self.day:
            return (
                f"'{self.text}' fits no day: months run from 01 to 12 and days to the end of their month. "
                "Look at the figures again."
            )
        if self.code:
            return f"'{self.text}' ends after the year 9999, and dates are kept up to there."
        month = int(self.month)
        days = _month_days(int(self.year), month)
        return f"'{self.text}' is not a day: {MONTHS[month - 1]} {int(self.year)} has {days} days."

    def reach(self) -> tuple[int, int]:
        """How far the marks reach on each side: (months, days)."""
        months = days = 0
        for index, written in enumerate(self.marks):
            if not written:
                continue
            if index == 2:
                unit = "day"
            elif index == 1:
                unit = "part of a year" if self.code else "month"
            else:
                unit = "century" if self.year.endswith("XX") else "decade" if self.year.endswith("X") else "year"
            count, of = REACH[unit]
            count *= 2 if "%" in written or ("?" in written and "~" in written) else 1
            if of == "days":
                days = max(days, count)
            else:
                months = max(months, count)
        return months, days

    def pieces_about(self) -> tuple[Piece, ...]:
        months, days = self.reach()
        pieces = self.pieces()
        if not months and not days:
            return pieces
        return _join(
            (
                None if start is None else _days_on(_months_on(start, -months), -days),
                None if end is None else _days_on(_months_on(end, months), days),
            )
            for start, end in pieces
        )


class _Interval:
    """An interval, or a stretch inside a set. An end is a date, ``..`` (open) or nothing (not known)."""

    __slots__ = ("end", "start", "text")

    def __init__(self, text: str, start: _Date | str, end: _Date | str) -> None:
        self.text, self.start, self.end = text, start, end

    def qualifiers(self) -> set[str]:
        return {q for end in (self.start, self.end) if isinstance(end, _Date) for q in end.qualifiers()}

    def pieces(self) -> tuple[Piece, ...]:
        first = self.start.pieces()[0][0] if isinstance(self.start, _Date) else None
        last = _last(self.end.pieces()) if isinstance(self.end, _Date) else None
        return ((first, last),)

    def pieces_about(self) -> tuple[Piece, ...]:
        first = self.start.pieces_about()[0][0] if isinstance(self.start, _Date) else None
        last = _last(self.end.pieces_about()) if isinstance(self.end, _Date) else None
        return ((first, last),)


class _Set:
    __slots__ = ("members", "one", "text")

    def __init__(self, text: str, members: tuple[_Date | _Interval, ...], one: bool) -> None:
        self.text, self.members, self.one = text, members, one

    def qualifiers(self) -> set[str]:
        return {q for member in self.members for q in member.qualifiers()}

    def pieces(self) -> tuple[Piece, ...]:
        return self._joined([piece for member in self.members for piece in member.pieces()])

    def pieces_about(self) -> tuple[Piece, ...]:
        return self._joined([piece for member in self.members for piece in member.pieces_about()])

    def _joined(self, pieces: list[Piece]) -> tuple[Piece, ...]:
        joined = _join(pieces)
        # All of several dates is no choice between them: the thing dated lasts from the first to the last.
        return joined if self.one else ((joined[0][0], _last(joined)),)


_Node = _Date | _Interval | _Set


def _node(text: str) -> _Node:
    if not text:
        raise DateError(
            "There is no date here. Leave it out, or write a year, a month or a day: 1966, 1966-05, 1966-05-21."
        )
    if len(text) > LONGEST:
        raise DateError(f"A date has at most {LONGEST} characters; this has {len(text)}. Write the date alone.")
    low = text.lower()
    if "unknown" in low or "open" in low or re.search(r"[0-9]u|u[0-9]|uu", low):
        raise DateError(
            f"'{text}' is written as in the draft of 2012. Write .. for an open end, nothing for an end that "
            "is not known, "
            "and X for a figure that is not known: 1966/.., 1966/, 196X."
        )
    if text[0] in "[{":
        return _read_set(text)
    if "[" in text or "{" in text or "]" in text or "}" in text:
        raise DateError(
            f"'{text}' has a bracket in the wrong place. A set stands alone: [1966,1967] for either, "
            f"{{1966,1967}} for both."
        )
    if " " in text:
        raise DateError(
            f"'{text}' has a space in it. In this form dates have none: 1966-05-21, 1966/1967, [1966,1967]."
        )
    if "/" in text:
        return _read_interval(text)
    if ".." in text:
        raise DateError(
            f"'{text}' has two full stops outside a set. Write an interval with a stroke, 1966/1967, or a "
            "set, [1966..1969]."
        )
    return _read_date(text, times=True)


def _read_interval(text: str) -> _Interval:
    ends = text.split("/")
    if len(ends) != 2:
        raise DateError(f"'{text}' has more than one stroke. An interval has one: 1966-05/1967-02.")
    if ends[0] in ("", "..") and ends[1] in ("", "..") and text != "../..":
        raise DateError(
            f"'{text}' names no date at either end. Leave the date out, or give one end: 1966/.. or ../1966."
        )
    start, end = (end if end in ("", "..") else _read_date(end) for end in ends)
    for each in (start, end):
        if isinstance(each, _Date) and each.code:
            (first, last), *_ = each.stretches()
            raise DateError(
                f"'{text}' is an interval between parts of a year, which the standard does not have. Write "
                "months: "
                f"for {each.text}, {first.isoformat()[:7]} to {last.isoformat()[:7]}."
            )
    interval = _Interval(text, start, end)
    first_day, last_day = interval.pieces()[0]
    if first_day is not None and last_day is not None and first_day > last_day:
        raise DateError(f"'{text}' runs backwards: its start lies after its end. Write {ends[1]}/{ends[0]}.")
    return interval


def _read_set(text: str) -> _Set:
    closing = "]" if text[0] == "[" else "}"
    if text[-1] != closing or len(text) < 3:
        raise DateError(
            f"'{text}' is not a whole set. Write the dates between {text[0]} and {closing}, with commas: "
            f"{text[0]}1966,1967{closing}."
        )
    if " " in text:
        raise DateError(f"'{text}' has a space in it, and sets have none. Write {text.replace(' ', '')}.")
    words = text[1:-1].split(",")
    members: list[_Date | _Interval] = []
    for place, word in enumerate(words):
        if ".." not in word:
            members.append(_read_date(word) if word else _refuse_empty(text))
            continue
        ends = word.split("..")
        if len(ends) != 2 or ends == ["", ""]:
            raise DateError(
                f"'{word}' in {text} is no stretch of dates. Write 1670..1672, ..1984 (the first in the set) "
                "or 1984.. (the last)."
            )
        if (not ends[0] and place != 0) or (not ends[1] and place != len(words) - 1):
            raise DateError(
                f"'{word}' is open in the middle of {text}. An open start stands first in a set, an open end last."
            )
        start, end = (_read_date(each) if each else ".." for each in ends)
        if (
            isinstance(start, _Date)
            and isinstance(end, _Date)
            and (bool(start.month), bool(start.day)) != (bool(end.month), bool(end.day))
        ):
            raise DateError(
                f"'{word}' in {text} goes from one kind of date to another. Write both ends as years, as "
                "months or as days."
            )
        stretch = _Interval(word, start, end)
        first, last = stretch.pieces()[0]
        if first is not None and last is not None and first > last:
            raise DateError(
                f"'{word}' in {text} runs backwards: its start lies after its end. Write {ends[1]}..{ends[0]}."
            )
        members.append(stretch)
    return _Set(text, tuple(members), text[0] == "[")


def _refuse_empty(text: str) -> _Date:
    raise DateError(f"'{text}' has nothing between two commas. Take the comma out, or write the date that is missing.")


_DATE = (
    r"([?~%]?)([0-9X]{4})([?~%]?)"
    r"(?:-([?~%]?)([0-9X]{2})([?~%]?)"
    r"(?:-([?~%]?)([0-9X]{2})([?~%]?))?)?"
)


def _read_date(text: str, times: bool = False) -> _Date:
    match = re.fullmatch(_DATE, text)
    if match is None:
        return _read_time(text, times)
    left_y, year, right_y, left_m, month, right_m, left_d, day, right_d = (group or "" for group in match.groups())
    if year == "XXXX":
        raise DateError(
            f"'{text}' names no year, and a date without a year bounds nothing. Give the decade at least: 196X."
        )
    if int(year.replace("X", "0")) == 0:
        raise DateError(
            f"'{text}' may be the year 0000. Years are kept from 0001 to 9999: give the first figure of the year."
        )
    found = _Date(text, year, month, day, (left_y, left_m, left_d), (right_y, right_m, right_d))
    if month.isdigit() and not 1 <= int(month) <= 12:
        if not found.code or found.code not in _PARTS:
            raise DateError(
                f"'{text}' has month {month}. Months run from 01 to 12 (21 to 24 are spring to winter, 33 to "
                "36 the quarters)."
            )
        if day:
            raise DateError(
                f"'{text}' names a day in {_PARTS[found.code][0]}. A part of a year has no days: leave the "
                "day out, or write the month."
            )
    found.pieces()
    return found


def _read_time(text: str, times: bool) -> _Date:
    match = re.fullmatch(r"(\d{4}-\d\d-\d\d)T(\d\d):(\d\d):(\d\d)(?:Z|[+-](\d\d)(?::(\d\d))?)?", text)
    if match is not None:
        if not times:
            raise DateError(
                f"'{text}' has a time of day, which intervals and sets do not take. Write the day alone: {match[1]}."
            )
        hour, minute, second, shift_hour, shift_minute = (int(group or 0) for group in match.groups()[1:])
        if hour > 23 or minute > 59 or second > 59 or shift_hour > 23 or shift_minute > 59:
            raise DateError(
                f"'{text}' has a time that no clock shows. Hours run to 23, minutes and seconds to 59; or "
                f"write the day alone: {match[1]}."
            )
        day = _read_date(match[1])
        # The day is the one on the paper: a shift from UTC says where the clock hung, not that the paper is
        # of another day.
        return _Date(text, day.year, day.month, day.day)
    if significant := re.fullmatch(r"(Y?-?[0-9]+(?:E[0-9]+)?)S([0-9]+)", text):
        year, kept = significant[1], int(significant[2])
        mask = year[:kept] + "X" * (4 - kept) if re.fullmatch(r"\d{4}", year) and 0 < kept < 4 else "19XX"
        raise DateError(
            f"'{text}' counts significant figures, which are not read here. Write X for the figures that are "
            f"not known: {mask}."
        )
    if re.fullmatch(r"Y-?[0-9]+(E[0-9]+)?|-[0-9]{4,}(-[0-9]{2}){0,2}|[0-9]{5,}", text):
        raise DateError(
            f"'{text}' lies outside the years 0001 to 9999, which are the ones kept here. Write the year in "
            "four figures: 1966."
        )
    raise DateError(
        f"'{text}' is not a date in this form. Write 1966, 1966-05 or 1966-05-21, with ~ after it for about, "
        "X for a figure that "
        "is not known, 1966/1967 for between, [1966,1967] for either."
    )


# ---- in words


def _words(node: _Node) -> str:
    if isinstance(node, _Date):
        return _date_words(node)
    if isinstance(node, _Interval):
        return _interval_words(node)
    said = [_member_words(member) for member in node.members]
    if node.one:
        return said[0] if len(said) == 1 else ", ".join(said[:-1]) + " or " + said[-1]
    if len(said) == 2:
        return f"both {said[0]} and {said[1]}"
    return said[0] if len(said) == 1 else "all of " + ", ".join(said[:-1]) + " and " + said[-1]


def _member_words(member: _Date | _Interval) -> str:
    if isinstance(member, _Date):
        return _date_words(member)
    if isinstance(member.start, str):
        return f"{_end_words(member.end)} or earlier"
    if isinstance(member.end, str):
        return f"{_end_words(member.start)} or later"
    return f"{_end_words(member.start)} to {_end_words(member.end)}"


def _end_words(end: _Date | str) -> str:
    return _date_words(end) if isinstance(end, _Date) else ""


def _interval_words(node: _Interval) -> str:
    start, end = node.start, node.end
    if isinstance(start, _Date) and isinstance(end, _Date):
        return f"between {_date_words(start)} and {_date_words(end)}"
    if isinstance(start, _Date):
        return f"from {_date_words(start)} on" if end == ".." else f"from {_date_words(start)}, end not known"
    if isinstance(end, _Date):
        if start == "":
            return f"until {_date_words(end)}, start not known"
        if any(end.marks) or "X" in end.text:
            return f"not after {_date_words(end)}"
        if end.day:
            return f"on or before {_date_words(end)}"
        following = int(end.year) * 12 + (int(end.month) if end.month else 12)
        year, month = divmod(following, 12)
        return f"before {MONTHS[month]} {year}" if end.month else f"before {year}"
    return "at any time"


def _date_words(node: _Date) -> str:
    said = _plain_words(node)
    parts = [name for name, figures in zip(_PART_NAMES, (node.year, node.month, node.day), strict=True) if figures]
    written = [(index, marks) for index, marks in enumerate(node.marks) if marks]
    if not written:
        return said
    if len(written) == 1 and written[0][0] == len(parts) - 1:
        mark = written[0][1]
        about = "about the " if said.endswith("0s") else "about "
        approximate, uncertain = "~" in mark or "%" in mark, "?" in mark or "%" in mark
        return ("perhaps " if uncertain else "") + (about if approximate else "") + said
    names = {"~": "approximate", "?": "uncertain", "%": "uncertain and approximate"}
    marked = [f"{' and '.join(parts[: i + 1])} {names[node.right[i]]}" for i in range(3) if node.right[i]]
    marked += [f"{parts[i]} {names[node.left[i]]}" for i in range(3) if node.left[i]]
    return f"{said} ({', '.join(marked)})"


def _plain_words(node: _Date) -> str:
    if node.code and "X" not in node.year:
        name, starts_in, _ = _PARTS[node.code]
        year = int(node.year)
        return f"{name} {year}/{(year + 1) % 100:02}" if starts_in == 12 else f"{name} {year}"
    if "X" not in node.year + node.month + node.day:
        day = f"{int(node.day)} " if node.day else ""
        month = f"{MONTHS[int(node.month) - 1]} " if node.month else ""
        return f"{day}{month}{int(node.year)}"
    # "2000s" may be ten years or a hundred, so the first decade of a century is said in figures.
    if not node.month and "X" not in node.year[:3] and node.year[2] != "0":
        return f"{node.year[:3]}0s"
    if "X" not in node.year and node.month == "XX" and node.day in ("", "XX"):
        return f"some {'day' if node.day else 'month'} in {int(node.year)}"
    if "X" not in node.year + node.month and node.day == "XX":
        return f"some day in {MONTHS[int(node.month) - 1]} {int(node.year)}"
    (first, _), (_, last) = next(node.stretches()), next(node.stretches(backwards=True))
    if node.day:
        unit, ends = "day", (_day_words(first), _day_words(last))
    elif node.month:
        unit, ends = "month", (_month_words(first), _month_words(last))
    else:
        unit, ends = "year", (str(first.year), str(last.year))
    only = (
        ""
        if len(pieces := node.pieces()) == 1 and pieces[0] == (first, last)
        else f", only those that read {node.text}"
    )
    return f"some {unit} from {ends[0]} to {ends[1]}{only}"


def parse_written(text: str, *, day_first: bool | None = None, today: date | None = None) -> Span:
    """Read a date as people write it on papers and say it.

    Args:
        text: "21 May 1966", "May 21st, 1966", "Aug '67", "3/74", "7.11.1971", "about 65", "before 1967",
            "1966 or 1967", "between 1964 and 1967", "spring 1967", "late sixties", an EDTF text; months in
            seven languages.
        day_first: how the paper orders figures, where that is known: True for day, month, year; False for
            month, day, year. Unknown, both days are kept as a set. Figures with full stops between them are
            read day first, as in the countries that write so (common practice), and ``notes`` says it.
        today: the day on which the paper was read, where the caller knows it: no written date may lie after
            it, and a year of two figures is then of the century before.

    Returns:
        A span whose ``notes`` name each assumption made (a century, an order of figures, a part of a year).

    Raises:
        DateError: it is no date, no such day exists, or the year is missing; the sentence says what to write.

    >>> parse_written("Aug '67").edtf, parse_written("before 1967").edtf, parse_written("c. 1966").edtf
    ('1967-08', '../1966', '1966~')
    >>> parse_written("oct 24").notes
    ("'24' is read as 2024; write four figures for another century, or add the year if it is a day.",)
    >>> parse_written("winter 1967").edtf
    '[1966-12..1967-02,1967-12..1968-02]'
    """
    from decoder.written import read_written

    return read_written(text, day_first=day_first, today=today)
