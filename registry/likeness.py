"""Likeness: is a car on the list that looks like this one? For bodies without a number, one in three of them.

What somebody can say of a car is taken apart into clues, at its commas: a colour and the colour under it ("grey over green"), a
town, when it was made or seen ("sixties", "1968"), what is missing ("no plate"), what it is said to be ("Pantile"), a tell by its
words ("ribs on the sill" is K15, the ribbed sill), and otherwise words that stand anywhere in a record. Each clue fits a car,
speaks against it, or says nothing, because nobody looked there or nobody wrote it down; *not examined* is not *absent*.

How much a clue weighs is one division, shown with the answer: how likely somebody is to say it of this car, over how likely of any
car. Of the car it is about a clue is right so often as ``RIGHT`` says; of any car it is as common as among the cars on this list.
So rare clues weigh much, common ones little, and a colour that can be sprayed over in a day weighs less than one seen under the
paint. Where nobody looked for a tell, the counts of the body's kind say how likely it is there. Of several tells of one maker's
bodies the strongest alone counts, since they come together. "None of these" stands among the answers with a weight of its own.
All these figures but the counts are our own assumptions.

Numbers are not looked for here: a number is read, not described (``registry.lookup``). Towns and keepers' names are personal:
this is for whoever keeps the list, names only when asked for, and nothing of it is in an edition.

>>> [clue.kind for clue in understand("grey over green, sixties, no plate, xyzzy")]
['colour', 'under', 'time', 'without', 'words']
"""

from __future__ import annotations

import re
import sqlite3
from collections.abc import Callable, Iterable, Iterator, Sequence
from dataclasses import dataclass, field
from functools import lru_cache
from typing import Any

from registry.errors import WrongInput

# Own assumptions, all of them.
#: How often a clue of each kind is right of the very car it is about.
RIGHT = {
    "colour": 0.7,  # cars are repainted
    "ever": 0.7,
    "under": 0.9,  # what is under the paint stays, if it is seen at all
    "tell": 0.9,  # examiners err, and tells are altered
    "town": 0.6,  # cars are sold
    "time": 0.8,  # people guess
    "without": 0.7,  # plates come off and are put on
    "kind": 0.8,  # what a body is taken for
    "name": 0.6,
    "words": 0.8,
}
#: Clues that are true or not; the others are one of many.
_YES_OR_NO = ("tell", "without")
#: A colour that is only akin to the one said (slate to grey) is right so often as one that is named so.
AKIN = 0.5
#: That the car is none of those on the list, beforehand; the rest is shared evenly among the cars.
NOT_LISTED = 0.5
#: Cars less likely than this are counted, not named; nor are more than so many.
WORTH_NAMING, MOST_NAMED = 0.005, 10

#: What paints are commonly called after, and what they look like. Own assumption, from the ordinary use of the words.
_AKIN: dict[str, tuple[str, ...]] = {
    "ink": ("blue", "black"),
    "bilberry": ("blue", "purple", "violet"),
    "damson": ("purple", "violet", "red"),
    "slate": ("grey", "blue"),
    "oat": ("cream", "beige", "white"),
    "brick": ("red", "brown", "orange"),
    "navy": ("blue",),
    "sky": ("blue",),
    "royal": ("blue",),
    "bottle": ("green",),
    "olive": ("green",),
    "lime": ("green", "yellow"),
    "ivory": ("white", "cream"),
    "cream": ("white", "beige", "yellow"),
    "mustard": ("yellow",),
    "primrose": ("yellow",),
    "cherry": ("red",),
    "maroon": ("red", "brown"),
    "scarlet": ("red",),
    "rose": ("pink",),
    "salmon": ("pink",),
    "charcoal": ("grey", "black"),
    "silver": ("grey",),
    "tan": ("brown", "beige"),
}
_PLAIN = frozenset([
    "red", "orange", "yellow", "green", "blue", "purple", "violet", "pink", "brown", "black", "white", "grey", "beige", "cream",
    "silver", "gold", "turquoise", "metalflake",
])  # fmt: skip
_SAME = {"gray": "grey", "colour": "", "color": "", "gel": "", "metallic": "", "painted": "", "paint": ""}

_DECADES = {"fifties": 1950, "sixties": 1960, "seventies": 1970, "eighties": 1980, "nineties": 1990}
_THINGS = {
    "plate": ("plate",),
    "tag": ("plate",),
    "sticker": ("plate",),
    "serial": ("body", "plate"),
    "number": ("body", "plate"),
    "pan": ("pan",),
    "floor": ("pan",),
    "engine": ("engine",),
    "title": ("title",),
    "papers": ("title",),
}
_EMPTY_WORDS = frozenset([
    "a", "an", "the", "of", "on", "in", "at", "to", "by", "with", "and", "or", "is", "it", "its", "was", "has", "had", "have",
    "from", "under", "over", "along", "across", "left", "right", "one", "two",
])  # fmt: skip
#: A clue with this much of its weight in a tell's words is that tell.
_ENOUGH_WORDS = 0.6


