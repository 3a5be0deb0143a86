"""What the commands print about a car: lines of at most 78 columns, stop first, then the answer, then the details."""

from __future__ import annotations

import re
import textwrap
from collections.abc import Iterable
from typing import Any

from registry import knowing
from registry.commands.decode import WIDTH, stop_lines
from registry.models import CONSENT_WORDS, EVENT_WORDS, SIDE_BY_SIDE

_SAID_OF_CONSENT = {kept: said for said, kept in CONSENT_WORDS.items()}


def wrapped(text: str, indent: str = "  ", hanging: str | None = None) -> list[str]:
    """``text`` in lines of the width of the terminal."""
    return textwrap.wrap(
        text,
        WIDTH,
        initial_indent=indent,
        subsequent_indent=indent if hanging is None else hanging,
        break_on_hyphens=False,
    ) or [""]


def labelled(label: str, text: str, width: int = 18) -> list[str]:
    """A label and what stands beside it, the lines below it hanging."""
    return wrapped(f"{label:<{width}}{text}", "  ", " " * (width + 2))


def day(iso: str | None) -> str:
    """An ISO day or moment as people read it; nothing for nothing."""
    from decoder.words import day_in_words

    return day_in_words(iso[:10]) if iso else ""


def stops(found: Iterable[dict[str, Any]]) -> list[str]:
    """Every open stop, each in its frame."""
    out: list[str] = []
    for stop in found:
        ask = stop["ask"].strip()
        if ask[:1].islower():  # "the vehicle office" as well as "Ask the vehicle office."
            ask = f"Ask {ask.rstrip('.')}."
        out += stop_lines({**stop, "ask": ask})
    return out


def when(piece: dict[str, Any]) -> str:
    """What one paper or one number says of a date, in words."""
    from decoder.words import chance

    if piece["from"] == "table":
        if piece["altered"]:
            return f"{piece['words'][0].upper()}{piece['words'][1:]}."
        house = "house table " if piece.get("house") else ""
        earlier = "a former one: " if piece["former"] else ""
        how_likely = f"{chance(piece['probability'])}, " if piece["probability"] < 0.5 else ""
        if piece["earliest"] is None and piece["latest"] is None:
            return f"{earlier}{how_likely}its table gives no date ({house}{piece['family']})"
        made = re.sub(r"^This \w+ was (made|moulded) ", "", piece["words"].split(". ")[0].rstrip("."))
        return f"{earlier}{how_likely}{made} ({house}{piece['family']})"
    from decoder.dates import parse

    said = f"\u201c{piece['words']}\u201d" if piece["words"] else ""
    source = ", ".join(
        part for part in (piece["source"], {"copy": "a copy", "told": "told"}.get(piece["seen"] or "")) if part
    )
    if not piece["edtf"]:
        return f"{said} ({source}); no date in it"
    date = parse(piece["edtf"]).words()
    relation = {"not before": "not before ", "not after": "not after "}.get(piece["relation"] or "", "")
    return f"{relation}{date} ({source}{f': {said}' if said and said.strip('“”') != date else ''})"


def dates(events: dict[str, dict[str, Any]]) -> list[str]:
    """The events side by side: five always, others where somebody speaks of them. Never one year for all."""
    shown = {name: event for name, event in events.items() if event["says"] or name in SIDE_BY_SIDE}
    width = max(len(event["words"]) for event in shown.values()) + 2
    out: list[str] = []
    for event in shown.values():
        said = list(dict.fromkeys(when(piece) for piece in event["says"])) or ["nobody says"]
        for place, text in enumerate(said):
            out += labelled("" if place else event["words"], text, width)
    return out


