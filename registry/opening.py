"""Opening a registry file: whether it is one, whether it is of this version, and how SQLite must treat it.

A registry is known by SQLite's application_id, so that neither an edition nor somebody's address book is taken for one. For
reading it is opened so that not a byte of it can change; for writing it is put into WAL mode (readers go on while somebody
writes), with foreign keys on and with deleted bytes overwritten. An older file is copied before it is brought up to date.
"""

from __future__ import annotations

import os
import secrets
import sqlite3
from collections.abc import Iterator
from contextlib import contextmanager
from datetime import UTC, datetime
from pathlib import Path

from sqlite_utils import Database

from registry import schema
from registry.errors import RegistryError, WrongInput

_LOOK = "'tubmark check-file' says what is wrong with it; restore a backup if it is damaged."

#: Milliseconds to wait for another program that is writing just now.
BUSY_MS = 5000


def now() -> str:
    """The time of day as the registry writes it: UTC, to the second."""
    return datetime.now(UTC).strftime("%Y-%m-%dT%H:%M:%SZ")


def create_registry(
    path: str | os.PathLike[str],
    *,
    name: str,
    origin: str,
    keeper: str | None = None,
    at: str | None = None,
    uid: str | None = None,
) -> Path:
    """Make a new, empty registry at ``path`` and return the path.

    ``name`` is what the list is called; ``origin`` is the short mark that every record made here carries, so that lists
    can be joined later; ``keeper`` is the person who keeps it. With ``at`` and ``uid`` given, the same file comes out each
    time. The file is made beside and moved into place whole.

    Raises WrongInput where something is at ``path`` already, where its folder is missing, or where name or origin is empty.
    """
    from registry import store

    target = Path(path)
    if target.exists():
        raise WrongInput(
            f"There is a file at {target} already, and a new registry never replaces one. Name another path."
        )
    if not target.parent.is_dir():
        raise WrongInput(
            f"There is no folder {target.parent} to put the registry in. Make the folder first, or name another."
        )
    if not name.strip() or not origin.strip():
        raise WrongInput("A registry needs a name and an origin: the short mark that each of its records carries.")
    at = at or now()
    making = target.with_name(f".{target.name}.{secrets.token_hex(4)}")
    try:
        db = Database(sqlite3.connect(making))
        try:
            _prepare_for_writing(db, wal=False)
            schema.migrations().apply(db)
            with store.transaction(db):
                # The time of a migration is the registry's, so that one built twice from the same records is the same.
                db.execute("UPDATE _sqlite_migrations SET applied_at = ?", [at])
                for key, value in (("name", name.strip()), ("origin", origin.strip()), ("made", at)):
                    db.execute("INSERT INTO registry_info (key, value) VALUES (?, ?)", [key, value])
                store.open_the_book(db, keeper=keeper, at=at, uid=uid)
        finally:
            db.close()
        _move_without_replacing(making, target)
    except FileExistsError:
        raise WrongInput(f"There is a file at {target} already, and a new registry never replaces one.") from None
    except (OSError, sqlite3.Error) as error:
        raise RegistryError(
            f"No registry could be made at {target}: {error}. Is there room, and may you write there?"
        ) from error
    finally:
        making.unlink(missing_ok=True)
    return target


def open_registry(path: str | os.PathLike[str], *, write: bool = False) -> Database:
    """Open the registry at ``path``; the caller closes it (or uses ``opened``).

    Raises RegistryError, in a sentence, where there is no file, where it is no registry (an edition is named as such),
    where it was made by a newer tubmark, or where it is older and opened only for reading.
    """
    target = Path(path)
    if not target.exists():
        raise RegistryError(
            f"There is no registry at {target}. Make one with: tubmark new {target}   (or name yours with -r or TUBMARK_REGISTRY)"
        )
    if target.is_dir():
        raise RegistryError(f"{target} is a folder; a registry is one file. Name the file inside it.")
    _refuse_unless_registry(target)
    if write and not os.access(target, os.W_OK):
        raise RegistryError(f"{target} may not be written to by you. Ask whoever owns the file, or work on a copy.")
    try:
        db = Database(_connect(target, write=write))
    except sqlite3.DatabaseError as error:
        raise RegistryError(f"{target} could not be opened: {error}. {_LOOK}") from error
    try:
        version = db.execute("PRAGMA user_version").fetchone()[0]
        if version > schema.SCHEMA_VERSION:
            raise RegistryError(
                f"{target} was made by a newer tubmark (schema {version}; this one knows up to {schema.SCHEMA_VERSION}). "
                "Bring tubmark up to date."
            )
        if write:
            if version < schema.SCHEMA_VERSION:
                copy_before_migrating(db, target, version)
                schema.migrations().apply(db)
            _prepare_for_writing(db, wal=True)
        else:
            if version < schema.SCHEMA_VERSION:
                raise RegistryError(
                    f"{target} was made by an older tubmark (schema {version}; today's is {schema.SCHEMA_VERSION}). "
                    f"Bring it up to date with: tubmark check-file {target} --bring-up-to-date   (a copy is made first)"
                )
            db.execute("PRAGMA query_only = ON")
            db.execute("PRAGMA foreign_keys = ON")
    except sqlite3.DatabaseError as error:
        db.close()
        raise RegistryError(f"{target} could not be opened: {error}. {_LOOK}") from error
    except BaseException:
        db.close()
        raise
    return db