@dataclass(slots=True)
class Clue:
    """One thing said of the car. ``kind`` is a key of ``RIGHT``; ``means`` how it was understood, for people."""

    text: str
    kind: str
    means: str = ""
    value: Any = None
    #: In how many cars it is known at all, and of how many it is true (halves where it is half true, or only likely).
    known: int = 0
    fits: float = 0.0

    @property
    def common(self) -> float:
        """How common it is among the cars on the list (one that has it and one that has not added: nothing is certain)."""
        return (self.fits + 1.0) / (self.known + 2.0)

    def factor(self, has: float | None) -> float:
        """By how much a car gains or loses by this clue. ``has``: how far it is true of the car, 0.0 to 1.0; None unknown."""
        if has is None:
            return 1.0
        right, common = RIGHT[self.kind], self.common
        if self.kind in _YES_OR_NO:
            of_any = right * common + (1.0 - right) * (1.0 - common)
            return (right * has + (1.0 - right) * (1.0 - has)) / of_any
        # Who is wrong about one of many (a colour, a town) says any of them, the common ones most.
        return right * has / common + (1.0 - right)

    def as_dict(self) -> dict[str, Any]:
        return {
            "clue": self.text,
            "kind": self.kind,
            "means": self.means,
            "true_of": round(self.fits, 2),
            "known_of": self.known,
            "if_it_fits": round(self.factor(1.0), 2),
            "if_it_does_not": round(self.factor(0.0), 2),
        }


@dataclass(slots=True)
class Likely:
    """A car and how the clues go with it. ``fits``, ``against`` and ``unknown`` are sentences' halves for people."""

    car: str
    probability: float
    title: str = ""
    fits: list[str] = field(default_factory=list)
    against: list[str] = field(default_factory=list)
    unknown: list[str] = field(default_factory=list)
    factors: dict[str, float] = field(default_factory=dict)

    def as_dict(self) -> dict[str, Any]:
        return {
            "car": self.car,
            "kind": "likeness",
            "number": None,
            "how": "near",
            "differs": [],
            "probability": self.probability,
            "title": self.title,
            "fits": self.fits,
            "against": self.against,
            "unknown": self.unknown,
            "factors": self.factors,
        }


@dataclass(slots=True)
class Likeness:
    """The cars that a description may be of, likeliest first, and that it is none of them. ``status``: 1 where no clue fits any car."""

    like: str
    clues: list[Clue] = field(default_factory=list)
    near: list[Likely] = field(default_factory=list)
    none_of_these: float = 1.0
    cars: int = 0
    more: int = 0
    stops: list[dict[str, Any]] = field(default_factory=list)
    problems: list[str] = field(default_factory=list)

    @property
    def status(self) -> int:
        return 0 if any(one.fits for one in self.near) else 1

    @property
    def says(self) -> list[str]:
        from decoder.words import chance

        lines = [f"{one.car}: {chance(one.probability)}. {'; '.join(one.fits)}." for one in self.near]
        return [*lines, f"None of these: {chance(self.none_of_these)}."]

    def as_dict(self) -> dict[str, Any]:
        """The JSON document of ``tubmark find --like``."""
        return {
            "reading": None,
            "like": self.like,
            "clues": [clue.as_dict() for clue in self.clues],
            "near": [one.as_dict() for one in self.near],
            "none_of_these": self.none_of_these,
            "not_on_list": self.none_of_these,
            "beforehand": {"none_of_these": NOT_LISTED, "right": RIGHT, "akin": AKIN, "cars": self.cars},
            "more": self.more,
            "stops": self.stops,
            "says": self.says,
            "problems": self.problems,
        }


# --- what is on file ----------------------------------------------------------------------------------------------


@dataclass(slots=True)
class _Car:
    """What is on file of one car, all its visits together, as far as clues ask for it."""

    ident: int
    number: str
    colours: list[str] = field(default_factory=list)  # at each visit, the last one last
    under: list[str] = field(default_factory=list)
    towns: set[str] = field(default_factory=set)
    names: set[str] = field(default_factory=set)
    kinds: set[str] = field(default_factory=set)  # things with a number that are on it now
    series: list[str] = field(default_factory=list)  # opinions that stand
    claimed: list[str] = field(default_factory=list)
    tells: dict[str, str] = field(default_factory=dict)
    spans: list[tuple[str, str | None, str | None]] = field(default_factory=list)
    words: list[str] = field(default_factory=list)
    _stems: set[str] | None = None

    @property
    def stems(self) -> set[str]:
        """The words of all that is written in the record; worked out when words are asked for."""
        if self._stems is None:
            self._stems = {stem for text in self.words for stem in _stems(text)}
        return self._stems


