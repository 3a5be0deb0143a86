"""Keeping a registry whole: is this file sound, a copy of it in a safe place, and a trial of the copy.

A backup is one folder that restores everything: the registry, the photographs beside it, a list of all files with their
hashes, and a page that says how to put it back. It is proved by restoring it into a scratch folder and looking, not by
having been written.
"""

from __future__ import annotations

import hashlib
import json
import os
import secrets
import shutil
import sqlite3
import tempfile
from collections.abc import Iterator
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

from sqlite_utils import Database

from registry import knowing, schema, store
from registry.errors import RegistryError, WrongInput
from registry.opening import application_id, now, open_registry

MANIFEST = "manifest.json"
HOW_TO = "HOW-TO-RESTORE.txt"


def photographs_folder(registry: str | os.PathLike[str]) -> Path:
    """Where the photographs of a registry lie: the folder beside it, ``registry.db`` having ``registry-photographs``."""
    path = Path(registry)
    return path.with_name(f"{path.stem}-photographs")


# Is the file sound?


def _edition_findings(target: Path) -> list[str]:
    """Whether an edition holds what its own hash was taken of."""
    from registry import edition, publish

    conn = sqlite3.connect(f"{target.absolute().as_uri()}?mode=ro", uri=True)
    try:
        said = edition.edition_info(conn).get("sha256")
        tables = edition.content(conn)
    except sqlite3.DatabaseError as error:
        return [f"SQLite cannot read the edition to its end: {error}. Get it anew from where it was published."]
    finally:
        conn.close()
    if said != publish.content_hash(tables):
        return [
            f"{target} is not what was published: its content does not have the hash it carries. Get it anew from its list."
        ]
    return []


def check_file(path: str | os.PathLike[str]) -> list[str]:
    """What is wrong with a registry file, a sentence each; an empty list where nothing is.

    Looked at: whether SQLite can read every page, whether rows point at rows that are there, whether tables, views and guards
    are those of this version, whether the chain of events is unbroken, and whether every row is as its event says it was
    recorded. The file is opened for reading only. Raises RegistryError where it is no registry at all.
    """
    target = Path(path)
    if not target.exists():
        raise RegistryError(f"There is no file at {target}.")
    found = application_id(target)
    if found == schema.EDITION_APPLICATION_ID:
        return _edition_findings(target)
    if found is None:
        raise RegistryError(
            f"{target} is no SQLite file, or its first page is gone. If it was a registry, restore a backup."
        )
    if found != schema.REGISTRY_APPLICATION_ID:
        raise RegistryError(f"{target} is a database, but not a registry of tubmark's.")
    try:
        db = open_registry(target)
    except RegistryError as error:
        return [str(error)]
    try:
        return list(_findings(db))
    except sqlite3.DatabaseError as error:
        return [
            f"SQLite cannot read the file to its end: {error}. Restore the last backup, and keep this file as it is."
        ]
    finally:
        db.close()


def _findings(db: Database) -> Iterator[str]:
    damaged = [text for (text,) in db.execute("PRAGMA integrity_check(20)") if text != "ok"]
    if damaged:
        yield from (f"SQLite finds damage: {text}." for text in damaged)
        yield "Restore the last backup, and keep this file as it is: more may be readable in it than was copied."
        return
    for table, row_id, parent, _which in db.execute("PRAGMA foreign_key_check"):
        yield f"Row {row_id} of {table} points at a row of {parent} that is not there."
    yield from _shape(db)
    yield from _chain(db)
    yield from _rows_against_events(db)
    yield from _keys(db)


def expected_shape() -> dict[tuple[str, str], str]:
    """The tables, views, indexes and triggers of a registry of this version: (type, name) to their SQL."""
    db = Database(memory=True)
    try:
        schema.migrations().apply(db)
        return _shape_of(db)
    finally:
        db.close()


def _shape_of(db: Database) -> dict[tuple[str, str], str]:
    found = db.execute("SELECT type, name, sql FROM sqlite_master WHERE name NOT LIKE 'sqlite%' AND sql IS NOT NULL")
    return {(kind, name): " ".join(sql.split()) for kind, name, sql in found}


