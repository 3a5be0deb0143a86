"""What goes out: only what the keeper of each car agreed to, from nothing, checked, whole or not at all."""

from __future__ import annotations

import sqlite3
from pathlib import Path

import pytest
from furnishing import AT
from publishable import BY, DAY, EDITION_DAY, agree, car, decide, stock
from sqlite_utils import Database

from registry import edition, leaks, publish, store
from registry.errors import RegistryError, WrongInput
from registry.models import ConflictIn, EntryIn, HoldIn, JoinIn, ReleaseIn, StatementIn, StopIn, check
from registry.opening import is_edition
from registry.publish import Policy
from registry.schema import EDITION_APPLICATION_ID


@pytest.fixture
def stocked(db: Database) -> Database:
    stock(db)
    return db


def rows(db: Database, policy: Policy = publish.DEFAULT) -> dict[str, dict]:
    """The rows about cars that would go out, by car."""
    return {row["car"]: row for row in publish.compose(db, policy, EDITION_DAY).cars()}


def read(path: Path, sql: str) -> list[tuple]:
    conn = sqlite3.connect(f"file:{path}?mode=ro", uri=True)
    try:
        return conn.execute(sql).fetchall()
    finally:
        conn.close()


# --- whose word counts ----------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("consent", "there", "serial"),
    [
        ("full", True, "KP …7"),
        ("number hidden", True, None),
        ("none", False, None),
        ("unknown", False, None),
        ("withdrawn", False, None),
        (None, False, None),
    ],
)
def test_the_keepers_word(stocked, consent, there, serial):
    """Full shows figures, number hidden shows none, and anything else is absence; nobody asked is no."""
    car(stocked, "E26-001", consent=consent)
    found = rows(stocked)
    assert there == ("E26-001" in found)
    if there:
        assert serial == found["E26-001"]["body_serial"]


def test_a_later_word_replaces_an_earlier_one(stocked):
    """Withdrawn after full is absent, and full after withdrawn is there again."""
    car(stocked, "E26-001")
    agree(stocked, "E26-001", "withdrawn", "2026-03-01")
    assert rows(stocked) == {}
    agree(stocked, "E26-001", "full", "2026-04-01")
    assert {"E26-001"} == set(rows(stocked))


def test_of_joined_records_the_strictest_word_counts_until_somebody_is_asked_again(stocked):
    """Two cards of one car, one of them withdrawn: joining them does not undo the withdrawal."""
    car(stocked, "E26-001")
    car(stocked, "E26-002", consent="withdrawn")
    join = check(JoinIn, car="E26-002", into_car="E26-001", kind="merge", reason="one car", at=DAY)
    store.record_join(stocked, join, at=AT)
    assert rows(stocked) == {}
    agree(stocked, "E26-001", "full", "2026-05-01")
    assert {"E26-001"} == set(rows(stocked))


# --- what is held back ----------------------------------------------------------------------------------------------


def stop(db: Database) -> int:
    it = check(StopIn, kind="lien", says="A lien of Vell Thrift.", ask="Vell Thrift", car="E26-001")
    return store.record_stop(db, it, by=BY, at=AT)


def hold(db: Database, held: bool = True) -> None:
    store.record_hold(db, check(HoldIn, car="E26-001", held=held, reason="he asked us to wait", at=DAY), by=BY, at=AT)


def conflict(db: Database, **more: object) -> int:
    says = {
        "kind": "two cars, one serial",
        "car_a": "E26-002",
        "car_b": "E26-001",
        "says": "Both say KP 0147.",
        "at": DAY,
    }
    return store.record_conflict(db, check(ConflictIn, **says, **more), by=BY, at=AT)