class _File:
    """The registry's cars, gathered in a few questions whatever their number."""

    def __init__(self, conn: sqlite3.Connection) -> None:
        self.conn = conn
        joins: dict[int, tuple[str, int]] = {}
        for car, kind, into in conn.execute("SELECT car, kind, into_car FROM car_joins ORDER BY id"):
            joins[car] = (kind, into)
        numbers = dict(conn.execute("SELECT id, number FROM cars"))
        self._stays = {car: _followed(car, joins) for car in numbers}
        self.cars = {car: _Car(car, number) for car, number in numbers.items() if self._stays[car] == car}
        self.names = {ident: (name, maker or "") for ident, name, maker in conn.execute(
            "SELECT s.id, s.name, m.name FROM series s LEFT JOIN makers m ON m.id = s.maker")}  # fmt: skip
        self.made = dict(conn.execute("SELECT id, made_edtf FROM series WHERE made_edtf IS NOT NULL"))
        self._entries()
        self._things()
        self._seen()
        self._said()
        self.tells = [
            (code, name, looks_like, sheet)
            for code, name, looks_like, sheet in conn.execute(
                "SELECT code, name, looks_like, sheet FROM tells AS t WHERE version = (SELECT max(version) FROM tells WHERE code = t.code) ORDER BY code"
            )
        ]
        self.counts: dict[str, dict[str, tuple[float, float]]] = {}
        for code, series, seen_on, out_of in conn.execute(
            "SELECT t.code, c.series, c.seen_on, c.out_of FROM tell_counts c JOIN tells t ON t.id = c.tell ORDER BY t.version"
        ):
            self.counts.setdefault(code, {})[series] = (seen_on, out_of)
        self.others = {ident for (ident,) in conn.execute("SELECT id FROM series WHERE kind = 'other'")}
        self.colours = sorted({colour for one in self.cars.values() for colour in (*one.colours, *one.under)})
        self.towns = {town for one in self.cars.values() for town in one.towns}

    def of(self, car: int | None) -> _Car | None:
        return None if car is None else self.cars.get(self._stays.get(car, car))

    def taken_for(self, car: _Car) -> list[str]:
        """The series of the opinions that stand; where there is none, those that it is claimed to be."""
        if car.series or not car.claimed:
            return car.series
        said = {stem for text in car.claimed for stem in _stems(text)}
        named = [
            (len(set(_stems(name))), ident) for ident, (name, _) in self.names.items() if set(_stems(name)) <= said
        ]
        most = max((size for size, _ in named), default=0)
        return [ident for size, ident in named if size == most]

    def likely(self, code: str, car: _Car) -> tuple[float, str] | None:
        """How likely a tell that nobody looked for is on a car, by the counts of its kind; and those counts in words."""
        counts = self.counts.get(code, {})
        others = [ident for ident in counts if ident in self.others]
        kinds = self.taken_for(car)
        of = [ident for ident in kinds if ident in counts] or (others if kinds else [])
        if not of:
            return None
        rates = [(counts[ident][0] + 0.5) / (counts[ident][1] + 1.0) for ident in of]
        if not car.series and others:  # what it is claimed to be is half believed
            rates += [(counts[ident][0] + 0.5) / (counts[ident][1] + 1.0) for ident in others]
        seen, out_of = counts[of[0]]
        return sum(rates) / len(rates), f"{self.names[of[0]][0]}: {seen:g} of {out_of:g}"

    def _entries(self) -> None:
        people = {
            ident: (name, town)
            for ident, name, town in self.conn.execute("SELECT id, name, town FROM people WHERE erased_at IS NULL")
        }
        for car, left_by, now, under, claimed, *prose in self.conn.execute(
            "SELECT car, left_by, colour_now, colour_under, claimed_as, claim_words, condition, alterations, notes, contents "
            "FROM entries ORDER BY entry_date, id"
        ):
            if (one := self.of(car)) is None:
                continue
            one.colours += [now] if now else []
            one.under += [under] if under else []
            one.claimed += [claimed] if claimed else []
            one.words += [text for text in (now, under, claimed, *prose) if text]
            self._person(one, people.get(left_by))
        for car, person in self.conn.execute("SELECT car, person FROM custody WHERE role != 'agent'"):
            if (one := self.of(car)) is not None:
                self._person(one, people.get(person))

    @staticmethod
    def _person(one: _Car, person: tuple[str | None, str | None] | None) -> None:
        if person is not None:
            one.names |= {person[0]} if person[0] else set()
            one.towns |= {person[1]} if person[1] else set()

    def _things(self) -> None:
        replaced = {ident for (ident,) in self.conn.execute("SELECT supersedes FROM fittings")}
        for ident, car, kind, note, issue, former, read in self.conn.execute(
            """
            SELECT f.id, f.car, t.kind, t.note, t.issue, f.former, EXISTS (SELECT 1 FROM readings r WHERE r.thing = t.id)
            FROM fittings f JOIN things t ON t.id = f.thing
            """
        ):
            if ident not in replaced and (one := self.of(car)) is not None:
                if read and not former:
                    one.kinds.add(kind)
                one.words += [text for text in (note, issue) if text]
        superseded = {ident for (ident,) in self.conn.execute("SELECT supersedes FROM decisions")}
        for ident, car, series, second, reason in self.conn.execute(
            "SELECT id, car, series, second_series, reason FROM decisions ORDER BY id"
        ):
            if ident not in superseded and (one := self.of(car)) is not None:
                one.series += [name for name in (series, second) if name and name not in one.series]
                one.words.append(reason)

    def _seen(self) -> None:
        slips = {ident for (ident,) in self.conn.execute("SELECT slip_of FROM observations")}
        for ident, car, tell, state, traces, note in self.conn.execute(
            "SELECT id, car, tell, state, traces, note FROM observations ORDER BY id"
        ):
            if ident not in slips and (one := self.of(car)) is not None:
                if state not in ("not visible", "not examined"):
                    one.tells[tell] = state
                one.words += [text for text in (traces, note) if text]

    def _said(self) -> None:
        slips = {ident for (ident,) in self.conn.execute("SELECT slip_of FROM statements")}
        for ident, car, about, earliest, latest, *prose in self.conn.execute(
            "SELECT id, car, about, earliest, latest, as_written, value, note, kind FROM statements ORDER BY id"
        ):
            if ident not in slips and (one := self.of(car)) is not None:
                if earliest or latest:
                    one.spans.append((about, earliest, latest))
                one.words += [text for text in prose if text]


