"""Masking a serial, and attacking the mask before anything goes out.

A published entry may show the last figures of its body serial and roughly when the body was made. Each
alone says little; together they can say everything. Of the Pantiles, series A, seven end in 07, and only
one of those was made early in 1967. So the mask is attacked first: for each entry the serials that were
ever issued and agree with everything published of it are counted. Where fewer than the policy's number
remain, the date is made coarser, and then figures are taken away.

The attacker is taken to know all the published rules (which serials were issued, in which month where a
table says so) and, where no table dates the serials, as much about a maker's output as anybody could: the
count is what the maker turned out in the published span in a slow period. With a ``curve`` given he knows
that as well.

Own method, after the common practice of counting how many records share what is published ("k-anonymity").
"""

from __future__ import annotations

import calendar
import datetime as dt
import itertools
import re
from collections.abc import Iterable, Iterator, Mapping, Sequence
from functools import lru_cache
from typing import Any, NamedTuple

#: Output in a slow period, as a part of the average: an assumption, on the careful side.
SLOW = 3

#: Where a table leaves a span open.
FIRST_DAY, LAST_DAY = "1900-01-01", "2099-12-31"

#: How exactly "made" may be told, from the finest; the last says nothing beyond the series.
MADE_LEVELS = ("month", "year", "decade", "series")

_MASKED = re.compile(r"^([A-Z]*) ?…([0-9]*)(\?*)$")

Curve = Sequence[tuple[str, int]]


class Stretch(NamedTuple):
    """Serials ``low`` to ``high`` of one block (the ordered characters before the running number), and when they were made."""

    block: str
    low: int
    high: int
    width: int
    prefix: str
    trailing: int
    copies: int
    earliest: str
    latest: str


class Found(NamedTuple):
    """One entry that gives too much away: ``left`` serials agree with what is published of it."""

    car: str
    what: str
    left: int

    def __str__(self) -> str:
        return f"{self.car}: only {self.left} {self.what} agree with what would be published of it."


@lru_cache(maxsize=128)
def issued(family: Any) -> tuple[Stretch, ...]:
    """What a family's table says was issued, with the span of each stretch that is certain (never an estimated month).

    ``family`` is a ``decoder`` family, as ``Tables`` holds it. Numbers beyond the last one known are left
    out: an attacker would not count on them either.
    """
    out = []
    for template in family.templates:
        if not template.running:
            continue
        start, end = template.running
        width = end - start
        copies = 1
        for _, _, codes in template.codes:
            copies *= len(codes)
        for cell in template.any:
            copies *= len(template.cells[cell])
        prefix, trailing = template.leading_letters, template.length - end
        for firsts, lasts, segments in template.tracks:
            for first, last, index in zip(firsts, lasts, segments, strict=True):
                segment = family.segment(index)
                if segment.density < 1:
                    continue
                earliest, latest = segment.earliest, segment.latest
                if segment.estimated:
                    rows = [family.rows[i] for i in segment.rows]
                    earliest, latest = (
                        max(row["earliest"] for row in rows),
                        min(row["latest"] for row in rows),
                    )
                out.append(
                    Stretch(
                        first[: len(first) - width],
                        int(first[-width:]),
                        int(last[-width:]),
                        width,
                        prefix,
                        trailing,
                        copies,
                        earliest or FIRST_DAY,
                        latest or LAST_DAY,
                    )
                )
    return tuple(out)


def with_curve(stretches: Iterable[Stretch], curve: Curve) -> list[Stretch]:
    """The stretches cut by a curve: (month, last serial made by its end), rising. For makers without a dated table."""
    out = []
    for stretch in stretches:
        low, since = stretch.low, stretch.earliest
        for month, last in curve:
            until = _last_day(month)
            high = min(last, stretch.high)
            if high >= low and until >= stretch.earliest:
                out.append(stretch._replace(low=low, high=high, earliest=since, latest=min(until, stretch.latest)))
                low = high + 1
            since = max(since, (dt.date.fromisoformat(until) + dt.timedelta(1)).isoformat())
        if low <= stretch.high:
            out.append(stretch._replace(low=low))
    return out


