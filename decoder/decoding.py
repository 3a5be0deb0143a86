"""Decoding: from a reading to what it can be, and when that was made.

A number belongs to a *family*, one published numbering scheme; the family's table says which run of numbers belongs to
which dates. A reading may be doubtful, so the answer is a distribution. Within a family every number issued is equally
likely beforehand; for each character the chance of reading it so is multiplied in, and the weight of a stretch of numbers is
a digit-by-digit sum, so that it costs the same however much is unreadable. Families start equal (1 each, "none of these"
``NONE_BEFOREHAND``), and each then counts by the share of what the reading can be, in its pattern, that was in fact issued. The
number of cars a maker made plays no part in that: most tables know only some of a maker's rows, and a small table would
otherwise beat a large one on every number they have in common. A certain reading is the case with one term and takes a short way: what is the same for every
number of a segment (``decoder.compiling``) is built once and shared.

The dates ``earliest`` and ``latest`` are knots of the table, hard bounds of when the thing was made. Months between knots are
estimated by even output and flagged. Nothing here says when a car was put together: a floor is older than the car on it.

Sources are the tables'. The method is Bayes' theorem over an enumerated set (the noisy-channel model of Kernighan, Church &
Gale, COLING 1990).
"""

from __future__ import annotations

import heapq
from bisect import bisect_right
from collections.abc import Iterable, Iterator, Sequence
from typing import Any, NamedTuple

from decoder import families as _families
from decoder.channel import EXCHANGED, LOOK_ALIKE, as_read
from decoder.errors import DecoderError, UnknownFamily
from decoder.reading import Cell, Reading, read

CARRIERS = ("pan", "body", "engine", "plate", "title")
SURFACES = ("untouched", "painted", "pitted", "ground", "restamped", "cut-away")
_ALTERED = ("ground", "restamped", "cut-away")

#: What "none of these" starts with, where each family tried starts with 1. Own assumption, shown with the answer.
NONE_BEFOREHAND = 0.05
#: A reading that needs more than so many characters of another shape (8 for B) is not answered: too little of it is left.
_MOST_EXCHANGED = 1
#: Up to so many completions are written out one by one; beyond, the digit-by-digit sum is cheaper (stack: one unknown figure).
_WRITE_OUT = 12
#: Candidates named in an answer, and how many combinations are tried to find them.
MOST_CANDIDATES = 50
_MOST_TRIES = 4000

#: Open ends of a segment (``decoder.compiling``).
_FIRST_DAY, _LAST_DAY = "0001-01-01", "9999-12-31"

_SHAPE = {**{ord(c): "0" for c in "0123456789"}, **{c: "A" for c in range(ord("A"), ord("Z") + 1)}}


_KINDS = {"0": "0123456789", "A": "ABCDEFGHIJKLMNOPQRSTUVWXYZ"}


class Segment:
    """A stretch of numbers for which every answer is the same. ``month`` is None where the table cannot tell one."""

    __slots__ = ("alone", "at_odds", "density", "earliest", "estimated", "latest", "model_years", "month", "rows")

    def __init__(self, raw: list[Any]) -> None:
        rows, self.earliest, self.latest, self.month, self.estimated, years, self.density, self.at_odds = raw
        self.rows: tuple[int, ...] = tuple(rows)
        self.model_years: tuple[tuple[int, float], ...] = tuple((y, p) for y, p in years)
        self.alone = ((self, 1.0),)


class Template:
    """One length of one scheme: which character may stand where, and the segments in order."""

    __slots__ = (
        "any",
        "cells",
        "checks",
        "codes",
        "family",
        "length",
        "literals",
        "ordered",
        "parts",
        "running",
        "scheme",
        "tracks",
        "weights",
    )

    def __init__(self, family: Family, raw: dict[str, Any]) -> None:
        self.family = family
        self.scheme: str = raw["scheme"]
        self.length: int = raw["length"]
        self.cells: list[str] = raw["cells"]
        self.parts: list[tuple[str, int, int]] = [(n, a, b) for n, a, b in raw["parts"]]
        self.codes: list[tuple[int, int, dict[str, Any]]] = [(a, b, c) for a, b, c in raw["codes"]]
        self.any: list[int] = raw["any"]
        self.ordered: list[tuple[int, int]] = _joined([(a, b) for a, b in raw["ordered"]])
        self.running: tuple[int, int] | None = tuple(raw["running"]) if raw["running"] else None
        self.checks = raw["checks"]
        self.tracks: list[tuple[list[str], list[str], list[int]]] = [(f, l, s) for f, l, s in raw["tracks"]]
        taken = (
            {i for a, b, _ in self.codes for i in range(a, b)}
            | set(self.any)
            | {i for a, b in self.ordered for i in range(a, b)}
        )
        self.literals = [(i, c) for i, c in enumerate(self.cells) if len(c) == 1 and i not in taken]

    def key(self, text: str) -> str:
        """The ordered part of a whole number."""
        if len(self.ordered) == 1:
            a, b = self.ordered[0]
            return text[a:b]
        return "".join([text[a:b] for a, b in self.ordered])

    def may_be(self, text: str) -> bool:
        """Whether ``text``, of this length and shape, has this template's literals, codes and check letter."""
        for a, b, codes in self.codes:
            if text[a:b] not in codes:
                return False
        for i, c in self.literals:
            if text[i] != c:
                return False
        for i in self.any:
            if text[i] not in self.cells[i]:
                return False
        return not self.checks or all(
            text[at] == letters[int("".join(text[i] for i in of)) % mod] for at, mod, letters, of in self.checks
        )

    def find(self, text: str) -> list[Segment]:
        """The segments that hold ``text``: none, one, or one for each run that issued the number."""
        if not self.may_be(text):
            return []
        key = self.key(text)
        found = []
        for first, last, segment in self.tracks:
            i = bisect_right(first, key) - 1
            if i >= 0 and key <= last[i]:
                found.append(self.family.segment(segment[i]))
        return found

    def fits(self, text: str) -> bool:
        """Whether every character of ``text`` may stand where it stands."""
        return (
            len(text) == self.length
            and all(c in cell for c, cell in zip(text, self.cells, strict=True))
            and self.may_be(text)
        )


def _joined(spans: list[tuple[int, int]]) -> list[tuple[int, int]]:
    out: list[tuple[int, int]] = []
    for a, b in spans:
        if out and out[-1][1] == a:
            out[-1] = (out[-1][0], b)
        else:
            out.append((a, b))
    return out


class Family:
    """One numbering family, as its table has it."""

    def __init__(self, raw: dict[str, Any]) -> None:
        self.raw = raw
        self.id: str = raw["family"]
        self.title: str = raw["title"]
        self.house: bool = bool(raw.get("house")) and raw.get("house") != "false"
        self.carried_by: tuple[str, ...] = tuple(raw["carried_by"])
        self.where: str = raw.get("where", "")
        self.origin: str = raw.get("origin", "")
        self.special: str = raw.get("kind", "")
        self.rows: list[dict[str, Any]] = raw.get("rows", [])
        self.turned: bool = bool(raw.get("turned")) if not self.special else False
        self.templates = [Template(self, t) for t in raw.get("templates", [])] if not self.special else []
        self._segments: list[Segment | None] = [None] * len(raw.get("segments", []))

    def segment(self, index: int) -> Segment:
        found = self._segments[index]
        if found is None:
            found = self._segments[index] = Segment(self.raw["segments"][index])
        return found

    def source(self, id_: str) -> dict[str, Any]:
        return {
            "id": id_,
            "title": self.raw["sources"][id_]["title"],
            "standing": STANDING[self.raw["sources"][id_]["standing"]],
        }


