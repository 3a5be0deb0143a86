"""Dates as people write them on papers and say them: how :func:`decoder.dates.parse_written` reads.

Everything becomes EDTF; what had to be assumed on the way (a century, the order of day and month, what "late"
means) is gathered in sentences and goes with the span. A text that is no date is refused with a sentence that
says how to write it.

Loaded when first asked for: most dates that the program meets are EDTF already.
"""

from __future__ import annotations

import re
from dataclasses import replace
from datetime import date

from decoder.dates import (
    _PARTS,
    LONGEST,
    MONTHS,
    DateError,
    Span,
    _Date,
    _day_words,
    _days_on,
    _Interval,
    _interval_text,
    _last,
    _month_days,
    _node,
    _Set,
    parse,
)  # fmt: skip

#: Two figures stand for a year from 1950 to 2049: glassfibre bodies begin about 1950 (common practice). Said
#: on each use.
CENTURY_TURNS_AT = 50

#: How often the parts of one text are looked at before it is refused.
MOST_READS = 500

#: A written year before this is a slip of the pen: there was no motor vehicle yet (common knowledge).
FIRST_YEAR_WRITTEN = 1850

_OFFER = (
    "If the date is uncertain, write it as 'about 1966', 'before March 1966', 'between 1964 and 1967' or, "
    "for either of two, "
    "'4 March 1966 or 3 April 1966'; if there is none, leave it empty."
)

#: Names of months and their usual short forms, without accents: English, German, French, Spanish, Italian,
#: Dutch, Portuguese, and the Roman figures of some stamps (common knowledge; a car's papers come from where
#: it was). None stands for two different months.
_MONTH_NAMES = {
    1: "january jan januar jaenner janner janvier janv enero ene gennaio gen januari janeiro i",
    2: "february feb febr februar feber fevrier fev febrero febbraio februari fevereiro ii",
    3: "march mar maerz marz mrz mars marzo maart mrt marco iii",
    4: "april apr avril avr abril abr aprile iv",
    5: "may mai mayo maggio mag mei maio v",
    6: "june jun juni juin junio giugno giu junho vi",
    7: "july jul juli juillet juil julio luglio lug julho vii",
    8: "august aug aout agosto ago augustus viii",
    9: "september sep sept septembre septiembre settembre set setembro ix",
    10: "october oct oktober okt octobre octubre ottobre ott outubro x",
    11: "november nov novembre noviembre novembro xi",
    12: "december dec dezember dez decembre diciembre dic dicembre dezembro xii",
}  # fmt: skip

_WEEKDAYS = ("monday", "tuesday", "wednesday", "thursday", "friday", "saturday", "sunday")
_SEASONS = {"spring": 21, "summer": 22, "autumn": 23, "fall": 23, "winter": 24}
_DECADES = {"fifties": "195X", "sixties": "196X", "seventies": "197X", "eighties": "198X", "nineties": "199X"}
_ORDINALS = {
    "first": 1,
    "1st": 1,
    "second": 2,
    "2nd": 2,
    "third": 3,
    "3rd": 3,
    "fourth": 4,
    "4th": 4,
    "last": 4,
}
_NO_DATE = ("unknown", "not known", "at any time", "no date", "undated", "none", "nd", "n.d", "n/a", "?", "-")
_YEAR = r"('?\d\d|\d{4})"
_ABOUT = r"(?:about|around|approximately|approx\.?|roughly|circa|circ\.?|ca\.?|c\.?|~)"
_PERHAPS = r"(?:perhaps|possibly|probably|maybe|believed(?: to be)?|uncertain(?:ly)?|\?)"


def _plain_letters(text: str) -> str:
    """Small letters without accents, with typewriter quotes and dashes."""
    from unicodedata import combining, normalize

    for odd, plain in (
        ("\u2019", "'"),
        ("\u2018", "'"),
        ("\u00b4", "'"),
        ("`", "'"),
        ("\u2013", "-"),
        ("\u2014", "-"),
        ("\u00df", "ss"),
    ):
        text = text.replace(odd, plain)
    return "".join(c for c in normalize("NFKD", text.lower()) if not combining(c))


