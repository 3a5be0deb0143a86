"""Decoding: from a reading to what it can be, and when that was made.

A number belongs to a *family*, one published numbering scheme; the family's table says which run of numbers belongs to
which dates. A reading may be doubtful, so the answer is a distribution. Within a family every number issued is equally
likely beforehand; for each character the chance of reading it so is multiplied in (``decoder.weighing``). Families start equal (1
each, "none of these" ``NONE_BEFOREHAND``), and each then counts by the share of what the reading can be, in its pattern, that was in
fact issued. The number of cars a maker made plays no part in that: most tables know only some of a maker's rows, and a small table
would otherwise beat a large one on every number they have in common. A certain reading is the case with one term and takes a short
way: what is the same for every number of a segment is built once and shared.

The dates ``earliest`` and ``latest`` are knots of the table, hard bounds of when the thing was made. Months between knots are
estimated by even output and flagged. Nothing here says when a car was put together: a floor is older than the car on it.

Sources are the tables'. The method is Bayes' theorem over an enumerated set.
"""

from __future__ import annotations

from bisect import bisect_right
from collections.abc import Iterable, Sequence
from typing import Any, NamedTuple

from decoder import families, patterns
from decoder.asking import (
    engine_instead,
    feature_questions,
    known_features,
    look_again,
    nearest,
    row_label,
    with_features,
)
from decoder.channel import AS_READ, LEVELS, Channel, channel
from decoder.errors import DecoderError, UnknownFamily
from decoder.patterns import (
    ALTERED,
    CARRIERS,
    FIRST_DAY,
    LAST_DAY,
    NONE_BEFOREHAND,
    SHAPE,
    STANDING,
    SURFACES,
    Family,
    Segment,
    Tables,
    Template,
    load_tables,
)
from decoder.reading import Reading, read
from decoder.weighing import MOST_CANDIDATES, Found, heaviest, over_families, variants_of

__all__ = [
    "ALTERED", "CARRIERS", "NONE_BEFOREHAND", "STANDING", "SURFACES", "Answer", "Candidate", "Decoding", "Family", "Segment", "Tables",
    "Template", "as_written", "decode", "edtf_of", "load_tables", "row_label",
]  # fmt: skip