#: How a source's standing is said.
STANDING = {
    "maker": "seen in a maker's document",
    "secondary": "seen in a secondary source",
    "memory": "from memory",
    "house": "house table, invented for the demonstration",
}


class Tables:
    """The families an answer is looked for in."""

    def __init__(self, compiled: dict[str, dict[str, Any]]) -> None:
        self.compiled = {k: v for k, v in compiled.items() if v.get("kind") in (None, "vin17")}
        self._families: dict[str, Family] = {}
        self._shapes: dict[tuple[str | None, str], Any] = {}
        self._quick: dict[tuple[str | None, str], Any] = {}
        self._tried: dict[str | None, int] = {}

    def __iter__(self) -> Iterator[Family]:
        return (self[id_] for id_ in self.compiled)

    def __contains__(self, id_: object) -> bool:
        return id_ in self.compiled

    def __getitem__(self, id_: str) -> Family:
        found = self._families.get(id_)
        if found is None:
            if id_ not in self.compiled:
                _families.named(self.compiled, [id_])
            found = self._families[id_] = Family(self.compiled[id_])
        return found

    def carried_by(self, on: str | None, wanted: Iterable[str] | None = None) -> list[Family]:
        """The families tried for a number on ``on``; without it all but the engines', whose numbers look like pans'."""
        if wanted is not None:
            return [self[id_] for id_ in wanted]
        return [f for f in self if (on in f.carried_by if on else f.carried_by != ("engine",))]

    def certain(self, text: str, on: str | None) -> list[tuple[Template, list[Segment]]] | None:
        """The hits of a certain, plainly written number; None where the long way has to be taken."""
        shape = text.translate(_SHAPE)
        entry = self._shapes.get((on, shape))
        if entry is None:
            entry = self._shape(on, shape)
        templates, slow = entry
        if templates is None:
            return None
        for i, chars in slow:
            if text[i] in chars:
                return None
        hits = []
        for template in templates:
            segments = template.find(text)
            if segments:
                hits.append((template, segments))
        return hits or None

    def _shape(self, on: str | None, shape: str) -> tuple[Any, Any]:
        """Templates that a text of this shape can fit, and the places where a look-alike would open another family."""
        if shape.strip("0A"):
            return (None, ())
        templates: list[Template] = []
        slow: list[tuple[int, str]] = []
        entry: tuple[Any, Any]
        for family in self.carried_by(on):
            if family.special and len(shape) == 17:
                return (None, ())
            for template in family.templates:
                if template.length != len(shape):
                    continue
                if family.turned:
                    return (None, ())
                wrong = [
                    i
                    for i, s in enumerate(shape)
                    if not any((c in "0123456789") == (s == "0") for c in template.cells[i])
                ]
                if not wrong:
                    templates.append(template)
                    continue
                if set(wrong) & set(template.any):
                    continue
                allowed = 0 if template.any else _MOST_EXCHANGED
                readings = [[(c, as_read(c, template.cells[i])) for c in _KINDS[shape[i]]] for i in wrong]
                exchanged = [all(max(w for _, w in r) <= EXCHANGED for _, r in options if r) for options in readings]
                if all(any(r for _, r in options) for options in readings) and sum(exchanged) <= allowed:
                    slow.append((wrong[0], "".join(c for c, r in readings[0] if r)))
        entry = (tuple(templates) or None, tuple(slow))
        if len(self._shapes) < 2048:
            self._shapes[on, shape] = entry
            if len(templates) == 1 and not slow:
                self._quicken(on, shape, templates[0])
        return entry

    def _quicken(self, on: str | None, shape: str, template: Template) -> None:
        """Lay ready what ``decode`` needs where one template, with one run and nothing open in it, is all there is."""
        plain = (
            not (template.any or template.checks or template.literals)
            and len(template.codes) <= 1
            and len(template.ordered) == 1
        )
        segments = [template.family.segment(i) for i in template.tracks[0][2]]
        if not plain or len(template.tracks) != 1 or any(s.density != 1.0 for s in segments):
            return
        a, b, codes = template.codes[0] if template.codes else (0, 0, {"": None})
        first, last, _ = template.tracks[0]
        total = 1.0 + NONE_BEFOREHAND
        self._quick[on, shape] = (
            a, b, codes, *template.ordered[0], first, last, segments, template, 1.0 / total, NONE_BEFOREHAND / total, len(self.carried_by(on)),
        )  # fmt: skip


_packaged: Tables | None = None


def load_tables(*, folder: Any = None, extra: Iterable[dict[str, Any]] = ()) -> Tables:
    """The families: packaged ones, then a user's ``folder``, then ``extra`` compiled ones (a registry's). The last of an id wins."""
    global _packaged
    extra = list(extra)
    if folder is None and not extra:
        if _packaged is None:
            _packaged = Tables(_families.load_packaged())
        return _packaged
    compiled = dict(_families.load_packaged() if _packaged is None else _packaged.compiled)
    if folder is not None:
        compiled |= _families.load_user_folder(folder)
        compiled = _families.with_confirmations(compiled, _families.read_confirmations(folder))
    for one in extra:
        compiled[one["family"]] = one
    return Tables(compiled)


# --- the answer ------------------------------------------------------------------------------------------------------


class Candidate(NamedTuple):
    number: str
    probability: float
    template: Template | None = None
    segments: tuple[Segment, ...] = ()