def things(db: Any, record: dict[str, Any]) -> list[str]:
    """The numbers of a car, each as a strip, with who read it where and how.

    Where records were joined, a thing that both have is shown once, with how it stands in the other record.
    """
    from decoder import decode, read
    from registry.draw import strip_of, strip_text

    out: list[str] = []
    again = _again(db, record)
    doubles = {double["id"] for found in again.values() for double in found}
    for thing in record["things"]:
        if thing["id"] in doubles:
            continue
        was = "was on this car" if thing["former"] else ""
        series = f"series {thing['series']}" if thing["series"] else ""
        marks = "; ".join(part for part in (was, series, thing["issue"], (thing["note"] or "").rstrip(".")) if part)
        best = knowing.best_reading(db, thing["id"])
        if best is None:
            out += wrapped(f"{thing['kind']}: no number{f' ({marks})' if marks else ''}.")
            continue
        about = ", ".join(part for part in (best["place"], best["how"], best["surface"]) if part)
        out += wrapped("; ".join(part for part in (f"{thing['kind']}  {best['as_typed']}", about, marks) if part))
        answer = decode(
            best["as_typed"],
            on=best["stamped_on"],
            surface=best["surface"],
            direction=best["direction"],
            tables=knowing.house_tables(db),
        )
        cells = strip_of(answer, answer.decodings[0]) if answer.decodings else (read(best["as_typed"]).cells, [])
        out += strip_text(*cells, indent=4).splitlines()
        for other in thing["readings"]:
            if other["id"] != best["id"]:
                how = ", ".join(part for part in (other["how"], day(other["at"])) if part)
                out += wrapped(f"also read as {other['as_typed']}{f' ({how})' if how else ''}", "    ")
        for double in again.get(thing["id"], ()):
            where = f"in the record of {knowing.car_number(db, double['car'])}"
            out += wrapped(f"the same {double['kind']} {where}: {double['number_as_read']}", "    ")
        out += [""]
    return out[:-1] if out and not out[-1] else out


def _again(db: Any, record: dict[str, Any]) -> dict[int, list[dict[str, Any]]]:
    """Of records that were joined: for each thing the things of the other records that are the same one, by kind and number."""
    found: dict[int, list[dict[str, Any]]] = {}
    if not record["also"]:
        return found
    from registry.alike import Book, named

    book, first = Book(db), {}
    for thing in record["things"]:
        best = knowing.best_reading(db, thing["id"])
        numbers = named(book.keys_of(best["id"])) if best else frozenset({("", "")})
        key = next(
            (key for number in sorted(numbers) if (key := (thing["kind"], thing["former"], number)) in first), None
        )
        if key is not None and first[key]["car"] != thing["car"]:
            found.setdefault(first[key]["id"], []).append(thing)
            continue
        for number in numbers:
            first.setdefault((thing["kind"], thing["former"], number), thing)
    return found


def papers_against_metal(db: Any, record: dict[str, Any]) -> list[str]:
    """The title's number under the pan's, with the places that differ, where the two are not the same. It judges nothing."""
    from decoder import keys, read
    from registry.draw import compare_text

    tables = knowing.house_tables(db)
    by_kind: dict[str, str] = {}
    for thing in record["things"]:
        if not thing["former"] and thing["number_as_read"]:
            by_kind.setdefault(thing["kind"], thing["number_as_read"])
    if "pan" not in by_kind or "title" not in by_kind:
        return []
    spelt = [{key.key for key in keys(by_kind[kind], on="pan", tables=tables)} for kind in ("pan", "title")]
    if spelt[0] & spelt[1]:
        return []
    out = wrapped("The title's number is not the pan's. It may be a slip, or another object: look at both again.")
    both = [(read(by_kind[kind]).cells, said) for kind, said in (("pan", "on the pan"), ("title", "on the title"))]
    return [*out, *compare_text(both, indent=4).splitlines()]


def opinion(decision: dict[str, Any], people: dict[int, dict[str, Any]], series: dict[str, str]) -> str:
    """A decision as a sentence with a name under it."""
    said = decision["opinion"]
    if decision["series"]:
        said += f": {series.get(decision['series'], decision['series'])}"
    if decision["second_series"]:
        said += f" and {series.get(decision['second_series'], decision['second_series'])}"
    who = people[decision["by_person"]]["said"]
    rows = len(decision["evidence"])
    return (
        f"{said}. In the opinion of {who}, {day(decision['at'])}, on {rows} row{'' if rows == 1 else 's'} of evidence."
    )


