"""Builds sample_registry.db: the invented registry of Nettlebank Yard and the lists it knows.

usage: python sample/build.py OUT.db

Everything in this folder is made up: makers, people, places, numbers, dates, counts, prices. The files beside
this one hold what the yard was told, read, saw and concluded, and nothing of what "really" was; that stands
in tests/scenario/truth.csv, for tests alone. Everything goes in by the same functions that the commands use,
in the order of the days on which it happened, with the day's date for the clock and a fixed series of uids:
built twice it is the same, row for row.
"""

from __future__ import annotations

import csv
import json
import sqlite3
import sys
import tempfile
import uuid
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

from sqlite_utils import Database

from registry import models, publish, store
from registry.errors import RegistryError
from registry.models import check
from registry.opening import create_registry, open_registry

HERE = Path(__file__).resolve().parent
NAME = "Nettlebank Yard (invented)"
ORIGIN = "NETTLEBANK"
#: Who keeps it, by the initials in people.csv.
KEEPER = "OT"
#: The day the yard began this book; lists, sheets and tables were put into it then.
BEGUN = "2021-01-04"
#: The editions that went out so far, by date. The proof of the next one says what is new since then.
EDITIONS = ("2025-12-31",)
#: The key of their fingerprints. A registry's own is made by chance; the sample's is as public as the sample.
KEY = b"the key of an invented registry!"
#: Where the odds at the gate come from.
GATE = "what the last cars offered as such turned out to be, by the yard's book"
#: The start of every uid of the sample. Any fixed one would do.
UIDS = uuid.UUID("6e657474-6c65-4261-8e6b-796172640000")

#: How the words of cars.csv are called in a registry.
EVENTS = {
    "pan_built": "pan_made",
    "present": "seen",
    "body moved": "repanned",
    "plate issued": "plate_issued",
}
#: What the metal around a pan number was like, in the words of the form. Those words are kept as well.
SURFACES = {
    "untouched, paint in the figures": "untouched",
    "pitted, wire-brushed": "pitted",
    "ground flat and re-struck, heat tint, figures of two fonts": "restamped",
}
#: What kind of evidence a paper is. A letter of decades later is memory; a stamped mount or print a stamping.
NATURES = {
    "letter, first owner's son": "memory",
    "owner's word": "memory",
    "typed 'certificate', no signature": "inference",
    "photograph in the slide survey": "stamping",
    "paper card under dash": "stamping",
}
RECEIVED = {"opinion": "opinion only", "register": "paper only"}
ROLES = {"auction house": "agent", "executor": "agent"}


def rows(name: str) -> list[dict[str, str]]:
    """A file of this folder, every value as text."""
    with (HERE / name).open(encoding="utf-8", newline="") as file:
        return list(csv.DictReader(file, delimiter=";" if name.endswith("vellhythe.csv") else ","))


def given(values: dict[str, Any]) -> dict[str, Any]:
    """Only what was filled in: an empty field is nothing said."""
    return {key: value for key, value in values.items() if value not in ("", None)}


class Book:
    """The registry while it is being written: its clock stands at the day of each action."""

    def __init__(self, db: Database):
        self.db = db
        self.actions = 0
        self.people: dict[str, int] = {}

    def write(self, record: Callable[..., Any], what: Any, day: str, by: str | None = None, **more: Any) -> Any:
        """One action of a person, on a day."""
        self.actions += 1
        return record(
            self.db,
            what,
            by=None if by is None else self.person(by),
            at=f"{day}T10:00:00Z",
            uid=uuid.uuid5(UIDS, str(self.actions)).hex,
            **more,
        )

    def person(self, who: str) -> int:
        """The id of a person by the short name used in these files: OT, WQ, TP, or OW01."""
        return self.people[who]

    def one(self, sql: str, *values: Any) -> int:
        """The first column of the only row."""
        ((found,),) = self.db.execute(sql, values).fetchall()
        return found

    def all(self, sql: str, *values: Any) -> list[int]:
        """The first column of every row."""
        return [row[0] for row in self.db.execute(sql, values).fetchall()]


# --- what the book began with ---------------------------------------------------------------------


