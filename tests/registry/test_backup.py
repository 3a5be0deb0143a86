"""A file is looked at to its last row, and a backup is proved by restoring it. Each check is seen to fail."""

from __future__ import annotations

import json
import shutil
import sqlite3
from collections.abc import Callable
from pathlib import Path

import pytest
from furnishing import AT, furnish

from registry import schema, store
from registry.backup import HOW_TO, MANIFEST, backup, check_file, photographs_folder, verify_backup
from registry.errors import RegistryError, WrongInput
from registry.models import EntryIn, ObservationIn, PersonIn, ReadingIn, check
from registry.opening import create_registry, open_registry


@pytest.fixture
def filled(tmp_path: Path) -> Path:
    """A closed registry with a car, a person, tells and an amended entry in it."""
    path = create_registry(tmp_path / "try.db", name="Try", origin="try", keeper="Orla Thrennick", at=AT, uid="0")
    db = open_registry(path, write=True)
    furnish(db)
    entry = check(
        EntryIn,
        entry_date="2026-01-05",
        left_by=PersonIn(name="Ann Vane"),
        reason="consign",
        readings=(check(ReadingIn, stamped_on="pan", as_typed="S8 61077"),),
        observations=(check(ObservationIn, tell="K01", state="present", doubt=0.3),),
    )
    store.record_entry(db, entry, at=AT)
    store.amend_entry(db, "E26-001", {"reason": "valuation", "terms": "30 days"}, by="Orla Thrennick")
    db.execute("PRAGMA wal_checkpoint(TRUNCATE)")
    db.execute("PRAGMA journal_mode = DELETE")
    db.close()
    return path


def test_a_sound_file_has_no_findings_and_keeps_its_bytes(filled: Path):
    """Looking changes nothing."""
    before = filled.read_bytes()
    assert check_file(filled) == []
    assert before == filled.read_bytes()


def without_guards(table: str, sql: str) -> Callable[[sqlite3.Connection], None]:
    """What somebody does who takes the guards off, edits, and puts them back."""

    def alter(connection: sqlite3.Connection) -> None:
        guards = [name for name in schema.TRIGGERS if name.startswith(f"{table}_keep")]
        for name in guards:
            connection.execute(f"DROP TRIGGER {name}")
        connection.execute(sql)
        for name in guards:
            connection.execute(schema.TRIGGERS[name])

    return alter


@pytest.mark.parametrize(
    ("alter", "says"),
    [
        (lambda c: c.execute("DROP TRIGGER decisions_keep_delete"), "guard decisions_keep_delete is gone"),
        (lambda c: c.execute("CREATE TRIGGER mine AFTER INSERT ON cars BEGIN SELECT 1; END"), "a trigger mine that no registry has"),
        (lambda c: c.execute("CREATE TABLE mine (x)"), "a table mine that no registry has"),
        (lambda c: c.execute("DROP VIEW public_cars"), "view public_cars is gone"),
        (lambda c: c.execute("INSERT INTO registry_info VALUES ('amending', 'people')"), "middle of a change"),
        (without_guards("observations", "UPDATE observations SET state = 'absent'"), "Row 1 of observations is not as it was recorded: state"),
        (without_guards("entries", "UPDATE entries SET terms = '60 days'"), "Row 1 of entries is not as it was recorded: terms"),
        (without_guards("readings", "UPDATE readings SET as_typed = 'S8 61070'"), "Row 1 of readings is not as it was recorded: as_typed"),
        (without_guards("observations", "DELETE FROM observations"), "Row 1 of observations was recorded and is gone"),
        (lambda c: c.execute("INSERT INTO lists (id, uid, origin, name) VALUES (9, 'x', 'y', 'z')"), "Row 9 of lists was put there without an event"),
        (without_guards("events", "UPDATE events SET payload = replace(payload, 'present', 'absent')"), "was altered after it was recorded"),
        (without_guards("events", "DELETE FROM events WHERE id = 3"), "chain of events breaks before event 4"),
        (without_guards("events", "UPDATE events SET at = '1999-01-01T00:00:00Z' WHERE id = 2"), "Event 2 (house table, 1999-01-01) was altered"),
        (without_guards("events", "UPDATE events SET by_person = NULL WHERE id = 1"), "Event 1 (registry made"),
        (without_guards("fittings", "UPDATE fittings SET car = 77"), "points at a row of cars that is not there"),
        (lambda c: c.execute("DELETE FROM number_keys"), "1 rows of readings cannot be found by their number"),
        (lambda c: c.execute("PRAGMA user_version = 7"), "made by a newer tubmark"),
    ],
)  # fmt: skip
def test_what_was_altered_is_found(filled: Path, alter: Callable[[sqlite3.Connection], object], says: str):
    """By another program, behind the guards or with the guards taken off."""
    connection = sqlite3.connect(filled)
    alter(connection)
    connection.commit()
    connection.close()
    findings = check_file(filled)
    assert any(says in finding for finding in findings), findings