class Decoding:
    """What one family says of a reading. ``weights``: (segment, share), the shares adding up to 1."""

    # What most answers have alike stands on the class: the short way for a certain number sets four things and no more.
    _candidates: Sequence[Candidate] | None = None
    total_candidates: float = 1
    notes: Sequence[str] = ()
    facts_extra: Sequence[str] = ()

    def __init__(
        self,
        family: Family,
        probability: float,
        weights: Sequence[tuple[Segment, float]],
        one: tuple[str, Template] | None = None,
    ) -> None:
        self.family, self.probability, self.weights, self._one = family, probability, weights, one

    @property
    def candidates(self) -> Sequence[Candidate]:
        """The numbers it can be, likeliest first, at most MOST_CANDIDATES; ``total_candidates`` counts all."""
        if self._candidates is None:
            assert self._one is not None
            self._candidates = (Candidate(self._one[0], 1.0, self._one[1], tuple(s for s, _ in self.weights)),)
        return self._candidates

    @property
    def number(self) -> str | None:
        """The number, where only one is possible."""
        return self.candidates[0].number if self.total_candidates == 1 and self.candidates else None

    @property
    def earliest(self) -> str | None:
        """The first day on which any number this can be was made (ISO); a knot of the table."""
        day = min((s.earliest for s, w in self.weights if w > 0), default=_FIRST_DAY)
        return None if day == _FIRST_DAY else day

    @property
    def latest(self) -> str | None:
        """The last day on which any number this can be was made (ISO); None where the table leaves it open."""
        day = max((s.latest for s, w in self.weights if w > 0), default=_LAST_DAY)
        return None if day == _LAST_DAY else day

    @property
    def months(self) -> list[tuple[str, float]]:
        """(YYYY-MM, probability) in order; adds up to less than 1 where the table can tell no month for some numbers."""
        out: dict[str, float] = {}
        for segment, weight in self.weights:
            if segment.month and weight > 0:
                out[segment.month] = out.get(segment.month, 0.0) + weight
        return sorted(out.items())

    @property
    def months_estimated(self) -> bool:
        return any(s.estimated for s, w in self.weights if w > 0)

    @property
    def likeliest_month(self) -> str | None:
        months = self.months
        if not months or sum(p for _, p in months) <= 0.5:
            return None
        return max(months, key=lambda m: (m[1], m[0]))[0]

    @property
    def span90(self) -> list[str]:
        """The smallest set of months that holds at least 90 %; empty where the table cannot tell months."""
        months = sorted(self.months, key=lambda m: (-m[1], m[0]))
        if sum(p for _, p in months) < 0.9 - 1e-9:
            return []
        out, held = [], 0.0
        for month, p in months:
            out.append(month)
            held += p
            if held >= 0.9 - 1e-12:
                break
        return sorted(out)

    @property
    def model_years(self) -> list[tuple[int, float]]:
        out: dict[int, float] = {}
        for segment, weight in self.weights:
            for year, share in segment.model_years:
                if weight > 0:
                    out[year] = out.get(year, 0.0) + weight * share
        return sorted(out.items())

    @property
    def rows(self) -> list[dict[str, Any]]:
        """The rows of the table behind the answer, most weight first."""
        out: dict[int, float] = {}
        for segment, weight in self.weights:
            for row in segment.rows:
                if weight > 0:
                    out[row] = out.get(row, 0.0) + weight
        return [self.family.rows[i] for i, _ in sorted(out.items(), key=lambda kv: (-kv[1], kv[0]))]

    @property
    def parts(self) -> list[tuple[str, str, str]]:
        """(name, characters, meaning) of the number, where it is one number."""
        if self.number is None or self.candidates[0].template is None:
            return []
        template, text = self.candidates[0].template, self.number
        means = {(a, b): codes.get(text[a:b], ["", "", ""])[0] for a, b, codes in template.codes}
        return [(name, text[a:b], means.get((a, b), "")) for name, a, b in template.parts]

    @property
    def written(self) -> str | None:
        """The number as it is written in the trade, with its spaces."""
        return as_written(self.candidates[0]) if self.number is not None else None

    @property
    def provisional(self) -> list[dict[str, Any]]:
        """The rows behind the answer of which a limit or a date is from memory or read off a pattern."""
        return [r for r in self.rows if r["memory"] or r["structure"]]

    @property
    def facts(self) -> list[str]:
        from decoder.words import facts

        return facts(self)

    @property
    def warnings(self) -> list[str]:
        from decoder.words import warnings

        return warnings(self)

    @property
    def source_ids(self) -> list[str]:
        out: dict[str, None] = {}
        for row in self.rows:
            for text in [row["source"], *(d["source"] for d in row["disputed"])]:
                for part in text.split(";"):
                    out[part.split("[")[0].strip()] = None
        return [i for i in out if i in self.family.raw["sources"]]

    def as_dict(self) -> dict[str, Any]:
        return {
            "family": self.family.id,
            "title": self.family.title,
            "house_table": self.family.house,
            "table": self.family.origin,
            "number": self.number,
            "written": self.written,
            "probability": self.probability,
            "candidates": [{"number": c.number, "probability": c.probability} for c in self.candidates],
            "candidates_in_all": self.total_candidates,
            "parts": [{"name": n, "characters": t, "meaning": m} for n, t, m in self.parts],
            "model_years": [{"year": y, "probability": p} for y, p in self.model_years],
            "built": {
                "edtf": edtf_of(self.earliest, self.latest),
                "earliest": self.earliest,
                "latest": self.latest,
                "likeliest_month": self.likeliest_month,
                "months": [{"month": m, "probability": p} for m, p in self.months],
                "months_estimated": self.months_estimated,
                "span90": self.span90,
            },
            "facts": self.facts,
            "provisional": bool(self.provisional),
            "warnings": self.warnings,
            "sources": [self.family.source(i) for i in self.source_ids],
        }


class Answer:
    """What a reading can be, over all families tried. ``status``: 0 an answer (a stop is one), 1 none."""

    surface: str | None = None
    look_again: Sequence[dict[str, Any]] = ()
    problems: Sequence[str] = ()
    _stops: Sequence[dict[str, str]] = ()

    def __init__(
        self, reading: str | Reading, decodings: Sequence[Decoding], none_of_these: float | None, families_tried: int = 0,
        on: str | None = None, says: int | None = None,
    ) -> None:  # fmt: skip
        self.reading, self.decodings, self.none_of_these = reading, decodings, none_of_these
        self.families_tried, self.on, self.says_year = families_tried, on, says

    def having(self, **more: Any) -> Answer:
        """Set what only some answers have: surface, look_again, stops, problems."""
        for name, value in more.items():
            setattr(self, name, value)
        return self

    @property
    def stops(self) -> list[dict[str, str]]:
        """What forbids going on unremarked; whoever knows of one (a registry: a theft report) adds it."""
        if not isinstance(self._stops, list):
            self._stops = list(self._stops)
        return self._stops

    @stops.setter
    def stops(self, value: list[dict[str, str]]) -> None:
        self._stops = list(value)

    @property
    def status(self) -> int:
        return 0 if self.decodings or self.stops else 1

    @property
    def typed(self) -> str:
        return self.reading if isinstance(self.reading, str) else self.reading.typed

    @property
    def as_read(self) -> Reading:
        return read(self.reading) if isinstance(self.reading, str) else self.reading

    @property
    def says(self) -> dict[str, Any] | None:
        """How the year the car is said to have been put together goes with the floor."""
        if self.says_year is None:
            return None
        from decoder.words import said_year

        return said_year(self)

    def as_dict(self) -> dict[str, Any]:
        """The JSON document of ``tubmark decode --json`` (DEVELOPERS.md, "Contracts")."""
        return {
            "reading": self.typed,
            "on": self.on,
            "surface": self.surface,
            "decodings": [d.as_dict() for d in self.decodings],
            "none_of_these": self.none_of_these,
            "beforehand": {"families_tried": self.families_tried, "each_family": 1.0, "none_of_these": NONE_BEFOREHAND},
            "look_again": list(self.look_again),
            "says": self.says,
            "stops": self.stops,
            "problems": list(self.problems),
        }


def as_written(candidate: Candidate) -> str:
    """A candidate with the spaces of its scheme's ``print``."""
    template = candidate.template
    if template is None:
        return candidate.number
    form = next(s["print"] for s in template.family.raw["schemes"] if s["id"] == template.scheme)
    for name, a, b in template.parts:
        form = form.replace("{" + name + "}", candidate.number[a:b])
    return str(form)


