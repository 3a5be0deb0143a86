"""The tells on file, and the sheet that is made of them for a car or a series.

A registry keeps tells with their counts, at which serial a tell's rate changes, and what came to the gate so far (the odds
beforehand), each in versions: the latest is used, and none is ever overwritten. From these a ``decoder.evidence.Sheet`` is built.

What goes on a sheet: the kinds of body that come to the gate together (``gate_odds``), and the tells of every sheet that was
counted on no other kinds. So a car that is offered as a Pantile is looked at for its maker's tells and for those of his
named copyist. Where no odds are on file the kinds counted on a sheet start equal.
"""

from __future__ import annotations

import re
from collections import defaultdict
from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any, NamedTuple

from decoder.errors import DecoderError
from decoder.evidence import DEFAULT, JOINED, NONE_OF_THESE, Assumptions, Change, Count, Hypothesis, Sheet, Tell
from registry import knowing
from registry.body_number import body_numbers, families_of, serial_text
from registry.errors import NoAnswer, WrongInput

if TYPE_CHECKING:
    from decoder import Tables
    from registry.knowing import Source


def tells_on_file(db: Source) -> dict[str, dict[str, Any]]:
    """Every tell in its latest version, by code: the row, with ``counts`` and ``changes`` as lists of rows."""
    found = knowing.rows(
        db,
        """
        SELECT * FROM tells WHERE NOT EXISTS
          (SELECT 1 FROM tells AS later WHERE later.code = tells.code AND later.version > tells.version) ORDER BY id
        """,
    )
    by_id = {row["id"]: row | {"counts": [], "changes": []} for row in found}
    for table, what in (("tell_counts", "counts"), ("tell_changes", "changes")):
        for row in knowing.rows(db, f"SELECT * FROM {table} ORDER BY id"):
            if row["tell"] in by_id:
                by_id[row["tell"]][what].append(row)
    # In the order in which the codes came on file: a later version stands where the first one stood.
    first = {row["code"]: row["id"] for row in knowing.rows(db, "SELECT code, min(id) AS id FROM tells GROUP BY code")}
    return {row["code"]: row for row in sorted(by_id.values(), key=lambda each: first[each["code"]])}


def odds_on_file(db: Source) -> dict[str, dict[str, Any]]:
    """What came to the gate, by sheet, in its latest version: ``version``, ``source`` and ``weights`` by series."""
    found: dict[str, dict[str, Any]] = {}
    for row in knowing.rows(
        db,
        """
        SELECT * FROM gate_odds WHERE version =
          (SELECT max(version) FROM gate_odds AS other WHERE other.sheet = gate_odds.sheet) ORDER BY id
        """,
    ):
        gate = found.setdefault(row["sheet"], {"version": row["version"], "source": row["source"], "weights": {}})
        gate["weights"][row["hypothesis"]] = row["weight"]
    return found


@dataclass(frozen=True)
class SheetOnFile:
    """A sheet as it is made from what is on file. ``versions`` of its tells by code; ``odds`` is the version of the odds at the
    gate, None where there are none and all kinds of body start equal; ``why`` says how it came to be this sheet."""

    name: str
    sheet: Sheet
    rows: Mapping[str, dict[str, Any]]
    odds: int | None
    odds_source: str
    why: str = ""

    @property
    def versions(self) -> dict[str, int]:
        return {code: self.rows[code]["version"] for code in self.sheet.tells}

    def hypothesis(self, text: str) -> str:
        """The name of the answer that is meant by a series' id or name, "none" or "joined". Raises WrongInput."""
        wanted = " ".join(text.casefold().split())
        short = {"none": NONE_OF_THESE, "joined": JOINED}
        for name in self.sheet.names:
            if wanted in (name.casefold(), self.sheet.title(name).casefold()) or short.get(wanted) == name:
                return name
        named = ", ".join(self.sheet.names)
        raise WrongInput(f"'{text}' is no answer on the sheet {self.name}. There are: {named}.")

    def group(self, text: str) -> str:
        """A group of tells on this sheet. Raises WrongInput, with those there are."""
        groups = list(dict.fromkeys(tell.group for tell in self.sheet.tells.values()))
        if text.strip().casefold() not in groups:
            raise WrongInput(f"'{text}' is no group on the sheet {self.name}. There are: {', '.join(groups)}.")
        return text.strip().casefold()


class _Gate(NamedTuple):
    """Kinds of body that come to the gate together, and the codes of the tells that are looked for on them."""

    weights: dict[str, float]
    codes: tuple[str, ...]
    version: int | None
    source: str