@pytest.mark.parametrize(
    ("what", "why"),
    [
        (stop, "an open stop (lien)"),
        (hold, "a hold: he asked us to wait"),
        (conflict, "an open conflict (two cars, one serial)"),
    ],
)
def test_held_back(stocked, what, why):
    """Stops, holds and open conflicts keep a car out, and the registrar is told why."""
    car(stocked, "E26-001")
    car(stocked, "E26-002", "KP 0699", consent="unknown")
    what(stocked)
    made = publish.compose(stocked, publish.DEFAULT, EDITION_DAY)
    assert made.cars() == []
    assert [{"car": "E26-001", "why": why}] == made.proof.held


def test_one_neutral_line_if_the_policy_says_so(stocked):
    """The line is the same for every reason, and everything else of the car is empty."""
    car(stocked, "E26-001")
    stop(stocked)
    (row,) = rows(stocked, Policy(stopped="line")).values()
    assert row.pop("line") == "This entry is not public at present."
    assert row.pop("car") == "E26-001"
    assert {None} == set(row.values())
    # Nor does a look-up know it.
    assert publish.compose(stocked, Policy(stopped="line"), EDITION_DAY).tables["fingerprints"] == []


def test_released_lifted_and_settled_it_goes_out(stocked):
    """What no longer stands holds nothing back."""
    car(stocked, "E26-001")
    car(stocked, "E26-002", "KP 0699", consent="unknown")
    ident, other = stop(stocked), conflict(stocked)
    hold(stocked)
    assert rows(stocked) == {}
    store.release_stop(stocked, check(ReleaseIn, stop=ident, reason="paid", by=BY), at=AT)
    hold(stocked, held=False)
    conflict(stocked, supersedes=other, state="settled", reason="issued twice")
    assert {"E26-001"} == set(rows(stocked))


def test_a_car_refused_at_the_door_is_not_published(stocked):
    """It never was on the list."""
    car(stocked, "E26-001", received="refused")
    assert publish.proof(stocked, date=EDITION_DAY).held == [{"car": "E26-001", "why": "it was refused at the door"}]


# --- what is shown --------------------------------------------------------------------------------------------------


def test_an_entry(stocked):
    """Every public column of a plain car."""
    car(stocked, "E26-001")
    assert rows(stocked)["E26-001"] == {
        "car": "E26-001", "maker": "Kelderwick", "series": "Pantile A", "opinion": "maker's series", "opinion_year": "2026",
        "body_serial": "KP …7", "body_made": "1960s", "pan": "Pan numbers of the trial platform (invented)", "pan_model_year": "1968",
        "colour": "Bilberry", "colour_under": "Oat", "province": None, "last_seen": "2020s", "line": None,
    }  # fmt: skip


def test_figures_go_before_twenty_serials_are_left(stocked):
    """Two figures of 612 bodies would leave six: one is shown, and the proof says so."""
    car(stocked, "E26-001")
    made = publish.compose(stocked, publish.DEFAULT, EDITION_DAY)
    assert made.proof.coarsened == [
        {"car": "E26-001", "what": "the serial is shown as KP …7 instead of KP …47", "serials": 71}
    ]
    assert rows(stocked, Policy(least=7))["E26-001"]["body_serial"] == "KP …47"
    assert None is rows(stocked, Policy(least=100))["E26-001"]["body_serial"]


def test_the_date_gets_coarser_before_figures_go(stocked):
    """A receipt that dates the body to a month is not shown together with a figure; with the number hidden a year may be."""
    paper = {"about": "body_moulded", "kind": "receipt", "relation": "equals", "seen": "original"}
    receipt = check(StatementIn, edtf="1967-01-20", **paper)
    car(stocked, "E26-001", papers=(receipt,))
    car(stocked, "E26-002", "KP 0258", consent="number hidden", papers=(receipt,))
    found = rows(stocked, Policy(made="month"))
    assert (found["E26-001"]["body_serial"], found["E26-001"]["body_made"]) == ("KP …7", "1960s")
    assert (found["E26-002"]["body_serial"], found["E26-002"]["body_made"]) == (None, "1967")


