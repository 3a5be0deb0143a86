"""The file guards itself: what is append-only cannot be edited, deleted or replaced, not by another program either."""

from __future__ import annotations

import sqlite3
from pathlib import Path

import pytest
from furnishing import AT
from sqlite_utils import Database

from registry import schema, store
from registry.models import PersonIn, check
from registry.opening import create_registry, open_registry


@pytest.fixture
def blank() -> Database:
    database = Database(memory=True)
    schema.migrations().apply(database)
    yield database
    database.close()


def tables_of(database: Database) -> set[str]:
    return {name for name in database.table_names() if name != "_sqlite_migrations"}


def test_the_triggers_after_migrating_from_blank(blank: Database):
    """Exactly the triggers named in schema.py are in the file, in exactly those words."""
    there = {trigger.name: trigger.sql for trigger in blank.triggers}
    assert there == schema.TRIGGERS


def test_every_table_is_guarded_or_is_known_not_to_be(blank: Database):
    """A new table without guards is noticed here."""
    unguarded = {"registry_info", "number_keys", "published_cars"}
    assert tables_of(blank) == set(schema.APPEND_ONLY) | set(schema.AMENDABLE) | unguarded
    for table in (*schema.APPEND_ONLY, *schema.AMENDABLE):
        names = {f"{table}_keep_{what}" for what in ("update", "delete", "replace")}
        assert names == {trigger.name for trigger in blank[table].triggers}


def test_every_unique_column_is_known_to_the_guard_against_replacing(blank: Database):
    """OR REPLACE deletes the row that any unique column collides with; the guard names them all."""
    named = {**schema.APPEND_ONLY, **{table: columns for table, (columns, _fixed) in schema.AMENDABLE.items()}}
    for table, columns in named.items():
        single = {index.columns[0] for index in blank[table].indexes if index.unique and len(index.columns) == 1}
        assert single - {"id"} <= set(columns), table


def test_every_table_is_strict(blank: Database):
    """Text in a column of whole numbers is refused rather than kept."""
    assert {table.name for table in blank.tables if not table.strict} == {"_sqlite_migrations"}


def test_the_marks_in_the_header(blank: Database):
    """The file says what it is and of which version."""
    assert blank.execute("PRAGMA application_id").fetchone()[0] == schema.REGISTRY_APPLICATION_ID
    assert blank.execute("PRAGMA user_version").fetchone()[0] == schema.SCHEMA_VERSION
    assert len(schema.migrations().applied(blank)) == schema.SCHEMA_VERSION


@pytest.fixture
def plain(tmp_path: Path) -> sqlite3.Connection:
    """A plain connection, as another program would make it, to a file with a row in each guarded table."""
    path = create_registry(tmp_path / "try.db", name="Try", origin="try", keeper="Orla Thrennick", at=AT, uid="0")
    connection = sqlite3.connect(path)
    for table in (*schema.APPEND_ONLY, *schema.AMENDABLE):
        columns = connection.execute(f"PRAGMA table_info({table})").fetchall()
        row = {name: sample(table, name, kind) for _, name, kind, needed, _, key in columns if needed or key}
        if not connection.execute(f"SELECT 1 FROM {table}").fetchone():
            marks = ", ".join("?" * len(row))
            connection.execute(f"INSERT INTO {table} ({', '.join(row)}) VALUES ({marks})", list(row.values()))
    connection.commit()
    yield connection
    connection.close()


#: A word that the CHECK of a column takes.
WORDS = {
    "things.kind": "pan", "series.kind": "maker", "car_joins.kind": "merge", "observations.state": "absent",
    "decisions.opinion": "open", "decision_evidence.kind": "reading", "stops.kind": "lien", "stops.found_by": "tool",
    "consents.consent": "none", "custody.role": "keeper", "conflicts.state": "open", "tell_counts.kind": "counted",
    "tell_changes.kind": "counted",
    "entries.received": "received",
}  # fmt: skip


def sample(table: str, column: str, kind: str) -> object:
    return WORDS.get(
        f"{table}.{column}", 1 if kind in ("INTEGER", "REAL") else b"x" if kind == "BLOB" else f"{column} of {table}"
    )


