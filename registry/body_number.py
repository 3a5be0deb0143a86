"""The number on a car's body or plate, made ready for weighing.

A number that was read is a finding like others: it may be of one series or of another (two series can share a numbering, and part
by the date), it allows certain serials, and it stands on something that can itself be looked at. A serial is compared as text of
the length that its family's ordered part has, so that 41 stands before 120.
"""

from __future__ import annotations

import re
from collections import defaultdict
from collections.abc import Mapping
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

from decoder import evidence as weighing
from decoder.dates import parse
from decoder.errors import DecoderError
from decoder.evidence import Number
from registry import knowing
from registry.models import ALTERED_SURFACES

if TYPE_CHECKING:
    from decoder import Tables
    from registry.knowing import Source
    from registry.tells import SheetOnFile

#: From this rate on a tell of a series may be what the series' numbers stand on (own choice).
MAY_CARRY = 0.05


@dataclass(frozen=True)
class NumberOnFile:
    """The number of a car's body as it is weighed: the decoder's ``number``, the reading it comes from, and what to say."""

    number: Number | None = None
    reading: int | None = None
    families: tuple[str, ...] = ()
    notes: tuple[str, ...] = ()

    def as_dict(self) -> dict[str, Any] | None:
        if self.number is None:
            return None
        return {
            "reading": self.number.text,
            "ref": f"reading {self.reading}",
            "on": self.number.on or None,
            "series": {name: round(p, 6) for name, p in self.number.series.items()},
            "families": list(self.families),
        }


def number_of(db: Source, car: int, on_file: SheetOnFile) -> NumberOnFile:
    """The number on a car's body or its plate, for weighing. The body's own number goes before that of a plate.

    A number on ground, restamped or cut away metal is not weighed. A number of a series that shares its numbering with
    another (Mk I and Mk II) goes by its date to the series that was made then.
    """
    tables = knowing.house_tables(db)
    notes: list[str] = []
    found: NumberOnFile | None = None
    for thing, reading in body_numbers(db, car):
        if reading["surface"] in ALTERED_SURFACES:
            notes.append(f"The number {reading['as_typed']} stands on metal that looks altered; it is not weighed.")
            continue
        answer = _decoded(reading, thing["kind"], tables)
        if answer is None or not answer.decodings:
            notes.append(f"The number {reading['as_typed']} is of no numbering on file; it is not weighed.")
            continue
        if found is not None and found.number is not None:
            if _plain(found.number.text) != _plain(reading["as_typed"]):
                notes.append(
                    f"The body says {found.number.text} and the {thing['kind']} says {reading['as_typed']}; the first is weighed."
                )
            continue
        found = _weighable(db, reading, thing["kind"], answer, on_file)
    if found is None:
        return NumberOnFile(notes=tuple(notes))
    return NumberOnFile(found.number, found.reading, found.families, (*notes, *found.notes))


def _plain(text: str) -> str:
    return re.sub(r"[^A-Z0-9?\[\]/*~]", "", text.upper()).replace("O", "0")


def body_numbers(db: Source, car: int) -> list[tuple[dict[str, Any], dict[str, Any]]]:
    """(thing, reading) of the body and the plate that are on a car, the body's own first."""
    out = []
    for thing in sorted(knowing.things_on(db, car), key=lambda each: each["kind"] != "body"):
        if thing["kind"] in ("body", "plate") and (reading := knowing.best_reading(db, thing["id"])) is not None:
            out.append((thing, reading))
    return out


def _decoded(reading: dict[str, Any], on: str, tables: Tables) -> Any:
    from decoder import decode

    try:
        return decode(reading["as_typed"], on=on, direction=reading["direction"], tables=tables)
    except DecoderError:
        return None


def families_of(reading: dict[str, Any], on: str, tables: Tables) -> list[str]:
    answer = _decoded(reading, on, tables)
    return [each.family.id for each in answer.decodings] if answer else []