def test_a_series_too_small_to_hide_in_is_held_back(stocked):
    """Fewer were ever issued than the policy asks for: nothing of such a car can be shown."""
    car(stocked, "E26-001")
    made = publish.compose(stocked, Policy(least=10_000), EDITION_DAY)
    assert made.cars() == []
    assert "fewer than the 10000 of the policy" in made.proof.held[0]["why"]


@pytest.mark.parametrize("serial", ["KP 0[17]4[17]", "S8 00123", None])
def test_no_figure_of_a_serial_that_is_not_sure(stocked, serial):
    """A doubtful serial, or one of another family, is not shown in part."""
    car(stocked, "E26-001", serial)
    assert rows(stocked)["E26-001"]["body_serial"] is None


def test_the_body_is_believed_before_the_plate(stocked):
    """Where the number in the body and the one on the plate differ, the plate's is not the body's serial."""
    car(stocked, "E26-001", "KP 0147", stamped_on="body")
    from registry.models import ReadingIn

    store.record_reading(stocked, check(ReadingIn, stamped_on="plate", as_typed="KP 0555", car="E26-001"), at=AT)
    assert rows(stocked)["E26-001"]["body_serial"] == "KP …7"


@pytest.mark.parametrize("opinion", ["two bodies joined", "other", "open"])
def test_no_serial_where_the_body_is_not_one_of_the_series(stocked, opinion):
    """The number on a car that is not held to be one of the series says nothing that could be shown."""
    car(stocked, "E26-001", opinion=opinion)
    found = rows(stocked)["E26-001"]
    assert (opinion, None) == (found["opinion"], found["body_serial"])


def test_opinions_that_differ_are_open(stocked):
    """Two people disagree and both opinions stand: to the public that is open."""
    car(stocked, "E26-001")
    decide(stocked, "E26-001", "copy taken from a body", series="NC", by="Wim Quillory")
    assert tuple(rows(stocked)["E26-001"][name] for name in ("opinion", "series")) == ("open", None)


def test_a_superseded_opinion_is_not_published(stocked):
    """We were wrong before: the new opinion is shown, with its own year."""
    car(stocked, "E26-001", opinion=None)
    first = decide(stocked, "E26-001", "copy taken from a body", series="NC")
    decide(stocked, "E26-001", "maker's series", supersedes=first)
    assert rows(stocked)["E26-001"]["opinion"] == "maker's series"


def test_a_number_that_looks_altered_dates_nothing(stocked):
    """A pan number on ground metal is no evidence of the pan."""
    car(stocked, "E26-001", pan=None)
    from registry.models import ReadingIn

    ground = check(ReadingIn, stamped_on="pan", as_typed="S8 00123", surface="ground", car="E26-001")
    store.record_reading(stocked, ground, at=AT, look=False)
    found = rows(stocked)["E26-001"]
    assert (found["pan"], found["pan_model_year"]) == (None, None)


@pytest.mark.parametrize(
    ("typed", "shown"),
    [
        ("Oat", "Oat"),
        ("Quarry Green in front, white gel behind", "Quarry Green in front, white gel behind"),
        ("red, by H. Quillory, 12 Pier Road", None),
        ("see letter of 3 May", None),
        ("someone@example.invalid", None),
        ("x" * 80, None),
    ],
)
def test_a_colour_is_a_few_words(stocked, typed, shown):
    """A field is typed by people, and a sentence in it may name somebody: it stays in."""
    car(stocked, "E26-001", colour_now=typed)
    assert shown == rows(stocked)["E26-001"]["colour"]