@pytest.mark.parametrize("table", [*schema.APPEND_ONLY, *schema.AMENDABLE])
def test_another_program_can_neither_edit_nor_delete_nor_replace(plain: sqlite3.Connection, table: str):
    """A connection without recursive triggers and without foreign keys is refused all the same."""
    row = plain.execute(f"SELECT * FROM {table}").fetchone()
    columns = [column[1] for column in plain.execute(f"PRAGMA table_info({table})")]
    marks = ", ".join("?" * len(columns))
    attempts = [
        (f"UPDATE {table} SET {columns[-1]} = {columns[-1]}", []),
        (f"DELETE FROM {table}", []),
        *(
            (f"{verb} INTO {table} VALUES ({marks})", list(row))
            for verb in ("INSERT OR REPLACE", "INSERT OR IGNORE", "REPLACE")
        ),
    ]
    if "uid" in columns:
        other = [
            10**6 if name == "id" and isinstance(value, int) else "other" if name == "id" else value
            for name, value in zip(columns, row, strict=True)
        ]
        attempts.append((f"INSERT OR REPLACE INTO {table} VALUES ({marks})", other))
    for sql, values in attempts:
        with pytest.raises(sqlite3.IntegrityError):
            plain.execute(sql, values)
        plain.rollback()
    assert plain.execute(f"SELECT * FROM {table}").fetchall() == [row]


def test_a_migration_that_uses_transform_can_put_the_guards_back(blank: Database):
    """transform() drops the triggers of its table without a word; from schema.TRIGGERS they can be made again."""
    blank["makers"].transform(rename={"note": "remark"})
    assert not blank["makers"].triggers
    for name, sql in schema.TRIGGERS.items():
        if name.startswith("makers_keep"):
            blank.execute(sql)
    assert {trigger.name: trigger.sql for trigger in blank.triggers} == schema.TRIGGERS


def test_an_older_file_is_copied_before_it_is_migrated(tmp_path: Path, monkeypatch: pytest.MonkeyPatch):
    """A file of an older version is brought up to date with a copy of how it was beside it, rows in it and all."""
    path = create_registry(tmp_path / "old.db", name="Old", origin="old", at=AT, uid="0")
    db = open_registry(path, write=True)
    person = store.record_person(db, check(PersonIn, name="Ann Vane"), at=AT, uid="1")
    db.close()

    newer = schema.migrations()
    longer = type(newer)("tubmark")
    for migration in newer._migrations:
        longer(name=migration.name)(migration.fn)

    next_one = schema.SCHEMA_VERSION + 1

    @longer(name=f"{next_one:04d}_try")
    def _next(database: Database) -> None:
        database.execute("CREATE TABLE tried (id INTEGER PRIMARY KEY) STRICT")
        database.execute(f"PRAGMA user_version = {next_one}")

    monkeypatch.setattr(schema, "migrations", lambda: longer)
    monkeypatch.setattr(schema, "SCHEMA_VERSION", next_one)
    from registry.errors import RegistryError

    with pytest.raises(RegistryError, match="made by an older tubmark"):
        open_registry(path)
    db = open_registry(path, write=True)
    assert "tried" in db.table_names()
    db.close()
    copy = Database(tmp_path / f"old.db.before-schema-{next_one}")
    assert copy.execute("PRAGMA user_version").fetchone()[0] == next_one - 1
    assert copy.execute("SELECT name FROM people WHERE id = ?", [person]).fetchone() == ("Ann Vane",)
    copy.close()