#: With doubt every number of a family keeps a little weight. Spans in words leave out segments that together weigh less than this.
_LEFT_OUT = 0.005
#: A family this much weaker than the strongest is not named; a guess at a misreading has to weigh this much of "none of these".
_WORTH_NAMING, _WORTH_A_GUESS = 0.001, 0.005

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
    total_candidates: float | None = 1
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
        if self._one is not None:
            return self._one[0]
        return self.candidates[0].number if self.total_candidates == 1 and self.candidates else None

    @property
    def carrying(self) -> list[Segment]:
        """The segments that carry the answer: all it can be, or with doubt all but the unlikeliest, together under 1 in 200."""
        if self.total_candidates is not None:
            return [s for s, w in self.weights if w > 0]
        return heaviest(self.weights, 1.0 - _LEFT_OUT)

    @property
    def likely(self) -> list[Segment]:
        """With doubt: the fewest segments that hold nine tenths of the weight; else all it can be."""
        if self.total_candidates is not None:
            return self.carrying
        return heaviest(self.weights, 0.9)

    @property
    def earliest(self) -> str | None:
        """The first day on which any number this can be was made (ISO); a knot of the table."""
        if len(self.weights) == 1:  # the usual question, answered without a detour
            day = self.weights[0][0].earliest
        else:
            day = min((s.earliest for s in self.carrying), default=FIRST_DAY)
        return None if day == FIRST_DAY else day

    @property
    def latest(self) -> str | None:
        """The last day on which any number this can be was made (ISO); None where the table leaves it open."""
        if len(self.weights) == 1:
            day = self.weights[0][0].latest
        else:
            day = max((s.latest for s in self.carrying), default=LAST_DAY)
        return None if day == LAST_DAY else day

    @property
    def months(self) -> list[tuple[str, float]]:
        """(YYYY-MM, probability) in order; adds up to less than 1 where the table can tell no month for some numbers."""
        if len(self.weights) == 1:
            month = self.weights[0][0].month
            return [(month, 1.0)] if month else []
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
        months = sorted(self.months, key=lambda m: -m[1])
        if not months or sum(p for _, p in months) <= 0.5:
            return None
        if len(months) > 1 and months[0][1] < months[1][1] * (1 + 1e-9):
            return None  # two that are equally likely: naming one would be a guess, as a rule the dearer one
        return months[0][0]

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
        if len(self.weights) == 1:
            return list(self.weights[0][0].model_years)
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
    #: Whether the reading fits nothing as it stands and the decodings are a guess at a misreading.
    is_guess: bool = False
    #: Whether not one character was read.
    is_too_little: bool = False
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
        if self.stops:
            return 0
        if self.is_guess or self.is_too_little:
            return 1
        return 0 if self.decodings and (self.none_of_these or 0.0) <= 0.5 else 1

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
    seen: Iterable[str] = (), not_seen: Iterable[str] = (), doubt: str | None = None,
) -> Answer:  # fmt: skip
    """What the number read as ``text`` can be and when the thing it is stamped on was made.

    ``on``: pan, body, engine, plate or title; ``surface``: the state of the metal (one of SURFACES); ``families``: ids to
    limit the search to; ``says``: the year the car is said to have been put together; ``direction``: "upright" or "turned"
    for figures that can be read from either side; ``seen`` and ``not_seen``: ids of dated features of the thing itself (a
    table's ``features``) that were looked for and found, or not found; ``doubt``: how far clean-looking characters are trusted, one
    of "none", "low", "usual", "high". By default none for a reading that fits a row, usual for one that fits none, and always
    usual where the surface is painted or pitted.

    Raises MalformedReading for a text that is no reading, UnknownFamily, and DecoderError for another option that is wrong;
    each message says what to do. A number that fits nothing is an answer (``status`` 1), never an error.
    """
    tables = tables or patterns._packaged or load_tables()
    if (
        surface is None
        and families is None
        and direction is None
        and not seen
        and not not_seen
        and (doubt is None or doubt == "none")
        and text.__class__ is str
    ):
        compact = text.replace(" ", "")
        quick = tables.quick.get((on, compact.translate(SHAPE)))
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
    both = sorted(set(seen) & set(not_seen))
    if both:
        raise DecoderError(f"'{both[0]}' cannot be both seen and not seen. Say which.")
    if doubt is not None and doubt not in LEVELS:
        raise DecoderError(f"The doubt is one of {', '.join(LEVELS)}, not '{doubt}'.")
    reading = read(text)
    if surface in ALTERED:
        stopped = Answer(reading, (), None, 0, on, says)
        return stopped.having(surface=surface, stops=[altered_stop(surface)], problems=list(reading.notes))
    tried = tables.carried_by(on, families)
    known_features(tables, tried, [*seen, *not_seen])
    return _weighed(reading, tables, tried, on, surface, families, says, direction, list(seen), list(not_seen), doubt)


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


def _channel(level: str, tables: Tables) -> Channel:
    """The channel of a level, with a user's own table and re-readings where there are any."""
    if level == "none":
        return channel("none")
    if tables.rereadings or (tables.confusion or {}).get("origin", "packaged table") != "packaged table":
        return Channel(level, tables.confusion or families.load_data("confusion"), tables.rereadings)
    return channel(level)