def test_places_are_provinces_and_only_where_several_share_one(stocked):
    """A town is never published; a province that few share would point at them."""
    from registry.models import CustodyIn

    for n in range(3):
        car(stocked, f"E26-00{n + 1}", f"KP 0{n + 2}47", owner=f"Keeper Number {n}")
        person = stocked.execute("SELECT left_by FROM entries WHERE number = ?", [f"E26-00{n + 1}"]).fetchone()[0]
        store.record_custody(stocked, check(CustodyIn, car=f"E26-00{n + 1}", person=person, role="keeper"), at=AT)
    provinces = {"Sennickby": "Vell"}
    assert {None} == {row["province"] for row in rows(stocked).values()}
    assert {None} == {row["province"] for row in rows(stocked, Policy(provinces=provinces, smallest_group=4)).values()}
    assert {"Vell"} == {
        row["province"] for row in rows(stocked, Policy(provinces=provinces, smallest_group=3)).values()
    }


@pytest.mark.parametrize("wrong", [{"made": "week"}, {"stopped": "shown"}, {"least": 0}, {"figures": -1}])
def test_a_policy_that_makes_no_sense_is_refused(wrong):
    """Before anything is read."""
    with pytest.raises(WrongInput):
        Policy(**wrong)


# --- the file -------------------------------------------------------------------------------------------------------


def test_an_edition_is_a_file_of_its_own_kind(stocked, tmp_path):
    """Known tables, known columns, nothing else in it; marked as an edition, without a journal beside it."""
    car(stocked, "E26-001")
    out = tmp_path / "edition.db"
    made = publish.publish(stocked, out, date=EDITION_DAY, by=BY)
    assert is_edition(out)
    assert read(out, "PRAGMA application_id") == [(EDITION_APPLICATION_ID,)]
    assert read(out, "PRAGMA journal_mode") == [("delete",)]
    tables = read(out, "SELECT name FROM sqlite_master WHERE type = 'table' AND name NOT LIKE 'sqlite%' ORDER BY name")
    assert sorted(publish.TABLES) == [name for (name,) in tables]
    for table, columns in publish.TABLES.items():
        assert list(columns) == [row[1] for row in read(out, f"PRAGMA table_info({table})")]
    assert {"view", "trigger"}.isdisjoint(kind for (kind,) in read(out, "SELECT type FROM sqlite_master"))
    assert read(out, "PRAGMA integrity_check") == [("ok",)]
    assert [path.name for path in tmp_path.iterdir() if "edition" in path.name] == ["edition.db"]
    assert made.proof.published == 1


def test_every_column_is_explained_in_the_file(stocked, tmp_path):
    """A reader needs nothing beside it to know what a column means."""
    car(stocked, "E26-001")
    out = publish.publish(stocked, tmp_path / "edition.db", date=EDITION_DAY).path
    explained = {
        tuple(row) for row in read(out, "SELECT table_name, column_name FROM columns WHERE length(meaning) > 2")
    }
    assert {(table, column) for table, columns in publish.TABLES.items() for column in columns} == explained


def test_the_same_registry_and_day_give_the_same_bytes(stocked, tmp_path):
    """Published again it is the same file, and is not written down twice."""
    car(stocked, "E26-001")
    first = publish.publish(stocked, tmp_path / "a.db", date=EDITION_DAY, by=BY)
    second = publish.publish(stocked, tmp_path / "b.db", date=EDITION_DAY, by=BY)
    third = publish.publish(stocked, tmp_path / "c.db", date=EDITION_DAY, record=False)
    assert first.sha256 == second.sha256 == third.sha256
    assert first.path.read_bytes() == second.path.read_bytes() == third.path.read_bytes()
    assert stocked["editions"].count == 1
    later = publish.publish(stocked, tmp_path / "d.db", date="2026-12-01", by=BY)
    assert later.sha256 != first.sha256
    assert [(first.sha256,)] == read(later.path, "SELECT value FROM edition WHERE key = 'previous'")
    assert stocked["editions"].count == 2


