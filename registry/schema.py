"""The registry file: its tables, its guards and its migrations.

A registry is one SQLite file. Body, pan, plate, engine and title are *things* with histories of their own; a *car* is the
span of their being together. What people said, saw and concluded is added and never edited: triggers in the file itself
refuse it, also to another program. Personal values stand in ``people`` alone, which can be erased; everything else names a
person by id.

Migrations are append-only: one that has been shipped is never edited. Columns ``earliest`` and ``latest`` are ISO days, the
bounds of the EDTF text beside them; NULL is open.
"""

from __future__ import annotations

import sqlite3
from functools import lru_cache
from typing import TYPE_CHECKING

if TYPE_CHECKING:  # 'tubmark decode' asks this file for an application_id and must not wait for sqlite_utils
    from sqlite_utils import Database, Migrations

#: "TUBR" and "TUBE" as big-endian integers: a registry and an edition are told apart by SQLite's application_id.
REGISTRY_APPLICATION_ID = 0x54554252
EDITION_APPLICATION_ID = 0x54554245

#: Every record carries a client-made uid (so that a list can be joined with another) and the list it came from.
TABLES = """
CREATE TABLE registry_info (key TEXT PRIMARY KEY, value TEXT NOT NULL) STRICT;

CREATE TABLE events (
  id INTEGER PRIMARY KEY, uid TEXT NOT NULL UNIQUE, origin TEXT NOT NULL,
  at TEXT NOT NULL, by_person INTEGER REFERENCES people(id), action TEXT NOT NULL,
  payload TEXT NOT NULL, previous_hash TEXT NOT NULL, hash TEXT NOT NULL UNIQUE
) STRICT;

CREATE TABLE people (
  id INTEGER PRIMARY KEY, uid TEXT NOT NULL UNIQUE, origin TEXT NOT NULL,
  ref TEXT UNIQUE, name TEXT, town TEXT, contact TEXT, note TEXT, initials TEXT, erased_at TEXT
) STRICT;

CREATE TABLE makers (
  id TEXT PRIMARY KEY, uid TEXT NOT NULL UNIQUE, origin TEXT NOT NULL, name TEXT NOT NULL, place TEXT, note TEXT
) STRICT;

CREATE TABLE series (
  id TEXT PRIMARY KEY, uid TEXT NOT NULL UNIQUE, origin TEXT NOT NULL, maker TEXT REFERENCES makers(id),
  name TEXT NOT NULL, kind TEXT NOT NULL CHECK (kind IN ('maker', 'copy', 'continuation', 'other')),
  copied_from TEXT, serial_family TEXT, donor_family TEXT, shortened_mm INTEGER, made_edtf TEXT, note TEXT
) STRICT;

CREATE TABLE family_tables (
  id INTEGER PRIMARY KEY, uid TEXT NOT NULL UNIQUE, origin TEXT NOT NULL, family TEXT NOT NULL,
  source_yaml TEXT NOT NULL, sha256 TEXT NOT NULL, compiled TEXT NOT NULL, added TEXT NOT NULL, event INTEGER REFERENCES events(id)
) STRICT;

CREATE TABLE cars (
  id INTEGER PRIMARY KEY, uid TEXT NOT NULL UNIQUE, origin TEXT NOT NULL,
  number TEXT NOT NULL UNIQUE, event INTEGER NOT NULL REFERENCES events(id)
) STRICT;

CREATE TABLE car_joins (
  id INTEGER PRIMARY KEY, uid TEXT NOT NULL UNIQUE, origin TEXT NOT NULL,
  car INTEGER NOT NULL REFERENCES cars(id), into_car INTEGER NOT NULL REFERENCES cars(id),
  kind TEXT NOT NULL CHECK (kind IN ('merge', 'split')), reason TEXT NOT NULL, at TEXT NOT NULL,
  by_person INTEGER REFERENCES people(id), event INTEGER NOT NULL REFERENCES events(id)
) STRICT;

CREATE TABLE entries (
  id INTEGER PRIMARY KEY, uid TEXT NOT NULL UNIQUE, origin TEXT NOT NULL,
  number TEXT NOT NULL UNIQUE, car INTEGER NOT NULL REFERENCES cars(id), entry_date TEXT NOT NULL,
  left_by_kind TEXT, left_by INTEGER REFERENCES people(id), by_right TEXT, reason TEXT,
  until TEXT, terms TEXT, contents TEXT, claimed_as TEXT, claim_words TEXT,
  condition TEXT, colour_now TEXT, colour_under TEXT, shortened_mm INTEGER, alterations TEXT, notes TEXT,
  surface TEXT, photographs TEXT, photo_hazards TEXT, examined_by INTEGER REFERENCES people(id),
  received TEXT NOT NULL DEFAULT 'received' CHECK (received IN ('received', 'refused', 'opinion only', 'paper only')),
  finished_at TEXT, event INTEGER NOT NULL REFERENCES events(id)
) STRICT;

CREATE TABLE things (
  id INTEGER PRIMARY KEY, uid TEXT NOT NULL UNIQUE, origin TEXT NOT NULL,
  kind TEXT NOT NULL CHECK (kind IN ('body', 'pan', 'plate', 'engine', 'title')),
  series TEXT REFERENCES series(id), issue TEXT, note TEXT, event INTEGER NOT NULL REFERENCES events(id)
) STRICT;

CREATE TABLE fittings (
  id INTEGER PRIMARY KEY, uid TEXT NOT NULL UNIQUE, origin TEXT NOT NULL,
  thing INTEGER NOT NULL REFERENCES things(id), car INTEGER NOT NULL REFERENCES cars(id),
  edtf TEXT, earliest TEXT, latest TEXT, former INTEGER NOT NULL DEFAULT 0 CHECK (former IN (0, 1)),
  paper INTEGER REFERENCES statements(id), supersedes INTEGER REFERENCES fittings(id), event INTEGER NOT NULL REFERENCES events(id)
) STRICT;

CREATE TABLE readings (
  id INTEGER PRIMARY KEY, uid TEXT NOT NULL UNIQUE, origin TEXT NOT NULL,
  thing INTEGER NOT NULL REFERENCES things(id), entry INTEGER REFERENCES entries(id),
  as_typed TEXT NOT NULL, stamped_on TEXT NOT NULL, place TEXT, how TEXT,
  surface TEXT CHECK (surface IN ('untouched', 'painted', 'pitted', 'ground', 'restamped', 'cut-away')),
  direction TEXT, at TEXT, by_person INTEGER REFERENCES people(id), note TEXT,
  slip_of INTEGER REFERENCES readings(id), event INTEGER NOT NULL REFERENCES events(id)
) STRICT;

CREATE TABLE theft_reports (
  id INTEGER PRIMARY KEY, uid TEXT NOT NULL UNIQUE, origin TEXT NOT NULL,
  as_typed TEXT NOT NULL, stamped_on TEXT, reported TEXT, source TEXT NOT NULL, ask TEXT, note TEXT,
  event INTEGER NOT NULL REFERENCES events(id)
) STRICT;

CREATE TABLE lists (
  id INTEGER PRIMARY KEY, uid TEXT NOT NULL UNIQUE, origin TEXT NOT NULL,
  name TEXT NOT NULL UNIQUE, kept_by TEXT, note TEXT
) STRICT;

CREATE TABLE list_numbers (
  id INTEGER PRIMARY KEY, uid TEXT NOT NULL UNIQUE, origin TEXT NOT NULL,
  list INTEGER NOT NULL REFERENCES lists(id), as_typed TEXT NOT NULL, stamped_on TEXT NOT NULL, series TEXT REFERENCES series(id),
  their_number TEXT, note TEXT, event INTEGER NOT NULL REFERENCES events(id)
) STRICT;

-- Derived: can be dropped and rebuilt (a house table may change how a number is normalised).
CREATE TABLE number_keys (
  id INTEGER PRIMARY KEY,
  subject_kind TEXT NOT NULL CHECK (subject_kind IN ('reading', 'theft', 'list')), subject INTEGER NOT NULL,
  kind TEXT NOT NULL, family TEXT NOT NULL, key TEXT NOT NULL, certain INTEGER NOT NULL CHECK (certain IN (0, 1)),
  rule TEXT NOT NULL
) STRICT;

CREATE TABLE statements (
  id INTEGER PRIMARY KEY, uid TEXT NOT NULL UNIQUE, origin TEXT NOT NULL,
  car INTEGER NOT NULL REFERENCES cars(id), entry INTEGER REFERENCES entries(id), thing INTEGER REFERENCES things(id),
  about TEXT NOT NULL, relation TEXT CHECK (relation IN ('equals', 'not before', 'not after')),
  as_written TEXT, edtf TEXT, earliest TEXT, latest TEXT, value TEXT,
  kind TEXT NOT NULL, nature TEXT CHECK (nature IN ('document made at the time', 'stamping', 'memory', 'inference')),
  seen TEXT CHECK (seen IN ('original', 'copy', 'told')), source TEXT, locator TEXT, confidence TEXT, note TEXT,
  by_person INTEGER REFERENCES people(id), at TEXT, slip_of INTEGER REFERENCES statements(id),
  event INTEGER NOT NULL REFERENCES events(id)
) STRICT;

CREATE TABLE tells (
  id INTEGER PRIMARY KEY, uid TEXT NOT NULL UNIQUE, origin TEXT NOT NULL,
  code TEXT NOT NULL, version INTEGER NOT NULL, sheet TEXT NOT NULL, grp TEXT NOT NULL, name TEXT NOT NULL, looks_like TEXT NOT NULL,
  how TEXT, minutes REAL, place TEXT, cautions TEXT, later INTEGER NOT NULL DEFAULT 0, note TEXT,
  event INTEGER NOT NULL REFERENCES events(id), UNIQUE (code, version)
) STRICT;

CREATE TABLE tell_counts (
  id INTEGER PRIMARY KEY, tell INTEGER NOT NULL REFERENCES tells(id), series TEXT NOT NULL REFERENCES series(id),
  seen_on REAL NOT NULL, out_of REAL NOT NULL, kind TEXT NOT NULL CHECK (kind IN ('counted', 'estimate')), source TEXT NOT NULL
) STRICT;

CREATE TABLE observations (
  id INTEGER PRIMARY KEY, uid TEXT NOT NULL UNIQUE, origin TEXT NOT NULL,
  car INTEGER NOT NULL REFERENCES cars(id), entry INTEGER REFERENCES entries(id), tell TEXT NOT NULL,
  state TEXT NOT NULL CHECK (state IN ('present', 'absent', 'altered', 'gone with traces left', 'not visible', 'not examined')),
  traces TEXT, place TEXT, doubt REAL, note TEXT, at TEXT, by_person INTEGER REFERENCES people(id), blind INTEGER NOT NULL DEFAULT 0,
  slip_of INTEGER REFERENCES observations(id), event INTEGER NOT NULL REFERENCES events(id)
) STRICT;

CREATE TABLE photographs (
  id INTEGER PRIMARY KEY, uid TEXT NOT NULL UNIQUE, origin TEXT NOT NULL,
  car INTEGER REFERENCES cars(id), entry INTEGER REFERENCES entries(id), thing INTEGER REFERENCES things(id),
  sha256 TEXT NOT NULL, clean_sha256 TEXT, dhash TEXT, media_type TEXT NOT NULL, bytes INTEGER NOT NULL,
  view TEXT, tell TEXT, taken TEXT, hazards TEXT, may_publish INTEGER NOT NULL DEFAULT 0, by_person INTEGER REFERENCES people(id), note TEXT,
  event INTEGER NOT NULL REFERENCES events(id)
) STRICT;

CREATE TABLE decisions (
  id INTEGER PRIMARY KEY, uid TEXT NOT NULL UNIQUE, origin TEXT NOT NULL,
  car INTEGER NOT NULL REFERENCES cars(id), thing INTEGER REFERENCES things(id), entry INTEGER REFERENCES entries(id),
  opinion TEXT NOT NULL CHECK (opinion IN ('maker''s series', 'copy taken from a body', 'continuation body', 'two bodies joined', 'other', 'open')),
  series TEXT REFERENCES series(id), second_series TEXT REFERENCES series(id), reason TEXT NOT NULL,
  by_person INTEGER NOT NULL REFERENCES people(id), at TEXT NOT NULL,
  supersedes INTEGER REFERENCES decisions(id), slip_of INTEGER REFERENCES decisions(id), event INTEGER NOT NULL REFERENCES events(id)
) STRICT;

CREATE TABLE decision_evidence (
  id INTEGER PRIMARY KEY, decision INTEGER NOT NULL REFERENCES decisions(id),
  kind TEXT NOT NULL CHECK (kind IN ('observation', 'statement', 'reading', 'photograph', 'stop', 'decision')),
  ref INTEGER NOT NULL, weight REAL, frozen TEXT NOT NULL
) STRICT;

CREATE TABLE stops (
  id INTEGER PRIMARY KEY, uid TEXT NOT NULL UNIQUE, origin TEXT NOT NULL,
  car INTEGER NOT NULL REFERENCES cars(id), entry INTEGER REFERENCES entries(id),
  kind TEXT NOT NULL CHECK (kind IN ('number looks altered', 'near a theft report', 'lien', 'title of another thing', 'unsafe to move', 'unsafe to drive')),
  says TEXT NOT NULL, ask TEXT NOT NULL, found_by TEXT NOT NULL CHECK (found_by IN ('person', 'tool')), at TEXT NOT NULL,
  by_person INTEGER REFERENCES people(id), event INTEGER NOT NULL REFERENCES events(id)
) STRICT;

CREATE TABLE stop_releases (
  id INTEGER PRIMARY KEY, uid TEXT NOT NULL UNIQUE, origin TEXT NOT NULL,
  stop INTEGER NOT NULL REFERENCES stops(id), reason TEXT NOT NULL, paper INTEGER REFERENCES statements(id),
  by_person INTEGER NOT NULL REFERENCES people(id), at TEXT NOT NULL, event INTEGER NOT NULL REFERENCES events(id)
) STRICT;

CREATE TABLE consents (
  id INTEGER PRIMARY KEY, uid TEXT NOT NULL UNIQUE, origin TEXT NOT NULL,
  car INTEGER NOT NULL REFERENCES cars(id), person INTEGER REFERENCES people(id),
  consent TEXT NOT NULL CHECK (consent IN ('full', 'number hidden', 'none', 'unknown', 'withdrawn')),
  at TEXT NOT NULL, reason TEXT, event INTEGER NOT NULL REFERENCES events(id)
) STRICT;

CREATE TABLE holds (
  id INTEGER PRIMARY KEY, uid TEXT NOT NULL UNIQUE, origin TEXT NOT NULL,
  car INTEGER NOT NULL REFERENCES cars(id), held INTEGER NOT NULL CHECK (held IN (0, 1)), reason TEXT NOT NULL, at TEXT NOT NULL,
  by_person INTEGER REFERENCES people(id), event INTEGER NOT NULL REFERENCES events(id)
) STRICT;

CREATE TABLE custody (
  id INTEGER PRIMARY KEY, uid TEXT NOT NULL UNIQUE, origin TEXT NOT NULL,
  car INTEGER NOT NULL REFERENCES cars(id), person INTEGER NOT NULL REFERENCES people(id),
  role TEXT NOT NULL CHECK (role IN ('keeper', 'owner', 'agent')), edtf TEXT, earliest TEXT, latest TEXT,
  paper INTEGER REFERENCES statements(id), event INTEGER NOT NULL REFERENCES events(id)
) STRICT;

CREATE TABLE conflicts (
  id INTEGER PRIMARY KEY, uid TEXT NOT NULL UNIQUE, origin TEXT NOT NULL,
  kind TEXT NOT NULL, car_a INTEGER NOT NULL REFERENCES cars(id), car_b INTEGER REFERENCES cars(id),
  key TEXT, says TEXT NOT NULL, reason TEXT NOT NULL, state TEXT NOT NULL CHECK (state IN ('open', 'settled')),
  supersedes INTEGER REFERENCES conflicts(id), at TEXT NOT NULL, by_person INTEGER REFERENCES people(id),
  event INTEGER NOT NULL REFERENCES events(id)
) STRICT;

CREATE TABLE papers_issued (
  id INTEGER PRIMARY KEY, uid TEXT NOT NULL UNIQUE, origin TEXT NOT NULL,
  car INTEGER REFERENCES cars(id), entry INTEGER REFERENCES entries(id), kind TEXT NOT NULL, version TEXT NOT NULL,
  to_person INTEGER REFERENCES people(id), at TEXT NOT NULL, sha256 TEXT NOT NULL, media_type TEXT NOT NULL, body BLOB NOT NULL,
  rests_on INTEGER REFERENCES decisions(id), event INTEGER NOT NULL REFERENCES events(id)
) STRICT;

CREATE TABLE editions (
  id INTEGER PRIMARY KEY, uid TEXT NOT NULL UNIQUE, origin TEXT NOT NULL,
  dated TEXT NOT NULL, sha256 TEXT NOT NULL, policy TEXT NOT NULL, rows TEXT NOT NULL, event INTEGER NOT NULL REFERENCES events(id)
) STRICT;

-- The rows of the latest edition, as they went out: what an anonymous visitor of a served registry may see.
CREATE TABLE published_cars (
  car TEXT PRIMARY KEY, maker TEXT, series TEXT, opinion TEXT, opinion_year TEXT, body_serial TEXT, body_made TEXT,
  pan TEXT, pan_model_year TEXT, colour TEXT, colour_under TEXT, province TEXT, last_seen TEXT, line TEXT, edition TEXT NOT NULL
) STRICT;
"""