def test_a_damaged_page_is_found(filled: Path):
    """Bytes overwritten in the middle of the file."""
    raw = bytearray(filled.read_bytes())
    for page in range(2, len(raw) // 4096):
        raw[page * 4096 : page * 4096 + 600] = b"\xff" * 600
    filled.write_bytes(raw)
    assert any(
        "damage" in finding or "cannot read" in finding or "could not be opened" in finding
        for finding in check_file(filled)
    )


def test_a_file_cut_short_is_found(filled: Path):
    """Half a file is not a registry with half the cars."""
    raw = filled.read_bytes()
    filled.write_bytes(raw[: len(raw) // 2])
    assert check_file(filled)


def test_what_is_no_registry_is_said(tmp_path: Path):
    """No file, and a file of something else."""
    with pytest.raises(RegistryError, match="There is no file"):
        check_file(tmp_path / "none.db")
    (tmp_path / "text.db").write_text("x" * 200)
    with pytest.raises(RegistryError, match="no SQLite file"):
        check_file(tmp_path / "text.db")


# Backup


@pytest.fixture
def photographs(filled: Path) -> Path:
    folder = photographs_folder(filled)
    (folder / "2026").mkdir(parents=True)
    (folder / "2026" / "a.jpg").write_bytes(b"picture")
    return folder


def test_one_folder_holds_everything_and_restores(filled: Path, photographs: Path, tmp_path: Path):
    """Registry, photographs, the list of files with hashes, and how to put it back."""
    made = backup(filled, tmp_path / "safe", at=AT)
    assert sorted(each.name for each in made.iterdir()) == [HOW_TO, MANIFEST, "try-photographs", "try.db"]
    assert (made / "try-photographs" / "2026" / "a.jpg").read_bytes() == b"picture"
    tried = verify_backup(made)
    assert tried.findings == ()
    assert (tried.files, tried.counts["cars"]) == (3, 1)
    assert not [each for each in tmp_path.iterdir() if each.name.startswith(".")]
    db = open_registry(made / "try.db")
    assert "Ann Vane" in [name for (name,) in db.execute("SELECT name FROM people")]
    db.close()


def test_a_registry_in_use_is_copied_whole(filled: Path, tmp_path: Path):
    """What is still in the WAL is part of the registry."""
    db = open_registry(filled, write=True)
    try:
        store.record_entry(db, check(EntryIn, entry_date="2026-01-06"), at=AT)
        assert (filled.parent / "try.db-wal").stat().st_size > 0
        tried = verify_backup(backup(filled, tmp_path / "safe"))
    finally:
        db.close()
    assert (tried.findings, tried.counts["cars"]) == ((), 2)


@pytest.mark.parametrize(
    ("harm", "says"),
    [
        (lambda f: (f / "try-photographs/2026/a.jpg").unlink(), "is listed and is not there"),
        (lambda f: (f / "try-photographs/2026/a.jpg").write_bytes(b"other"), "its hash differs"),
        (lambda f: (f / "note.txt").write_text("x"), "put there afterwards"),
        (lambda f: (f / "try.db").unlink(), "try.db is listed and is not there"),
        (lambda f: (f / "try.db").write_bytes(b"SQLite format 3\x00" + b"\x00" * 500), "its hash differs"),
        (lambda f: relist(f, cars=5), "cars has 1 rows; there were 5"),
        (lambda f: relist(f, last=True), "The last event is not the one"),
    ],
)
def test_a_backup_that_does_not_restore_is_found(
    filled: Path, photographs: Path, tmp_path: Path, harm: Callable[[Path], object], says: str
):
    """Files gone, altered or added, and a list that does not agree with them."""
    made = backup(filled, tmp_path / "safe")
    harm(made)
    assert any(says in finding for finding in verify_backup(made).findings)


def relist(folder: Path, cars: int | None = None, last: bool = False) -> None:
    manifest = json.loads((folder / MANIFEST).read_text())
    if cars:
        manifest["counts"]["cars"] = cars
    if last:
        manifest["last_event"]["hash"] = "0" * 64
    (folder / MANIFEST).write_text(json.dumps(manifest))


def test_events_cut_off_the_end_are_found_in_a_backup(filled: Path, tmp_path: Path):
    """A chain with its last links gone still holds; the list of the backup knows the last one."""
    made = backup(filled, tmp_path / "safe")
    listed = json.loads((made / MANIFEST).read_text())
    connection = sqlite3.connect(made / "try.db")
    without_guards("events", "DELETE FROM events WHERE id = (SELECT max(id) FROM events)")(connection)
    connection.commit()
    connection.close()
    import hashlib

    for entry in listed["files"]:
        if entry["path"] == "try.db":
            entry["sha256"] = hashlib.sha256((made / "try.db").read_bytes()).hexdigest()
    (made / MANIFEST).write_text(json.dumps(listed))
    assert any("last event" in finding for finding in verify_backup(made).findings)


def test_a_backup_never_writes_over_anything(filled: Path, tmp_path: Path):
    """A folder with something in it is refused and keeps what is in it; an empty one will do."""
    full = tmp_path / "full"
    full.mkdir()
    (full / "mine.txt").write_text("mine")
    with pytest.raises(WrongInput, match="never writes over one"):
        backup(filled, full)
    assert [each.name for each in full.iterdir()] == ["mine.txt"]
    (tmp_path / "empty").mkdir()
    assert verify_backup(backup(filled, tmp_path / "empty")).findings == ()


def test_what_is_no_backup_is_said(tmp_path: Path):
    """An empty folder, and a list that is no list."""
    with pytest.raises(WrongInput, match="is no backup"):
        verify_backup(tmp_path)
    (tmp_path / MANIFEST).write_text("[]")
    with pytest.raises(WrongInput, match="cannot be read"):
        verify_backup(tmp_path)


def test_a_failed_backup_leaves_nothing(filled: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch):
    """No room half way: no folder that looks like a backup stays."""

    def no_room(*_args: object, **_more: object) -> None:
        raise OSError(28, "No space left on device")

    photographs_folder(filled).mkdir()
    monkeypatch.setattr(shutil, "copytree", no_room)
    with pytest.raises(RegistryError, match="No space left"):
        backup(filled, tmp_path / "safe")
    assert sorted(
        each.name for each in tmp_path.iterdir() if not each.name.endswith(("-wal", "-shm"))
    ) == ["try-photographs", "try.db"]