def test_the_hash_is_over_the_content(stocked, tmp_path):
    """Whoever has the file can see that it is what was published; one changed cell and it is not."""
    car(stocked, "E26-001")
    out = publish.publish(stocked, tmp_path / "edition.db", date=EDITION_DAY).path
    conn = sqlite3.connect(out)
    try:
        said = edition.edition_info(conn)["sha256"]
        assert said == publish.content_hash(edition.content(conn))
        conn.execute("UPDATE cars SET colour = 'Ink'")
        assert said != publish.content_hash(edition.content(conn))
    finally:
        conn.close()


def test_what_is_written_down(stocked, tmp_path):
    """One event that names who published, the edition with its policy, and the rows that a visitor of the registry may see."""
    car(stocked, "E26-001")
    before = stocked["events"].count
    made = publish.publish(stocked, tmp_path / "edition.db", date=EDITION_DAY, by=BY, at=AT, uid="e1")
    assert before + 1 == stocked["events"].count
    (row,) = stocked.query("SELECT dated, sha256 FROM editions")
    assert {"dated": EDITION_DAY, "sha256": made.sha256} == row
    (public,) = stocked.query("SELECT car, body_serial, edition FROM public_cars")
    assert public == {"car": "E26-001", "body_serial": "KP …7", "edition": EDITION_DAY}


def test_without_record_nothing_is_written(stocked, tmp_path):
    """A file to look at, and a registry as it was."""
    car(stocked, "E26-001")
    before = [stocked[name].count for name in ("events", "editions", "published_cars")]
    publish.publish(stocked, tmp_path / "edition.db", date=EDITION_DAY, record=False)
    assert before == [stocked[name].count for name in ("events", "editions", "published_cars")]


def test_a_new_list_gets_its_key_when_it_first_publishes(db, tmp_path):
    """The key is made once, stays in the registry, and is the same for every edition."""
    stock(db, key=None)
    car(db, "E26-001")
    assert publish.lookup_key(db) is None
    assert publish.compose(db, publish.DEFAULT, EDITION_DAY).tables["fingerprints"] == []
    publish.publish(db, tmp_path / "a.db", date=EDITION_DAY)
    key = publish.lookup_key(db)
    assert len(key) == 32
    publish.publish(db, tmp_path / "b.db", date="2026-12-01")
    assert key == publish.lookup_key(db)
    assert key.hex().encode() not in (tmp_path / "a.db").read_bytes()


def test_only_published_cars_have_fingerprints(stocked):
    """A "known" for a car whose keeper said no would tell that it is registered."""
    car(stocked, "E26-001")
    car(stocked, "E26-002", "KP 0258", consent="withdrawn", pan="S8 00999")
    prints = publish.compose(stocked, publish.DEFAULT, EDITION_DAY).tables["fingerprints"]
    assert {"E26-001"} == {row[1] for row in prints}
    assert {publish.fingerprint(publish.lookup_key(stocked), key) for key in ("KP0147", "S800123")} <= {
        row[0] for row in prints
    }


# --- all or nothing -------------------------------------------------------------------------------------------------


def test_it_never_replaces_a_registry_or_a_strange_file(stocked, registry_path, tmp_path):
    """Only an edition is replaced; anything else is named and left as it was."""
    car(stocked, "E26-001")
    before = registry_path.read_bytes()
    with pytest.raises(WrongInput, match="is a registry"):
        publish.publish(stocked, registry_path, date=EDITION_DAY)
    assert registry_path.read_bytes()[:100] == before[:100]
    letter = tmp_path / "letter.txt"
    letter.write_text("Dear Teodor")
    with pytest.raises(WrongInput, match="no edition"):
        publish.publish(stocked, letter, date=EDITION_DAY)
    assert letter.read_text() == "Dear Teodor"
    with pytest.raises(WrongInput, match="is a folder"):
        publish.publish(stocked, tmp_path, date=EDITION_DAY)
    with pytest.raises(WrongInput, match="no folder"):
        publish.publish(stocked, tmp_path / "nowhere" / "edition.db", date=EDITION_DAY)
    assert stocked["editions"].count == 0