def begin(book: Book) -> None:
    """People of the yard, house tables, makers, series, sheets of tells, other lists, the theft report."""
    for row in rows("people.csv"):
        if row["initials"] == KEEPER:  # is on file since the book was opened, by name
            book.people[KEEPER] = book.one("SELECT id FROM people WHERE name = ?", row["name"])
            more = {name: row[name] for name in ("town", "note", "initials")}
            book.write(
                lambda db, changes, **how: store.amend_person(db, book.people[KEEPER], changes, **how),
                more,
                BEGUN,
            )
        else:
            book.people[row["initials"]] = book.write(store.record_person, check(models.PersonIn, **given(row)), BEGUN)
    for path in sorted((HERE / "tables").glob("*.yml")):
        table = check(models.FamilyTableIn, text=path.read_text(encoding="utf-8"), name=path.name)
        book.write(store.record_family_table, table, BEGUN, "OT")
    for row in rows("makers.csv"):
        book.write(store.record_maker, check(models.MakerIn, **given(row)), BEGUN, "OT")
    for row in rows("series.csv"):
        values = given(row)
        if "shortened_mm" in values:
            values["shortened_mm"] = int(values["shortened_mm"])
        book.write(store.record_series, check(models.SeriesIn, **values), BEGUN, "OT")
    counts: dict[str, list[dict[str, Any]]] = {}
    for row in rows("tell_counts.csv"):
        seen = {"seen_on": float(row["seen_on"]), "out_of": float(row["out_of"])}
        counted = {
            "series": row["series"],
            **seen,
            "kind": "counted",
            "source": "the yard's reference bodies",
        }
        counts.setdefault(row["code"], []).append(counted)
    changes: dict[str, list[Any]] = {}
    for row in rows("tell_changes.csv"):
        figures = {name: float(row[name]) for name in ("before_seen", "before_of", "after_seen", "after_of")}
        said = {"series": row["series"], "at": row["at"], "source": f"the yard's reference bodies: {row['says']}"}
        changes.setdefault(row["tell"], []).append(check(models.TellChangeIn, **said, **figures))
    sheets: dict[str, list[Any]] = {}
    for row in rows("tells.csv"):
        values = given(row)
        values["grp"] = values.pop("group")
        values["minutes"] = float(values["minutes"])
        values["counts"] = tuple(check(models.TellCountIn, **count) for count in counts[row["code"]])
        values["changes"] = tuple(changes.get(row["code"], ()))
        sheets.setdefault(row["sheet"], []).append(check(models.TellIn, **values))
    for sheet in sheets.values():
        book.write(store.record_tells, sheet, BEGUN, "OT")
    odds: dict[str, list[Any]] = {}
    for row in rows("gate_odds.csv"):
        said = {"sheet": row["sheet"], "hypothesis": row["series"], "weight": float(row["cars"]), "source": GATE}
        odds.setdefault(row["sheet"], []).append(check(models.OddsIn, **said))
    for gate in odds.values():
        book.write(store.record_odds, gate, BEGUN, "OT")
    for row in rows("lists.csv"):
        book.write(
            store.record_list,
            check(models.ListIn, **given({k: row[k] for k in ("name", "kept_by", "note")})),
            BEGUN,
            "OT",
        )
        numbers = [
            check(models.ListNumberIn, list=row["name"], **number) for number in list_numbers(row["name"], row["file"])
        ]
        book.write(store.record_list_numbers, numbers, BEGUN, "OT")
    for row in rows("thefts.csv"):
        book.write(store.record_theft, check(models.TheftIn, **given(row)), BEGUN, "OT")


def list_numbers(name: str, file: str) -> Iterator[dict[str, str]]:
    """The numbers of another list, as it writes them; names of keepers are left out."""
    for row in rows(f"lists/{file}"):
        if "Chassis" in row:
            type_ = {"pantile": "KA", "pantile b": "KB", "corbell": "D2", "corbel": "D2", "quoin": "RQ"}
            series = (type_ | {"purlin": "TP", "finial": "UF"})[row["Type"].lower()]
            note = "; ".join(filter(None, (row["Year"], row["Col"], row["Last seen"], row["Remark"])))
            yield given({"as_typed": row["Chassis"], "series": series, "their_number": row["No"], "note": note})
        else:
            yield given({"as_typed": row["number"], "series": row["series"], "note": row["note"]})


# --- one visit ------------------------------------------------------------------------------------