def edtf_of(earliest: str | None, latest: str | None) -> str | None:
    """The shortest EDTF text for a span of whole days: ``1967-08/1968-07``, ``1966-05``, ``1966``, ``1965-08-01/..``."""
    if earliest is None or latest is None:
        return None if earliest == latest else f"{earliest}/.." if earliest else f"../{latest}"
    if earliest[:7] == latest[:7] and earliest[8:] == "01" and latest[8:] == _last_day(latest):
        return earliest[:7]
    if earliest[:4] == latest[:4] and earliest[5:] == "01-01" and latest[5:] == "12-31":
        return earliest[:4]
    if earliest[8:] == "01" and latest[8:] == _last_day(latest):
        return f"{earliest[:7]}/{latest[:7]}"
    return earliest if earliest == latest else f"{earliest}/{latest}"


def _last_day(iso: str) -> str:
    year, month = int(iso[:4]), int(iso[5:7])
    return (
        "31"
        if month in (1, 3, 5, 7, 8, 10, 12)
        else "30"
        if month != 2
        else "29"
        if year % 4 == 0 and (year % 100 or not year % 400)
        else "28"
    )


# --- decode ----------------------------------------------------------------------------------------------------------


def decode(
    text: str, on: str | None = None, *, surface: str | None = None, families: Iterable[str] | None = None,
    tables: Tables | None = None, says: int | None = None, direction: str | None = None,
    seen: Iterable[str] = (), not_seen: Iterable[str] = (),
) -> Answer:  # fmt: skip
    """What the number read as ``text`` can be and when the thing it is stamped on was made.

    ``on``: pan, body, engine, plate or title; ``surface``: the state of the metal (one of SURFACES); ``families``: ids to
    limit the search to; ``says``: the year the car is said to have been put together; ``direction``: "upright" or "turned"
    for figures that can be read from either side; ``seen`` and ``not_seen``: ids of dated features of the thing itself (a
    table's ``features``) that were looked for and found, or not found.

    Raises MalformedReading for a text that is no reading, UnknownFamily, and DecoderError for another option that is wrong;
    each message says what to do. A number that fits nothing is an answer (``status`` 1), never an error.
    """
    tables = tables or _packaged or load_tables()
    if (
        surface is None
        and families is None
        and direction is None
        and not seen
        and not not_seen
        and text.__class__ is str
    ):
        compact = text.replace(" ", "")
        quick = tables._quick.get((on, compact.translate(_SHAPE)))
        if quick is not None:  # one family, one run: the usual question
            a, b, codes, c, d, first, last, segments, template, probability, none, tried = quick
            if compact[a:b] in codes:
                key = compact[c:d]
                i = bisect_right(first, key) - 1
                if i >= 0 and key <= last[i]:
                    segment = segments[i]
                    return Answer(
                        text,
                        (Decoding(template.family, probability, segment.alone, (compact, template)),),
                        none,
                        tried,
                        on,
                        says,
                    )
        hits = tables.certain(compact, on)
        if hits is not None:
            return _certain(text, hits, tables, on, says)
    if on is not None and on not in CARRIERS:
        raise DecoderError(f"A number is stamped on one of {', '.join(CARRIERS)}, not on '{on}'.")
    if surface is not None and surface not in SURFACES:
        raise DecoderError(f"The surface is one of {', '.join(SURFACES)}, not '{surface}'.")
    if direction not in (None, "upright", "turned"):
        raise DecoderError(f"The direction is upright or turned, not '{direction}'.")
    if families is not None:
        families = list(families)
        for one in families:
            if one not in tables:
                raise UnknownFamily(f"There is no family '{one}'. 'tubmark families' lists them.")
    return _doubtful(read(text), tables, on, surface, families, says, direction, list(seen), list(not_seen))


def _certain(
    text: str, hits: list[tuple[Template, list[Segment]]], tables: Tables, on: str | None, says: int | None
) -> Answer:
    compact = text.replace(" ", "")
    tried = tables._tried.get(on)
    if tried is None:
        tried = tables._tried[on] = len(tables.carried_by(on))
    if len(hits) == 1 and len(hits[0][1]) == 1:
        template, (segment,) = hits[0]
        weight = segment.density
        total = weight + NONE_BEFOREHAND
        decoding = Decoding(template.family, weight / total, segment.alone, (compact, template))
        return Answer(text, (decoding,), NONE_BEFOREHAND / total, tried, on, says)
    found: dict[str, _Found] = {}
    for template, segments in hits:
        f = found.setdefault(template.family.id, _Found(template.family))
        f.space = 1.0
        for segment in segments:
            f.add(segment, segment.density)
        f.candidates.append((compact, sum(s.density for s in segments), template, tuple(segments)))
    return _answer(text, list(found.values()), tried, on, None, says, [])


class _Found:
    """What one family gathers of a reading."""

    def __init__(self, family: Family) -> None:
        self.family = family
        self.segments: dict[int, tuple[Segment, float]] = {}
        self.candidates: list[tuple[str, float, Template | None, tuple[Segment, ...]]] = []
        self.count: float = 0
        self.notes: list[str] = []
        self.facts: list[str] = []
        self.problems: list[str] = []
        #: How much the reading could be in this family's patterns, issued or not: what ``total`` is a share of.
        self.space: float = 0.0
        #: Whether a letter had to be taken for a figure of another shape.
        self.letters_exchanged = False

    def add(self, segment: Segment, weight: float) -> None:
        old = self.segments.get(id(segment))
        self.segments[id(segment)] = (segment, weight + (old[1] if old else 0.0))

    @property
    def total(self) -> float:
        return sum(w for _, w in self.segments.values())

    @property
    def evidence(self) -> float:
        """The share of what the reading can be, in this family's pattern, that was issued."""
        return min(self.total / self.space, 1.0) if self.space else 0.0


def _answer(
    typed: str | Reading, found: list[_Found], tried: int, on: str | None, surface: str | None, says: int | None,
    problems: list[str], look_again: Sequence[dict[str, Any]] = (),
) -> Answer:  # fmt: skip
    total = sum(f.evidence for f in found) + NONE_BEFOREHAND
    decodings = []
    for f in sorted(found, key=lambda f: (-f.evidence, f.family.id)):
        weight = f.total
        candidates = sorted(f.candidates, key=lambda c: (-c[1], c[0]))
        shares = [
            (s, w / weight)
            for s, w in sorted(f.segments.values(), key=lambda sw: (sw[0].earliest, sw[0].month or "", sw[0].latest))
        ]
        decoding = Decoding(f.family, f.evidence / total, shares)
        decoding._candidates = [Candidate(number, w / weight, t, s) for number, w, t, s in candidates[:MOST_CANDIDATES]]
        decoding.total_candidates = f.count or len(candidates)
        decoding.notes, decoding.facts_extra = f.notes, f.facts
        decodings.append(decoding)
        problems += [p for p in f.problems if p not in problems]
    answer = Answer(typed, decodings, NONE_BEFOREHAND / total, tried, on, says)
    look = sorted([*look_again, *_feature_questions(found)], key=lambda o: (-o["settles_bits"], o.get("place", 0)))
    return answer.having(surface=surface, problems=problems, look_again=look)