def car(db: Any, record: dict[str, Any]) -> list[str]:
    """Everything on file of a car, for a terminal."""
    people = knowing.people(db)
    series = {row["id"]: row["name"] for row in knowing.rows(db, "SELECT id, name FROM series")}
    out = stops(record["stops"])
    standing = [decision for decision in record["decisions"] if decision["stands"]]
    also = f"   also entered as {', '.join(record['also'])}" if record["also"] else ""
    out += [f"{record['car']}{also}", ""]
    for decision in standing:
        text = opinion(decision, people, series)
        out += wrapped(text[0].upper() + text[1:])
        out += wrapped(decision["reason"], "    ")
    if len({(decision["opinion"], decision["series"]) for decision in standing}) > 1:
        out += wrapped("The opinions above all stand. A third look would help.")
    if not standing:
        out += wrapped("Nobody has given an opinion on this car yet.")
    for conflict in record["conflicts"]:
        state = "Conflict" if conflict["state"] == "open" else "A conflict that was settled"
        out += ["", *wrapped(f"{state}: {conflict['says']} Why: {conflict['reason'].rstrip('.')}.")]
        if conflict["with"]:
            out += wrapped(f"Both records stand. The other one: tubmark show {conflict['with']}", "    ")
    out += ["", "When", *dates(record["events"])]
    out += ["", "Numbers", *(things(db, record) or wrapped("No thing of this car is on file."))]
    differs = papers_against_metal(db, record)
    if differs:
        out += ["", "Papers against metal", *differs]
    out += _papers(record)
    out += _seen(record)
    out += _visits(record, people)
    out += _allowed(record)
    return out


def _papers(record: dict[str, Any]) -> list[str]:
    other = [statement for statement in record["statements"] if statement["about"] not in EVENT_WORDS]
    if not other:
        return []
    out = ["", "Papers and say-so"]
    for statement in other:
        said = statement["as_written"] or statement["value"] or statement["note"] or ""
        source = ", ".join(part for part in (statement["kind"], statement["source"], statement["seen"]) if part)
        out += wrapped(f"{statement['id']}  {statement['about']}: {said} ({source})", "  ", "     ")
    return out


def _seen(record: dict[str, Any]) -> list[str]:
    last: dict[str, str] = {}
    for seen in record["observations"]:
        tell = f"{seen['tell']} {seen['place']}" if seen["place"] else seen["tell"]
        if seen["state"] not in ("not examined", "not visible") or tell not in last:
            last[tell] = seen["state"]  # what was found once is not undone by not having looked again
    if not last:
        return []
    out = ["", "Seen on the car"]
    for state in dict.fromkeys(last.values()):
        tells = [tell for tell, found in last.items() if found == state]
        out += labelled(state, ", ".join(tells), 24)
    return out


def _visits(record: dict[str, Any], people: dict[int, dict[str, Any]]) -> list[str]:
    out = ["", "Visits"]
    for entry in record["entries"]:
        who = people[entry["left_by"]]["said"] if entry["left_by"] else "somebody"
        kind = f" ({entry['left_by_kind']})" if entry["left_by_kind"] else ""
        why = f", {entry['reason']}" if entry["reason"] else ""
        out += wrapped(f"{entry['number']}  {day(entry['entry_date'])}, left by {who}{kind}{why}.", "  ", "           ")
        if entry["claim_words"]:
            out += wrapped(f"The claim: \u201c{entry['claim_words']}\u201d", "           ")
        said = [
            f"{label} {entry[field]}"
            for label, field in (
                ("condition", "condition"),
                ("colour", "colour_now"),
                ("under it", "colour_under"),
                ("shortened by (mm)", "shortened_mm"),
                ("altered:", "alterations"),
            )
            if entry[field] is not None
        ]
        if said:
            out += wrapped("; ".join(said), "           ")
        if entry["received"] != "received":
            out += wrapped(f"It was taken in as: {entry['received']}.", "           ")
        if not entry["finished_at"]:
            out += wrapped(f"Not finished: tubmark intake {entry['number']} --finish", "           ")
    return out