def visit(book: Book, car: dict[str, str]) -> None:
    """A car at the door: who left it and what they said, what was read, what papers say, what was seen."""
    day, examiner = car["entry_date"], car["examined_by"]
    owner = {
        "ref": car["owner_ref"],
        "name": car["owner_name"],
        "town": car["owner_town"],
        "contact": car["owner_contact"],
    }
    book.people[car["owner_ref"]] = book.write(
        store.record_person, check(models.PersonIn, **given(owner)), day, examiner
    )
    series = {row["id"]: row["name"] for row in rows("series.csv")}
    plain = ("reason", "claim_words", "condition", "colour_now", "colour_under", "alterations", "notes")
    values = given({name: car[name] for name in (*plain, "photographs", "photo_hazards")})
    values |= given({"surface": car["pan_surface"] if car["pan_reading"] else ""})
    if car["shortened_mm"]:
        values["shortened_mm"] = int(car["shortened_mm"])
    if car["conflict_reason"]:
        values["conflict_reason"] = car["conflict_reason"]
    entry = check(
        models.EntryIn,
        number=car["entry"],
        entry_date=day,
        left_by_kind=car["left_by"],
        left_by=book.person(car["owner_ref"]),
        claimed_as=series[car["claimed_as"]],
        examined_by=book.person(examiner),
        received=RECEIVED.get(car["reason"], "received"),
        consent=car["consent"],
        finished=True,
        things=tuple(things(car)),
        readings=tuple(readings(book, car)),
        statements=tuple(statements(book, car)),
        observations=tuple(observations(car)),
        stops=tuple(
            check(
                models.StopIn,
                kind=stop["kind"],
                says=stop["says"],
                ask=stop["ask"],
                by=book.person(stop["by"]),
                at=stop["at"],
            )
            for stop in rows("stops.csv")
            if stop["entry"] == car["entry"]
        ),
        **values,
    )
    book.write(store.record_entry, entry, day, examiner)
    until = car["sold_date"] or ".."
    kept = {"car": car["entry"], "person": book.person(car["owner_ref"]), "edtf": f"{day}/{until}"}
    custody = check(models.CustodyIn, role=ROLES.get(car["left_by"], "keeper"), **kept)
    book.write(store.record_custody, custody, day, examiner)
    for moved in rows("moved.csv"):
        if moved["entry"] == car["entry"]:
            move(book, moved, day, examiner)


def things(car: dict[str, str]) -> Iterator[Any]:
    """What has no number to read. The shell and its plate are two things: they part company."""
    where, notes = car["body_serial_where"], car["body_serial_notes"]
    halves = [half.strip() for half in car["body_halves"].split(";") if half.strip()] or [""]
    for half in halves:
        read_on_it = car["body_serial_reading"] and carrier(where) == "body"
        if not read_on_it:
            plain = "; ".join(
                filter(
                    None,
                    (
                        half,
                        "" if car["body_serial_reading"] else where,
                        "" if car["body_serial_reading"] else notes,
                    ),
                )
            )
            yield check(models.ThingIn, kind="body", **given({"note": plain}))


def carrier(where: str) -> str:
    """Whether a serial stands on the shell itself (crayon, figures of the mould) or on a plate."""
    return "plate" if where.startswith(("plate", "foil sticker")) else "body"


def readings(book: Book, car: dict[str, str]) -> Iterator[Any]:
    """The numbers as they were read: of the pan (once or twice), the body or its plate, the title."""
    entry = {"entry": car["entry"], "at": car["entry_date"]}
    shop, owner = book.person(car["examined_by"]), book.person(car["owner_ref"])
    engine = car["pan_reading"].startswith("H ")  # the engine's number, given in place of the pan's
    for text, how in (
        (car["pan_reading"], car["pan_reading_how"]),
        (car["pan_second_reading"], car["pan_second_how"]),
    ):
        if text:
            extra = given({"how": how, "note": "; ".join(filter(None, (car["pan_surface"], car["pan_notes"])))})
            if engine:
                extra = given({"how": how, "note": car["pan_notes"]})
            else:
                extra["surface"] = SURFACES[car["pan_surface"]]
            yield check(
                models.ReadingIn,
                as_typed=text,
                stamped_on="engine" if engine else "pan",
                by=owner if "owner" in how or "telephone" in how else shop,
                **entry,
                **extra,
            )
    if car["body_serial_reading"]:
        # "plate, and crayon inside scuttle" is the same serial in two places, on two things.
        for where in (
            car["body_serial_where"].split(", and ")
            if ", and " in car["body_serial_where"]
            else [car["body_serial_where"]]
        ):
            extra = given({"place": where, "note": car["body_serial_notes"]})
            yield check(
                models.ReadingIn,
                as_typed=car["body_serial_reading"],
                stamped_on=carrier(where),
                by=shop,
                **entry,
                **extra,
            )
    if car["title_number"]:
        extra = given({"note": car["title_notes"]})
        yield check(models.ReadingIn, as_typed=car["title_number"], stamped_on="title", by=shop, **entry, **extra)