def _doubtful(
    reading: Reading,
    tables: Tables,
    on: str | None,
    surface: str | None,
    families: list[str] | None,
    says: int | None,
    direction: str | None,
    seen: list[str],
    not_seen: list[str],
) -> Answer:
    if surface in _ALTERED:
        stopped = Answer(reading, (), None, 0, on, says)
        return stopped.having(surface=surface, stops=[altered_stop(surface)], problems=list(reading.notes))
    tried = tables.carried_by(on, families)
    problems = list(reading.notes)
    variants = list(_variants(reading))
    _known_features(tables, tried, [*seen, *not_seen])
    found, variants = _over_families(tried, variants, direction)
    if found:
        problems += _with_features(found, seen, not_seen)
        look = _look_again(found, variants, direction) if not reading.is_certain else ()
        return _answer(reading, found, len(tried), on, surface, says, problems, look)
    problems += _engine_instead(variants, tables, on, families, direction) or _nearest(
        reading, variants, tried, tables, on
    )
    return Answer(reading, (), 1.0, len(tried), on, says).having(surface=surface, problems=problems)


def _engine_instead(
    variants: list[_Variant], tables: Tables, on: str | None, families: list[str] | None, direction: str | None
) -> list[str]:
    """The sentence for an engine number that was given as a pan's. A bare run of figures is no engine number for certain."""
    if on not in (None, "pan") or families is not None or all(c.chars.isdigit() for c in variants[0].cells if c.chars):
        return []
    for family in tables:
        if "engine" in family.carried_by and _of_family(family, variants, direction):
            pan = next((f for f in tables if "pan" in f.carried_by and f.house == family.house and not f.special), None)
            where = f" is {pan.where}" if pan else " is on the pan itself"
            return [
                f"That is an engine number ({family.title}). An engine is changed in an afternoon and dates nothing but itself; "
                f"the pan's number{where}."
            ]
    return []


def _over_families(
    tried: list[Family], variants: list[_Variant], direction: str | None
) -> tuple[list[_Found], list[_Variant]]:
    """What the families gather, and the variants that were used.

    The text as it stands comes first. A dash taken for a character, or an edge star for a stretch, counts where the text as it
    stands fits no family, or fits one that has a number of the longer kind as well: then both are answered.
    """
    plain = [v for v in variants if not v.guess]
    guesses = [v for v in variants if v.guess]
    found = [f for f in (_of_family(family, plain, direction) for family in tried) if f]
    if any(not f.letters_exchanged for f in found):
        # Who typed an S in a number that fits as typed saw an S; only a figure may still be a letter in disguise.
        found = [f for f in found if not f.letters_exchanged]
    if not guesses:
        return found, variants
    if not found:
        open_to = [family for family in tried if not _divides(family, plain[0])]
        return [f for f in (_of_family(family, guesses, direction) for family in open_to) if f], guesses
    both = []
    for one in found:
        stripped = any("not part of the number" in fact for fact in one.facts)
        more = None if stripped or _divides(one.family, plain[0]) else _of_family(one.family, guesses, direction)
        if more is None:
            both.append(one)
            continue
        together = _of_family(one.family, variants, direction)
        assert together is not None
        together.problems.append(
            "The mark may or may not stand for a character; both readings fit and both are answered. Look at the metal."
        )
        both.append(together)
    return both, variants


def _divides(family: Family, plain: _Variant) -> bool:
    """Whether every dash stands where one part of a number of this family ends and the next begins: there it hides nothing."""
    dashes = set(plain.separators)
    return bool(dashes) and any(
        t.length == len(plain.cells) and dashes <= {b for _, _, b in t.parts[:-1]} for t in family.templates
    )


def altered_stop(surface: str) -> dict[str, str]:
    """The stop for a surface that has been ground, restamped or cut away."""
    how = {"ground": "has been ground", "restamped": "looks restamped", "cut-away": "has been cut away"}[surface]
    return {
        "kind": "number looks altered",
        "says": f"The surface around the number {how}. The reading is kept, but nothing is dated from it.",
        "ask": "Do not clean, polish, etch or grind it, do not buy on it, and accuse nobody: there are honest repairs. Photograph it as it "
        "is, with light from the side, and ask the vehicle office or the police how it can be examined. Laboratories can often bring "
        "a ground number back. Altering an identification number is an offence in most places.",
    }


class _Variant(NamedTuple):
    cells: tuple[Cell, ...]
    note: str
    guess: bool = False
    separators: tuple[int, ...] = ()


def _variants(reading: Reading) -> Iterator[_Variant]:
    """The ways the typed text can be laid out in cells: as it stands first, then dashes and edge stars as characters."""
    end = ""
    if any(reading.end_marks):
        end = "The star or lozenge at the edge is the stamping's end mark, not part of the number."
    yield _Variant(reading.cells, end, separators=reading.separators)
    for n in sorted(set(reading.separators)):
        cells = (*reading.cells[:n], Cell(""), *reading.cells[n:])
        yield _Variant(
            cells, "The dash or dot may stand in place of a character: look whether there is one under it.", True
        )
    if any(reading.end_marks):
        stretch = Cell("", stretch=True)
        cells = (
            *([stretch] if reading.end_marks[0] else []),
            *reading.cells,
            *([stretch] if reading.end_marks[1] else []),
        )
        yield _Variant(
            cells,
            "The star at the edge was taken for characters that cannot be read, since the rest is too short.",
            True,
        )


def _of_family(family: Family, variants: Iterable[_Variant], direction: str | None) -> _Found | None:
    """What a family gathers from the variants of a reading, all of them together."""
    if family.special == "vin17":
        from decoder.vin import weigh_vin

        return weigh_vin(family, next(iter(variants)).cells)
    found = _Found(family)
    for variant in variants:
        before = found.total
        for cells, note in _spellings(family, variant):
            _weigh(found, cells, note, direction)
            if found.total > before:
                break
        if found.total > before and variant.note:
            (found.problems if variant.guess else found.facts).append(variant.note)
    return found if found.segments else None


def _spellings(family: Family, variant: _Variant) -> Iterator[tuple[tuple[Cell, ...], str]]:
    """The cells as typed, without a prefix that is no part of the number, and as people abbreviate them."""
    cells = variant.cells
    yield cells, ""
    text = "".join(c.chars if len(c.chars) == 1 else "?" for c in cells)
    for scheme in family.raw["schemes"]:
        for prefix, shown in zip(scheme["strip"], scheme["strip_as_written"], strict=True):
            divided = not variant.separators or len(prefix) in variant.separators
            if text.startswith(prefix) and len(text) > len(prefix) and divided:
                rest = cells[len(prefix) :]
                while len(rest) > 1 and rest[0].chars == "0":
                    rest = rest[1:]
                yield rest, f"The leading '{shown}' is not part of the number."
    unpadded = [t.length for t in family.templates if t.running and t.running == (0, t.length)]
    if text.startswith("0") and len(unpadded) > 1 and len(text) <= max(unpadded):
        zeros = len(text) - len(text.lstrip("0"))
        yield cells[min(zeros, len(cells) - 1) :], "Leading zeros were left out; this numbering has none."
    for template in family.templates:
        letters = _leading_letters(template)
        if not letters or template.running is None:
            continue
        n = len(letters)
        body = cells
        note = ""
        if text[:1].isdigit() and text.endswith(letters):
            body, note = (
                (*cells[-n:], *cells[:-n]),
                f"'{letters}' was written behind the figures; it stands before them.",
            )
            if len(body) == template.length:
                yield body, note
        missing = template.length - len(body)
        start = template.running[0]
        if template.length != min(t.length for t in family.templates if t.scheme == template.scheme):
            continue  # only a number of fixed width has leading zeros to leave out
        if 0 < missing < template.running[1] - start and len(body) > start and not any(c.stretch for c in body):
            head = "".join(c.chars for c in body[:start])
            if head == letters[:start] or as_read_all(head, template.cells[:start]):
                filled = (*body[:start], *([Cell("0")] * missing), *body[start:])
                yield filled, note or "Leading zeros that were left out have been put in."


