"""What was seen on a car: recording it, whose findings count, and where two people differ.

A filled sheet is recorded in one action, all of it or nothing. A second examiner may look without seeing what the first one saw
(``blind``); ``differences`` says where the two part. Findings of one person on one tell: the last one counts. Findings of two
people that differ weigh nothing until somebody looks again.
"""

from __future__ import annotations

import csv
import io
from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any, NamedTuple

from decoder import evidence as weighing
from decoder.evidence import SILENT, STATES, Observation, zone
from registry import knowing
from registry.errors import WrongInput
from registry.tells import tells_on_file

if TYPE_CHECKING:
    from sqlite_utils import Database

    from registry.knowing import Source

#: States as people write them on a sheet.
SHORT = {
    "p": "present", "yes": "present", "+": "present", "x": "present",
    "a": "absent", "no": "absent", "-": "absent",
    "alt": "altered", "changed": "altered",
    "t": "gone with traces left", "traces": "gone with traces left", "traces left": "gone with traces left",
    "gone": "gone with traces left",
    "nv": "not visible", "hidden": "not visible", "covered": "not visible",
    "ne": "not examined", "": "not examined",
}  # fmt: skip


def findings_of(db: Source, car: int, *, by: int | None = None) -> list[dict[str, Any]]:
    """What counts of what was seen: of each person on each tell (and half of the car) the last finding.

    A tell that a person saw once and could not see later, under fresh paint say, stays seen. ``by`` keeps one person's.
    """
    return last_of(row for row in knowing.observations_of(db, car) if by is None or row["by_person"] == by)


def last_of(rows: Iterable[dict[str, Any]]) -> list[dict[str, Any]]:
    """Of observations of one car, in the order recorded, those that count (``findings_of``)."""
    kept: dict[tuple[Any, str, str], dict[str, Any]] = {}
    for row in rows:
        key = (row["by_person"], row["tell"], zone(row["place"] or ""))
        before = kept.get(key)
        if before is None or row["state"] not in SILENT or before["state"] in SILENT:
            kept[key] = row
    return list(kept.values())


def as_observations(rows: Iterable[dict[str, Any]]) -> list[Observation]:
    return [
        Observation(row["tell"], row["state"], row["place"] or "", min(row["doubt"] or 0.0, 0.5)) for row in rows
    ]  # fmt: skip


def differences(db: Source, car: int) -> list[dict[str, Any]]:
    """Where two people who looked at a car found different things: ``people`` (their ids), ``differ`` (tell, name and both
    states) and ``agree``: the number of tells on which both have a finding and it is the same."""
    rows = knowing.observations_of(db, car)
    people = list(dict.fromkeys(row["by_person"] for row in rows if row["by_person"] is not None))
    names = {code: row["name"] for code, row in tells_on_file(db).items()}
    out = []
    for place, one in enumerate(people):
        for other in people[place + 1 :]:
            mine, theirs = (as_observations(findings_of(db, car, by=who)) for who in (one, other))
            differ = weighing.differ(mine, theirs)
            seen = [{each.tell for each in found if each.state not in SILENT} for found in (mine, theirs)]
            both = seen[0] & seen[1]
            if both:
                told = [
                    {"tell": code, "name": names.get(code, code), "states": [first, second]}
                    for code, first, second in differ
                ]
                out.append({"people": [one, other], "differ": told, "agree": len(both) - len(told)})
    return out


# --- recording ------------------------------------------------------------------------------------------------------


class Finding(NamedTuple):
    """A line of a filled sheet, before it is checked. ``where`` is how to find the line again."""

    tell: str
    state: str
    doubt: float | None = None
    place: str | None = None
    note: str | None = None
    traces: str | None = None
    where: str = ""


@dataclass(frozen=True)
class Inspection:
    """What was recorded: the ids of the observations, how many of them are findings, and what the people who looked differ on."""

    car: str
    stops: tuple[dict[str, Any], ...]
    ids: tuple[int, ...]
    findings: int
    blind: bool
    differences: tuple[dict[str, Any], ...]


def state_meant(text: str) -> str:
    """A state as people write it ("p", "not visible", "traces") as the state that is kept. Raises WrongInput, with all of them.

    >>> state_meant("Present"), state_meant("nv")
    ('present', 'not visible')
    """
    wanted = " ".join(text.strip().casefold().replace("_", " ").split())
    state = wanted if wanted in STATES else SHORT.get(wanted) if wanted else None
    if state is None:
        raise WrongInput(f"'{text.strip()}' is no state. One of: {', '.join(STATES)}; in short p, a, alt, t, nv, ne.")
    return state


def finding_typed(text: str) -> Finding:
    """A finding as it is typed: ``K01=present``, ``K03=a``, ``K05=present~0.3`` (a doubt of 0.3). Raises WrongInput.

    >>> finding_typed("K05=present~0.3")[:3]
    ('K05', 'present', 0.3)
    """
    tell, equals, state = text.partition("=")
    if not equals or not tell.strip():
        raise WrongInput(f"'{text}' is no finding. Write the tell, = and its state: K01=present")
    state, mark, doubt = state.partition("~")
    share = None
    if mark:
        try:
            share = float(doubt.strip().rstrip("%")) / (100 if doubt.strip().endswith("%") else 1)
        except ValueError:
            share = -1.0
    return Finding(tell.strip(), state.strip(), share, where=text)


_COLUMNS = ("tell", "state", "doubt", "place", "note", "traces")