def statements(book: Book, car: dict[str, str]) -> Iterator[Any]:
    """Papers and say-so: dated papers, what the title says, liens and prices."""
    for paper in json.loads(car["documents_json"]):
        if paper["event"] == "pan_built" and car["entry"] in {row["entry"] for row in rows("moved.csv")}:
            continue  # speaks of the pan that is gone: recorded with it
        yield paper_statement(car, paper)
    owner = {"source": car["left_by"], "seen": "told", "by": book.person(car["owner_ref"])}
    if car["title_year"]:
        dated = {
            "about": "title_year",
            "relation": "equals",
            "edtf": car["title_year"],
            "as_written": car["title_year"],
        }
        yield check(models.StatementIn, kind="title", nature="document made at the time", seen="original", **dated)
    if car["title_make"]:
        yield check(
            models.StatementIn,
            kind="title",
            about="make on the title",
            value=car["title_make"],
            seen="original",
        )
    if car["title_notes"] and not car["title_number"]:
        yield check(
            models.StatementIn,
            kind="owner's word",
            about="title",
            as_written=car["title_notes"],
            nature="memory",
            **owner,
        )
    if car["lien"]:
        yield check(
            models.StatementIn,
            kind="owner's word",
            about="lien",
            as_written=car["lien"],
            nature="memory",
            **owner,
        )
    if car["asking_usd"]:
        yield check(
            models.StatementIn,
            kind="price asked",
            about="asking price",
            value=f"{car['asking_usd']} USD",
            **owner,
        )
    if car["sold_date"]:
        sold = {
            "about": "sold",
            "relation": "equals",
            "edtf": car["sold_date"],
            "as_written": car["sold_date"],
        }
        made = {"nature": "document made at the time", "seen": "original", "source": "the yard's sales book"}
        yield check(models.StatementIn, kind="bill of sale", value=f"{car['sold_usd']} USD", **sold, **made)


def paper_statement(car: dict[str, str], paper: dict[str, str], **more: Any) -> Any:
    """One dated paper, in the registry's words."""
    return check(
        models.StatementIn,
        kind=paper["kind"],
        about=EVENTS.get(paper["event"], paper["event"]),
        nature=NATURES.get(paper["kind"], "document made at the time"),
        **given({name: paper[name] for name in ("as_written", "relation", "edtf", "seen", "source", "confidence")}),
        **more,
    )


def observations(car: dict[str, str]) -> Iterator[Any]:
    """The state of each tell. Where two bodies are joined, each has its place on the car."""
    places = {row["code"]: row["place"] for row in rows("tells.csv")} if car["body_halves"] else {}
    for tell, state in json.loads(car["observations_json"]).items():
        yield check(models.ObservationIn, tell=tell, state=state, **given({"place": places.get(tell)}))


def move(book: Book, moved: dict[str, str], day: str, by: str) -> None:
    """A body moved to another pan: the first pan is a thing of its own, and a paper says when they parted."""
    car = moved["entry"]
    paper = book.one(
        "SELECT s.id FROM statements s JOIN cars ON cars.id = car WHERE number = ? AND about = 'repanned'",
        car,
    )
    gone = check(
        models.ThingIn,
        kind="pan",
        car=car,
        former=True,
        fitted=f"../{moved['when']}",
        note=moved["first_pan"],
    )
    first = book.write(store.record_thing, gone, day, by)
    here = book.one(
        "SELECT fittings.id FROM fittings JOIN things ON things.id = thing JOIN cars ON cars.id = car"
        " WHERE kind = 'pan' AND NOT former AND cars.number = ?",
        car,
    )
    thing = book.one("SELECT thing FROM fittings WHERE id = ?", here)
    fitted = check(models.FittingIn, thing=thing, car=car, edtf=f"{moved['when']}/..", paper=paper, supersedes=here)
    book.write(store.fit_thing, fitted, day, by)
    (visited,) = (row for row in rows("cars.csv") if row["entry"] == car)
    for paper_row in json.loads(visited["documents_json"]):
        if paper_row["event"] == "pan_built":
            about_it = paper_statement(visited, paper_row, entry=car, thing=first)
            book.write(store.record_statement, about_it, day, by)


# --- afterwards -----------------------------------------------------------------------------------