def _shape(db: Database) -> Iterator[str]:
    expected, there = expected_shape(), _shape_of(db)
    for kind, name in sorted(set(expected) - set(there)):
        if kind == "trigger":
            yield f"The guard {name} is gone: rows of {name.rsplit('_keep_')[0]} may have been changed since. Restore a backup, or ask whoever took it away."
        else:
            yield f"The {kind} {name} is gone."
    for kind, name in sorted(set(there) - set(expected)):
        yield f"There is a {kind} {name} that no registry has."
    for kind, name in sorted(set(there) & set(expected)):
        if expected[kind, name] != there[kind, name]:
            yield f"The {kind} {name} is not as it was made."
    if schema.AMENDING in knowing.info(db):
        yield "The file was left in the middle of a change by another program: its guards against editing stand open."


def _chain(db: Database) -> Iterator[str]:
    previous = store.NO_HASH
    for event in knowing.rows(db, "SELECT * FROM events ORDER BY id"):
        if event["previous_hash"] != previous:
            yield f"The chain of events breaks before event {event['id']}: an event before it was taken out or altered."
        parts = {key: event[key] for key in ("uid", "origin", "at", "by_person", "action", "payload")}
        if store.event_hash(event["previous_hash"], **parts) != event["hash"]:
            yield f"Event {event['id']} ({event['action']}, {event['at'][:10]}) was altered after it was recorded."
        previous = event["hash"]


def _rows_against_events(db: Database) -> Iterator[str]:
    said: dict[tuple[str, Any], dict[str, Any]] = {}
    for event in knowing.rows(db, "SELECT id, payload FROM events ORDER BY id"):
        try:
            payload = json.loads(event["payload"])
        except ValueError:
            yield f"What event {event['id']} recorded cannot be read."
            continue
        for table, carried in payload.get("rows", []):
            said[table, carried["id"]] = dict(carried)
        for table, row_id, changes in payload.get("changed", []):
            if table != "people" and (table, row_id) in said:
                said[table, row_id] |= changes
    tables = [*schema.APPEND_ONLY, *schema.AMENDABLE]
    met: set[tuple[str, Any]] = set()
    for table in tables:
        if table == "events":
            continue
        for kept in knowing.rows(db, f"SELECT * FROM {table}"):
            key = (table, kept["id"])
            met.add(key)
            if key not in said:
                yield f"Row {kept['id']} of {table} was put there without an event."
                continue
            now_there = store.carried(table, kept)
            recorded = {name: value for name, value in said[key].items() if value is not None}
            now_there = {name: value for name, value in now_there.items() if value is not None}
            different = sorted(
                name for name in recorded.keys() | now_there.keys() if recorded.get(name) != now_there.get(name)
            )
            if different:
                yield f"Row {kept['id']} of {table} is not as it was recorded: {', '.join(different)} changed without an event."
    for table, row_id in sorted(set(said) - met, key=str):
        yield f"Row {row_id} of {table} was recorded and is gone."


def _keys(db: Database) -> Iterator[str]:
    subjects = (("reading", "readings"), ("theft", "theft_reports"), ("list", "list_numbers"))
    for kind, table in subjects:
        missing = knowing.rows(
            db,
            f"SELECT count(*) AS n FROM {table} WHERE id NOT IN (SELECT subject FROM number_keys WHERE subject_kind = ?)",
            [kind],
        )[0]["n"]
        if missing:
            yield f"{missing} rows of {table} cannot be found by their number: their spellings are missing."


# A copy in a safe place


@dataclass(frozen=True)
class Verified:
    """What a trial of a backup found: ``findings`` is empty where it restores whole."""

    folder: Path
    files: int
    counts: dict[str, int] = field(default_factory=dict)
    findings: tuple[str, ...] = ()


def backup(registry: str | os.PathLike[str], to: str | os.PathLike[str], *, at: str | None = None) -> Path:
    """Copy a registry with its photographs into the new folder ``to``, and return the folder.

    The copy is taken by SQLite itself, so a registry that is being written to is copied whole. The folder is made beside and
    moved into place when it is complete. Raises WrongInput where ``to`` has something in it, RegistryError where there is
    no room.
    """
    source, target = Path(registry), Path(to)
    if target.exists() and (not target.is_dir() or any(target.iterdir())):
        raise WrongInput(f"{target} is there already and not empty; a backup never writes over one. Name a new folder.")
    if not target.parent.is_dir():
        raise WrongInput(f"There is no folder {target.parent} to put the backup in.")
    making = target.with_name(f".{target.name}.{secrets.token_hex(4)}")
    db = open_registry(source)
    try:
        making.mkdir()
        copy = making / source.name
        _copy_database(db, copy)
        photographs = photographs_folder(source)
        if photographs.is_dir():
            shutil.copytree(photographs, making / photographs.name)
        (making / HOW_TO).write_text(_how_to(source.name), encoding="utf-8")
        manifest = {
            "of": source.name,
            "made": at or now(),
            "schema": schema.SCHEMA_VERSION,
            **_state(copy),
            "files": [
                {"path": path.relative_to(making).as_posix(), "bytes": path.stat().st_size, "sha256": _sha256(path)}
                for path in sorted(making.rglob("*"))
                if path.is_file()
            ],
        }
        (making / MANIFEST).write_text(json.dumps(manifest, indent=1, ensure_ascii=False) + "\n", encoding="utf-8")
        if target.exists():
            target.rmdir()
        making.rename(target)
    except OSError as error:
        raise RegistryError(
            f"The backup could not be written to {target}: {error.strerror}. Nothing was left there."
        ) from error
    finally:
        db.close()
        shutil.rmtree(making, ignore_errors=True)
    return target


