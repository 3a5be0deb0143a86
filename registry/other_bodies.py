"""Papers and say-so that, by the findings, date another body than this one.

They are named, not judged: most are honest, and belong to the body that the car was believed to be.
"""

from __future__ import annotations

from collections.abc import Mapping
from typing import TYPE_CHECKING, Any

from decoder.dates import parse
from decoder.errors import DecoderError
from decoder.evidence import Evidence
from registry import knowing
from registry.body_number import years_of
from registry.tells import SheetOnFile

if TYPE_CHECKING:
    from registry.knowing import Source

#: Under this a kind of body is called excluded where it is said which papers speak of another body (own choice).
EXCLUDED = 0.05
#: Of these a paper gives a date that hangs on whose body it is.
_HANGS_ON_IDENTITY = ("body_moulded", "plate_issued")


def papers_of_another_body(db: Source, car: int, on_file: SheetOnFile, found: Evidence) -> list[dict[str, Any]]:
    """Papers and say-so that date a body which, by the findings, is not this one: ``statement``, ``says``, ``ask``.

    A date outside the years in which the leading kind of body was made cannot be this body's; a copy is not older than
    the first body it can have been taken from. What is no document of its time (a memory, a certificate without a name) stands
    and falls with the claim: where the findings leave the claimed maker less than one in twenty, so is it named. A document
    made at the time and seen in the original is named only for its date, and one whose date fits the leading kind is not named.
    """
    kind = found.leading
    series = {row["id"]: row for row in knowing.rows(db, "SELECT * FROM series")}
    settled = [one for one in knowing.standing_decisions(db, car) if one["opinion"] != "open" and one["series"]]
    if settled and len({one["series"] for one in settled}) == 1:
        kind = settled[-1]["series"]
    elif not found.decidable:
        kind = found.leading if found.makers.get(on_file.sheet.maker(found.leading), 0) >= 1 - EXCLUDED else ""
    if not kind or kind not in series:
        return _hanging_on_the_claim(db, car, on_file, found, series, set())
    begin, end = years_of(series[kind])
    why = f"bodies of that kind were made {_period(series[kind])}" if begin or end else ""
    if series[kind]["kind"] == "copy" and begin is None:
        original = series.get(series[kind]["copied_from"] or "")
        if original is not None:
            begin = years_of(original)[0]
            why = f"a copy is not older than the first {original['name']}, which was made {_period(original)}"
    out, named = [], set()
    name = series[kind]["name"]
    for row in _dating_the_body(db, car):
        late = end is not None and row["earliest"] and row["earliest"] > end and row["relation"] != "not after"
        early = begin is not None and row["latest"] and row["latest"] < begin and row["relation"] != "not before"
        if late or early:
            named.add(row["id"])
            out.append(
                {
                    "statement": row["id"],
                    "says": f"{_called(row)} dates another body: the findings speak for {_a(name)}, and {why}.",
                    "ask": _ask(row),
                }
            )
    return out + _hanging_on_the_claim(db, car, on_file, found, series, named)


def _ask(row: Mapping[str, Any]) -> str:
    if row["seen"] == "told":
        return "Ask what it rests on: is there a paper, and does any number on it stand on this car?"
    return "Ask to see the original, and whether any number on it stands on this car."


def _hanging_on_the_claim(
    db: Source,
    car: int,
    on_file: SheetOnFile,
    found: Evidence,
    series: Mapping[str, dict[str, Any]],
    named: set[int],
) -> list[dict[str, Any]]:
    claimed = [each for each in _claimed(db, car, series) if each in on_file.sheet.by_name]
    if not claimed:
        return []
    sheet = on_file.sheet
    maker = sheet.maker(claimed[-1])
    copies = [each.name for each in sheet.hypotheses if each.kind in ("copy", "continuation")]
    if found.makers.get(maker, 1.0) >= EXCLUDED or claimed[-1] in copies:
        return []
    begin, end = years_of(series[found.leading]) if found.leading in series else (None, None)
    left = found.makers.get(maker, 0.0)
    share = "less than 1 in 100" if left < 0.01 else f"about {round(100 * left)} in 100"
    out = []
    for row in _dating_the_body(db, car):
        document = row["nature"] == "document made at the time" and row["seen"] == "original"
        fits = begin and end and (row["earliest"] or "") <= end and (row["latest"] or "9") >= begin
        if row["id"] in named or document or fits:
            continue
        says = (
            f"{_called(row)} goes with the claim that this is {_a(series[claimed[-1]]['name'])}, and the findings leave that "
            f"{share}. It dates the body that is claimed, not this one."
        )
        out.append({"statement": row["id"], "says": says, "ask": _ask(row)})
    return out


def _dating_the_body(db: Source, car: int) -> list[dict[str, Any]]:
    return [row for row in knowing.statements_of(db, car) if row["about"] in _HANGS_ON_IDENTITY and row["edtf"]]


def _claimed(db: Source, car: int, series: Mapping[str, dict[str, Any]]) -> list[str]:
    """The series that a car was claimed to be, by its entries, oldest first."""
    out = []
    for entry in knowing.entries_of(db, car):
        claim = (entry["claimed_as"] or "").casefold().strip()
        out += [ident for ident, row in series.items() if claim and claim in (ident.casefold(), row["name"].casefold())]
    return out


def _called(row: dict[str, Any]) -> str:
    """A paper in a few words: Typed 'certificate' (seller): "1968"."""
    kind = row["kind"][:1].upper() + row["kind"][1:]
    source = f" ({row['source']})" if row["source"] and row["source"].casefold() not in kind.casefold() else ""
    said = (row["as_written"] or row["edtf"]).strip("'\"")
    return f"{kind}{source}: \u201c{said}\u201d"


def _a(name: str) -> str:
    plain = name.removeprefix("unnamed ")
    return f"an {plain}" if plain[:1].casefold() in "aeiou" else f"a {plain}"


def _period(series: Mapping[str, Any]) -> str:
    try:
        return parse(series["made_edtf"]).words()
    except DecoderError:
        return str(series["made_edtf"])