def as_read_all(text: str, cells: list[str]) -> bool:
    return len(text) == len(cells) and all(as_read(c, cell) for c, cell in zip(text, cells, strict=True))


def _leading_letters(template: Template) -> str:
    out = ""
    for cell in template.cells:
        if len(cell) != 1 or not cell.isalpha():
            break
        out += cell
    return out


_TURNED = str.maketrans("01689", "01986")


def _weigh(found: _Found, cells: tuple[Cell, ...], note: str, direction: str | None) -> None:
    family = found.family
    before = found.total
    sides = [(cells, "upright")]
    if family.turned:
        flipped = _flip(cells)
        sides = [
            (side, name)
            for side, name in ((cells, "upright"), (flipped, "turned"))
            if side is not None and direction in (None, name)
        ]
        if flipped is not None and flipped == cells:
            sides = sides[:1]
            found.facts.append("It reads the same from either side.")
    weighed = []
    for side, name in sides:
        for exactly in (True, False):  # a reading that fits as it was typed is not read with look-alikes as well
            space: dict[int, float] = {}
            start = found.total
            for template in family.templates:
                for laid in _laid_out(side, template.length):
                    covered = _weigh_template(found, template, laid, exactly)
                    space[template.length] = max(space.get(template.length, 0.0), covered)
            if found.total > start:
                found.space += sum(space.values())
                weighed.append(name)
                break
    if family.turned and len(weighed) > 1:
        found.problems.append(
            "The figures can be read from either side and both fit. Say from which side you looked: standing where the figures are upright "
            "to the body (--direction upright) or not (--direction turned)."
        )
    elif weighed == ["turned"] and direction is None:
        found.problems.append("As typed it is no number of this family; read from the other side it is.")
    if found.total > before and note and note not in found.facts:
        found.facts.append(note)


def _flip(cells: tuple[Cell, ...]) -> tuple[Cell, ...] | None:
    out = []
    for cell in reversed(cells):
        chars = "".join(sorted(c.translate(_TURNED) for c in cell.chars if c in "01689"))
        if cell.chars and not chars:
            return None
        out.append(cell._replace(chars=chars))
    return tuple(out)


def _laid_out(cells: tuple[Cell, ...], length: int) -> Iterator[tuple[Cell, ...]]:
    """The cells at ``length``: a stretch takes whatever is missing; two stretches share it in every way."""
    stretches = [i for i, c in enumerate(cells) if c.stretch]
    missing = length - (len(cells) - len(stretches))
    if not stretches:
        if missing == 0:
            yield cells
        return
    if missing < len(stretches):
        return
    i = stretches[0]
    rest_stretches = len(stretches) - 1
    for n in range(1, missing - rest_stretches + 1) if rest_stretches else [missing]:
        yield from _laid_out((*cells[:i], *([Cell("")] * n), *cells[i + 1 :]), length)


def _alternatives(cell: Cell, alphabet: str, exactly: bool = False) -> tuple[tuple[str, float], ...]:
    """What may stand at a place of which ``cell`` was read: the characters of ``alphabet`` with their weights."""
    if not cell.chars:
        return tuple((c, 1.0) for c in alphabet)
    direct = tuple((c, 1.0) for c in cell.chars if c in alphabet)
    if direct or exactly:
        return direct
    return tuple(a for c in cell.chars for a in as_read(c, alphabet))


def _weigh_template(found: _Found, template: Template, cells: tuple[Cell, ...], exactly: bool) -> float:
    """Add what the cells weigh in this template; returns how many numbers its pattern allows them to be, issued or not."""
    options = [
        _alternatives(
            cell, alphabet, exactly or i in template.any
        )  # where anything may stand, nothing hints at an exchange
        for i, (cell, alphabet) in enumerate(zip(cells, template.cells, strict=True))
    ]
    exchanged = sum(1 for o in options if o and max(w for _, w in o) <= EXCHANGED)
    if not all(options) or exchanged > (0 if template.any else _MOST_EXCHANGED):
        return 0.0  # a pattern with free characters is so wide that an exchange on top would fit anything
    size = 1
    for option in options:
        size *= len(option)
    before = found.total
    if size <= _WRITE_OUT:
        for text, weight in _products(options):
            segments = template.find(text)
            for segment in segments:
                found.add(segment, weight * segment.density)
            if segments:
                found.candidates.append((text, weight * sum(s.density for s in segments), template, tuple(segments)))
                found.count += 1
    else:
        sums = _Sums(template, options)
        for first, last, indices in template.tracks:
            for a, b, i in zip(first, last, indices, strict=True):
                segment = found.family.segment(i)
                weight = sums.between(a, b)
                if weight > 0:
                    found.add(segment, weight * segment.density)
        if found.total > before:
            found.count += sums.count(template)
            found.candidates += _likeliest(template, options, MOST_CANDIDATES)
    if found.total > before:
        changed = [
            (c.chars, o[0][0])
            for c, o in zip(cells, options, strict=True)
            if len(c.chars) == 1 and c.chars not in [x for x, _ in o]
        ]
        found.letters_exchanged |= any(t.isalpha() and LOOK_ALIKE.get(t) == u for t, u in changed)
        for typed, taken in dict.fromkeys(changed):
            kind = "letter" if typed.isalpha() else "figure"
            stands = "figures" if taken.isdigit() else "a letter"
            found.problems.append(
                f"The {kind} {typed} was read as {taken}: only {stands} can stand there in this family. Type [{typed}{taken}] if it is not clear."
                if kind == "letter" or taken.isalpha()
                else f"{typed} was read as {taken}."
            )
    space = float(size)
    for at, _, _, _ in template.checks:
        space /= len(options[at])
    return space


def _products(options: list[tuple[tuple[str, float], ...]]) -> Iterator[tuple[str, float]]:
    def go(i: int, text: str, weight: float) -> Iterator[tuple[str, float]]:
        if i == len(options):
            yield text, weight
            return
        for c, w in options[i]:
            yield from go(i + 1, text + c, weight * w)

    return go(0, "", 1.0)


def _likeliest(
    template: Template, options: list[tuple[tuple[str, float], ...]], most: int
) -> list[tuple[str, float, Template, tuple[Segment, ...]]]:
    """The issued numbers of most weight, best first, by a heap over the options of each place; bounded in tries."""
    ranked = [sorted(o, key=lambda a: -a[1]) for o in options]
    start = (0,) * len(options)
    heap = [(-_weight(ranked, start), start)]
    seen = {start}
    out: list[tuple[str, float, Template, tuple[Segment, ...]]] = []
    for _ in range(_MOST_TRIES):
        if not heap or len(out) >= most:
            break
        weight, at = heapq.heappop(heap)
        text = "".join(ranked[i][k][0] for i, k in enumerate(at))
        segments = template.find(text)
        if segments:
            out.append((text, -weight * sum(s.density for s in segments), template, tuple(segments)))
        for i, k in enumerate(at):
            if k + 1 < len(ranked[i]):
                following = (*at[:i], k + 1, *at[i + 1 :])
                if following not in seen:
                    seen.add(following)
                    heapq.heappush(heap, (-_weight(ranked, following), following))
    return out