def _followed(car: int, joins: dict[int, tuple[str, int]]) -> int:
    met = {car}
    while car in joins and joins[car][0] == "merge" and joins[car][1] not in met:
        car = joins[car][1]
        met.add(car)
    return car


# --- clues --------------------------------------------------------------------------------------------------------


def _stem(word: str) -> str:
    """``ribbed``, ``ribs`` and ``rib`` are one word here; no more of grammar than that."""
    for ending in ("ings", "ing", "ies", "ed", "es", "s"):
        if word.endswith(ending) and len(word) - len(ending) >= 3:
            word = word[: -len(ending)]
            break
    return word[:-1] if len(word) > 3 and word[-1] == word[-2] else word


@lru_cache(maxsize=4096)
def _stems(text: str) -> tuple[str, ...]:
    return tuple(_stem(word) for word in re.findall(r"[a-z0-9]+", text.casefold()) if word not in _EMPTY_WORDS)


@lru_cache(maxsize=4096)
def _colour_words(text: str) -> Sequence[str]:
    words = [_SAME.get(word, word) for word in re.findall(r"[a-z]+", text.casefold()) if word not in _EMPTY_WORDS]
    return [word for word in words if word]


def _is_colour(text: str, names: Iterable[str]) -> bool:
    words = _colour_words(text)
    known = _PLAIN | _AKIN.keys() | {word for name in names for word in _colour_words(name)}
    return bool(words) and all(word in known or word in ("dark", "light", "pale", "deep") for word in words)


@lru_cache(maxsize=4096)
def _colour_fit(said: str, on_file: str) -> float:
    """1.0 where the colour on file is named so, ``AKIN`` where it is akin, else 0.0."""
    wanted = [word for word in _colour_words(said) if word not in ("dark", "light", "pale", "deep")]
    have = set(_colour_words(on_file))
    if not wanted:
        return 0.0
    if all(word in have for word in wanted):
        return 1.0
    kin = {other for word in have for other in _AKIN.get(word, ())}
    kin_of_wanted = {other for word in wanted for other in _AKIN.get(word, ())}
    if all(word in have | kin for word in wanted) or (kin_of_wanted and kin_of_wanted & have):
        return AKIN
    return 0.0


