"""Tells as a readable file: everything a registry knows of its sheets, in YAML, out and in again.

The file is for reading, for handing to another club, and for putting right: a new count, a tell described better, other odds at
the gate. Brought back, what differs from what is on file becomes a new version; what is the same stays as it is, and so does what
the file does not name. Nothing is ever overwritten, and decisions keep what they rested on (``tubmark review`` says which
of them hung on what changed).

Counts are written as they are spoken: ``43/46`` is "found on 43 of 46". All scalars are read as text, so that a serial 0288
keeps its noughts.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

from registry import knowing
from registry.errors import WrongInput
from registry.models import OddsIn, TellChangeIn, TellCountIn, TellIn, check
from registry.tells import odds_on_file, tells_on_file

if TYPE_CHECKING:
    from sqlite_utils import Database

    from registry.knowing import Source

_HEAD = """\
# Tells of {name}: what is looked at on a body, and on how many bodies of each kind it was found.
# found: "43/46" is on 43 of 46 bodies looked at; kind: counted, or estimate (an expert's, written as so many cars' worth).
# changes: from the serial "at" on a series shows the tell as often as "after" says, before it as often as "before" says.
# odds: of the cars that came to the gate as one of these, how many were of a kind. later: it can be added later.
# carries: what the number stands on, plate or body. Brought back with: tubmark tells import FILE
"""

#: Fields of a tell as the file calls them, and as they are kept.
_FIELDS = {
    "name": "name", "group": "grp", "looks_like": "looks_like", "how": "how", "minutes": "minutes", "place": "place",
    "cautions": "cautions", "later": "later", "carries": "carries", "note": "note",
}  # fmt: skip


@dataclass(frozen=True)
class Brought:
    """What a file would change: tells that are new, tells that get a later version, sheets with other odds at the gate."""

    new: tuple[str, ...] = ()
    changed: tuple[str, ...] = ()
    odds: tuple[str, ...] = ()
    same: int = 0

    def as_dict(self) -> dict[str, Any]:
        return {"new": list(self.new), "changed": list(self.changed), "odds": list(self.odds), "same": self.same}


def export(db: Source) -> str:
    """Everything on file of tells and odds, in its latest version, as YAML text."""
    import yaml

    odds = odds_on_file(db)
    sheets: dict[str, Any] = {}
    for row in tells_on_file(db).values():
        sheets.setdefault(row["sheet"], {"tells": []})["tells"].append(_written(row))
    for name, gate in odds.items():
        sheet = sheets.setdefault(name, {"tells": []})
        weights = {series: _plain(weight) for series, weight in gate["weights"].items()}
        sheets[name] = {"odds": {"source": gate["source"], "cars": weights}, **sheet}
    text = yaml.safe_dump({"sheets": sheets}, sort_keys=False, allow_unicode=True, width=120, default_flow_style=None)
    return _HEAD.format(name=knowing.info(db).get("name", "a registry")) + text


def _plain(number: float) -> str:
    return f"{number:.6g}"


def _share(seen: float, of: float) -> str:
    return f"{_plain(seen)}/{_plain(of)}"


def _written(row: Mapping[str, Any]) -> dict[str, Any]:
    out: dict[str, Any] = {"code": row["code"], "version": str(row["version"])}
    for called, kept in _FIELDS.items():
        value = row[kept]
        if called == "later":
            value = "true" if value else None
        elif called == "minutes" and value is not None:
            value = _plain(value)
        if value is not None:
            out[called] = value
    out["counts"] = [
        {"series": each["series"], "found": _share(each["seen_on"], each["out_of"]), "kind": each["kind"], "source": each["source"]}
        for each in row["counts"]
    ]  # fmt: skip
    if row["changes"]:
        out["changes"] = [
            {
                "series": each["series"],
                "at": each["at"],
                "before": _share(each["before_seen"], each["before_of"]),
                "after": _share(each["after_seen"], each["after_of"]),
                "kind": each["kind"],
                "source": each["source"],
            }
            for each in row["changes"]
        ]
    return out


def bring(db: Database, text: str, name: str, *, write: bool = True, **how: Any) -> Brought:
    """Bring a file of tells back; what differs becomes a new version, all of it or nothing. ``write=False`` only says what
    would. ``name`` is what errors call the file.

    Raises WrongInput with every place that cannot be used: no YAML, a field that no tell has, a count that cannot be, a series
    that is not on file.
    """
    from registry import store

    tells, odds = _read(text, name)
    _series_on_file(db, name, tells, odds)
    on_file, gates = tells_on_file(db), odds_on_file(db)
    new, changed, later, same = [], [], [], 0
    for tell in tells:
        known = on_file.get(tell.code)
        if known is None:
            new.append(tell.code)
            later.append(tell.model_copy(update={"version": 1}))
        elif _as_kept(tell) != _as_on_file(known):
            changed.append(tell.code)
            later.append(tell.model_copy(update={"version": known["version"] + 1}))
        else:
            same += 1
    other_odds = {
        sheet: rows
        for sheet, rows in odds.items()
        if sheet not in gates
        or gates[sheet]["weights"] != {each.hypothesis: each.weight for each in rows}
        or gates[sheet]["source"] != rows[0].source
    }
    found = Brought(tuple(new), tuple(changed), tuple(other_odds), same)
    if write and (later or other_odds):
        with store.transaction(db):
            if later:
                store.record_tells(db, later, **how)
            for rows in other_odds.values():
                store.record_odds(db, rows, **{key: value for key, value in how.items() if key != "uid"})
    return found


def _as_kept(tell: TellIn) -> dict[str, Any]:
    row = tell.model_dump(exclude={"version", "counts", "changes"})
    row["counts"] = sorted(tuple(each.model_dump().values()) for each in tell.counts)
    row["changes"] = sorted(tuple(each.model_dump().values()) for each in tell.changes)
    return row


def _as_on_file(row: Mapping[str, Any]) -> dict[str, Any]:
    plain = {key: row[key] for key in TellIn.model_fields if key not in ("version", "counts", "changes")}
    plain["later"] = bool(plain["later"])
    for what, model in (("counts", TellCountIn), ("changes", TellChangeIn)):
        plain[what] = sorted(tuple(each[key] for key in model.model_fields) for each in row[what])
    return plain


def _read(text: str, name: str) -> tuple[list[TellIn], dict[str, list[OddsIn]]]:
    import yaml

    class Loader(yaml.BaseLoader):
        """All scalars as text; a field that stands twice is refused, for one of the two would be lost."""

        def construct_mapping(self, node: Any, deep: bool = False) -> Any:
            keys = [self.construct_object(key, deep=True) for key, _value in node.value]
            twice = next((key for key in keys if keys.count(key) > 1), None)
            if twice is not None:
                raise yaml.constructor.ConstructorError(None, None, f"'{twice}' stands twice here", node.start_mark)
            return super().construct_mapping(node, deep)

    try:
        document = yaml.load(text, Loader=Loader)
    except yaml.YAMLError as error:
        mark = getattr(error, "problem_mark", None)
        where = f", line {mark.line + 1}" if mark else ""
        raise WrongInput(
            f"{name}{where}: this is no YAML that can be read: {getattr(error, 'problem', error)}."
        ) from error
    sheets = document.get("sheets") if isinstance(document, dict) else None
    if not isinstance(sheets, dict) or not sheets:
        raise WrongInput(
            f"{name}: there is no 'sheets' in it. 'tubmark tells export FILE' writes a file that can be brought back."
        )
    problems: list[str] = []
    tells: dict[str, TellIn] = {}
    odds: dict[str, list[OddsIn]] = {}
    for sheet, parts in sheets.items():
        if not isinstance(parts, dict) or set(parts) - {"tells", "odds"}:
            problems.append(f"{name}, sheet {sheet}: a sheet has 'tells' and, where known, 'odds'; nothing else.")
            continue
        for place, raw in enumerate(parts.get("tells") or [], 1):
            where = f"{name}, sheet {sheet}, {raw.get('code') if isinstance(raw, dict) and raw.get('code') else f'tell {place}'}"
            try:
                tell = _tell(sheet, raw)
            except WrongInput as error:
                problems += [f"{where}: {line}" for line in str(error).splitlines()]
                continue
            if tell.code in tells:
                problems.append(f"{where}: the code stands in the file twice.")
            tells[tell.code] = tell
        if parts.get("odds"):
            try:
                odds[sheet] = _odds(sheet, parts["odds"])
            except WrongInput as error:
                problems += [f"{name}, sheet {sheet}, odds: {line}" for line in str(error).splitlines()]
    if problems:
        raise WrongInput("\n".join([*problems, "Nothing was brought in."]))
    if not tells and not odds:
        raise WrongInput(f"{name}: no tell and no odds stand in it.")
    return list(tells.values()), odds


def _tell(sheet: str, raw: Any) -> TellIn:
    if not isinstance(raw, dict):
        raise WrongInput("a tell is a list of fields, with its code first.")
    unknown = sorted(set(raw) - {"code", "version", "counts", "changes", *_FIELDS})
    if unknown:
        raise WrongInput(f"a tell has no field '{unknown[0]}'. It has code, {', '.join(_FIELDS)}, counts, changes.")
    values: dict[str, Any] = {"code": raw.get("code", ""), "sheet": sheet}
    for called, kept in _FIELDS.items():
        if called in raw and raw[called] != "":
            values[kept] = raw[called]
    if "minutes" in values:
        values["minutes"] = _number(values["minutes"], "minutes")
    if "later" in values:
        if values["later"] not in ("true", "false"):
            raise WrongInput("later is true or false.")
        values["later"] = values["later"] == "true"
    counts = []
    for each in raw.get("counts") or []:
        seen, of = _counted(each, "found")
        more = {"kind": each.get("kind", "counted"), "source": each.get("source", "")}
        counts.append(check(TellCountIn, series=each.get("series", ""), seen_on=seen, out_of=of, **more))
    changes = []
    for each in raw.get("changes") or []:
        before, after = _counted(each, "before"), _counted(each, "after")
        figures = dict(zip(("before_seen", "before_of", "after_seen", "after_of"), (*before, *after), strict=True))
        more = {"kind": each.get("kind", "counted"), "source": each.get("source", "")}
        changes.append(check(TellChangeIn, series=each.get("series", ""), at=each.get("at", ""), **figures, **more))
    tell: TellIn = check(TellIn, **values, counts=tuple(counts), changes=tuple(changes))
    return tell


def _odds(sheet: str, raw: Any) -> list[OddsIn]:
    if not isinstance(raw, dict) or not isinstance(raw.get("cars"), dict) or not raw["cars"]:
        raise WrongInput("odds have a 'source' and 'cars', a weight for each series.")
    return [
        check(OddsIn, sheet=sheet, hypothesis=series, weight=_number(weight, series), source=raw.get("source", ""))
        for series, weight in raw["cars"].items()
    ]


def _number(text: Any, what: str) -> float:
    try:
        value = float(text)
    except (TypeError, ValueError):
        raise WrongInput(f"{what}: '{text}' is no number.") from None
    if not 0 <= value < 1e9:
        raise WrongInput(f"{what}: {text} must be 0 or more.")
    return value


def _counted(each: Any, key: str) -> tuple[float, float]:
    if not isinstance(each, dict) or not isinstance(each.get(key), str) or each[key].count("/") != 1:
        raise WrongInput(f'{key}: a count is written as "43/46", found on 43 of 46.')
    seen, of = (_number(part.strip(), key) for part in each[key].split("/"))
    if seen > of:
        raise WrongInput(f"{key}: {each[key]} cannot be, the first is more than the second.")
    return seen, of


def _series_on_file(db: Source, name: str, tells: list[TellIn], odds: Mapping[str, list[OddsIn]]) -> None:
    known = {row["id"] for row in knowing.rows(db, "SELECT id FROM series")}
    missing = sorted({each.series for tell in tells for each in (*tell.counts, *tell.changes)} - known)
    missing += sorted({each.hypothesis for rows in odds.values() for each in rows} - known - set(missing))
    if missing:
        on_file = ", ".join(sorted(known)) or "none yet"
        raise WrongInput(f"{name}: no series {', '.join(missing)} on file. On file: {on_file}. Nothing was brought in.")