def read_written(text: str, *, day_first: bool | None, today: date | None) -> Span:
    """See :func:`decoder.dates.parse_written`."""
    shown = " ".join(text.split())
    if not shown:
        raise DateError(
            "There is no date here. Leave it out, or write it as on the paper: 21 May 1966, May 1966, 1966."
        )
    if len(shown) > LONGEST:
        raise DateError(
            f"A date has at most {LONGEST} characters; this has {len(shown)}. Write the date alone and keep "
            "the words in the note."
        )
    writing = _Writing(shown, day_first, today)
    span = _as_edtf(shown)
    if span is None:
        span = parse(writing.read(_plain_letters(shown)))
    for end in (span.earliest, span.latest):
        if end is not None and end.year < FIRST_YEAR_WRITTEN:
            raise DateError(
                f"'{shown}' reads as the year {end.year}, before there were motor vehicles. Write the year "
                "in four figures."
            )
    if today is not None and span.earliest is not None and span.earliest > today:
        raise DateError(
            f"'{shown}' reads as {span.words()}, which is after {_day_words(today)}, the day it was read on. "
            "Look at the year again."
        )
    return replace(span, notes=tuple(dict.fromkeys(writing.notes)))


def _as_edtf(shown: str) -> Span | None:
    """The span of a text that is EDTF already, or None. What is meant so and is wrong is refused as such."""
    text = shown.replace(" ", "") if re.fullmatch(r"\[.*\]|\{.*\}", shown) else shown
    meant = re.fullmatch(r"[\[{].*|\d{4}-\d\d-\d\d(?:[T/].*)?|\d{4}/\d{4}|[0-9u/-]*u[0-9u/-]*", text)
    try:
        return parse(text)
    except DateError as error:
        if meant:
            raise DateError(f"{error} {_OFFER}" if "is not a day" in str(error) else str(error)) from None
        return None