#: Second migration. ``tells.carries``: the kind of thing whose number stands on the tell ("plate", "body"). A tell's change
#: belongs to one version of it, like its counts. Odds at the gate have versions of their own: all rows of one sheet and
#: version are one statement. ``decision_weighings`` is what the findings bore on the day of a decision, as JSON.
EVIDENCE_TABLES = """
ALTER TABLE tells ADD COLUMN carries TEXT CHECK (carries IN ('plate', 'body'));

CREATE TABLE tell_changes (
  id INTEGER PRIMARY KEY, tell INTEGER NOT NULL REFERENCES tells(id), series TEXT NOT NULL REFERENCES series(id), at TEXT NOT NULL,
  before_seen REAL NOT NULL, before_of REAL NOT NULL, after_seen REAL NOT NULL, after_of REAL NOT NULL,
  kind TEXT NOT NULL CHECK (kind IN ('counted', 'estimate')), source TEXT NOT NULL, UNIQUE (tell, series)
) STRICT;

CREATE TABLE gate_odds (
  id INTEGER PRIMARY KEY, uid TEXT NOT NULL UNIQUE, origin TEXT NOT NULL,
  sheet TEXT NOT NULL, version INTEGER NOT NULL, hypothesis TEXT NOT NULL, weight REAL NOT NULL CHECK (weight >= 0),
  source TEXT NOT NULL, event INTEGER NOT NULL REFERENCES events(id), UNIQUE (sheet, version, hypothesis)
) STRICT;

CREATE TABLE decision_weighings (
  id INTEGER PRIMARY KEY, decision INTEGER NOT NULL UNIQUE REFERENCES decisions(id), frozen TEXT NOT NULL
) STRICT;

CREATE INDEX tell_changes_tell ON tell_changes(tell);
-- "Was this a slip of the pen?" is asked of every row that is read.
CREATE INDEX observations_slip ON observations(slip_of) WHERE slip_of IS NOT NULL;
CREATE INDEX readings_slip ON readings(slip_of) WHERE slip_of IS NOT NULL;
CREATE INDEX statements_slip ON statements(slip_of) WHERE slip_of IS NOT NULL;
"""