def _period(text: str) -> tuple[int, int] | None:
    """First and last year of ``1968``, ``1960s``, ``the 60s``, ``sixties``, ``early seventies``; None where it is no such time."""
    match = re.fullmatch(
        r"(?:(?:the|from|about|around|circa|made|built|in) )*(early|mid|middle|late)?[ -]*(?:the )?"
        r"(?:((?:19|20)\d\d)(s)?|'?(\d0)'?s|(fifties|sixties|seventies|eighties|nineties))",
        text.casefold().strip(),
    )
    if match is None:
        return None
    part, year, is_decade, short, word = match.groups()
    if year and not is_decade:
        return int(year), int(year)
    first = int(year) if year else 1900 + int(short) if short else _DECADES[word]
    first -= first % 10
    low, high = {"early": (0, 3), "mid": (3, 6), "middle": (3, 6), "late": (6, 9)}.get(part or "", (0, 9))
    return first + low, first + high


def _looks_like_number(text: str) -> bool:
    """Whether this is a number to be read rather than a word: ``KB 2034``, ``S9 2??06``, ``73H024``."""
    tight = re.sub(r"[\s.-]", "", text)
    return bool(re.fullmatch(r"[A-Za-z0-9?_\[\]~/*]+", tight)) and sum(c.isdigit() or c in "?_" for c in tight) >= 3


def understand(text: str, registry: _File | None = None, *, people: bool = False) -> list[Clue]:
    """The clues in a description, one a comma (or semicolon), each as it is understood; a colour over another is two.

    Without a registry, colours, times and what is missing are known, and all else is words. ``people``: names of keepers are clues
    as well. Raises WrongInput where nothing is said.
    """
    pieces = [piece.strip(" .") for piece in re.split(r"[,;\n]", text)]
    pieces = [piece for piece in pieces if piece]
    if not pieces:
        raise WrongInput(
            "Say what can be seen, with commas between: --like 'grey over green, Lowmere, ribs on the sill'."
        )
    if len(pieces) > 40:
        raise WrongInput(f"That is {len(pieces)} clues; 40 at most. Say what is unusual about the car.")
    out: list[Clue] = []
    for piece in pieces:
        if _looks_like_number(piece) and _period(piece) is None:
            out.append(Clue(piece, "words", "a number", (piece.casefold(),)))
            continue
        found = list(_clues_of(piece, registry, people))
        if len(found) == 1 and found[0].kind == "words" and len(piece.split()) > 1:
            # "blue Pantile Lowmere" without its commas: each word that is a clue by itself is one.
            alone = [
                clue for word in piece.split() for clue in _clues_of(word, registry, people) if clue.kind != "words"
            ]
            rest = " ".join(word for word in piece.split() if all(word not in clue.text for clue in alone))
            if alone:
                found = alone + (list(_clues_of(rest, registry, people)) if _stems(rest) else [])
        out += found
    return out


def _clues_of(piece: str, registry: _File | None, people: bool) -> Iterator[Clue]:
    colours = [] if registry is None else registry.colours
    folded = " ".join(piece.casefold().split())
    over = re.fullmatch(r"(.+?) (?:over|on top of) (.+)", folded)
    under = re.fullmatch(r"(.+?) (?:under|under it|under the paint|underneath)", folded)
    if over and _is_colour(over[1], colours) and _is_colour(over[2].replace(" over ", " "), colours):
        yield Clue(piece, "colour", f"{over[1]} now", over[1])
        for deeper in over[2].split(" over "):
            yield Clue(piece, "under", f"{deeper} under it", deeper)
        return
    under = under or re.fullmatch(r"(?:under it|under the paint|underneath|under)[: ]+(.+)", folded)
    if under and _is_colour(under[1], colours):
        yield Clue(piece, "under", f"{under[1]} under the paint", under[1])
        return
    if (period := _period(folded)) is not None:
        said = f"{period[0]}" if period[0] == period[1] else f"{period[0]} to {period[1]}"
        yield Clue(piece, "time", said, period)
        return
    missing = re.fullmatch(r"(?:no|without(?: a| the)?|lacks(?: a| the)?) (?:body |car )?(\w+)", folded)
    if missing and missing[1] in _THINGS:
        yield Clue(piece, "without", f"no number on a {' or '.join(_THINGS[missing[1]])}", _THINGS[missing[1]])
        return
    if _is_colour(folded, colours):
        yield Clue(piece, "colour", f"{folded} now", folded)
        return
    if registry is not None and (known := _known(piece, folded, registry, people)) is not None:
        yield known
        return
    yield Clue(
        piece,
        "words",
        f"the word{'s' if len(_stems(piece)) != 1 else ''} {', '.join(_stems(piece)) or piece}",
        _stems(piece),
    )