class _Writing:
    """One text being read. Every method returns EDTF; what was assumed gathers in ``notes``."""

    def __init__(self, shown: str, day_first: bool | None, today: date | None) -> None:
        self.shown, self.day_first, self.today = shown, day_first, today
        self.notes: list[str] = []
        self.reads = 0

    def refuse(self, why: str) -> DateError:
        return DateError(f"'{self.shown}' {why}")

    def read(self, words: str) -> str:
        words = self._trimmed(words)
        # "1966 to 1967 to 1968 to ..." could be taken apart in more ways than there is time for.
        self.reads += 1
        if self.reads > MOST_READS:
            raise self.refuse("holds too many dates to be one. Write one date, or a few as '1966, 1967 or 1968'.")
        if not words or words in _NO_DATE:
            raise self.refuse("says that there is no date. Leave the date empty; the words can stand in the note.")
        if re.search(r"\bmodel(?: year)?\b|\bmy ?\d", words):
            raise self.refuse(
                "is a model year, which is not a date: it begins in the calendar year before. Write the days "
                "it spans, as the number family's table has them, or the year alone if it is the title's."
            )
        for reading in (
            self._bound,
            self._both,
            self._either,
            self._later_or_earlier,
            self._some,
            self._from_to,
            self._qualified,
            self._simple,
        ):
            found = reading(words)
            if found is not None:
                return found
        raise self.refuse(f"cannot be read as a date. Write it as on the paper: 21 May 1966, May 1966, 1966. {_OFFER}")

    def _trimmed(self, words: str) -> str:
        before = None
        while before != words:
            before = words
            words = words.strip(" ,;:")
            # An apostrophe in front belongs to a year of two figures ('67); a pair of them are quotation
            # marks.
            if len(words) > 2 and words[0] == words[-1] and words[0] in "'\"":
                words = words[1:-1]
            if words[:1] == "(" and words[-1:] == ")":
                words = words[1:-1]
            words = re.sub(r"^(?:dated|on|in|the|of|date:|year:?)\s+(?!or\b)", "", words)
            if not re.search(r"\.\.$", words):
                words = words.rstrip(".")
        return words

    # -- bounds

    def _bound(self, words: str) -> str | None:
        if match := re.fullmatch(
            r"(?:(?:on|in) or before|until|till|up to|not after|not? later than|by|at the latest)\s+(.+)",
            words,
        ):
            rest = re.sub(r",? start not known$", "", match[1])
            return (
                ("" if rest != match[1] else "../") + ("/" if rest != match[1] else "") + self._latest(self.read(rest))
            )
        if match := re.fullmatch(
            r"(?:(?:on|in) or after|not before|not? earlier than|since|from)\s+(.+?)(?:\s+(?:on|onwards?))?",
            words,
        ):
            if match[0].startswith("from ") and re.search(r" (?:to|until|till) | - ", match[1]):
                return None
            rest = re.sub(r",? end not known$", "", match[1])
            return self._earliest(self.read(rest)) + ("/" if rest != match[1] else "/..")
        if match := re.fullmatch(
            r"(?:some ?time |well |just |shortly |soon )?"
            r"(before|prior to|earlier than|after|later than)\s+(.+)",
            words,
        ):
            before = match[1] in ("before", "prior to", "earlier than")
            return self._outside(self.read(match[2]), before)
        return None

    def _later_or_earlier(self, words: str) -> str | None:
        if match := re.fullmatch(r"(.+?),? or (earlier|before|later|after|since)", words):
            edtf = self.read(match[1])
            return f"../{self._latest(edtf)}" if match[2] in ("earlier", "before") else f"{self._earliest(edtf)}/.."
        return None

    def _outside(self, edtf: str, before: bool) -> str:
        """Before (or after) a date: to the day before it begins; of several, before the last begins."""
        node = _node(edtf)
        spans = (
            [member.pieces()[0] for member in node.members]
            if isinstance(node, _Set)
            else [node.pieces()[0] if before else (None, _last(node.pieces()))]
        )
        days = [piece[0] if before else piece[1] for piece in spans]
        known = [day for day in days if day is not None]
        if len(known) != len(days):
            raise self.refuse("counts from an end that is open. Write the end itself: before 1967, after 1964.")
        limit = _days_on(max(known), -1) if before else _days_on(min(known), 1)
        text = limit.isoformat()
        if isinstance(node, _Date) and not node.day:
            text = text[:7] if node.month else text[:4]
        mark = self._mark(node.qualifiers())
        return f"../{text}{mark}" if before else f"{text}{mark}/.."

    def _mark(self, qualifiers: set[str]) -> str:
        return "%" if len(qualifiers) == 2 else "~" if "approximate" in qualifiers else "?" if qualifiers else ""

    def _earliest(self, edtf: str) -> str:
        return self._end(edtf, first=True)

    def _latest(self, edtf: str) -> str:
        return self._end(edtf, first=False)

    def _end(self, edtf: str, first: bool) -> str:
        """An end of an interval: the date itself where it may stand there, else its first or last day."""
        node = _node(edtf)
        if isinstance(node, _Date) and not node.code:
            return edtf
        pieces = node.pieces()
        day = pieces[0][0] if first else _last(pieces)
        if day is None:
            raise self.refuse("counts from an end that is open. Write both ends: between 1964 and 1967.")
        coarse = _interval_text((day, None) if first else (None, day), "/").strip("./")
        return coarse + self._mark(node.qualifiers())

    # -- several dates

    def _either(self, words: str) -> str | None:
        words = re.sub(r"^either (?:of )?", "", words)
        parts = re.split(r",?\s+or\s+(?!(?:earlier|later|(?:before|after|since)$)\b)", words)
        if len(parts) == 1:
            return None
        listed = [each for part in parts[:-1] for each in self._listed(part)] + [parts[-1]]
        unique = self._members(self._with_lent_words(listed))
        return unique[0] if len(unique) == 1 and ".." not in unique[0] else f"[{','.join(unique)}]"

    def _members(self, found: list[str]) -> list[str]:
        """Dates as the members of a set, in order, none twice."""
        members: list[str] = []
        for edtf in found:
            node = _node(edtf)
            if isinstance(node, _Set):
                members += edtf[1:-1].split(",")
            elif isinstance(node, _Interval):
                members.append(_interval_text(node.pieces()[0], ".."))
            else:
                members.append(edtf)
        return sorted(dict.fromkeys(members), key=lambda member: parse(f"[{member}]"))

    def _listed(self, part: str) -> list[str]:
        """ "1966, 1967" is two dates, "May 21, 1966" is one."""
        if "," not in part:
            return [part]
        kept = len(self.notes)
        try:
            self.read(part)
        except DateError:
            return part.split(",")
        del self.notes[kept:]
        return [part]

    def _from_to(self, words: str) -> str | None:
        match = (
            re.fullmatch(r"(?:some ?time )?between\s+(.+?)\s+and\s+(.+)", words)
            or re.fullmatch(r"(?:from\s+)?(.+?)\s+(?:to|until|till|through)\s+(.+)", words)
            or re.fullmatch(r"(.+?)\s+-\s+(.+)", words)
        )
        if match is None:
            return None
        start, end = self._with_lent_words([match[1], match[2]])
        return f"{self._earliest(start)}/{self._latest(end)}"

    def _both(self, words: str) -> str | None:
        match = re.fullmatch(r"both\s+(.+?)\s+and\s+(.+)|all of\s+(.+?),?\s+and\s+(.+)", words)
        if match is None:
            return None
        listed = [match[1], match[2]] if match[1] else [*self._listed(match[3]), match[4]]
        return "{" + ",".join(self._members(self._with_lent_words(listed))) + "}"

    def _with_lent_words(self, parts: list[str]) -> list[str]:
        """Read each part; one without its year or month borrows the end of another: "21 or 22 May 1966"."""
        found: list[str] = []
        for place, part in enumerate(parts):
            lenders = parts[place + 1 :] + parts[:place][::-1]
            tails = [" ".join(lender.split()[count:]) for lender in lenders for count in range(1, len(lender.split()))]
            kept = len(self.notes)
            for tail in ["", *tails]:
                try:
                    found.append(self.read(f"{part} {tail}".strip()))
                    break
                except DateError:
                    del self.notes[kept:]
            else:
                self.read(part)  # says what is wrong with it
        return found

    def _some(self, words: str) -> str | None:
        """Our own words for a date with figures that are not known."""
        words = re.sub(r", only those that read [0-9X-]+$", "", words, flags=re.IGNORECASE)
        if match := re.fullmatch(r"some (?:day|month|year) (in|from) (.+)", words):
            return self.read(match[2]) if match[1] == "in" else self.read(f"from {match[2]}")
        return None

    def _qualified(self, words: str) -> str | None:
        if match := re.fullmatch(r"(.+?)\s*(?:\((uncertain|approximate|approx\.?|about|perhaps|\?)\)|(\?|~))", words):
            return self._marked(self.read(match[1]), "~" if (match[2] or match[3])[0] in "a~" else "?")
        if match := re.fullmatch(rf"{_ABOUT}\s+(.+)|{_ABOUT}(\d.*)", words):
            return self._marked(self.read(match[1] or match[2]), "~")
        if match := re.fullmatch(rf"{_PERHAPS}\s+(.+)", words):
            return self._marked(self.read(match[1]), "?")
        return None

    def _marked(self, edtf: str, mark: str) -> str:
        def date_marked(text: str) -> str:
            if text in ("", ".."):
                return text
            if text[-1] in "?~%":
                return text[:-1] + ("%" if text[-1] != mark else mark)
            return text + mark

        if edtf[0] == "[":
            members = ("..".join(date_marked(end) for end in member.split("..")) for member in edtf[1:-1].split(","))
            return "[" + ",".join(members) + "]"
        return "/".join(date_marked(end) for end in edtf.split("/"))

    # -- one date

    def _simple(self, words: str) -> str | None:
        try:
            return (
                parse(words.upper()).edtf
                if re.fullmatch(r"[0-9x?~%-]{4,}", words) and not self._is_slip(words)
                else self._in_words(words)
            )
        except DateError:
            if re.fullmatch(r"\d{4}-\d\d-\d\d", words):
                raise
            return self._in_words(words)

    def _is_slip(self, words: str) -> bool:
        return bool(re.fullmatch(r"\d\d-\d\d-\d\d(\d\d)?", words))

    def _in_words(self, words: str) -> str | None:
        for name in _WEEKDAYS:
            match = re.match(rf"{name[:3]}(?:{name[3:]}|[a-z]{{0,3}})\.?,?\s+(?=\d|[a-z])", words)
            if match is not None:
                edtf = self._in_words(words[match.end() :])
                self._check_weekday(edtf, name)
                return edtf
        words = re.sub(r"(?<=\d)(?:st|nd|rd|th|er|\.)(?=[ ,]|$)", "", words)
        words = re.sub(r",", " ", words)
        words = re.sub(r"\s+(?:of|the|de|del|den)\s+", " ", words)
        words = re.sub(r"([a-z])\.", r"\1 ", words)
        words = " ".join(words.split())
        gap = r"[ ./-]*"
        found = self._part_of_something(words)
        if found is not None:
            return found
        if match := re.fullmatch(rf"(\d{{1,2}}){gap}([a-z]+){gap}{_YEAR}", words):
            return self._day(self._year(match[3]), self._month(match[2]), int(match[1]))
        if match := re.fullmatch(rf"([a-z]+){gap}(\d{{1,2}})[ ./-]+{_YEAR}", words):
            return self._grouped(match[1], match[2], match[3]) or self._day(
                self._year(match[3]), self._month(match[1]), int(match[2])
            )
        if match := re.fullmatch(rf"(\d{{4}}){gap}([a-z]+){gap}(\d{{1,2}})", words):
            return self._day(int(match[1]), self._month(match[2]), int(match[3]))
        if match := re.fullmatch(rf"([a-z]+){gap}{_YEAR}", words):
            return self._grouped(match[1], match[2]) or self._month_of(match[1], match[2])
        if match := re.fullmatch(rf"([a-z]+) ?([/-]) ?([a-z]+) {_YEAR}", words):
            first, last = self._month_of(match[1], match[4]), self._month_of(match[3], match[4])
            return f"[{first},{last}]" if match[2] == "/" else f"{first}/{last}"
        if match := re.fullmatch(rf"(\d{{4}}){gap}([a-z]+)", words):
            return self._grouped(match[2], match[1]) or self._month_of(match[2], match[1])
        if re.fullmatch(r"[a-z]+|\d{1,2} [a-z]+", words) and self._names_month(words.split()[-1]):
            raise self.refuse(
                f"has no year. Write the year with it: {self.shown} 1966, or about 1966 if it is not known."
            )
        return self._figures(words)

    def _part_of_something(self, words: str) -> str | None:
        """A quarter or half of a year, a decade, an early or late part, a season."""
        if match := re.fullmatch(r"([a-z0-9]+) (quarter|half) " + _YEAR + r"|q([1-4])[ /-]?" + _YEAR, words):
            return self._part(match)
        if match := re.fullmatch(r"(first|middle|last) four months " + _YEAR, words):
            return f"{self._year(match[2])}-{('first', 'middle', 'last').index(match[1]) + 37}"
        if match := re.fullmatch(
            r"(?:(early|mid|middle|late|northern|southern)[ -]+)?([a-z]+|'?\d0s|\d{3}0'?s)(?: (.+))?", words
        ):
            found = self._decade_or_season(match[1] or "", match[2], match[3] or "")
            if found is not None:
                return found
        return None

    def _check_weekday(self, edtf: str | None, name: str) -> None:
        if edtf and re.fullmatch(r"\d{4}-\d\d-\d\d", edtf):
            actual = _WEEKDAYS[date.fromisoformat(edtf).weekday()]
            if actual != name:
                self.notes.append(
                    f"The paper says {name.capitalize()}, but that day was a {actual.capitalize()}: look at "
                    "the date again."
                )

    def _names_month(self, name: str) -> int:
        return next((number for number, names in _MONTH_NAMES.items() if name in names.split()), 0)

    def _month(self, name: str) -> int:
        month = self._names_month(name)
        if not month:
            raise self.refuse(
                f"has '{name}' where a month should be. Write the month's name or three letters of it: 21 "
                "May 1966, Aug 1967."
            )
        return month

    def _month_of(self, name: str, year: str) -> str:
        month = self._month(name)
        return f"{self._year(year, may_be_day=True)}-{month:02}"

    def _year(self, figures: str, may_be_day: bool = False) -> int:
        if len(figures) == 4 and figures.isdigit():
            return int(figures)
        two = int(figures.strip("'"))
        year = (1900 if two >= CENTURY_TURNS_AT else 2000) + two
        if self.today is not None and year > self.today.year:
            year -= 100
        note = f"'{two:02}' is read as {year}; write four figures for another century"
        is_day = may_be_day and two <= 31 and figures[0] != "'"
        self.notes.append(note + (", or add the year if it is a day." if is_day else "."))
        return year

    def _day(self, year: int, month: int, day: int) -> str:
        if not 1 <= month <= 12:
            raise self.refuse(f"has {month} where a month should be. Months run from 1 to 12. {_OFFER}")
        days = _month_days(year, month)
        if not 1 <= day <= days:
            raise self.refuse(f"is not a day: {MONTHS[month - 1]} {year} has {days} days. {_OFFER}")
        return f"{year:04}-{month:02}-{day:02}"

    def _grouped(self, name: str, *figures: str) -> str | None:
        """A season with its year, or an early, middle or late part of a year."""
        if name in _SEASONS:
            if len(figures) == 2 and name != "winter":
                raise self.refuse(
                    f"has two years for one {name}. Write {name} and one year; only a winter lies in two."
                )
            return self._season(name, *figures)
        if name in ("early", "mid", "middle", "late") and len(figures) == 1:
            code = {"early": 37, "mid": 38, "middle": 38, "late": 39}[name]
            year = self._year(figures[0])
            self.notes.append(f"'{name}' is read as the {_PARTS[code][0]} the year.")
            return f"{year}-{code}"
        return None

    def _season(self, name: str, *figures: str) -> str:
        first = self._year(figures[0])
        if name != "winter":
            return f"{first}-{_SEASONS[name]}"
        if len(figures) == 2:
            if (first + 1) % 100 != int(figures[1]) % 100:
                raise self.refuse(
                    f"is no winter: it begins in {first} and ends in {first + 1}. Write winter "
                    f"{first}/{(first + 1) % 100:02}."
                )
            return f"{first}-24"
        # "Winter 1967" is the one that began or the one that ended in that year; the writer knows, the reader
        # does not.
        self.notes.append(
            f"'winter {first}' may be the winter that ended or the one that began in {first}: both are kept."
        )
        return f"[{first - 1}-12..{first}-02,{first}-12..{first + 1}-02]"

    def _part(self, match: re.Match[str]) -> str:
        ordinal, unit, year, quarter, quarter_year = match.groups()
        if quarter:
            return f"{self._year(quarter_year)}-{32 + int(quarter)}"
        number = _ORDINALS.get(ordinal, 0)
        if ordinal == "last":
            number = 4 if unit == "quarter" else 2
        if not number or (unit == "half" and number > 2):
            raise self.refuse(
                f"has '{ordinal}' before '{unit}'. Write first to fourth quarter, or first or second half."
            )
        return f"{self._year(year)}-{(32 if unit == 'quarter' else 39) + number}"

    def _decade_or_season(self, part: str, word: str, rest: str) -> str | None:
        if word in _SEASONS and re.fullmatch(_YEAR + r"(?:[/-](\d\d|\d{4}))?", rest):
            years = re.split(r"[/-]", rest)
            if part in ("northern", "southern"):
                return f"{self._year(years[0])}-{_SEASONS[word] + (4 if part == 'northern' else 8)}"
            return self._grouped(word, *years)
        if part and self._names_month(word) and re.fullmatch(_YEAR, rest):
            month, year = self._month(word), self._year(rest)
            first, last = {"early": (1, 10), "late": (21, _month_days(year, month))}.get(part, (11, 20))
            self.notes.append(f"'{part}' is read as day {first} to {last} of the month.")
            return f"{year}-{month:02}-{first:02}/{year}-{month:02}-{last:02}"
        decade = _DECADES.get(word)
        if re.fullmatch(r"\d\d00'?s", word):
            first = int(word[:4])
            raise self.refuse(
                f"may be ten years or a hundred. Write between {first} and {first + 9}, or {first} and {first + 99}."
            )
        if decade is None and re.fullmatch(r"\d{3}0'?s", word):
            decade = word[:3] + "X"
        if decade is None and re.fullmatch(r"'?\d0s", word):
            decade = f"{self._year(word.strip(chr(39))[:2])}"[:3] + "X"
        if decade is None or rest or part in ("northern", "southern"):
            return None
        if not part:
            return decade
        first, last = {"early": (0, 3), "late": (6, 9)}.get(part, (3, 6))
        self.notes.append(f"'{part}' in a decade is read as {decade[:3]}{first} to {decade[:3]}{last}.")
        return f"{decade[:3]}{first}/{decade[:3]}{last}"

    # -- figures alone

    def _figures(self, words: str) -> str | None:
        if match := re.fullmatch(r"(\d{1,4})([./ -]) ?(\d{1,2})\2 ?('?\d{2}|\d{4})", words):
            first, separator, second, third = match.groups()
            if len(first) == 4 or (len(third) == 2 and int(first) > 31):
                return self._day(self._year(first), int(second), int(third.strip("'")))
            if len(first) == 3:
                return None
            return self._three(int(first), int(second), self._year(third), separator)
        if match := re.fullmatch(r"(\d{4})([/-])(\d\d|\d{4})", words):
            start = int(match[1])
            end = int(match[3]) if len(match[3]) == 4 else start // 100 * 100 + int(match[3])
            if end > start:
                self.notes.append(f"Two years, {start} and {end}, are read as the span of both.")
                return f"{start}/{end}"
            if len(match[3]) == 2 and 1 <= int(match[3]) <= 12:
                return f"{start}-{int(match[3]):02}"
            raise self.refuse(
                f"runs backwards or has no month. Write {start}-05 for a month, or {start}/{start + 1} for "
                f"two years. {_OFFER}"
            )
        if match := re.fullmatch(r"(\d{1,2})[./ -](\d\d|'\d\d|\d{4})", words):
            return self._two(int(match[1]), match[2])
        if match := re.fullmatch(r"(\d{4})[./ ](\d{1,2})", words):
            if "/" in words:
                self.notes.append(f"'{words}' is read as a month. For two years, write both in four figures.")
            return self._month_in_figures(int(match[1]), int(match[2]))
        if re.fullmatch(r"(\d{1,2})[./ -](\d)", words):
            raise self.refuse(
                f"has no year. Write the year in four figures: 3 July 1966, or 3/1967 for a month. {_OFFER}"
            )
        if re.fullmatch(r"'\d\d", words) or (re.fullmatch(r"\d\d", words) and int(words) > 31):
            return str(self._year(words))
        if re.fullmatch(r"\d{8}", words):
            raise self.refuse(
                "is eight figures in a row, which can be read in several orders. Put strokes between day, "
                "month and year."
            )
        return None

    def _month_in_figures(self, year: int, month: int) -> str:
        if not 1 <= month <= 12:
            raise self.refuse(f"has {month} where a month should be. Months run from 1 to 12. {_OFFER}")
        return f"{year:04}-{month:02}"

    def _two(self, first: int, second: str) -> str:
        if len(second) == 4 or second[0] == "'" or int(second) > 31:
            return self._month_in_figures(self._year(second), first)
        possible = any(
            1 <= m <= 12 and 1 <= d <= _month_days(2000, m) for d, m in ((first, int(second)), (int(second), first))
        )
        if not possible:
            raise self.refuse(
                f"is not a day: no month has both, whichever comes first, and the year is missing. {_OFFER}"
            )
        raise self.refuse(
            f"may be a day without a year or a month with one. Write the year in four figures: 3/1974. {_OFFER}"
        )

    def _three(self, first: int, second: int, year: int, separator: str) -> str:
        def day_of(day: int, month: int) -> str | None:
            return (
                f"{year:04}-{month:02}-{day:02}" if 1 <= month <= 12 and 1 <= day <= _month_days(year, month) else None
            )

        day_first, month_first = day_of(first, second), day_of(second, first)
        if day_first is None and month_first is None:
            raise self.refuse(f"is not a day, whether the day comes first or the month. {_OFFER}")
        if self.day_first is not None:
            wanted, other = (day_first, month_first) if self.day_first else (month_first, day_first)
            if wanted is None:
                order, otherwise = ("day", "month") if self.day_first else ("month", "day")
                raise self.refuse(
                    f"is not a day with the {order} first; with the {otherwise} first it is "
                    f"{parse(other or '').words()}. Say which the paper means."
                )
            return wanted
        if day_first is not None and separator == "." and day_first != month_first:
            if month_first is not None:
                self.notes.append(
                    "Figures with full stops between them are read day first; say so if the paper puts the month first."
                )
            return day_first
        if day_first is None or month_first is None or day_first == month_first:
            return day_first or month_first or ""
        self.notes.append(
            f"{parse(day_first).words()} if the day comes first, {parse(month_first).words()} if the month "
            "does: both are kept."
        )
        return f"[{','.join(sorted((day_first, month_first)))}]"