def _gates(db: Source) -> dict[str, _Gate]:
    """By name; a sheet of tells that belongs to the odds of another one has no gate of its own."""
    tells, odds = tells_on_file(db), odds_on_file(db)
    counted: dict[str, set[str]] = defaultdict(set)
    for row in tells.values():
        counted[row["sheet"]] |= {count["series"] for count in row["counts"]}
    found = {}
    for name, gate in odds.items():
        sheets = {sheet for sheet, on in counted.items() if sheet == name or (on and on <= set(gate["weights"]))}
        codes = tuple(code for code, row in tells.items() if row["sheet"] in sheets)
        found[name] = _Gate(dict(gate["weights"]), codes, gate["version"], gate["source"])
    for sheet, on in counted.items():
        codes = tuple(code for code, row in tells.items() if row["sheet"] == sheet)
        if on and not any(set(codes) <= set(gate.codes) for gate in found.values()):
            found[sheet] = _Gate(dict.fromkeys(sorted(on), 1.0), codes, None, "")
    return found


def sheet_named(
    db: Source,
    name: str,
    *,
    why: str = "",
    more: Mapping[tuple[str, str], tuple[float, float]] | None = None,
    assumptions: Assumptions = DEFAULT,
) -> SheetOnFile:
    """The sheet of that name. ``more`` are counts to be added, by (code, series). Raises NoAnswer, with those there are."""
    gates = _gates(db)
    known = next((each for each in gates if each.casefold() == name.strip().casefold()), None)
    if known is None:
        raise NoAnswer(f"There is no sheet {name.strip()} on file. {_those_there_are(gates)}")
    return _made(db, known, gates[known], why, more or {}, assumptions)


def _those_there_are(gates: Iterable[str]) -> str:
    named = ", ".join(gates)
    return f"There are: {named}." if named else "None is on file yet: put one there with tubmark tells import FILE."


def _made(
    db: Source,
    name: str,
    gate: _Gate,
    why: str,
    more: Mapping[tuple[str, str], tuple[float, float]],
    assumptions: Assumptions,
) -> SheetOnFile:
    rows = tells_on_file(db)
    series = {row["id"]: row for row in knowing.rows(db, "SELECT * FROM series")}
    makers = {row["id"]: row["name"] for row in knowing.rows(db, "SELECT * FROM makers")}
    tables = knowing.house_tables(db)
    kinds = [
        Hypothesis(
            ident,
            series[ident]["kind"],
            copied_from=series[ident]["copied_from"],
            weight=weight,
            maker=makers.get(series[ident]["maker"]),
            title=series[ident]["name"],
        )
        for ident, weight in gate.weights.items()
        if ident in series
    ]
    tells = [_tell(rows[code], series, tables, more) for code in gate.codes]
    used = {code: rows[code] for code in gate.codes}
    try:
        return SheetOnFile(name, Sheet(kinds, tells, assumptions), used, gate.version, gate.source, why)
    except DecoderError as error:
        raise WrongInput(f"The sheet {name} on file cannot be used: {error}") from error


def _tell(
    row: dict[str, Any],
    series: Mapping[str, dict[str, Any]],
    tables: Tables,
    more: Mapping[tuple[str, str], tuple[float, float]],
) -> Tell:
    counts = {
        each["series"]: Count(each["seen_on"], each["out_of"], each["kind"], each["source"]) for each in row["counts"]
    }
    for (code, name), (seen, of) in more.items():
        if code == row["code"] and of:
            known = counts.get(name, Count(0, 0, "counted", ""))
            source = "; ".join(part for part in (known.source, "cars decided here") if part)
            counts[name] = Count(known.seen_on + seen, known.out_of + of, known.kind, source)
    changes = tuple(
        Change(
            each["series"],
            serial_text(each["at"], series[each["series"]]["serial_family"], tables),
            Count(each["before_seen"], each["before_of"], each["kind"], each["source"]),
            Count(each["after_seen"], each["after_of"], each["kind"], each["source"]),
        )
        for each in row["changes"]
    )
    return Tell(
        row["code"],
        row["name"],
        row["grp"],
        row["minutes"],
        counts,
        later=bool(row["later"]),
        place=row["place"] or "",
        changes=changes,
        how=row["how"] or "",
    )


