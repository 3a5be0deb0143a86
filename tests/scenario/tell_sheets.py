"""The invented sheets of tells and the forty entries, as `decoder.evidence` takes them.

Tells, counts and series come from ``sample/``; what depends on the serial, the odds at the yard's gate and the body
numbers as read stand beside this file. How a serial splits the reference bodies before and after a change is worked
out from the average count and from the share of the serials on either side; it is invented, as all of it.
"""

from __future__ import annotations

import csv
import json
from collections.abc import Iterator
from functools import lru_cache
from pathlib import Path

from decoder.evidence import DEFAULT, Assumptions, Change, Count, Hypothesis, Number, Observation, Sheet, Tell

HERE = Path(__file__).resolve().parent
SAMPLE = HERE.parent.parent / "sample"

#: Which sheets are filled in for a car that is offered as one of these makers' bodies.
SHEETS = {
    "Kelderwick Pantile": ("Kelderwick Pantile", "Tolverry Purlin"),
    "Draymarsh Corbel": ("Draymarsh Corbel",),
    "Ruddenham Quoin": ("Ruddenham Quoin",),
    "Umberlin Finial": ("Umberlin Finial",),
}


def rows(path: Path) -> list[dict[str, str]]:
    with path.open(encoding="utf-8", newline="") as file:
        return list(csv.DictReader(file))


@lru_cache(maxsize=1)
def tells() -> dict[str, Tell]:
    counts: dict[str, dict[str, Count]] = {}
    for row in rows(SAMPLE / "tell_counts.csv"):
        counts.setdefault(row["code"], {})[row["series"]] = Count(float(row["seen_on"]), float(row["out_of"]))
    changes: dict[str, list[Change]] = {}
    for row in rows(HERE / "tell_changes.csv"):
        before = Count(float(row["before_seen"]), float(row["before_of"]))
        after = Count(float(row["after_seen"]), float(row["after_of"]))
        changes.setdefault(row["tell"], []).append(Change(row["series"], row["at"], before, after))
    return {
        row["code"]: Tell(
            row["code"],
            row["name"],
            row["group"],
            float(row["minutes"]),
            counts.get(row["code"], {}),
            place=row["place"],
            changes=tuple(changes.get(row["code"], ())),
            how=row["how"],
        )
        for row in rows(SAMPLE / "tells.csv")
    }


def sheet_names() -> dict[str, str]:
    return {row["code"]: row["sheet"] for row in rows(SAMPLE / "tells.csv")}


@lru_cache(maxsize=8)
def sheet_of(offered_as: str, assumptions: Assumptions = DEFAULT) -> Sheet:
    """The sheet for a car offered as this maker's: his tells and those of his named copyist, his series, the copies, other."""
    series = {row["id"]: row for row in rows(SAMPLE / "series.csv")}
    makers = {row["id"]: row["name"] for row in rows(SAMPLE / "makers.csv")}
    kinds = [
        Hypothesis(
            row["series"],
            series[row["series"]]["kind"],
            copied_from=series[row["series"]]["copied_from"] or None,
            weight=float(row["cars"]),
            maker=makers.get(series[row["series"]]["maker"]),
            title=series[row["series"]]["name"],
        )
        for row in rows(HERE / "gate_odds.csv")
        if row["sheet"] == offered_as
    ]
    on = sheet_names()
    return Sheet(kinds, [tell for code, tell in tells().items() if on[code] in SHEETS[offered_as]], assumptions)


def offered_as(codes: Iterator[str] | list[str]) -> str:
    first = {"K": "Kelderwick Pantile", "D": "Draymarsh Corbel", "R": "Ruddenham Quoin", "U": "Umberlin Finial"}
    return first[next(iter(codes))[0]]


def entries() -> dict[str, list[Observation]]:
    """What was recorded on each of the forty."""
    return {
        row["entry"]: [Observation(tell, state) for tell, state in json.loads(row["observations_json"]).items()]
        for row in rows(SAMPLE / "cars.csv")
    }


def truth() -> dict[str, dict[str, str]]:
    return {row["entry"]: row for row in rows(HERE / "truth.csv")}


def numbers() -> dict[str, Number]:
    """The body number of each entry that has one, with every serial its reading allows, equally likely."""
    return {
        row["entry"]: Number(
            row["reading"],
            {row["series"]: 1.0},
            {row["series"]: {serial: 1 / len(row["serials"].split()) for serial in row["serials"].split()}},
            on=row["on"],
        )
        for row in rows(HERE / "body_numbers.csv")
    }