INDEXES = """
CREATE INDEX events_at ON events(at);
CREATE INDEX entries_car ON entries(car);
CREATE INDEX fittings_car ON fittings(car);
CREATE INDEX fittings_thing ON fittings(thing);
CREATE INDEX readings_thing ON readings(thing);
CREATE INDEX number_keys_key ON number_keys(key);
CREATE INDEX number_keys_subject ON number_keys(subject_kind, subject);
CREATE INDEX statements_car ON statements(car);
CREATE INDEX observations_car ON observations(car, tell);
CREATE INDEX decisions_car ON decisions(car);
CREATE INDEX decision_evidence_decision ON decision_evidence(decision);
CREATE INDEX stops_car ON stops(car);
CREATE INDEX stop_releases_stop ON stop_releases(stop);
CREATE INDEX consents_car ON consents(car);
CREATE INDEX holds_car ON holds(car);
CREATE INDEX custody_car ON custody(car);
CREATE INDEX conflicts_cars ON conflicts(car_a, car_b);
CREATE INDEX car_joins_car ON car_joins(car);
CREATE INDEX papers_issued_car ON papers_issued(car);
CREATE INDEX family_tables_family ON family_tables(family);
CREATE INDEX tell_counts_tell ON tell_counts(tell);
"""

#: What an anonymous visitor may see in a registry that is served (never in the edition file, which is public as a whole).
VIEWS = """
CREATE VIEW public_cars AS
  SELECT car, maker, series, opinion, opinion_year, body_serial, body_made, pan, pan_model_year,
         colour, colour_under, province, last_seen, line, edition FROM published_cars;
CREATE VIEW public_series AS
  SELECT series.id AS series, series.name AS name, makers.name AS maker, makers.place AS place, series.kind AS kind, series.made_edtf AS made
  FROM series LEFT JOIN makers ON makers.id = series.maker;
"""