def _known(piece: str, folded: str, registry: _File, people: bool) -> Clue | None:
    towns = {town.casefold(): town for town in registry.towns}
    plain = re.sub(r"^(?:in|at|from|near) ", "", folded)
    if plain in towns:
        return Clue(piece, "town", f"the town {towns[plain]}", towns[plain])
    series = [
        ident
        for ident, (name, maker) in registry.names.items()
        if set(_stems(folded)) and set(_stems(folded)) <= {*_stems(name), *_stems(maker)}
    ]
    if series:
        names = ", ".join(registry.names[ident][0] for ident in series)
        return Clue(piece, "kind", f"a body of {names}", tuple(series))
    if people:
        names_on_file = {name for one in registry.cars.values() for name in one.names}
        named = {name for name in names_on_file if set(_stems(folded)) and set(_stems(folded)) <= set(_stems(name))}
        if named:
            return Clue(piece, "name", "a keeper of that name", frozenset(named))
    if (found := _tells(piece, registry)) is not None:
        return found
    if len(plain) > 4:
        import difflib

        if close := difflib.get_close_matches(plain, towns, n=1, cutoff=0.85):
            return Clue(piece, "town", f"the town {towns[close[0]]}", towns[close[0]])
    return None


def _tells(piece: str, registry: _File) -> Clue | None:
    """The tells whose words hold most of what was said, a rare word counting more than a common one."""
    without = re.match(r"(?:no|without(?: a| the)?) ", piece.casefold())
    said = set(_stems(piece[without.end() :] if without else piece))
    codes = {code.casefold(): (code, name) for code, name, _, _ in registry.tells}
    if len(said) == 1 and (code := codes.get(piece.strip().casefold())):
        return Clue(piece, "tell", f"{code[0]}, {code[1]}", ((code[0],), "present"))
    words = [(code, name, {*_stems(name), *_stems(looks)}) for code, name, looks, _ in registry.tells]
    if not said or not words:
        return None
    weight = {stem: 1.0 / (1 + sum(stem in has for _, _, has in words)) for stem in said}
    total = sum(weight.values())
    ranked = [(sum(weight[stem] for stem in said & has) / total, code, name) for code, name, has in words]
    best = max(share for share, _, _ in ranked)
    # A word that no tell has weighs most of all, so that half-understood clues are not forced on one.
    if best < _ENOUGH_WORDS:
        return None
    chosen = [(code, name) for share, code, name in ranked if share >= best - 1e-9]
    if len(chosen) > 4:  # "sill" alone is a word, not a tell
        return None
    state = "absent" if without else "present"
    means = " or ".join(f"{code}, {name}" for code, name in chosen)
    return Clue(piece, "tell", f"{means}{' absent' if without else ''}", (tuple(code for code, _ in chosen), state))


# --- how a clue goes with a car -----------------------------------------------------------------------------------

#: How far a clue is true of a car (None: not known), in words, and whether that was seen or is only likely.
Fit = tuple[float | None, str, bool]


def _fit_colour(clue: Clue, car: _Car, _: _File) -> Fit:
    if not car.colours:
        return None, "colour now", True
    fit = _colour_fit(clue.value, car.colours[-1])
    return fit, f"{car.colours[-1]} now", True


def _fit_under(clue: Clue, car: _Car, _: _File) -> Fit:
    # A car painted since it was here shows its old colour under the new one.
    seen = [*car.under, *car.colours]
    if not car.under and not car.colours:
        return None, "colour under the paint", True
    best = max(seen, key=lambda colour: _colour_fit(clue.value, colour))
    fit = _colour_fit(clue.value, best)
    where = "under it" if best in car.under else "when it was here"
    return fit, f"{best} {where}" if fit else f"{', '.join(dict.fromkeys(seen))} when it was here", True


def _fit_tell(clue: Clue, car: _Car, registry: _File) -> Fit:
    codes, wanted = clue.value
    states = {code: car.tells[code] for code in codes if code in car.tells}
    if not states:
        likely = [(code, found) for code in codes if (found := registry.likely(code, car))]
        if not likely:
            return None, f"{clue.means} not looked for", True
        code, (rate, counts) = max(likely, key=lambda one: one[1][0])
        has = rate if wanted == "present" else 1.0 - rate
        return has, f"{code} not looked for ({counts})", False
    there = {code for code, state in states.items() if state != "absent"}
    shown = sorted(there) if there else sorted(states)
    return float(bool(there) == (wanted == "present")), ", ".join(f"{code} {states[code]}" for code in shown), True