@pytest.mark.parametrize("day", ["", "yesterday", "2026-13-01", "25.11.2026", None])
def test_an_edition_needs_a_day(stocked, tmp_path, day):
    """The date is an argument, and it is a day."""
    with pytest.raises(WrongInput, match="is no day"):
        publish.publish(stocked, tmp_path / "edition.db", date=day)


@pytest.mark.parametrize("step", ["write_edition", "os.replace", "leaks.leaks_of"])
def test_when_it_fails_half_way_nothing_has_happened(stocked, tmp_path, monkeypatch, step):
    """The old edition stands, nothing half-written lies about, nothing is written down."""
    car(stocked, "E26-001")
    out = tmp_path / "edition.db"
    publish.publish(stocked, out, date=EDITION_DAY)
    before, listing = out.read_bytes(), sorted(tmp_path.glob("*edition*"))
    editions, public = stocked["editions"].count, list(stocked["published_cars"].rows)
    car(stocked, "E26-002", "KP 0258")
    events = stocked["events"].count

    def breaks(*_: object, **__: object) -> None:
        raise OSError(28, "No space left on device")

    monkeypatch.setattr(f"registry.publish.{step}", breaks)
    with pytest.raises(WrongInput, match="No space left"):
        publish.publish(stocked, out, date="2026-12-01")
    monkeypatch.undo()
    assert before == out.read_bytes()
    assert listing == sorted(path for path in tmp_path.glob("*edition*"))
    assert (editions, events) == (stocked["editions"].count, stocked["events"].count)
    assert public == list(stocked["published_cars"].rows)
    assert not [path.name for path in tmp_path.iterdir() if path.name.endswith(".part")]


@pytest.mark.parametrize("private", ["Hesper Quillory", "hesper quillory", "E26-001@example.invalid"])
def test_a_private_value_in_a_public_column_blocks_it(stocked, tmp_path, private, monkeypatch):
    """Whatever made it stand there, the last look at the bytes finds it, and the message does not repeat it."""
    car(stocked, "E26-001", colour_now=private)
    monkeypatch.setattr(publish, "_colour", lambda text: text)
    with pytest.raises(RegistryError, match="holds something private") as error:
        publish.publish(stocked, tmp_path / "edition.db", date=EDITION_DAY)
    assert private.lower() not in str(error.value).lower()
    assert not (tmp_path / "edition.db").exists()
    assert stocked["editions"].count == 0


def test_a_mask_that_gives_a_car_away_blocks_it(stocked, tmp_path, monkeypatch):
    """Should the masks ever fail, the attack on the finished rows still stands in the way."""
    car(stocked, "E26-001")
    monkeypatch.setattr("registry.masking.count", lambda *_: 3)
    monkeypatch.setattr(publish, "_mask", lambda row, *_: row.update(body_serial="KP …47") or 20)
    with pytest.raises(RegistryError, match="only 3 serials agree"):
        publish.publish(stocked, tmp_path / "edition.db", date=EDITION_DAY)
    assert not (tmp_path / "edition.db").exists()


# --- the proof ------------------------------------------------------------------------------------------------------