#: Tables in which nothing is ever edited or deleted: a later row supersedes. Beside each, the columns that tell its rows
#: apart (besides ``id``). They are named because ``INSERT OR REPLACE`` deletes the row it collides with, and a connection
#: without ``recursive_triggers`` does that without asking the guard against deleting.
APPEND_ONLY: dict[str, tuple[str, ...]] = {
    "events": ("uid", "hash"),
    "family_tables": ("uid",),
    "cars": ("uid", "number"),
    "car_joins": ("uid",),
    "things": ("uid",),
    "fittings": ("uid",),
    "readings": ("uid",),
    "theft_reports": ("uid",),
    "lists": ("uid", "name"),
    "list_numbers": ("uid",),
    "statements": ("uid",),
    "tells": ("uid",),
    "tell_counts": (),
    "tell_changes": (),
    "gate_odds": ("uid",),
    "decision_weighings": ("decision",),
    "observations": ("uid",),
    "photographs": ("uid",),
    "decisions": ("uid",),
    "decision_evidence": (),
    "stops": ("uid",),
    "stop_releases": ("uid",),
    "consents": ("uid",),
    "holds": ("uid",),
    "custody": ("uid",),
    "conflicts": ("uid",),
    "papers_issued": ("uid",),
    "editions": ("uid",),
}