def _weight(ranked: list[list[tuple[str, float]]], at: tuple[int, ...]) -> float:
    value = 1.0
    for i, k in enumerate(at):
        value *= ranked[i][k][1]
    return value


class _Sums:
    """The weight of all numbers of a template between two of them, by sums over the characters in turn.

    For a number x the weight of all numbers below it is the sum over the places i of: the weight of x's own characters
    before i, times the weight of the lower characters at i, times the weight of anything after. Where a check letter hangs on
    the running number the sums are kept apart by remainder, so that the letter's own weight can be put in at the end.
    """

    def __init__(self, template: Template, options: list[tuple[tuple[str, float], ...]]) -> None:
        self.places = [i for a, b in template.ordered for i in range(a, b)]
        self.options = [dict(options[i]) for i in self.places]
        self.free = 1.0
        for a, b, codes in template.codes:
            part = 0.0
            for code in codes:
                weight = 1.0
                for i, c in zip(range(a, b), code, strict=True):
                    weight *= dict(options[i]).get(c, 0.0)
                part += weight
            self.free *= part
        for i in template.any:
            self.free *= sum(w for _, w in options[i])
        for i, _ in template.literals:
            self.free *= options[i][0][1]
        self.mod, self.ends, self.place_value = 1, [1.0], [0] * len(self.places)
        if template.checks:
            at, self.mod, letters, of = template.checks[0]
            letter = dict(options[at])
            self.ends = [letter.get(letters[r], 0.0) for r in range(self.mod)]
            for n, i in enumerate(of):
                self.place_value[self.places.index(i)] = pow(10, len(of) - 1 - n, self.mod)
        # tails[i][r]: the weight of everything from place i on, by the remainder it adds
        tails = [[0.0] * self.mod for _ in self.places] + [[1.0] + [0.0] * (self.mod - 1)]
        for i in range(len(self.places) - 1, -1, -1):
            for c, w in self.options[i].items():
                shift = self.place_value[i] * int(c) % self.mod if self.mod > 1 and self.place_value[i] else 0
                for r, t in enumerate(tails[i + 1]):
                    tails[i][(r + shift) % self.mod] += w * t
        self.tails = tails

    def _ending(self, tail: list[float], remainder: int) -> float:
        if self.mod == 1:
            return tail[0]
        return sum(t * self.ends[(remainder + r) % self.mod] for r, t in enumerate(tail))

    def below(self, text: str, inclusive: bool) -> float:
        total, weight, remainder = 0.0, 1.0, 0
        for i, x in enumerate(text):
            for c, w in self.options[i].items():
                if c < x:
                    shift = self.place_value[i] * int(c) if self.mod > 1 and self.place_value[i] else 0
                    total += weight * w * self._ending(self.tails[i + 1], remainder + shift)
            weight *= self.options[i].get(x, 0.0)
            if weight == 0.0:
                return total
            if self.mod > 1 and self.place_value[i]:
                remainder += self.place_value[i] * int(x)
        return total + (weight * self._ending(self.tails[-1], remainder) if inclusive else 0.0)

    def between(self, first: str, last: str) -> float:
        return self.free * max(self.below(last, True) - self.below(first, False), 0.0)

    def count(self, template: Template) -> float:
        """How many issued numbers have any weight at all."""
        flat = object.__new__(_Sums)
        flat.__dict__ |= self.__dict__
        flat.options = [dict.fromkeys(o, 1.0) for o in self.options]
        flat.free = 1.0 if self.free else 0.0
        flat.ends = [1.0 if e else 0.0 for e in self.ends]
        tails = [[0.0] * self.mod for _ in self.places] + [[1.0] + [0.0] * (self.mod - 1)]
        for i in range(len(self.places) - 1, -1, -1):
            for c in self.options[i]:
                shift = self.place_value[i] * int(c) % self.mod if self.mod > 1 and self.place_value[i] else 0
                for r, t in enumerate(tails[i + 1]):
                    tails[i][(r + shift) % self.mod] += t
        flat.tails = tails
        return sum(flat.between(a, b) for first, last, _ in template.tracks for a, b in zip(first, last, strict=True))


# --- what to look at again, and what is nearest ----------------------------------------------------------------------


def _entropy(found: list[_Found]) -> float:
    import math

    weights: dict[tuple[str, str], float] = {}
    for f in found:
        for s, w in f.segments.values():
            key = (f.family.id, s.month or s.earliest)
            weights[key] = weights.get(key, 0.0) + w
    total = sum(weights.values())
    return -sum(w / total * math.log2(w / total) for w in weights.values() if w > 0) if total else 0.0


def _look_again(found: list[_Found], variants: list[_Variant], direction: str | None) -> list[dict[str, Any]]:
    """For each uncertain place of the reading: what would follow from each character, and how much doubt it would remove.

    Sorted by the expected drop of uncertainty about the month, in bits, most first.
    """
    cells = variants[0].cells
    if any(c.stretch for c in cells):
        return []
    whole = _entropy(found)
    total = sum(f.total for f in found)
    out = []
    for place, cell in enumerate(cells):
        if cell.is_certain:
            continue
        options, left = [], 0.0
        for char in cell.chars or _possible(found, place, len(cells)):
            settled = (*cells[:place], Cell(char), *cells[place + 1 :])
            again = []
            for f in found:
                one = _of_family(f.family, [_Variant(settled, "", separators=variants[0].separators)], direction)
                if one is not None:
                    again.append(one)
            share = sum(f.total for f in again) / total if total else 0.0
            if again:
                left += min(share, 1.0) * _entropy(again)
            options.append({"character": char, "probability": min(share, 1.0), "then": _then(again)})
        out.append({"place": place + 1, "options": options, "settles_bits": max(whole - left, 0.0)})
    out.sort(key=lambda o: (-o["settles_bits"], o["place"]))
    return out


# --- dated features of the thing itself -------------------------------------------------------------------------------


def _agrees(feature: dict[str, Any], segment: Segment) -> bool | None:
    """Whether things of this segment have the feature: all of them, none, or (None) it depends."""
    start, end = feature["from"] or _FIRST_DAY, feature["to"] or _LAST_DAY
    if segment.latest < start or segment.earliest > end:
        return False
    return True if segment.earliest >= start and segment.latest <= end else None


def _known_features(tables: Tables, tried: list[Family], wanted: list[str]) -> None:
    known = {f["id"] for family in tried for f in family.raw.get("features", []) if isinstance(f, dict) and "id" in f}
    for one in wanted:
        if one not in known:
            raise DecoderError(
                f"There is no dated feature '{one}' in the tables tried. "
                + (f"There are {', '.join(sorted(known))}." if known else "None of them has any.")
            )