def _fit_town(clue: Clue, car: _Car, _: _File) -> Fit:
    if not car.towns:
        return None, "town", True
    return float(clue.value in car.towns), " and ".join(sorted(car.towns)), True


def _fit_name(clue: Clue, car: _Car, _: _File) -> Fit:
    if not car.names:
        return None, "keeper", True
    met = sorted(car.names & clue.value)
    return float(bool(met)), ", ".join(met) if met else "another keeper", True


def _fit_without(clue: Clue, car: _Car, _: _File) -> Fit:
    there = [kind for kind in clue.value if kind in car.kinds]
    kinds = " or ".join(clue.value)
    return float(not there), f"a number on its {there[0]}" if there else f"no number on a {kinds}", True


def _fit_kind(clue: Clue, car: _Car, registry: _File) -> Fit:
    if car.series:
        met = [ident for ident in car.series if ident in clue.value]
        names = ", ".join(registry.names[ident][0] for ident in (met or car.series))
        return float(bool(met)), f"{names} in somebody's opinion", True
    if car.claimed:
        met = [ident for ident in registry.taken_for(car) if ident in clue.value]
        return (AKIN if met else 0.0), f"claimed as {car.claimed[-1]}", True
    return None, "what it is", True


def _fit_time(clue: Clue, car: _Car, registry: _File) -> Fit:
    """The share of the years in question, of the paper or series that goes best with what was said."""
    first, last = clue.value
    made = [
        (about.replace("_", " "), int(a[:4]), int(b[:4])) for about, a, b in car.spans if about in _MADE and a and b
    ]
    for ident in registry.taken_for(car):
        if ident in registry.made:
            first_made, last_made = _made_in(registry.made[ident])
            if first_made and last_made:
                made.append((f"{registry.names[ident][0]} was made", first_made, last_made))
    if not made:
        return None, "when it was made", True

    def share(one: tuple[str, int, int]) -> float:
        return max(0, min(last, one[2]) - max(first, one[1]) + 1) / (one[2] - one[1] + 1)

    best = max(made, key=share)
    years = f"{best[1]}" if best[1] == best[2] else f"{best[1]} to {best[2]}"
    return share(best), f"{best[0]} {years}", True


@lru_cache(maxsize=256)
def _made_in(edtf: str) -> tuple[int, int]:
    """First and last year of a span; 0 where it is open."""
    from decoder.dates import parse

    span = parse(edtf)
    return span.earliest.year if span.earliest else 0, span.latest.year if span.latest else 0


_MADE = ("body_moulded", "assembled", "first_registered", "plate_issued", "seen")


def _fit_words(clue: Clue, car: _Car, _: _File) -> Fit:
    met = [stem for stem in clue.value if stem in car.stems]
    if not met:
        return None, f"\u201c{clue.text}\u201d", True  # what nobody wrote down is not denied
    return len(met) / len(clue.value), f"\u201c{clue.text}\u201d in its record", True


_FITS: dict[str, Callable[[Clue, _Car, _File], Fit]] = {
    "colour": _fit_colour,
    "ever": _fit_under,
    "under": _fit_under,
    "tell": _fit_tell,
    "town": _fit_town,
    "name": _fit_name,
    "without": _fit_without,
    "kind": _fit_kind,
    "time": _fit_time,
    "words": _fit_words,
}


# --- the answer ---------------------------------------------------------------------------------------------------


def like(db: Any, text: str, *, people: bool = False, limit: int = MOST_NAMED) -> Likeness:
    """The cars on file that ``text`` may describe, likeliest first, with what fits and what does not, and "none of these".

    ``people``: also by the names of keepers, for those who may see them. ``limit``: how many cars are named at most.
    Raises WrongInput where nothing is said.
    """
    registry = _File(getattr(db, "conn", db))
    answer = Likeness(" ".join(text.split()), cars=len(registry.cars))
    answer.clues = understand(text, registry, people=people)
    _leave_out(answer, registry)
    return _ranked(db, answer, registry, set(), limit)