def test_the_proof_says_what_changed(stocked, tmp_path):
    """New, changed, unchanged and gone against the last edition; whose keeper nobody asked, and who said no."""
    car(stocked, "E26-001")
    car(stocked, "E26-002", "KP 0258")
    car(stocked, "E26-003", "KP 0369")
    first = publish.publish(stocked, tmp_path / "edition.db", date=EDITION_DAY)
    assert (
        first.proof.new, first.proof.changed, first.proof.gone, first.proof.last_edition,
    ) == (["E26-001", "E26-002", "E26-003"], [], [], None)  # fmt: skip
    agree(stocked, "E26-001", "withdrawn", "2026-12-01")
    agree(stocked, "E26-002", "number hidden", "2026-12-01")
    car(stocked, "E26-004", "KP 0471")
    car(stocked, "E26-005", "KP 0582", consent=None)
    proof = publish.proof(stocked, date="2026-12-24")
    assert proof.new == ["E26-004"]
    assert proof.changed == [{"car": "E26-002", "fields": {"body_serial": ["KP …8", None]}}]
    assert proof.gone == [{"car": "E26-001", "why": "consent withdrawn"}]
    assert proof.not_agreed == [{"car": "E26-001", "consent": "withdrawn"}]
    assert proof.consent_unknown == ["E26-005"]
    assert (proof.unchanged, proof.published, proof.last_edition) == (1, 3, EDITION_DAY)
    told = proof.sentences()
    assert told[0] == "An edition of 2026-12-24 would hold 3 cars."
    assert f"New since the edition of {EDITION_DAY}: E26-004." in told
    assert f"Changed since the edition of {EDITION_DAY}: E26-002, body serial: KP …8 becomes nothing." in told
    assert "Absent, since nobody has asked the keeper: E26-005." in told


def test_the_proof_writes_nothing_and_needs_no_right_to_write(stocked, registry_path):
    """It is read from a connection that cannot write."""
    car(stocked, "E26-001")
    conn = sqlite3.connect(f"file:{registry_path}?mode=ro", uri=True)
    try:
        assert publish.proof(conn, date=EDITION_DAY).new == ["E26-001"]
    finally:
        conn.close()


def test_counts_of_a_series(stocked):
    """How many are here; how many are known only where that is no small number beside it; living where two lists tell."""
    from registry.models import ListIn, ListNumberIn

    car(stocked, "E26-001")
    made = publish.compose(stocked, publish.DEFAULT, EDITION_DAY)
    assert made.tables["counts"] == [("Pantile A", 1, None, None, None, None)]
    for name, numbers in (("One", range(200, 240)), ("Two", range(220, 260))):
        store.record_list(stocked, check(ListIn, name=name), at=AT)
        listed = [check(ListNumberIn, list=name, as_typed=f"KP 0{n}", series="PA") for n in numbers]
        store.record_list_numbers(stocked, listed, at=AT)
    ((series, here, known, living, low, high),) = publish.compose(stocked, publish.DEFAULT, EDITION_DAY).tables[
        "counts"
    ]
    # Chapman: 41 x 41 / 21 - 1
    assert (series, here, known, living) == ("Pantile A", 1, 61, 79)
    assert known <= low <= living <= high


def test_the_words_of_the_policy_stand_in_the_edition(stocked, tmp_path):
    """A reader sees by which rules things are absent."""
    car(stocked, "E26-001")
    out = publish.publish(stocked, tmp_path / "edition.db", date=EDITION_DAY).path
    ((words,),) = read(out, "SELECT value FROM edition WHERE key = 'policy'")
    assert words.splitlines() == publish.DEFAULT.words()
    assert "at least 20 issued serials" in words


def test_leaks_are_looked_for_in_all_that_people_said():
    """The list of private columns names columns that there are."""
    conn = sqlite3.connect(":memory:")
    try:
        from registry.schema import TABLES

        conn.executescript(TABLES)
        assert leaks.private_values(conn) == []
    finally:
        conn.close()


# --- numbers of records that were joined ------------------------------------------------------------


def join(db, number, into, kind="merge", at=AT):
    store.record_join(
        db, check(JoinIn, car=number, into_car=into, kind=kind, reason="One car, painted since.", at=DAY), by=BY, at=at
    )