@contextmanager
def opened(path: str | os.PathLike[str], *, write: bool = False) -> Iterator[Database]:
    """``open_registry`` for the length of a ``with`` block."""
    db = open_registry(path, write=write)
    try:
        yield db
    finally:
        db.close()


def is_edition(path: str | os.PathLike[str]) -> bool:
    """Whether the file is a published edition rather than a registry."""
    return application_id(path) == schema.EDITION_APPLICATION_ID


def is_registry(path: str | os.PathLike[str]) -> bool:
    """Whether the file says of itself that it is a registry."""
    return application_id(path) == schema.REGISTRY_APPLICATION_ID


def application_id(path: str | os.PathLike[str]) -> int | None:
    """The application_id in a SQLite file's header, or None where it is no SQLite file. Opens nothing and locks nothing."""
    try:
        with open(path, "rb") as file:
            header = file.read(100)
    except OSError:
        return None
    if len(header) < 100 or not header.startswith(b"SQLite format 3\x00"):
        return None
    return int.from_bytes(header[68:72], "big")


def copy_before_migrating(db: Database, path: Path, version: int) -> Path:
    """Copy an older registry beside itself before it is migrated, and return where the copy is."""
    copy = path.with_name(f"{path.name}.before-schema-{schema.SCHEMA_VERSION}")
    number = 1
    while copy.exists():
        number += 1
        copy = path.with_name(f"{path.name}.before-schema-{schema.SCHEMA_VERSION}.{number}")
    # SQLite's own backup, not a file copy: what is still in the WAL belongs to the registry.
    target = sqlite3.connect(copy)
    try:
        db.conn.backup(target)
    finally:
        target.close()
    return copy


def _move_without_replacing(made: Path, target: Path) -> None:
    try:
        os.link(made, target)  # refuses where somebody made one in the meantime
    except FileExistsError:
        raise
    except OSError:  # a file system without links
        if target.exists():
            raise FileExistsError(target) from None
        made.rename(target)


def _refuse_unless_registry(path: Path) -> None:
    found = application_id(path)
    if found == schema.REGISTRY_APPLICATION_ID:
        return
    if found == schema.EDITION_APPLICATION_ID:
        raise RegistryError(
            f"{path} is a published edition, not a registry: nothing private is in it and nothing can be recorded there. "
            f"Look at it with: tubmark serve {path}"
        )
    if found is None:
        try:
            with open(path, "rb"):
                pass
        except OSError as error:
            raise RegistryError(f"{path} could not be read: {error.strerror}.") from error
        raise RegistryError(f"{path} is not a registry: it is no SQLite file. Name the file that 'tubmark new' made.")
    raise RegistryError(
        f"{path} is a database, but not a registry of tubmark's. Name the file that 'tubmark new' made."
    )


def _connect(path: Path, *, write: bool) -> sqlite3.Connection:
    where = path.absolute().as_uri()
    if write:
        return sqlite3.connect(path, timeout=BUSY_MS / 1000)
    connection = sqlite3.connect(f"{where}?mode=ro", uri=True, timeout=BUSY_MS / 1000)
    try:
        connection.execute("SELECT count(*) FROM sqlite_master").fetchone()
    except sqlite3.OperationalError:
        connection.close()
        wal = path.with_name(path.name + "-wal")
        if wal.exists() and wal.stat().st_size:
            raise RegistryError(
                f"{path} stands where nothing can be written and has changes beside it that are not in it yet. "
                "Open it once on the machine where it is kept, then copy it again."
            ) from None
        # In a folder that cannot be written to, SQLite has nowhere to keep the notes that WAL mode asks for.
        connection = sqlite3.connect(f"{where}?immutable=1", uri=True)
    return connection


def _prepare_for_writing(db: Database, *, wal: bool) -> None:
    db.execute(f"PRAGMA busy_timeout = {BUSY_MS}")
    if wal:
        db.execute("PRAGMA journal_mode = WAL")
    db.execute("PRAGMA foreign_keys = ON")
    db.execute("PRAGMA recursive_triggers = ON")
    db.execute("PRAGMA secure_delete = ON")