def test_a_file_of_the_first_version_is_brought_up_to_date_with_what_is_in_it(tmp_path: Path):
    """The evidence tables and their guards come to a file that was made before them; its tells are as they were."""
    first = schema.migrations()._migrations[0]
    older = type(schema.migrations())("tubmark")
    older(name=first.name)(first.fn)
    path = create_registry(tmp_path / "new.db", name="New", origin="new", at=AT, uid="0")
    old = Database(tmp_path / "old.db")
    older.apply(old)
    source = sqlite3.connect(path)
    for table in ("registry_info", "events"):
        for row in source.execute(f"SELECT * FROM {table}").fetchall():
            old.execute(f"INSERT INTO {table} VALUES ({', '.join('?' * len(row))})", row)
    source.close()
    old.execute(
        "INSERT INTO tells (id, uid, origin, code, version, sheet, grp, name, looks_like, event) "
        "VALUES (1, 'u', 'o', 'K01', 1, 'K', 'mould', 'Twin dimples', 'two hollows', 1)"
    )
    old.conn.commit()
    assert old.execute("PRAGMA user_version").fetchone()[0] == 1 and "gate_odds" not in old.table_names()
    old.close()
    db = open_registry(tmp_path / "old.db", write=True)
    assert db.execute("PRAGMA user_version").fetchone()[0] == schema.SCHEMA_VERSION
    assert {trigger.name: trigger.sql for trigger in db.triggers} == schema.TRIGGERS
    assert db.execute("SELECT code, carries FROM tells").fetchall() == [("K01", None)]
    db.close()


def test_a_newer_file_is_refused_in_a_sentence(tmp_path: Path):
    """A file of a tubmark yet to come is not written to."""
    from registry.errors import RegistryError

    path = create_registry(tmp_path / "new.db", name="New", origin="new", at=AT, uid="0")
    connection = sqlite3.connect(path)
    connection.execute("PRAGMA user_version = 99")
    connection.close()
    for write in (False, True):
        with pytest.raises(RegistryError, match="made by a newer tubmark"):
            open_registry(path, write=write)


def test_the_same_registry_comes_out_twice(tmp_path: Path):
    """With time and uid given, two registries made the same way have the same dump."""
    dumps = []
    for name in ("one.db", "two.db"):
        path = create_registry(tmp_path / name, name="Try", origin="try", keeper="Orla Thrennick", at=AT, uid="0")
        connection = sqlite3.connect(path)
        dumps.append("\n".join(connection.iterdump()))
        connection.close()
        assert not list(tmp_path.glob("*-wal"))
    assert dumps[0] == dumps[1]


def test_what_is_no_registry_is_named(tmp_path: Path):
    """A missing file, a text, somebody else's database and an edition each get their own sentence."""
    from registry.errors import RegistryError, WrongInput

    with pytest.raises(RegistryError, match="There is no registry at"):
        open_registry(tmp_path / "none.db")
    (tmp_path / "text.db").write_text("not a database " * 20)
    with pytest.raises(RegistryError, match="no SQLite file"):
        open_registry(tmp_path / "text.db")
    other = sqlite3.connect(tmp_path / "other.db")
    other.execute("CREATE TABLE addresses (name)")
    other.close()
    with pytest.raises(RegistryError, match="not a registry of tubmark's"):
        open_registry(tmp_path / "other.db")
    edition = sqlite3.connect(tmp_path / "edition.db")
    edition.execute(f"PRAGMA application_id = {schema.EDITION_APPLICATION_ID}")
    edition.execute("CREATE TABLE t (x)")
    edition.close()
    with pytest.raises(RegistryError, match="published edition"):
        open_registry(tmp_path / "edition.db", write=True)
    path = create_registry(tmp_path / "there.db", name="Try", origin="try")
    before = path.read_bytes()
    with pytest.raises(WrongInput, match="never replaces one"):
        create_registry(path, name="Try", origin="try")
    assert path.read_bytes() == before
    assert sorted(each.name for each in tmp_path.iterdir()) == ["edition.db", "other.db", "text.db", "there.db"]


def test_reading_changes_nothing(tmp_path: Path):
    """A registry opened for reading refuses to be written to and keeps its bytes."""
    path = create_registry(tmp_path / "try.db", name="Try", origin="try")
    before = path.read_bytes()
    db = open_registry(path)
    with pytest.raises(sqlite3.OperationalError):
        db.conn.execute("INSERT INTO registry_info VALUES ('x', 'y')")
    db.close()
    assert path.read_bytes() == before
    assert [each.name for each in tmp_path.iterdir()] == ["try.db"]