def findings_in(text: str, name: str) -> list[Finding]:
    """The findings of a filled clipboard sheet: a CSV with a column ``tell`` and either a column ``state`` or one column for
    each state with a mark in one of them. Other columns are passed over; a line without a state is left out.

    Raises WrongInput with the lines that cannot be read; none is taken then.
    """
    head = text.lstrip("\ufeff").splitlines()[:1]
    separator = max(",;\t", key=lambda mark: head[0].count(mark)) if head else ","
    reader = csv.DictReader(io.StringIO(text.lstrip("\ufeff"), newline=""), delimiter=separator)
    columns = {(column or "").strip().casefold(): column for column in reader.fieldnames or []}
    boxes = [state for state in STATES if state in columns]
    if "tell" not in columns or not ("state" in columns or boxes):
        raise WrongInput(
            f"{name} has no columns 'tell' and 'state' in its first line. A sheet to fill in: tubmark sheet SERIES --out sheet.csv"
        )
    found, problems = [], []
    for row in reader:
        line = f"{name}, line {reader.line_num}"
        given = {key: (row.get(column) or "").strip() for key, column in columns.items() if isinstance(column, str)}
        marked = [state for state in boxes if given[state]]
        if len(marked) > 1:
            problems.append(f"{line}: {given['tell']} has a mark under {' and under '.join(marked)}. One state a tell.")
            continue
        state = given.get("state") or (marked[0] if marked else "")
        if not state:
            continue
        if not given["tell"]:
            problems.append(f"{line}: a state without a tell. The code stands in the column 'tell'.")
            continue
        doubt: float | None = None
        if given.get("doubt"):
            try:
                doubt = float(given["doubt"])
            except ValueError:
                doubt = -1.0
        more = {key: given.get(key) or None for key in ("place", "note", "traces")}
        found.append(Finding(given["tell"], state, doubt, **more, where=line))
    if problems:
        raise WrongInput("\n".join(problems))
    if not found:
        raise WrongInput(f"{name} has no state filled in, so there is nothing to record.")
    return found


def record_inspection(
    db: Database,
    car: str,
    findings: Iterable[Finding],
    *,
    by: int | str | None,
    blind: bool = False,
    place: str | None = None,
    day: str | None = None,
    **how: Any,
) -> Inspection:
    """Record what somebody saw on a car, all of it or nothing, as one action.

    ``blind`` says that the examiner has not seen what others found; somebody who has looked at this car before cannot.
    ``place`` holds for all findings that name none. Raises WrongInput with every line that cannot be kept.
    """
    from registry import store
    from registry.models import ObservationIn, check

    row = knowing.resolve_car(db, car)["id"]
    if by is None or not str(by).strip():
        raise WrongInput("Who looked? A finding is kept with its examiner: --by NAME.")
    known = knowing.people_named(db, str(by))
    if blind and len(known) == 1:
        before = [each for each in knowing.observations_of(db, row) if each["by_person"] == known[0]["id"]]
        if any(not each["blind"] for each in before):
            raise WrongInput(
                f"{known[0]['name']} has looked at this car already. A second look that "
                "sees nothing of the first is somebody else's."
            )
    codes = {code.casefold(): code for code in tells_on_file(db)}
    kept: dict[tuple[str, str], Any] = {}
    problems = []
    for each in findings:
        try:
            one = _checked(each, codes, place, blind, day)
        except WrongInput as error:
            problems.append(f"{each.where}: {error}" if each.where else str(error))
            continue
        key = (one["tell"], one.get("place") or "")
        if key in kept and kept[key]["state"] != one["state"]:
            problems.append(f"{one['tell']} is given as {kept[key]['state']} and as {one['state']}. One state a tell.")
        kept[key] = one
    if problems:
        raise WrongInput("\n".join([*problems, "Nothing was recorded."]))
    if not kept:
        raise WrongInput("What was seen? Write the tell, = and its state: K01=present")
    seen = [check(ObservationIn, **one) for one in kept.values()]
    entry = knowing.row(db, "SELECT number FROM entries WHERE number = ?", [knowing.entry_number(car)])
    place_of_record = {"entry": entry["number"]} if entry else {"car": car}
    ids = store.record_observations(db, seen, by=by, **place_of_record, **how)
    mine = knowing.rows(db, "SELECT by_person FROM observations WHERE id = ?", [ids[0]])[0]["by_person"]
    differ = [each for each in differences(db, row) if mine in each["people"]]
    return Inspection(
        knowing.car_number(db, row),
        tuple(knowing.open_stops(db, row)),
        tuple(ids),
        sum(one["state"] not in SILENT for one in kept.values()),
        blind,
        tuple(differ),
    )


def _checked(
    each: Finding, codes: Mapping[str, str], place: str | None, blind: bool, day: str | None
) -> dict[str, Any]:
    code = codes.get(each.tell.casefold())
    if codes and code is None:
        near = [known for known in codes.values() if known[:1].casefold() == each.tell[:1].casefold()]
        said = f" Those that begin so: {', '.join(near[:30])}." if near else " 'tubmark tells' lists them."
        raise WrongInput(f"No sheet on file has a tell {each.tell}.{said}")
    if each.doubt is not None and not 0 <= each.doubt <= 0.5:
        raise WrongInput(
            f"The doubt of {each.tell} runs from 0 (sure) to 0.5 (no idea), as in {each.tell}=present~0.3. Above a half, record the other state."
        )
    values = {
        "tell": code or each.tell,
        "state": state_meant(each.state),
        "doubt": each.doubt,
        "place": each.place or place,
        "note": each.note,
        "traces": each.traces,
        "at": day,
        "blind": blind,
    }
    return {key: value for key, value in values.items() if value is not None}
