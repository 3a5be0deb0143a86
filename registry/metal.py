"""The numbers of a car as they were read: what the tables make of each, and a paper's number beside the metal's.

Before a date is taken from a number two things are asked of it. Is the metal as it left the works: a number on ground,
restamped or cut away metal dates nothing. And does the paper speak of this metal: the figures are laid under each other,
place by place, and what differs is shown. A title of another pan is found so, and two figures the other way round are
called neither a fraud nor fine.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from datetime import date
from typing import TYPE_CHECKING, Any

from decoder.dates import Span, one_of
from registry import knowing
from registry.models import ALTERED_SURFACES

if TYPE_CHECKING:
    from decoder import Decoding, Tables
    from registry.knowing import Source


#: With families that compete for one reading, those that together are less likely than this are left out, and with a
#: reading in doubt the segments are (own choice). What rests on such a cut is soft.
LEFT_OUT = 0.05

#: From this chance on that a reading belongs to none of the tables, what it dates is soft (own choice).
NONE_IS_LIKELY = 0.1
#: And from this chance on it dates nothing.
NONE_IS_LIKELIEST = 0.5


@dataclass(frozen=True, slots=True)
class Number:
    """A number of the car as it was read, and what the tables make of it.

    ``span`` is when the thing that carries it was made, several stretches where a year figure comes round; None where the
    tables give no date or the metal was worked on (``is_altered``). ``in_doubt``: the span leaves out what is unlikely.
    """

    thing: dict[str, Any]
    reading: dict[str, Any]
    decodings: tuple[Decoding, ...]
    span: Span | None
    in_doubt: bool
    says: str
    look: tuple[str, ...]
    others: tuple[str, ...] = ()

    @property
    def ref(self) -> str:
        return f"reading {self.reading['id']}"

    @property
    def text(self) -> str:
        return str(self.reading["as_typed"])

    @property
    def is_altered(self) -> bool:
        return self.reading["surface"] in ALTERED_SURFACES

    @property
    def is_sure(self) -> bool:
        """No character of it is in doubt."""
        from decoder import read

        return bool(read(self.text).is_certain)

    @property
    def tables(self) -> str:
        """The tables that date it: "house table p-late"."""
        said = [("house table " if one.family.house else "table ") + one.family.id for one in self.decodings]
        return " or ".join(said)

    def as_dict(self) -> dict[str, Any]:
        return {
            "ref": self.ref,
            "on": self.thing["kind"],
            "former": bool(self.thing["former"]),
            "reading": self.text,
            "families": [one.family.id for one in self.decodings],
            "model_years": sorted({year for one in self.decodings for year, p in one.model_years if p >= 0.005}),
            "altered": self.is_altered,
            "in_doubt": self.in_doubt,
            **(self.span.as_dict() if self.span else {"edtf": None, "earliest": None, "latest": None}),
            "says": self.says,
        }


@dataclass(frozen=True, slots=True)
class Compared:
    """A number on a paper (or a plate) beside the number on the metal.

    ``verdict`` is "same", "may be the same" (the metal could not be read for certain), "one slip apart", "another number" or
    "no number of a table" (an assigned one, say). ``says`` is the sentence, ``ask`` what would settle it.
    """

    paper: str
    on_paper: str
    metal: str
    on_metal: str
    verdict: str
    says: str
    ask: str = ""
    other_car: str | None = None
    refs: tuple[str, ...] = ()

    @property
    def differs(self) -> list[dict[str, Any]]:
        """The places at which the two part, counted from 1 along the metal; None where one of them has no character."""
        out, place = [], 0
        for metal, paper in self._pairs():
            place += metal is not None
            if _shown(metal) != _shown(paper):
                out.append({"place": max(place, 1), "on_metal": _shown(metal), "on_paper": _shown(paper)})
        return out

    def _pairs(self) -> list[tuple[Any, Any]]:
        from decoder import read
        from registry.draw import _aligned

        return _aligned(read(self.on_metal).cells, read(self.on_paper).cells)

    def _two(self) -> list[tuple[Any, str]]:
        from decoder import read

        return [
            (read(self.on_metal).cells, f"on the {self.metal}"),
            (read(self.on_paper).cells, f"on the {self.paper}"),
        ]

    def text(self, *, indent: int = 4) -> list[str]:
        """The two strips one above the other, for a terminal."""
        from registry.draw import compare_text

        return compare_text(self._two(), indent=indent).splitlines()

    def html(self) -> str:
        """The two strips one above the other, for a page."""
        from registry.draw import compare_html

        return compare_html(self._two(), label=f"The number on the {self.metal} and on the {self.paper}")

    def as_dict(self) -> dict[str, Any]:
        return {
            "paper": self.paper,
            "on_paper": self.on_paper,
            "metal": self.metal,
            "on_metal": self.on_metal,
            "verdict": self.verdict,
            "differs": self.differs if self.verdict not in ("same", "no number of a table") else [],
            "other_car": self.other_car,
            "says": self.says,
            "ask": self.ask,
        }


def number_of(
    db: Source, thing: dict[str, Any], tables: Tables, seen: Sequence[str] = (), not_seen: Sequence[str] = ()
) -> Number | None:
    """The number of a thing by its best reading, with what the tables make of it; None for a thing without one."""
    from decoder import decode, words

    readings = knowing.readings_of(db, thing["id"])
    best = _best(db, thing["id"], readings, tables)
    if best is None:
        return None
    others = tuple(_also_read(best, readings, thing["kind"], tables))
    on = "pan" if thing["kind"] == "title" else thing["kind"]
    more: dict[str, Any] = {"direction": best["direction"]} if best["direction"] else {}
    if best["surface"]:
        more["surface"] = best["surface"]
    if best["surface"] in ALTERED_SURFACES:
        return Number(thing, best, (), None, False, "", (), others)
    if seen or not_seen:
        more |= {"seen": list(seen), "not_seen": list(not_seen)}
    answer = decode(best["as_typed"], on=on, tables=tables, **more)
    if answer.decodings and (answer.none_of_these or 0.0) >= NONE_IS_LIKELY:
        # It fits only with letters taken for figures, or worse: then a slip in reading is as likely, and is weighed too.
        answer = decode(best["as_typed"], on=on, tables=tables, **{"doubt": "usual", **more})
    kept = _likeliest(answer.decodings)
    span, cut = _span_of(kept, answer.decodings)
    if (answer.none_of_these or 0.0) >= NONE_IS_LIKELIEST:
        chance = words.chance(answer.none_of_these or 0.0)
        says = f"as read it fits none of the tables well, {chance} that it is none of theirs. Read it again."
        return Number(thing, best, tuple(kept), None, True, says, (), others)
    says = _why_not(answer, kept) if span is None else ""
    in_doubt = cut or (answer.none_of_these or 0.0) >= NONE_IS_LIKELY
    look = tuple(words.look_sentences(answer)) if span is not None else ()
    if not says and kept:
        says = words.main_sentence(kept[0]) if len(kept) == 1 else ""
    return Number(thing, best, tuple(kept), span, in_doubt, says, look, others)


def _best(db: Source, thing: int, readings: list[dict[str, Any]], tables: Tables) -> dict[str, Any] | None:
    """The reading to go by: as ``knowing.best_reading``, but of equally sure ones the last that a table knows as it stands."""
    best = knowing.best_reading(db, thing)
    if best is None or len(readings) == 1 or _fits(best, tables):
        return best
    from decoder import read

    doubts = len(read(best["as_typed"]).uncertain_at)
    alike = [one for one in readings if len(read(one["as_typed"]).uncertain_at) == doubts and _fits(one, tables)]
    return alike[-1] if alike else best


def _fits(reading: dict[str, Any], tables: Tables) -> bool:
    return is_a_number(reading["as_typed"], reading["stamped_on"], tables, certain=False)


def _also_read(best: dict[str, Any], readings: list[dict[str, Any]], on: str, tables: Tables) -> Iterator[str]:
    """The readings of the same thing that cannot be of the number gone by; nobody is overruled in silence."""
    for other in readings:
        if other["id"] == best["id"] or compare(other["as_typed"], best["as_typed"], on, tables) in (
            "same",
            "may be the same",
        ):
            continue
        how = f" ({other['how']})" if other["how"] else ""
        by = f" ({best['how']})" if best["how"] else ""
        yield f"The {on} was also read as {other['as_typed']}{how}; this goes by {best['as_typed']}{by}."


def _likeliest(decodings: Sequence[Decoding]) -> list[Decoding]:
    """The families that hold all but LEFT_OUT of the chance, likeliest first."""
    ordered = sorted(decodings, key=lambda one: -one.probability)
    total, held, kept = sum(one.probability for one in ordered), 0.0, []
    for one in ordered:
        kept.append(one)
        held += one.probability
        if held >= (1 - LEFT_OUT) * total:
            break
    return kept


def _span_of(kept: Sequence[Decoding], everything: Sequence[Decoding]) -> tuple[Span | None, bool]:
    """The stretches in which the thing was made, and whether something unlikely was left out of them."""
    weighed = [
        (one.probability * weight, segment.earliest, segment.latest)
        for one in kept
        for segment, weight in one.weights
        if weight > 0
    ]
    if not weighed:
        return None, False
    cut = len(kept) < len(everything)
    if any(one.total_candidates is None for one in kept):  # with doubt every number keeps a little weight
        total, held, some = sum(w for w, _, _ in weighed), 0.0, []
        for piece in sorted(weighed, reverse=True):
            some.append(piece)
            held += piece[0]
            if held >= (1 - LEFT_OUT) * total:
                break
        weighed, cut = some, True
    pieces = [(_day(first, "0001-01-01"), _day(last, "9999-12-31")) for _, first, last in weighed]
    if any(piece == (None, None) for piece in pieces):
        return None, cut
    return one_of(pieces), cut


def _day(iso: str, open_end: str) -> date | None:
    return None if iso == open_end else date.fromisoformat(iso)


def _why_not(answer: Any, kept: Sequence[Decoding]) -> str:
    open_ = [one.family.id for one in kept if one.earliest is None and one.latest is None]
    if open_:
        among = ", and it may be of that table" if len(kept) > 1 else ""
        return f"the table {' or '.join(open_)} gives no date{among}."
    return " ".join(answer.problems[:1]) or "it fits none of the tables."


# --- two numbers -----------------------------------------------------------------------------------------------------


def compare(paper: str, metal: str, on: str, tables: Tables) -> str:
    """How a number on a paper stands to one on the metal: "same", "may be the same", "one slip apart" or "another number".

    ``on`` is what the metal is (pan, body). "May be" is said where a reading leaves it open; a slip is one character misread,
    dropped, doubled, or two that stand the other way round.
    """
    from decoder import keys, neighbours, read

    mine = {key.key: key for key in keys(paper, on=on, tables=tables)}
    theirs = {key.key: key for key in keys(metal, on=on, tables=tables)}
    both = mine.keys() & theirs.keys()
    if both:
        sure = read(paper).is_certain and read(metal).is_certain
        return "same" if sure else "may be the same"
    near = any(other in mine for key in list(theirs)[:20] for other in neighbours(key))
    return "one slip apart" if near else "another number"


def is_a_number(text: str, on: str, tables: Tables, *, certain: bool = True) -> bool:
    """Whether a text is a number of a family that such things carry as it stands: no letter taken for a figure, nothing left out."""
    from decoder import keys

    found = keys(text, on=on, tables=tables)
    plain = {key.key for key in found if not key.family}
    return any(key.family and (key.certain or not certain) and (key.key in plain or not certain) for key in found)


def _shown(cell: Any) -> str | None:
    """A cell of a strip as it is said; None where there is no character."""
    if cell is None:
        return None
    return "..." if cell.stretch else "?" if not cell.chars else "/".join(cell.chars)


def difference(differs: list[dict[str, Any]], paper: str) -> str:
    """What is different, in words that judge nothing."""
    if len(differs) == 2:
        one, two = differs
        if one["on_metal"] == two["on_paper"] and one["on_paper"] == two["on_metal"] and None not in one.values():
            return f"{one['on_metal']} and {two['on_metal']} stand the other way round"
    if len(differs) == 1:
        one = differs[0]
        if one["on_paper"] is None:
            return f"a {one['on_metal']} is missing"
        if one["on_metal"] is None:
            return f"there is a {one['on_paper']} more"
        return f"one character differs: {one['on_paper']} in place of {one['on_metal']}"
    return f"{len(differs)} characters differ"


def plate_and_body(plate: Number, body: Number, verdict: str) -> Compared:
    if verdict == "may be the same":
        says = f"The number on the body can be read as the plate's, {plate.text}, among others."
    else:
        says = f"The plate says {plate.text} and the body says {body.text}: plate and body are separate evidence."
    ask = (
        "Do the plate's fixings fit the holes, and is there a letter from the maker?"
        if verdict != "may be the same"
        else ""
    )
    return Compared("plate", plate.text, "body", body.text, verdict, says, ask, refs=(plate.ref, body.ref))
