"""The 17-character vehicle identification number of ISO 3779: parts, check character, model year.

Positions 1 to 3 name the maker, 4 to 8 describe the vehicle, 9 is a check character, 10 the model year, 11 the plant and 12 to
17 the serial. The check character binds in North America; elsewhere it is a hint. The letter of the model year comes round
after thirty years; on cars and light trucks a figure in position 7 means 1980 to 2009, a letter 2010 to 2039 (not on trailers,
buses, heavy trucks and motorcycles). Sources: 49 CFR 565, 73 FR 23367, as named in ``tables/vin17.yml``.

A floorpan of the years before has no such number and no check character; a number that passes is not thereby right.

>>> check_character("1M8GDM9A?KP042788"), check_character("SGZCZ43D13S812715")
('X', 'X')
"""

from __future__ import annotations

import itertools
from collections.abc import Sequence
from typing import Any

from decoder import families
from decoder.channel import as_read
from decoder.patterns import Family, Segment
from decoder.reading import Cell
from decoder.weighing import Found

LENGTH = 17
#: Legal characters: figures and letters without I, O and Q.
ALPHABET = "0123456789ABCDEFGHJKLMNPRSTUVWXYZ"
#: How much a number counts whose check character does not agree: where it binds, such a reading is all but ruled out; elsewhere
#: a check that agrees speaks for the reading as 1 in 11 random numbers agree. Own assumption.
_FAILS_WHERE_IT_BINDS, _FAILS_ELSEWHERE = 0.01, 0.5
_MOST_COMPLETIONS = 3000


def _data() -> dict[str, Any]:
    return families.load_data("vin17")


def check_character(number: str, data: dict[str, Any] | None = None) -> str:
    """The character that ought to stand ninth: "0" to "9" or "X". What stands there is not looked at.

    Raises ValueError for a text that is not 17 legal characters (the ninth may be anything).
    """
    data = data or _data()
    number = number.replace(" ", "").upper()
    if len(number) != LENGTH:
        raise ValueError(f"A number of this kind has 17 characters; '{number}' has {len(number)}.")
    total = 0
    for i, (c, weight) in enumerate(zip(number, data["weights"], strict=True)):
        if i == 8:
            continue
        value = c if c in "0123456789" else data["values"].get(c)
        if value is None:
            raise ValueError(
                f"'{c}' at place {i + 1} is no character of such a number; it has figures and letters without I, O and Q."
            )
        total += int(value) * int(weight)
    return "X" if total % 11 == 10 else str(total % 11)


def weigh_vin(family: Family, cells: Sequence[Cell]) -> Found | None:
    """What a 17-character reading says, or None where it is not one. Uncertain characters are tried in every way up to 3,000."""
    if len(cells) != LENGTH or any(c.stretch for c in cells):
        return None
    data = family.raw
    found = Found(family)
    options = []
    for cell in cells:
        chars = [c for c in (cell.chars or ALPHABET) if c in ALPHABET]
        if not chars:
            chars = [c for x in cell.chars for c, _ in as_read(x, ALPHABET)]
            if not chars:
                return None
            typed, taken = " or ".join(cell.chars), " or ".join(dict.fromkeys(chars))
            found.problems.append(f"The letter {typed} was read as {taken}: such a number has no I, O or Q.")
            chars = list(dict.fromkeys(chars))
        options.append(chars)
    size = 1
    for o in options:
        size *= len(o)
    binds = all(c in "12345" for c in options[0])
    american = sum(c in "12345" for c in options[0]) / len(options[0])
    passing = 0.0
    if size <= _MOST_COMPLETIONS:
        for combination in itertools.product(*options):
            text = "".join(combination)
            agrees = check_character(text, data) == text[8]
            weight = 1.0 if agrees else _FAILS_WHERE_IT_BINDS if binds else _FAILS_ELSEWHERE
            passing += agrees
            _add(found, data, text[6], text[9], weight, float(text[0] in "12345"))
            found.add_candidate(text, weight, None, ())
        if size == 1:
            _facts(found, data, next(iter(found.candidates)), bool(passing), binds)
        elif passing:
            found.facts.append(f"Of {size} numbers it can be, {int(passing)} have a check character that agrees.")
    else:
        for seventh, tenth in itertools.product(options[6], options[9]):
            _add(found, data, seventh, tenth, 1.0, american)
        found.count = size
        found.facts.append("Too much is open for the check character to help.")
    found.evidence = min(found.total / (passing or 1.0), 1.0) if size <= _MOST_COMPLETIONS else 1.0
    return found if found.segments else None