def verify_backup(folder: str | os.PathLike[str]) -> Verified:
    """Restore a backup into a scratch folder and look whether it is whole; the backup itself is only read.

    Looked at: every file against its hash, then the restored registry as ``check_file`` does, its counts, and the hash of
    its last event. Raises WrongInput where the folder is no backup.
    """
    source = Path(folder)
    try:
        manifest = json.loads((source / MANIFEST).read_text(encoding="utf-8"))
        listed = {entry["path"]: entry for entry in manifest["files"]}
        name = manifest["of"]
    except FileNotFoundError:
        raise WrongInput(
            f"{source} is no backup: there is no {MANIFEST} in it. Name the folder that 'tubmark backup' made."
        ) from None
    except (OSError, ValueError, KeyError, TypeError) as error:
        raise WrongInput(f"The {MANIFEST} of {source} cannot be read: {error}.") from error
    findings: list[str] = []
    counts: dict[str, int] = {}
    with tempfile.TemporaryDirectory(prefix="tubmark-restore-") as scratch:
        restored = Path(scratch)
        for path, entry in listed.items():
            if not (source / path).is_file():
                findings.append(f"{path} is listed and is not there.")
                continue
            (restored / path).parent.mkdir(parents=True, exist_ok=True)
            shutil.copyfile(source / path, restored / path)
            if _sha256(restored / path) != entry["sha256"]:
                findings.append(f"{path} is not the file that was backed up: its hash differs.")
        for there in sorted(source.rglob("*")):
            path = there.relative_to(source).as_posix()
            if there.is_file() and path not in listed and path != MANIFEST:
                findings.append(f"{path} was put there afterwards; it is not part of the backup.")
        if (restored / name).is_file():
            try:
                findings += check_file(restored / name)
                state = _state(restored / name)
            except (RegistryError, sqlite3.DatabaseError) as error:
                findings.append(str(error))
            else:
                counts = state["counts"]
                for table, expected in manifest["counts"].items():
                    if counts.get(table) != expected:
                        findings.append(
                            f"{table} has {counts.get(table, 'no')} rows; there were {expected} when it was backed up."
                        )
                if state["last_event"] != manifest["last_event"]:
                    findings.append("The last event is not the one that was last when it was backed up.")
        elif name not in listed:
            findings.append(f"The registry {name} is not among the files of the backup.")
    return Verified(source, len(listed), counts, tuple(findings))


def _copy_database(db: Database, copy: Path) -> None:
    target = sqlite3.connect(copy)
    try:
        db.conn.backup(target)
        # One file that can be carried away: a WAL beside it would be forgotten.
        target.execute("PRAGMA journal_mode = DELETE")
    finally:
        target.close()


def _state(path: Path) -> dict[str, Any]:
    db = open_registry(path)
    try:
        last = knowing.row(db, "SELECT id, hash FROM events ORDER BY id DESC LIMIT 1")
        return {"counts": knowing.counts(db), "last_event": last}
    finally:
        db.close()


def _sha256(path: Path) -> str:
    with open(path, "rb") as file:
        return hashlib.file_digest(file, "sha256").hexdigest()


def _how_to(name: str) -> str:
    return (
        f"This folder is a whole registry: {name}, its photographs (if it has any), and {MANIFEST}, which lists every file\n"
        "with its hash.\n\n"
        "To try it without touching anything:   tubmark backup --verify THIS-FOLDER\n"
        f"To put it back:                        copy {name} and the photographs folder to where they are to be kept\n"
        f"To see whether it is whole:            tubmark check-file {name}\n\n"
        "It holds everything, names and addresses too. Keep it as you would keep the registry. A person who was erased after\n"
        "this backup was made is still in it.\n"
    )
