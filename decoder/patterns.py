"""Families of numbers as they run: templates, segments, and which of them a text can belong to.

The compiled table of a family (``decoder.compiling``) becomes a ``Family`` here. A certain, plainly written number is found by
its shape (which places hold figures, which letters) and a binary search; nothing else is built for it.
"""

from __future__ import annotations

from bisect import bisect_right
from collections.abc import Iterable, Iterator
from itertools import takewhile
from typing import Any

from decoder import families as _families
from decoder.channel import EXCHANGED, as_read

CARRIERS = ("pan", "body", "engine", "plate", "title")
SURFACES = ("untouched", "painted", "pitted", "ground", "restamped", "cut-away")
ALTERED = ("ground", "restamped", "cut-away")

#: What "none of these" starts with, where each family tried starts with 1. Own assumption, shown with the answer.
NONE_BEFOREHAND = 0.05
#: A reading that needs more than so many characters of another shape (8 for B) is not answered: too little of it is left.
MOST_EXCHANGED = 1

#: Open ends of a segment (``decoder.compiling``).
FIRST_DAY, LAST_DAY = "0001-01-01", "9999-12-31"

SHAPE = {**{ord(c): "0" for c in "0123456789"}, **{c: "A" for c in range(ord("A"), ord("Z") + 1)}}


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
        "_grid",
        "any",
        "cells",
        "checks",
        "codes",
        "family",
        "leading_letters",
        "length",
        "literals",
        "ordered",
        "parts",
        "running",
        "scheme",
        "tracks",
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
        self.tracks: list[tuple[list[str], list[str], list[int]]] = [
            (first, last, of) for first, last, of in raw["tracks"]
        ]
        taken = (
            {i for a, b, _ in self.codes for i in range(a, b)}
            | set(self.any)
            | {i for a, b in self.ordered for i in range(a, b)}
        )
        self._grid: Any = None
        #: The letters that begin every number of the template: the maker's mark.
        self.leading_letters = "".join(takewhile(lambda cell: len(cell) == 1 and cell.isalpha(), self.cells))
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
        self._by_length: dict[int, list[Template]] = {}
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

    def of_length(self, length: int) -> list[Template]:
        """The templates of numbers this long."""
        if not self._by_length:
            for template in self.templates:
                self._by_length.setdefault(template.length, []).append(template)
        return self._by_length.get(length, [])

    @property
    def lengths(self) -> list[int]:
        self.of_length(0)
        return sorted(self._by_length)

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
        self.confusion = compiled.get("confusion")
        #: Own re-readings of the user's folder: stamped to read to how often (``decoder.channel``).
        self.rereadings: dict[str, dict[str, int]] = {}
        self._families: dict[str, Family] = {}
        self.shapes: dict[tuple[str | None, str], Any] = {}
        self.quick: dict[tuple[str | None, str], Any] = {}
        self.tried: dict[str | None, int] = {}

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
        shape = text.translate(SHAPE)
        entry = self.shapes.get((on, shape))
        if entry is None:
            entry = self.shape(on, shape)
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

    def shape(self, on: str | None, shape: str) -> tuple[Any, Any]:
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
                allowed = 0 if template.any else MOST_EXCHANGED
                readings = [[(c, as_read(c, template.cells[i])) for c in _KINDS[shape[i]]] for i in wrong]
                exchanged = [all(max(w for _, w in r) <= EXCHANGED for _, r in options if r) for options in readings]
                if all(any(r for _, r in options) for options in readings) and sum(exchanged) <= allowed:
                    slow.append((wrong[0], "".join(c for c, r in readings[0] if r)))
        entry = (tuple(templates) or None, tuple(slow))
        if len(self.shapes) < 2048:
            self.shapes[on, shape] = entry
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
        self.quick[on, shape] = (
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
    tables = Tables(compiled)
    if folder is not None:
        tables.rereadings = _families.read_rereadings(folder)
    return tables