def mask(family: Any, key: str, figures: int) -> str | None:
    """``key`` (a normalised serial of the family) with its last ``figures`` running figures shown, as a reading.

    The maker's letters stay, ``…`` stands for what is not shown, however long, and ``?`` for a check
    letter. None where nothing would be shown, or where ``key`` is not of this family. Never all of the
    running figures.
    """
    template = template_of(family, key)
    if template is None or not template.running:
        return None
    start, end = template.running
    shown = min(figures, end - start - 1)
    if shown < 1:
        return None
    return f"{template.leading_letters} …{key[end - shown : end]}{'?' * (len(key) - end)}".strip()


def template_of(family: Any, key: str) -> Any:
    """The template of the family that ``key`` is written by, or None."""
    return next((template for template in family.templates if template.fits(key)), None)


def made_by_serial(family: Any, key: str) -> tuple[str, str] | None:
    """First and last day on which the body with this serial can have been made, by the table's own rows; None if not issued."""
    template = template_of(family, key)
    if template is None or not template.running:
        return None
    start, end = template.running
    width, ordered = end - start, template.key(key)
    block, number = ordered[: len(ordered) - width], int(key[start:end])
    spans = [
        (s.earliest, s.latest)
        for s in issued(family)
        if s.block == block and s.width == width and s.low <= number <= s.high
    ]
    return (min(a for a, _ in spans), max(b for _, b in spans)) if spans else None


def made_in_words(earliest: str, latest: str, level: str) -> str | None:
    """A span as it is published: "1966-05", "1966", "1960s", or None where it is wider than ``level`` can say in one word.

    >>> made_in_words("1966-05-01", "1966-05-21", "month"), made_in_words("1966-05-01", "1966-05-21", "decade")
    ('1966-05', '1960s')
    """
    for one in MADE_LEVELS[MADE_LEVELS.index(level) :]:
        width = {"month": 7, "year": 4, "decade": 3}.get(one)
        if width and earliest[:width] == latest[:width]:
            return earliest[:width] + ("0s" if one == "decade" else "")
    return None


def span_of(words: str | None) -> tuple[str, str] | None:
    """The first and last day of a published "made"; None where nothing is said."""
    if not words:
        return None
    if words.endswith("0s"):
        return f"{words[:3]}0-01-01", f"{words[:3]}9-12-31"
    if len(words) == 4:
        return f"{words}-01-01", f"{words}-12-31"
    return f"{words}-01", _last_day(words)


def count(stretches: Iterable[Stretch], body_serial: str | None, made: str | None, slow: int = SLOW) -> int:
    """How many issued serials agree with a published serial and "made". At least 1: the true one is among them."""
    shown = prefix = ""
    trailing: int | None = None
    if body_serial:
        match = _MASKED.match(body_serial)
        if not match:
            return 1  # not a mask at all: a whole number stands there
        prefix, shown, trailing = match[1], match[2], len(match[3])
    span = span_of(made)
    blocks: dict[tuple[str, int, str, int, int], list[tuple[int, int, float]]] = {}
    for s in stretches:
        if trailing is not None and (s.trailing != trailing or s.prefix != prefix):
            continue
        part = _share(s, span, slow)
        if part > 0:
            blocks.setdefault((s.block, s.width, s.prefix, s.trailing, s.copies), []).append((s.low, s.high, part))
    total = 0.0
    for (_, _, _, _, copies), pieces in blocks.items():
        total += copies * sum(part * _ending(low, high, shown) for low, high, part in _apart(pieces))
    return max(1, int(total + 1e-9))


class Series(NamedTuple):
    """What is public of a series: the family of its serials, and the first and last day on which it was made."""

    family: str
    earliest: str | None = None
    latest: str | None = None


def stretches_of(series: Series, tables: Any, curves: Mapping[str, Curve] | None = None) -> list[Stretch]:
    """The serials of one series: those of its family that were issued while it was made. Empty where no table is loaded."""
    if series.family not in tables:
        return []
    made: Iterable[Stretch] = issued(tables[series.family])
    if curves and series.family in curves:
        made = with_curve(made, curves[series.family])
    start, end = series.earliest or FIRST_DAY, series.latest or LAST_DAY
    return [s for s in made if s.latest >= start and s.earliest <= end]