def _allowed(record: dict[str, Any]) -> list[str]:
    consent = record["consent"]
    said = _SAID_OF_CONSENT[consent["consent"]]
    since = f", {day(consent['at'])}" if consent["at"] else ""
    out = ["", f"Consent to publish: {said}{since}."]
    if record["held"]:
        out += wrapped(f"Held out of editions since {day(record['held']['at'])}: {record['held']['reason']}", "")
    return out


# History

_WORDS = {
    "cars": "car put on file",
    "things": "",
    "fittings": "",
    "decision_evidence": "",
    "tell_counts": "",
    "people": "",
}


def event(found: dict[str, Any], people: dict[int, dict[str, Any]]) -> list[str]:
    """One event of a car's history: when, what, by whom, and what it added or changed."""
    who = people[found["by_person"]]["said"] if found["by_person"] else "no name given"
    out = [f"{found['at'][:10]} {found['at'][11:16]}  {found['action']}, by {who}"]
    payload = found["payload"]
    if "records" in payload:  # a merge, or a split
        one, other = payload["records"]
        said = f"{one} joined to {other}" if found["action"] == "merge" else f"{one} split from {other}"
        out += wrapped(said, "                  ")
    if "on" in payload or "off" in payload:  # another pan, or another plate
        said = "; ".join(f"{word}: {', '.join(payload[word])}" for word in ("off", "on") if payload.get(word))
        out += wrapped(f"{said or 'no number'}. {payload['reason']}", "                  ")
    tells = [carried for table, carried in payload.get("rows", []) if table == "observations"]
    for table, carried in payload.get("rows", []):
        if said := _carried(table, carried, people):
            out += wrapped(said, "                  ")
    if tells:
        out += wrapped(
            f"{len(tells)} tells looked at: " + ", ".join(f"{one['tell']} {one['state']}" for one in tells),
            "                  ",
        )
    was = payload.get("was", {})
    for table, _row, changes in payload.get("changed", []):
        if table == "people":
            out += wrapped(f"changed: {', '.join(changes)}", "                  ")
            continue
        for field, value in changes.items():
            if field == "finished_at":
                continue
            if field in ("left_by", "examined_by") and value:
                value = people[value]["said"]
            before = f" (was: {was[field]})" if field in was else " (was blank)"
            out += wrapped(f"{field.replace('_', ' ')}: {value}{before}", "                  ")
    return out


def _carried(table: str, row: dict[str, Any], people: dict[int, dict[str, Any]]) -> str:
    if table == "entries":
        return f"entry {row['number']} of {day(row['entry_date'])}"
    if table == "readings":
        how = ", ".join(row[key] for key in ("place", "how", "surface") if row.get(key))
        slip = f" (in place of reading {row['slip_of']}, a slip of the pen)" if row.get("slip_of") else ""
        return f"reading {row['id']}, {row['stamped_on']}: {row['as_typed']}{f' ({how})' if how else ''}{slip}"
    if table == "statements":
        said = row.get("as_written") or row.get("value") or row.get("edtf") or ""
        return f"statement {row['id']}, {EVENT_WORDS.get(row['about'], row['about'])}: {said} ({row['kind']})"
    if table == "stops":
        return f"stop {row['id']}, {row['kind']}, found by a {row['found_by']}"
    if table == "stop_releases":
        return f"stop {row['stop']} released: {row['reason']}"
    if table == "decisions":
        over = f", in place of decision {row['supersedes']}" if row.get("supersedes") else ""
        series = f" {row['series']}" if row.get("series") else ""
        return f"decision {row['id']}: {row['opinion']}{series}{over}. {row['reason']}"
    if table == "consents":
        reason = f" ({row['reason']})" if row.get("reason") else ""
        return f"consent: {_SAID_OF_CONSENT[row['consent']]}{reason}"
    if table == "holds":
        return f"{'held' if row['held'] else 'no longer held'}: {row['reason']}"
    if table == "conflicts":
        return f"conflict {row['id']}, {row['state']}: {row['says']} Why: {row['reason']}"
    if table == "car_joins":
        return f"{row['kind']}: {row['reason']}"
    if table == "papers_issued":
        return f"{row['kind']} handed out"
    if table == "custody":
        return f"{row['role']}: {people[row['person']]['said']}"
    return _WORDS.get(table, "")