def sheet_for(db: Source, what: str | int, *, assumptions: Assumptions = DEFAULT) -> SheetOnFile:
    """The sheet to be filled in for a car (its id, or any number that leads to it), a series (id or name), or the one named.

    For a car it is the sheet that most of what was seen belongs to; before anything was seen the one of the series that its
    number, an opinion or the claim names. Raises NoAnswer where nothing says which, or nothing of that name is on file.
    """
    if isinstance(what, int):
        name, why = _for_car(db, what)
        return sheet_named(db, name, why=why, assumptions=assumptions)
    gates = _gates(db)
    named = next((each for each in gates if each.casefold() == what.strip().casefold()), None)
    if named is not None:
        return sheet_named(db, named, assumptions=assumptions)
    for row in knowing.rows(db, "SELECT id, name, maker FROM series"):
        if what.strip().casefold() in (row["id"].casefold(), row["name"].casefold()):
            fits = _gates_of(db, gates, row["id"])
            if not fits:
                raise NoAnswer(f"No sheet on file is about {row['name']} ({row['id']}). {_those_there_are(gates)}")
            return sheet_named(db, fits[0], why=f"the sheet of {row['name']}", assumptions=assumptions)
    if re.fullmatch(r"[Ee]\s*[0-9]{2}[\s-]*[0-9]{1,6}", what.strip()):
        return sheet_for(db, knowing.resolve_car(db, what)["id"], assumptions=assumptions)
    series = ", ".join(row["id"] for row in knowing.rows(db, "SELECT id FROM series ORDER BY id"))
    raise NoAnswer(
        f"There is no series, sheet or car {what.strip()} on file. Series: {series or 'none yet'}. {_those_there_are(gates)}"
    )


def _gates_of(db: Source, gates: Mapping[str, _Gate], series: str) -> list[str]:
    """The sheets on which a series is one of the answers, those first on which more is known of it."""
    rows = tells_on_file(db)

    def known(name: str) -> int:
        return sum(any(c["series"] == series for c in rows[code]["counts"]) for code in gates[name].codes)

    fits = [name for name, gate in gates.items() if series in gate.weights]
    return sorted(fits, key=lambda name: -known(name))


def _for_car(db: Source, car: int) -> tuple[str, str]:
    gates = _gates(db)
    if not gates:
        raise NoAnswer(f"No tell is on file yet, so nothing can be weighed. {_those_there_are(gates)}")
    seen = [row["tell"] for row in knowing.observations_of(db, car) if row["state"] != "not examined"]
    on = {name: sum(code in gate.codes for code in seen) for name, gate in gates.items()}
    best = max(on, key=lambda name: on[name])
    if on[best]:
        return best, "most of what was seen stands on it"
    for series, why in _series_in_question(db, car):
        kind = knowing.row(db, "SELECT kind FROM series WHERE id = ?", [series])
        fits = _gates_of(db, gates, series)
        if fits and kind and kind["kind"] != "other":
            return fits[0], why
    if len(gates) == 1:
        return best, "the only sheet on file"
    raise NoAnswer(
        f"Nothing on file of {knowing.car_number(db, car)} says which sheet to use. Name one with --sheet. {_those_there_are(gates)}"
    )


def _series_in_question(db: Source, car: int) -> Iterable[tuple[str, str]]:
    """Series that something on file of a car speaks of, the weightiest first, with what speaks of it."""
    for decision in reversed(knowing.standing_decisions(db, car)):
        if decision["series"]:
            yield decision["series"], "the opinion on file names a series of it"
    tables = knowing.house_tables(db)
    for thing, reading in body_numbers(db, car):
        for family in families_of(reading, thing["kind"], tables):
            for row in knowing.rows(db, "SELECT id FROM series WHERE serial_family = ? ORDER BY id", [family]):
                yield row["id"], f"the number {reading['as_typed']} is of a series of it"
    named = knowing.rows(db, "SELECT id, name FROM series WHERE kind <> 'other' ORDER BY id")
    for entry in reversed(knowing.entries_of(db, car)):
        claim = (entry["claimed_as"] or "").casefold().strip()
        for row in named:
            if claim and claim in (row["id"].casefold(), row["name"].casefold()):
                yield row["id"], f"it is claimed to be {row['name']}"
        words = set(re.findall(r"[^\W\d_]{4,}", f"{claim} {(entry['claim_words'] or '').casefold()}"))
        for row in named:
            if words & set(re.findall(r"[^\W\d_]{4,}", row["name"].casefold())) - _PLAIN_WORDS:
                yield row["id"], f"the claim speaks of a {row['name']}"


_PLAIN_WORDS = {"series", "body", "mark", "copy", "unnamed", "continuation", "other", "with", "from"}