def _weighable(db: Source, reading: dict[str, Any], on: str, answer: Any, on_file: SheetOnFile) -> NumberOnFile:
    series = knowing.rows(db, "SELECT * FROM series WHERE serial_family IS NOT NULL ORDER BY id")
    chances: dict[str, float] = defaultdict(float)
    running: dict[str, dict[str, float]] = {}
    for decoding in answer.decodings:
        mine = [row for row in series if row["serial_family"] == decoding.family.id]
        every = decoding.total_candidates is not None and decoding.total_candidates <= len(decoding.candidates)
        if every:
            pieces = [
                (each.probability, min(s.earliest for s in each.segments), max(s.latest for s in each.segments), each)
                for each in decoding.candidates
                if each.segments
            ]
        else:  # too many to name: only when they were made is told apart
            pieces = [(share, each.earliest, each.latest, None) for each, share in decoding.weights]
        for share, earliest, latest, candidate in pieces:
            fits = _made_then(mine, earliest, latest)
            for row in fits:
                part = decoding.probability * share / len(fits)
                chances[row["id"]] += part
                if candidate is not None and candidate.template is not None:
                    text = candidate.template.key(candidate.number).zfill(_width(decoding.family))
                    mine_running = running.setdefault(row["id"], {})
                    mine_running[text] = mine_running.get(text, 0.0) + part
    if not chances:
        said = f"The number {reading['as_typed']} is of no series on file; it is not weighed."
        return NumberOnFile(notes=(said,))
    likeliest = max(chances, key=lambda name: chances[name])
    carrier = _carrier(on_file, on, likeliest, running.get(likeliest, {}))
    total = sum(chances.values())
    scale = 1 / total if total > 1 else 1.0
    number = Number(reading["as_typed"], {name: p * scale for name, p in chances.items()}, running, on=carrier)
    return NumberOnFile(number, reading["id"], tuple(each.family.id for each in answer.decodings))


def _made_then(series: list[dict[str, Any]], earliest: str, latest: str) -> list[dict[str, Any]]:
    """Of the series that share a numbering, those that were made when a number was given out; all where no date tells."""
    fits = []
    for row in series:
        begin, end = years_of(row)
        if (begin is None or begin <= latest) and (end is None or end >= earliest):
            fits.append(row)
    own = [row for row in fits if row["kind"] != "continuation"] or fits
    return own or [row for row in series if row["kind"] != "continuation"] or series


def years_of(series: Mapping[str, Any]) -> tuple[str | None, str | None]:
    """The first and the last day on which bodies of a series were made, as ISO days; None where it is open or not known."""
    if not series["made_edtf"]:
        return None, None
    try:
        span = parse(series["made_edtf"])
    except DecoderError:
        return None, None
    return tuple(None if day is None else day.isoformat() for day in (span.earliest, span.latest))  # type: ignore[return-value]


def _width(family: Any) -> int:
    """The length of the longest ordered part of a family's numbers: serials are compared as text of that length."""
    return max((sum(b - a for a, b in template.ordered) for template in family.templates), default=0)


def serial_text(at: str, family: str | None, tables: Tables) -> str:
    """The serial of a change, made comparable with those of ``_weighable``: "KP 0288" and "288" are 0288."""
    plain = re.sub(r"[^A-Z0-9]", "", at.upper())
    if family is None or family not in tables:
        return plain
    for template in tables[family].templates:
        if len(plain) == template.length and template.fits(plain):
            return str(template.key(plain)).zfill(_width(tables[family]))
    return plain.zfill(_width(tables[family]))


def _carrier(on_file: SheetOnFile, on: str, series: str, running: Mapping[str, float]) -> str:
    """The tell that a number of a series stands on: of those that carry numbers of that kind of thing the one that is found
    most often on such a body, at the likeliest serial; "" where no tell on the sheet carries one."""
    at = max(running, key=lambda each: running[each]) if running else None
    best, often = "", MAY_CARRY
    for code, row in on_file.rows.items():
        if row["carries"] != on:
            continue
        tell = on_file.sheet.tells[code]
        count: Any = tell.counts.get(series)
        change = next((each for each in tell.changes if each.series == series), None)
        if change is not None and at is not None:
            count = change.after if at >= change.at else change.before
        if count is not None and count[1] and weighing.rate(count) > often:
            best, often = code, weighing.rate(count)
    return best