def _with_features(found: list[_Found], seen: list[str], not_seen: list[str]) -> list[str]:
    """Drop what the features seen on the thing rule out; sentences where they rule out everything (then nothing is dropped)."""
    out = []
    for f in found:
        kept = dict(f.segments)
        said = []
        for feature in f.family.raw.get("features", []):
            if feature["id"] in seen or feature["id"] in not_seen:
                against = feature["id"] in not_seen
                kept = {k: sw for k, sw in kept.items() if _agrees(feature, sw[0]) is not against}
                said.append(f"{'no ' if against else ''}{feature['what']}")
        if not said:
            continue
        if not kept:
            out.append(
                f"{f.family.id}: no number this can be goes with {' and '.join(said)}. Look at both again: a part may have been changed."
            )
            continue
        f.segments = kept
        left = {id(s) for s, _ in kept.values()}
        f.candidates = [
            (number, w, t, tuple(s for s in segments if id(s) in left))
            for number, w, t, segments in f.candidates
            if any(id(s) in left for s in segments)
        ]
        if f.count <= MOST_CANDIDATES:
            f.count = len(f.candidates)
        f.facts.append(f"seen on it: {' and '.join(said)}; that a part was changed later is not excluded")
    return out


def _feature_questions(found: list[_Found]) -> list[dict[str, Any]]:
    """Questions about the thing itself whose answer would settle something, with what each answer leaves."""
    out = []
    for f in found:
        by_question: dict[str, list[dict[str, Any]]] = {}
        for feature in f.family.raw.get("features", []):
            by_question.setdefault(feature["question"], []).append(feature)
        if not by_question or len({s.month or s.earliest for s, _ in f.segments.values()}) < 2:
            continue
        whole = _entropy([f])
        for question, features in by_question.items():
            options, left = [], 0.0
            for feature in features:
                part = _Found(f.family)
                part.space = f.space
                part.segments = {k: sw for k, sw in f.segments.items() if _agrees(feature, sw[0]) is not False}
                if not part.segments:
                    continue
                share = part.total / f.total
                left += share * _entropy([part])
                options.append(
                    {"feature": feature["id"], "what": feature["what"], "probability": share, "then": _then([part])}
                )
            gain = whole - left
            if options and gain > 1e-6 and min(o["probability"] for o in options) < 1 - 1e-9:
                out.append({"family": f.family.id, "question": question, "options": options, "settles_bits": gain})
    return out


def _possible(found: list[_Found], place: int, length: int) -> str:
    chars = {c for f in found for t in f.family.templates if t.length == length for c in t.cells[place]}
    return "".join(sorted(chars)) or "0123456789"


def _then(again: list[_Found]) -> str:
    from decoder.words import NEVER, span_in_words

    if not again:
        return NEVER
    best = max(again, key=lambda f: f.evidence)
    segments = [s for s, w in best.segments.values() if w > 0]
    months = sorted({s.month for s in segments if s.month})
    if len(months) == 1 and all(s.month for s in segments):
        return span_in_words(f"{months[0]}-01", f"{months[0]}-28", month=True) + (
            " (estimated)" if any(s.estimated for s in segments) else ""
        )
    earliest, latest = min(s.earliest for s in segments), max(s.latest for s in segments)
    return span_in_words(earliest, latest)


def row_label(row: dict[str, Any]) -> str:
    """How a row is called in a sentence."""
    if row["basis"] == "model":
        return f"model year {row['model_year']}"
    if row["basis"] == "calendar":
        return f"calendar year {row['calendar_year'] or row['earliest'][:4]}"
    from decoder.words import span_in_words

    return span_in_words(row["earliest"], row["latest"])


def _nearest(
    reading: Reading, variants: list[_Variant], tried: list[Family], tables: Tables, on: str | None
) -> list[str]:
    """Sentences for a reading that fits nothing: what was expected, what is nearest."""
    cells = variants[0].cells
    out: list[str] = []
    if all(c.is_certain for c in cells):
        for family in tried:
            for spelled, _ in _spellings(family, variants[0]) if not family.special else ():
                said = _between_rows(family, "".join(c.chars for c in spelled))
                if said:
                    out.append(said)
                    break
    if out:
        return out[:3]
    if on is not None and not tried:
        return [f"No table here is for numbers on the {on}. 'tubmark families' lists what there is."]
    others = [f for f in tables if f not in tried and f.carried_by != ("engine",) and _of_family(f, variants, None)]
    if others:
        return [
            f"On the {on} no table has such a number, but it fits '{f.id}' ({f.title}), which is carried by the {' or '.join(f.carried_by)}."
            for f in others[:2]
        ]
    n = len(cells)
    lengths: dict[int, list[str]] = {}
    for family in tried:
        for template in family.templates:
            lengths.setdefault(template.length, []).append(family.id)
    if not lengths or any(c.stretch for c in cells):
        return ["It fits none of the tables tried. 'tubmark families' lists what each expects."]
    if n not in lengths:
        near = min(lengths, key=lambda k: (abs(k - n), k))
        few = "too few" if near > n else "too many"
        return [
            f"It has {n} places, and no table tried has numbers of {n}. The nearest have {near} ({', '.join(sorted(set(lengths[near]))[:3])}): "
            f"{abs(near - n)} {few}? Look for a {'lost' if near > n else 'doubled'} character."
        ]
    return [
        f"It has {n} places as in {', '.join(sorted(set(lengths[n]))[:3])}, but its characters do not fit: {_expected(tried, n)}. "
        "Look again, or type ? where you are not sure."
    ]


def _expected(tried: list[Family], length: int) -> str:
    for family in tried:
        for template in family.templates:
            if template.length == length:
                written = []
                for name, a, b in template.parts:
                    codes = next((c for x, y, c in template.codes if (x, y) == (a, b)), None)
                    what = (
                        "/".join(list(codes)[:6])
                        if codes
                        else template.cells[a]
                        if len(template.cells[a]) == 1
                        else f"{b - a} {'figures' if template.cells[a][-1] == '9' else 'letters'}"
                    )
                    written.append(f"{name} {what}")
                return f"{family.id} has {', '.join(written)}"
    return "none has this pattern"


def _between_rows(family: Family, text: str) -> str:
    """Where a number of the right pattern that was never issued lies between the rows; empty where no pattern fits."""
    below: tuple[int, Segment] | None = None
    above: tuple[int, Segment] | None = None
    fits = False
    for template in family.templates:
        if not template.running or not template.fits(text):
            continue
        fits = True
        key = template.key(text)
        width = template.running[1] - template.running[0]
        for first, last, indices in template.tracks:
            for a, b, i in zip(first, last, indices, strict=True):
                if a[:-width] != key[:-width]:
                    continue
                under, over = int(key[-width:]) - int(b[-width:]), int(a[-width:]) - int(key[-width:])
                if under > 0 and (below is None or under < below[0]):
                    below = (under, family.segment(i))
                if over > 0 and (above is None or over < above[0]):
                    above = (over, family.segment(i))
    if not fits or not (below or above):
        return ""
    said = []
    if below:
        row = family.rows[below[1].rows[0]]
        said.append(f"{below[0]:,} above the last of {row_label(row)} ({row['last']})")
        after = [r for r in family.rows if r["basis"] == row["basis"] and r["earliest"] > row["earliest"]]
        if after and not (above and above[0] < below[0] * 1000):
            following = min(after, key=lambda r: (r["earliest"], r["first"]))
            said.append(f"before the first of {row_label(following)} ({following['first']})")
    if above and not (below and len(said) > 1):
        row = family.rows[above[1].rows[0]]
        said.append(f"{above[0]:,} below the first of {row_label(row)} ({row['first']})")
    never = next((f" {n['why'][0].upper()}{n['why'][1:]}." for n in family.raw["never"]), "")
    return f"{family.id}: this table issued no such number; it is {' and '.join(said)}.{never}"