def _weighed(
    reading: Reading,
    tables: Tables,
    tried: list[Family],
    on: str | None,
    surface: str | None,
    families: list[str] | None,
    says: int | None,
    direction: str | None,
    seen: list[str],
    not_seen: list[str],
    doubt: str | None,
) -> Answer:
    """The answer by weighing: taken as read first, with doubt where that was asked for or nothing fits."""
    variants = variants_of(reading)
    problems = list(reading.notes)
    if not any(c.chars for c in reading.cells):
        problems.append(
            "Nothing of the number could be read, which is too little to say anything. Read one character at least."
        )
    guess = False
    level = doubt or ("usual" if surface in ("painted", "pitted") else "none")
    how = _channel(level, tables) if level != "none" or any(c.doubtful for c in reading.cells) else AS_READ
    found, used = over_families(tried, variants, direction, how)
    if doubt is None and level == "none" and found and all(f.letters_exchanged for f in found):
        found = []  # an S where only a figure can stand is a misfit: a misreading of something else is as likely
    if not found and doubt is None and level == "none":
        engine = engine_instead(variants, tables, on, families, direction)
        misfit = engine or nearest(reading, variants, tried, tables, on)
        problems += misfit
        if not engine and any(c.chars for c in reading.cells):
            how = _channel("usual", tables)
            found, used = over_families(tried, variants, direction, how)
            found = [f for f in found if f.evidence > NONE_BEFOREHAND * _WORTH_A_GUESS]
            guess = bool(found)
            if found:
                problems.append(
                    "As it was read no table has it, so each character was taken as slightly doubtful; what follows is a guess at a misreading."
                )
    if not found:
        if doubt is not None or level != "none":
            problems += engine_instead(variants, tables, on, families, direction) or nearest(
                reading, variants, tried, tables, on
            )
        return Answer(reading, (), 1.0, len(tried), on, says).having(surface=surface, problems=problems)
    best = max(f.evidence for f in found)
    found = [f for f in found if f.evidence >= best * _WORTH_NAMING]
    problems += with_features(found, seen, not_seen)
    look: list[dict[str, Any]] = []
    if not reading.is_certain or how.rate > 0.0:
        look = look_again(found, used, direction, how)
    return _answer(reading, found, len(tried), on, surface, says, problems, look).having(
        is_guess=guess, is_too_little=not any(c.chars for c in reading.cells)
    )


def _certain(
    text: str, hits: list[tuple[Template, list[Segment]]], tables: Tables, on: str | None, says: int | None
) -> Answer:
    compact = text.replace(" ", "")
    tried = tables.tried.get(on)
    if tried is None:
        tried = tables.tried[on] = len(tables.carried_by(on))
    if len(hits) == 1 and len(hits[0][1]) == 1:
        template, (segment,) = hits[0]
        total = segment.density + NONE_BEFOREHAND
        decoding = Decoding(template.family, segment.density / total, segment.alone, (compact, template))
        return Answer(text, (decoding,), NONE_BEFOREHAND / total, tried, on, says)
    found: dict[str, Found] = {}
    for template, segments in hits:
        f = found.setdefault(template.family.id, Found(template.family))
        for segment in segments:
            f.add(segment, segment.density)
        f.add_candidate(compact, sum(s.density for s in segments), template, tuple(segments))
        f.evidence = min(f.total, 1.0)
    return _answer(text, list(found.values()), tried, on, None, says, [])


def _answer(
    typed: str | Reading,
    found: list[Found],
    tried: int,
    on: str | None,
    surface: str | None,
    says: int | None,
    problems: list[str],
    look: Sequence[dict[str, Any]] = (),
) -> Answer:
    total = sum(f.evidence for f in found) + NONE_BEFOREHAND
    decodings = []
    for f in sorted(found, key=lambda f: (-f.evidence, f.family.id)):
        order = sorted(f.segments.values(), key=lambda sw: (sw[0].earliest, sw[0].month or "", sw[0].latest))
        decoding = Decoding(f.family, f.evidence / total, [(s, w / f.total) for s, w in order])
        ranked = sorted(f.candidates.items(), key=lambda c: (-c[1][0], c[0]))
        decoding._candidates = [Candidate(n, w / f.total, t, s) for n, (w, t, s) in ranked[:MOST_CANDIDATES]]
        named = sum(w for _, (w, _, _) in ranked)
        # where every number is named they are counted by name: one that both sides of turned figures can be counts once
        decoding.total_candidates = f.count if f.count is None or named < f.total * (1 - 1e-9) else len(ranked)
        decoding.notes, decoding.facts_extra = f.notes, f.facts
        decodings.append(decoding)
        problems += [p for p in dict.fromkeys(f.problems) if p not in problems]
    questions = sorted([*look, *feature_questions(found)], key=lambda o: (-o["settles_bits"], o.get("place", 0)))
    answer = Answer(typed, decodings, NONE_BEFOREHAND / total, tried, on, says)
    return answer.having(surface=surface, problems=problems, look_again=questions)
