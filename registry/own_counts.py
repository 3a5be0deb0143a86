"""Counting tells on cars that were decided here, so that an opinion never comes back as knowledge.

Three columns of counts are kept apart: what is on file; what cars decided here showed that have an independent ground (a
document made at the time, a record of the maker's, a second examiner's own opinion); and what all cars decided here showed.
Only the first is weighed with. The answer with the last of them stands beside it, and the car itself is never among the
cars it is judged by. To bring cars with a ground into the first column, somebody puts a new version of the tells on file.
"""

from __future__ import annotations

import json
import re
from collections import defaultdict
from collections.abc import Iterable, Iterator, Mapping
from dataclasses import dataclass, field
from typing import TYPE_CHECKING, Any

from registry import knowing
from registry.inspecting import last_of
from registry.tells import SheetOnFile, tells_on_file

if TYPE_CHECKING:
    from registry.knowing import Source


@dataclass
class Counted:
    """One tell on one series in three columns, as (found on, looked at): ``on_file``, ``grounded`` (cars decided here with an
    independent ground) and ``own`` (all cars decided here, those among them). ``cars`` are their numbers."""

    code: str
    series: str
    on_file: tuple[float, float] = (0.0, 0.0)
    grounded: tuple[float, float] = (0.0, 0.0)
    own: tuple[float, float] = (0.0, 0.0)
    cars: list[str] = field(default_factory=list)


def ground_of(decision: dict[str, Any], opinions: Iterable[dict[str, Any]]) -> str:
    """What an opinion stands on besides the examination itself, in words; "" where nothing does.

    A document made at the time and seen in the original that dates the body, a record of the maker's, or the same opinion of
    another person's own. ``decision`` has its ``papers``, as they were frozen; ``opinions`` are those that stand on the car.
    """
    for paper in decision["papers"]:
        made_then = paper.get("nature") == "document made at the time" and paper.get("seen") == "original"
        if re.search(r"\bmaker", f"{paper.get('kind', '')} {paper.get('source', '')}", re.IGNORECASE):
            return "a record of the maker's"
        if made_then and paper.get("about") in ("body_moulded", "plate_issued"):
            return "a document made at the time"
    for other in opinions:
        if other["by_person"] != decision["by_person"] and other["series"] == decision["series"]:
            return "a second examiner"
    return ""


def _decided(db: Source, home: Mapping[int, int]) -> Iterator[tuple[int, str, str]]:
    """(car, series, ground) of every car on which an opinion stands that names one series, and none that says otherwise.

    A registry may have ten thousand cars, so they are asked for together and not car by car.
    """
    every = knowing.rows(db, "SELECT id, car, opinion, series, by_person, supersedes FROM decisions ORDER BY id")
    papers: dict[int, list[dict[str, Any]]] = defaultdict(list)
    for row in knowing.rows(db, "SELECT decision, frozen FROM decision_evidence WHERE kind = 'statement' ORDER BY id"):
        papers[row["decision"]].append(json.loads(row["frozen"]))
    superseded = {row["supersedes"] for row in every}
    by_car: dict[int, list[dict[str, Any]]] = defaultdict(list)
    for row in every:
        if row["id"] not in superseded:
            by_car[home.get(row["car"], row["car"])].append(row | {"papers": papers[row["id"]]})
    for car, standing in by_car.items():
        opinions = [each for each in standing if each["opinion"] != "open"]
        series = {each["series"] for each in opinions}
        joined = any(each["opinion"] == "two bodies joined" for each in opinions)
        if len(series) == 1 and None not in series and not joined:
            grounds = [ground for each in opinions if (ground := ground_of(each, opinions))]
            yield car, opinions[-1]["series"], grounds[0] if grounds else ""


def _homes(db: Source) -> dict[int, int]:
    """For each record that was ever joined to another, the car whose record stays."""
    met = knowing.rows(db, "SELECT DISTINCT car FROM car_joins")
    return {row["car"]: knowing.stays(db, row["car"]) for row in met}


def counts_of(db: Source, *, codes: Iterable[str] | None = None, leave_out: int | None = None) -> list[Counted]:
    """Every tell and series in the three columns; ``leave_out`` is a car that is not to count."""
    wanted = None if codes is None else set(codes)
    table: dict[tuple[str, str], Counted] = {}
    for code, row in tells_on_file(db).items():
        if wanted is None or code in wanted:
            for count in row["counts"]:
                kept = (count["seen_on"], count["out_of"])
                table[code, count["series"]] = Counted(code, count["series"], on_file=kept)
    home = _homes(db)
    numbers = {row["id"]: row["number"] for row in knowing.rows(db, "SELECT id, number FROM cars")}
    seen: dict[int, list[dict[str, Any]]] = defaultdict(list)
    for row in knowing.rows(
        db,
        """
        SELECT car, tell, state, place, by_person FROM observations
        WHERE NOT EXISTS (SELECT 1 FROM observations AS later WHERE later.slip_of = observations.id) ORDER BY id
        """,
    ):
        if wanted is None or row["tell"] in wanted:
            seen[home.get(row["car"], row["car"])].append(row)
    for car, series, ground in _decided(db, home):
        if car == leave_out:
            continue
        states: dict[str, set[bool]] = {}
        for row in last_of(seen[car]):
            if row["state"] in ("present", "absent", "gone with traces left"):
                states.setdefault(row["tell"], set()).add(row["state"] != "absent")
        for code, there in states.items():
            if len(there) > 1:
                continue  # two examiners who differ
            one = table.setdefault((code, series), Counted(code, series))
            here = (float(True in there), 1.0)
            one.own = (one.own[0] + here[0], one.own[1] + here[1])
            one.cars.append(numbers[car])
            if ground:
                one.grounded = (one.grounded[0] + here[0], one.grounded[1] + here[1])
    return list(table.values())


def own_counts(db: Source, on_file: SheetOnFile, car: int) -> tuple[dict[tuple[str, str], tuple[float, float]], int]:
    found = counts_of(db, codes=on_file.sheet.tells, leave_out=car)
    known = set(on_file.sheet.by_name)
    more = {(each.code, each.series): each.own for each in found if each.own[1] and each.series in known}
    cars = {number for each in found if each.series in known for number in each.cars}
    return more, len(cars)