def decide(book: Book, row: dict[str, str]) -> None:
    """A named person's opinion, with the rows it rests on."""
    car = book.one("SELECT car FROM entries WHERE number = ?", row["entry"])
    evidence = []
    for tell in row["tells"].split():
        evidence += [
            ("observation", ref)
            for ref in book.all("SELECT id FROM observations WHERE car = ? AND tell = ?", car, tell)
        ]
    if "papers" in row["also"]:
        sql = "SELECT id FROM statements WHERE car = ? AND about NOT IN ('asking price', 'sold', 'lien')"
        evidence += [("statement", ref) for ref in book.all(sql, car)]
    if "reading" in row["also"]:
        evidence += [("reading", ref) for ref in book.all(READINGS_OF_CAR, car)]
    earlier = book.all("SELECT id FROM decisions WHERE car = ? ORDER BY id DESC LIMIT 1", car)
    if row["supersedes"] == "yes":
        evidence += [("decision", earlier[0])]
    decision = check(
        models.DecisionIn,
        car=row["entry"],
        entry=row["entry"],
        opinion=row["opinion"],
        reason=row["reason"],
        by=book.person(row["by"]),
        at=row["at"],
        evidence=tuple(check(models.EvidenceIn, kind=kind, ref=ref) for kind, ref in evidence),
        supersedes=earlier[0] if row["supersedes"] == "yes" else None,
        **given({"series": row["series"], "second_series": row["second_series"]}),
    )
    book.write(store.record_decision, decision, row["at"], row["by"])


READINGS_OF_CAR = """
SELECT readings.id FROM readings JOIN fittings ON fittings.thing = readings.thing
WHERE fittings.car = ? AND NOT fittings.former AND readings.stamped_on IN ('pan', 'body', 'plate')
GROUP BY readings.id ORDER BY readings.id
"""


def contradict(book: Book, row: dict[str, str]) -> None:
    """Records that disagree, or what was found out about it since."""
    earlier = None
    if row["supersedes"] == "yes":
        pair = [book.all("SELECT car FROM entries WHERE number = ?", row[it]) for it in ("car_a", "car_b")]
        sql = "SELECT id FROM conflicts WHERE car_a = ? AND car_b IS ? ORDER BY id DESC"
        earlier = book.all(sql, *(found[0] if found else None for found in pair))[0]
    conflict = check(
        models.ConflictIn,
        supersedes=earlier,
        by=book.person(row["by"]),
        **given({name: row[name] for name in ("kind", "car_a", "car_b", "key", "says", "reason", "state", "at")}),
    )
    book.write(store.record_conflict, conflict, row["at"], row["by"])


def go_out(book: Book, dated: str) -> None:
    """An edition: the file itself is not kept here, what went out is."""
    with store.transaction(book.db):
        publish.make_key(book.db, KEY)
    with tempfile.TemporaryDirectory() as scratch:

        def record(db: Database, day: str, **how: Any) -> None:
            publish.publish(db, Path(scratch) / "edition.db", date=day, **how)

        book.write(record, dated, dated, "OT")


def build(out: Path) -> None:
    """Writes the sample registry to ``out``; what stood there before goes only when the new one is whole.

    The file is left without a write-ahead log: it is copied, committed and served as one file.
    """
    making = out.with_name(f".{out.name}.making")
    beside = [making.with_name(making.name + end) for end in ("", "-wal", "-shm")]
    for path in beside:
        path.unlink(missing_ok=True)
    try:
        (keeper,) = (row["name"] for row in rows("people.csv") if row["initials"] == KEEPER)
        how = {"at": f"{BEGUN}T09:00:00Z", "uid": uuid.uuid5(UIDS, "begun").hex}
        create_registry(making, name=NAME, origin=ORIGIN, keeper=keeper, **how)
        db = open_registry(making, write=True)
        try:
            book = Book(db)
            begin(book)
            happened = [(car["entry_date"], 0, visit, car) for car in rows("cars.csv")]
            happened += [(row["at"], 1, decide, row) for row in rows("decisions.csv")]
            happened += [(row["at"], 2, contradict, row) for row in rows("conflicts.csv")]
            happened += [(dated, 3, go_out, dated) for dated in EDITIONS]
            for _, _, write, what in sorted(happened, key=lambda one: one[:2]):
                write(book, what)
        finally:
            db.close()
        plain = sqlite3.connect(making)
        try:
            plain.execute("PRAGMA wal_checkpoint(TRUNCATE)")
            (mode,) = plain.execute("PRAGMA journal_mode = DELETE").fetchone()
            assert mode == "delete", mode
            plain.execute("VACUUM")
        finally:
            plain.close()
        making.replace(out)
    finally:
        for path in beside:
            path.unlink(missing_ok=True)


def main(arguments: list[str]) -> int:
    """The command line: one name of a file to write."""
    if len(arguments) != 1:
        print(__doc__.split("\n\n")[1], file=sys.stderr)
        return 2
    out = Path(arguments[0])
    try:
        build(out)
    except RegistryError as error:
        print(f"Error: {error}", file=sys.stderr)
        return error.exit_code
    print(f"{out} built: {out.stat().st_size:,} bytes.")
    return 0


if __name__ == "__main__":
    sys.exit(main(sys.argv[1:]))