def attack(
    rows: Iterable[Mapping[str, Any]],
    tables: Any,
    series: Mapping[str, Series],
    *,
    least: int = 20,
    curves: Mapping[str, Curve] | None = None,
    slow: int = SLOW,
) -> list[Found]:
    """Every published row whose body serial, or pan number, could be only one of fewer than ``least``.

    ``rows`` are rows of an edition's ``cars``, ``tables`` the number families (``decoder.Tables``),
    ``series`` what is public of each series, by its name; ``curves`` what an attacker knows besides, by
    family: (month, last serial) pairs.
    """
    found = []
    known: dict[str, list[Stretch]] = {}
    pans: dict[tuple[str, str], int] = {}
    counted: dict[tuple[Any, ...], int] = {}
    titles = {family.title: family for family in tables}
    for row in rows:
        name, serial, made = row.get("series") or "", row.get("body_serial"), row.get("body_made")
        if name in series and series[name].family in tables:
            if name not in known:
                known[name] = stretches_of(series[name], tables, curves)
            if not known[name] and not serial and not made:
                continue  # none of the family's numbers are of this series (a mould used again), and none is shown
            shown = (name, serial, made)
            if shown not in counted:
                counted[shown] = count(known[name], serial, made, slow)
            if (left := counted[shown]) < least:
                found.append(Found(row["car"], "serials", left))
        elif serial or made:
            found.append(Found(row["car"], "serials", 1))  # by rules that nobody here can count
        pan, year = row.get("pan"), row.get("pan_model_year")
        if pan in titles and year:
            place = (pan, str(year))
            if place not in pans:
                pans[place] = pans_of_year(titles[pan], str(year))
            if pans[place] < least:
                found.append(Found(row["car"], "pan numbers", pans[place]))
    return found


def pans_of_year(family: Any, year: str) -> int:
    """How many numbers of a pan family belong to a model year (more than one million counts as that)."""
    total = 0
    for template in family.templates:
        for firsts, lasts, segments in template.tracks:
            for first, last, index in zip(firsts, lasts, segments, strict=True):
                segment = family.segment(index)
                if segment.density < 1 or not any(str(y) == year for y, _ in segment.model_years):
                    continue
                width = template.running[1] - template.running[0] if template.running else 0
                total += int(last[-width:]) - int(first[-width:]) + 1 if width else 1
    return min(total, 1_000_000)


def _share(s: Stretch, span: tuple[str, str] | None, slow: int) -> float:
    """What part of a stretch can have been made in the span; less than the whole is counted as in a slow period."""
    if span is None:
        return 1.0
    start, end = max(s.earliest, span[0]), min(s.latest, span[1])
    if start > end:
        return 0.0
    if start == s.earliest and end == s.latest:
        return 1.0
    return _days(start, end) / _days(s.earliest, s.latest) / slow


def _apart(pieces: list[tuple[int, int, float]]) -> Iterator[tuple[int, int, float]]:
    """The pieces without overlaps, so that a number issued twice counts once."""
    cuts = sorted({low for low, _, _ in pieces} | {high + 1 for _, high, _ in pieces})
    for low, after in itertools.pairwise(cuts):
        over = [part for a, b, part in pieces if a <= low and after - 1 <= b]
        if over:
            yield low, after - 1, max(over)


def _ending(low: int, high: int, shown: str) -> int:
    """How many of low..high end in the figures shown."""
    if not shown:
        return high - low + 1
    step, end = 10 ** len(shown), int(shown)
    return (high - end) // step - (low - 1 - end) // step


def _days(start: str, end: str) -> int:
    return (dt.date.fromisoformat(end) - dt.date.fromisoformat(start)).days + 1


def _last_day(month: str) -> str:
    year, number = int(month[:4]), int(month[5:7])
    return f"{month}-{calendar.monthrange(year, number)[1]:02d}"