#: Tables whose rows are never deleted and are changed only by way of the store, which writes an event that carries what
#: changed. Beside each: the columns that tell its rows apart, and the columns that never change at all.
AMENDABLE: dict[str, tuple[tuple[str, ...], tuple[str, ...]]] = {
    "people": (("uid", "ref"), ("id", "uid", "origin", "ref")),
    "entries": (("uid", "number"), ("id", "uid", "origin", "number", "car", "event")),
    "makers": (("uid",), ("id", "uid", "origin")),
    "series": (("uid",), ("id", "uid", "origin")),
}

#: Guarded tables that a later migration added, with the number of that migration: the first one knew nothing of them.
ADDED_BY = {"tell_changes": 2, "gate_odds": 2, "decision_weighings": 2}

#: The car of an entry, for a SELECT from ``entries``. A visit that was written down for the wrong car has a record of its own
#: later, under its own number; the entry's row is never changed.
OF_ENTRY = "coalesce((SELECT cars.id FROM cars WHERE cars.number = entries.number), entries.car)"

#: The store puts this key into registry_info for the length of one transaction, with the table's name as value.
AMENDING = "amending"


def _guards() -> dict[str, str]:
    guards: dict[str, str] = {}

    def guard(table: str, what: str, timing: str, when: str, says: str) -> None:
        name = f"{table}_{what}"
        condition = f" WHEN {when}" if when else ""
        refusal = f"BEGIN SELECT RAISE(ABORT, '{says}'); END"
        guards[name] = f"CREATE TRIGGER {name} BEFORE {timing} ON {table}{condition} {refusal}"

    def same(table: str, columns: tuple[str, ...]) -> str:
        met = " OR ".join(f"{column} = NEW.{column}" for column in ("id", *columns))
        return f"EXISTS (SELECT 1 FROM {table} WHERE {met})"

    for table, columns in APPEND_ONLY.items():
        guard(table, "keep_update", "UPDATE", "", f"{table} is never edited: add a row that supersedes this one")
        guard(table, "keep_delete", "DELETE", "", f"{table} is never deleted from")
        guard(table, "keep_replace", "INSERT", same(table, columns), f"{table} has this row, and it is never replaced")
    for table, (columns, fixed) in AMENDABLE.items():
        amending = f"EXISTS (SELECT 1 FROM registry_info WHERE key = '{AMENDING}' AND value = '{table}')"
        kept = " AND ".join(f"NEW.{column} IS OLD.{column}" for column in fixed)
        allowed = f"{amending} AND {kept}"
        if table == "people":  # erased means erased: nobody writes values back beside the old history
            allowed += " AND OLD.erased_at IS NULL"
        says = f"{table} is changed only by tubmark, which writes down what changed"
        guard(table, "keep_update", "UPDATE", f"NOT ({allowed})", says)
        guard(table, "keep_delete", "DELETE", "", f"{table} is never deleted from")
        guard(table, "keep_replace", "INSERT", same(table, columns), f"{table} has this row, and it is never replaced")
    return guards