def like_car(db: Any, car: str, *, limit: int = MOST_NAMED) -> Likeness:
    """The other cars on file that look like one of them: by its colours, those under them, and what it is taken for.

    For a car that has no number to be looked up by: have we had this one before? Raises NoAnswer where there is no such car.
    """
    from registry import knowing

    row = knowing.resolve_car(db, car)
    registry = _File(getattr(db, "conn", db))
    mine = registry.of(row["id"])
    assert mine is not None
    answer = Likeness(mine.number, cars=len(registry.cars) - 1)
    if mine.colours:
        # At another visit it may be under a later paint, or not yet on the car.
        answer.clues.append(Clue(mine.colours[-1], "ever", f"{mine.colours[-1]} now or once", mine.colours[-1]))
    for colour in dict.fromkeys(part for text in [*mine.under, *mine.colours[:-1]] for part in text.split(" over ")):
        answer.clues.append(Clue(colour, "under", f"{colour} under it", colour))
    if kinds := registry.taken_for(mine):
        names = ", ".join(registry.names[ident][0] for ident in kinds)
        answer.clues.append(Clue(names, "kind", f"a body of {names}", tuple(kinds)))
    if not answer.clues:
        answer.problems.append(
            f"Nothing is on file of {mine.number} that it could be known by: no colour, and nobody says what it is."
        )
    return _ranked(db, answer, registry, {mine.ident}, limit)


def _leave_out(answer: Likeness, registry: _File) -> None:
    kept = []
    for clue in answer.clues:
        if clue.kind == "words" and _looks_like_number(clue.text):
            answer.problems.append(
                f"{clue.text} looks like a number: look it up by itself, tubmark find '{clue.text}'."
            )
        elif clue.kind == "words" and not any(
            stem in one.stems for stem in clue.value for one in registry.cars.values()
        ):
            answer.problems.append(
                f"Nothing here is called \u201c{clue.text}\u201d: no town, colour, feature or word in a record. It was left out."
            )
        else:
            kept.append(clue)
    answer.clues = kept


def _ranked(db: Any, answer: Likeness, registry: _File, without: set[int], limit: int) -> Likeness:
    cars = [one for one in registry.cars.values() if one.ident not in without]
    fits: list[dict[int, Fit]] = []
    for clue in answer.clues:
        of = {one.ident: _FITS[clue.kind](clue, one, registry) for one in cars}
        clue.known = sum(1 for has, *_ in of.values() if has is not None) if clue.kind != "words" else len(cars)
        clue.fits = sum(has for has, *_ in of.values() if has)
        fits.append(of)
    sheets = {code: sheet for code, _, _, sheet in registry.tells}
    weighed = []
    for one in cars:
        weight, strongest = 1.0, {}
        factors: dict[int, float] = {}
        for n, clue in enumerate(answer.clues):
            factor = clue.factor(fits[n][one.ident][0])
            factors[n] = factor
            if clue.kind != "tell":
                weight *= factor
                continue
            sheet = sheets.get(clue.value[0][0], "")
            if sheet not in strongest or abs(_log(factor)) > abs(_log(factors[strongest[sheet]])):
                strongest[sheet] = n
        for n in strongest.values():
            weight *= factors[n]
        weighed.append((weight, one, factors, set(strongest.values())))
    # Beforehand NOT_LISTED for none of them, the rest shared by the cars.
    each = (1.0 - NOT_LISTED) / len(cars) if cars else 0.0
    total = NOT_LISTED + each * sum(weight for weight, *_ in weighed)
    answer.none_of_these = round(NOT_LISTED / total, 6)
    weighed.sort(key=lambda one: (-one[0], one[1].number))
    for weight, one, factors, counted in weighed:
        chance = each * weight / total
        if chance < WORTH_NAMING or not any(has and seen for has, _, seen in (of[one.ident] for of in fits)):
            continue
        if len(answer.near) >= limit:
            answer.more += 1
            continue
        likely = Likely(one.number, round(chance, 6), _title(one, registry))
        for n, clue in enumerate(answer.clues):
            has, says, seen = fits[n][one.ident]
            counts = clue.kind != "tell" or n in counted
            how = f" (x{factors[n]:.2g})" if counts else " (comes with the others)"
            likely.factors[clue.means] = round(factors[n], 3) if counts else 1.0
            if has is None:
                likely.unknown.append(says)
            elif not seen:
                likely.unknown.append(says + how)
            else:
                (likely.fits if has else likely.against).append(says + how)
        answer.near.append(likely)
    answer.stops = _stops(db, answer)
    return answer


def _log(value: float) -> float:
    from math import log

    return log(value) if value > 0.0 else float("-inf")


def _title(car: _Car, registry: _File) -> str:
    if car.series:
        return " and ".join(registry.names[ident][0] for ident in car.series)
    return f"claimed as {car.claimed[-1]}" if car.claimed else ""


def _stops(db: Any, answer: Likeness) -> list[dict[str, Any]]:
    from registry import knowing

    found = []
    for one in answer.near:
        ident = knowing.resolve_car(db, one.car)["id"]
        found += [{**stop, "car": one.car} for stop in knowing.open_stops(db, ident)]
    return found