def _add(found: Found, data: dict[str, Any], seventh: str, tenth: str, weight: float, american: float) -> None:
    """Add a year letter's years. ``american``: the share of North America, where place 7 tells the two cycles apart; elsewhere both stand."""
    years = data["model_years"].get(tenth)
    if years is None:
        found.add(_segment(found.family, None), weight)
        return
    told = int(years[0] if seventh.isdigit() else years[1])
    for year in map(int, years):
        share = american * (year == told) + (1.0 - american) / 2
        if share:
            found.add(_segment(found.family, year, tenth), weight * share)


def _segment(family: Family, year: int | None, tenth: str = "") -> Segment:
    """The segment of a model year, made once. A model year lies between 2 January of the year before and its own 31 December
    (40 CFR 85.2302 to 85.2304, from memory)."""
    made: dict[Any, Segment] = family.__dict__.setdefault("vin_segments", {})
    if year not in made:
        if year is None:
            made[None] = Segment([[], "0001-01-01", "9999-12-31", None, False, [], 1.0, False])
        else:
            family.rows.append(
                {"id": f"{year}", "basis": "model", "run": "", "first": tenth, "last": tenth, "model_year": year, "calendar_year": None,
                 "earliest": f"{year - 1}-01-02", "latest": f"{year}-12-31", "built": f"{year - 1}-01-02/{year}-12-31",
                 "source": family.raw["model_years_source"], "memory": [], "structure": [], "facts": [], "note": "", "disputed": []}
            )  # fmt: skip
            made[year] = Segment(
                [[len(family.rows) - 1], f"{year - 1}-01-02", f"{year}-12-31", None, False, [[year, 1.0]], 1.0, False]
            )
    return made[year]


def _facts(found: Found, data: dict[str, Any], number: str, agrees: bool, binds: bool) -> None:
    region = next((r["name"] for r in data["regions"] if r["first"] <= number[0] <= r["last"]), "")
    maker = number[:3] + (number[11:14] if number[2] == "9" else "")
    found.facts.append(f"maker's identifier {maker}" + (f", region {region}" if region else ""))
    if number[2] == "9":
        found.facts.append(
            "a 9 in third place marks a low volume maker: places 12 to 14 belong to its identifier, the serial is places 15 to 17"
        )
    wanted = check_character(number, data)
    if agrees:
        found.facts.append("the check character agrees (so do 1 in 11 numbers made up at random)")
    elif binds:
        found.problems.append(
            f"The check character in place 9 is {number[8]} and should be {wanted}. In North America it binds: one character is misread, or the "
            "number is not a maker's. Read it again before anything is built on it."
        )
    else:
        found.facts.append(
            f"the check character would be {wanted}, not {number[8]}; outside North America that is a hint and no more"
        )
    if data["model_years"].get(number[9]) is None:
        found.problems.append(
            f"'{number[9]}' in place 10 is no year letter; outside North America the place is not always used for the year."
        )
    else:
        if not binds:
            found.facts.append(
                "outside North America place 7 does not tell 1980 to 2009 from 2010 to 2039; both years stand"
            )
            return
        cycle = "a figure in place 7: 1980 to 2009" if number[6].isdigit() else "a letter in place 7: 2010 to 2039"
        found.facts.append(
            f"{cycle}, on cars and light trucks; trailers, buses, heavy trucks and motorcycles keep no such rule"
        )