def test_a_number_that_was_joined_leads_to_the_car_that_stays(stocked, tmp_path):
    """An address that went out goes on leading to the car, over several joins too; split, it is a car of its own again."""
    for number in ("E26-001", "E26-002", "E26-003", "E26-004"):
        car(stocked, number, None, pan=None, opinion=None)
    join(stocked, "E26-003", "E26-002")
    join(stocked, "E26-002", "E26-001")
    made = publish.compose(stocked, publish.DEFAULT, EDITION_DAY)
    assert [("E26-002", "E26-001"), ("E26-003", "E26-001")] == made.tables["aliases"]
    assert ["E26-001", "E26-004"] == [row["car"] for row in made.cars()]
    join(stocked, "E26-003", "E26-002", kind="split")
    again = publish.compose(stocked, publish.DEFAULT, EDITION_DAY)
    assert [("E26-002", "E26-001")] == again.tables["aliases"]
    assert made.sha256 != again.sha256


@pytest.mark.parametrize("why", ["none", "withdrawn", "stop"])
def test_a_car_that_is_not_published_has_no_other_number(stocked, why):
    """Neither the absent nor the one that has only a line: what would it lead to?"""
    car(stocked, "E26-001", None, pan=None, opinion=None)
    car(stocked, "E26-002", None, pan=None, opinion=None, consent="full" if why == "stop" else why)
    join(stocked, "E26-002", "E26-001")
    if why == "stop":
        stop = {"kind": "lien", "says": "A loan.", "ask": "Ask the lender.", "by": BY}
        store.record_stop(stocked, check(StopIn, car="E26-001", **stop), at=AT)
    for policy in (publish.DEFAULT, Policy(stopped="line")):
        made = publish.compose(stocked, policy, EDITION_DAY)
        assert [] == made.tables["aliases"]
    assert b"E26-002" not in b"".join(str(row).encode() for rows in made.tables.values() for row in rows)


def test_a_later_visit_has_no_number_in_an_edition(stocked, tmp_path):
    """It would tell the year in which a car was seen, where no more than the decade goes out."""
    car(stocked, "E26-001", None, pan=None, opinion=None)
    store.record_entry(stocked, check(EntryIn, number="E27-001", entry_date="2027-01-02", car="E26-001"), by=BY, at=AT)
    out = publish.publish(stocked, tmp_path / "edition.db", date="2027-02-01").path
    assert [] == read(out, "SELECT * FROM aliases")
    assert b"E27-001" not in out.read_bytes()


def test_joined_records_keep_the_same_bytes(stocked, tmp_path):
    """The same registry and day, the same file; why they were joined stays in."""
    car(stocked, "E26-001", None, pan=None, opinion=None), car(stocked, "E26-002", None, pan=None, opinion=None)
    join(stocked, "E26-002", "E26-001")
    one, other = (
        publish.publish(stocked, tmp_path / name, date=EDITION_DAY, record=False).path for name in ("a.db", "b.db")
    )
    assert one.read_bytes() == other.read_bytes()
    assert [("E26-002", "E26-001")] == read(one, "SELECT alias, car FROM aliases")
    assert b"painted since" not in one.read_bytes()


def test_what_was_joined_since_the_last_edition_is_not_told_before_the_next(stocked, tmp_path):
    """For a registry that is served: it answers as the last edition does."""
    car(stocked, "E26-001", None, pan=None, opinion=None), car(stocked, "E26-002", None, pan=None, opinion=None)
    assert None is publish.joined_when_published(stocked.conn, "E26-002")
    publish.publish(stocked, tmp_path / "a.db", date=EDITION_DAY, by=BY, at=AT)
    join(stocked, "E26-002", "E26-001")
    assert None is publish.joined_when_published(stocked.conn, "E26-002")
    publish.publish(stocked, tmp_path / "b.db", date="2026-12-01", by=BY, at=AT)
    assert "E26-001" == publish.joined_when_published(stocked.conn, "E26-002")
    assert None is publish.joined_when_published(stocked.conn, "E26-001")
    assert None is publish.joined_when_published(stocked.conn, "E99-999")
    join(stocked, "E26-002", "E26-001", kind="split")
    assert "E26-001" == publish.joined_when_published(stocked.conn, "E26-002")