#: Every trigger of a registry, by name. ``transform()`` drops the triggers of the table it works on without a word: a
#: migration that uses it creates them again from here.
TRIGGERS: dict[str, str] = _guards()

#: Of an event that concerns one car its payload names that car; this index finds a car's history.
EVENT_INDEX = "CREATE INDEX events_car ON events(json_extract(payload, '$.car'))"

#: Number of migrations a file of today has been through; kept in the file's user_version.
SCHEMA_VERSION = 2


def statements_of(script: str) -> list[str]:
    """Split SQL text into its statements. ``executescript`` would commit an open transaction, and a migration is one transaction.

    >>> statements_of("CREATE TABLE a (x); -- why\\nCREATE TABLE b (y);")
    ['CREATE TABLE a (x);', '-- why\\nCREATE TABLE b (y);']
    """
    found, pending = [], ""
    for piece in script.split(";"):
        pending += piece + ";"
        if sqlite3.complete_statement(pending):
            found.append(pending.strip())
            pending = ""
    return [statement for statement in found if statement.strip(" ;\n")]


@lru_cache(maxsize=1)
def migrations() -> Migrations:
    """The migrations, oldest first. One that was shipped is never edited; a new one is added at the end."""
    from sqlite_utils import Migrations

    all_of_them = Migrations("tubmark")
    all_of_them(name="0001_first")(_first)
    all_of_them(name="0002_evidence")(_evidence)
    return all_of_them


def _first(db: Database) -> None:
    for script in (TABLES, INDEXES, VIEWS):
        for statement in statements_of(script):
            db.execute(statement)
    db.execute(EVENT_INDEX)
    _put_guards(db, 1)
    db.execute(f"PRAGMA application_id = {REGISTRY_APPLICATION_ID}")
    db.execute("PRAGMA user_version = 1")


def _evidence(db: Database) -> None:
    for statement in statements_of(EVIDENCE_TABLES):
        db.execute(statement)
    _put_guards(db, 2)
    db.execute("PRAGMA user_version = 2")


def _put_guards(db: Database, migration: int) -> None:
    """The guards of the tables that a migration makes."""
    for table in (*APPEND_ONLY, *AMENDABLE):
        if ADDED_BY.get(table, 1) == migration:
            for what in ("update", "delete", "replace"):
                db.execute(TRIGGERS[f"{table}_keep_{what}"])
