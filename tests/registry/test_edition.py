"""Asking an edition: the asker shows what he sees, and the list never gives a number out."""

from __future__ import annotations

import json
import sqlite3
from collections.abc import Iterator

import pytest
from furnishing import AT
from publishable import EDITION_DAY, KEY, agree, car, stock

from decoder import MalformedReading
from registry import edition, publish, store
from registry.errors import RegistryError
from registry.models import FamilyTableIn, ListIn, ListNumberIn, SeriesIn, check
from registry.opening import create_registry


class Asked:
    """An edition, its key, and a way to ask it."""

    def __init__(self, conn: sqlite3.Connection, key: edition.Key) -> None:
        self.conn, self.key = conn, key

    def __call__(self, text: str) -> edition.LookUp:
        return edition.look_up(self.conn, text, self.key)


@pytest.fixture
def ask(db, registry_path, tmp_path) -> Iterator[Asked]:
    """An edition of six cars: five with serials KP 0147, KP 0258, KP 0369, KP 0[17]99 and, its number hidden, KP 0471; a sixth withdrew."""
    stock(db)
    car(db, "E26-001", "KP O147", pan="S8 00123")
    car(db, "E26-002", "KP 0258", pan="S9 00456")
    car(db, "E26-003", "KP 0369", pan=None)
    car(db, "E26-004", "KP 0[17]99", pan=None)
    car(db, "E26-005", "KP 0471", consent="number hidden", pan=None)
    car(db, "E26-006", "KP 0582", consent="withdrawn", pan=None)
    path = publish.publish(db, tmp_path / "edition.db", date=EDITION_DAY).path
    conn = sqlite3.connect(f"file:{path}?immutable=1", uri=True)
    key = edition.key_from_registry(registry_path)
    assert key is not None
    yield Asked(conn, key)
    conn.close()


@pytest.mark.parametrize("text", ["KP 0147", "KP O147", "147 KP", "kp147", "S8 00123"])
def test_known(ask, text):
    """LO-1, LO-2: what the asker can see leads to the public entry, in every spelling, and to nothing more."""
    answer = ask(text)
    assert (answer.answer, answer.status) == ("known", 0)
    (entry,) = answer.cars
    assert set(publish.CARS) == set(entry)
    assert (entry["car"], entry["body_serial"], entry["last_seen"]) == ("E26-001", "KP …7", "2020s")


def test_a_hidden_number_is_known_to_whoever_sees_it(ask):
    """The keeper wants no figure shown; whoever stands before the car learns that it is listed."""
    (entry,) = ask("KP 0471").cars
    assert (entry["car"], entry["body_serial"]) == ("E26-005", None)


@pytest.mark.parametrize("text", ["KP 0582", "KP 0699"])
def test_withdrawn_and_unknown_are_told_alike(ask, text):
    """Nothing distinguishes a car whose keeper said no from one that nobody ever saw, but the number asked for."""
    answer = ask(text).as_dict()
    other = ask("KP 0601").as_dict()
    assert answer["answer"] == "not listed"
    for document in (answer, other):
        document.pop("reading"), document.pop("asked_key")
    assert answer == other
    assert ask(text).status == 1


@pytest.mark.parametrize(
    ("text", "at", "change"),
    [
        ("KP 0148", 5, "misread"),
        ("KP 0957", None, None),
        ("KP 0285", 4, "swapped"),
        ("KP 03369", 3, "extra"),
        ("RP 0369", 0, "misread"),
    ],
)
def test_one_character_off_names_a_place_and_no_character(ask, text, at, change):
    """The place to read again, and never what the list has there."""
    answer = ask(text)
    assert answer.cars == []
    if at is None:
        assert answer.answer == "not listed"
        return
    assert answer.answer == "near"
    assert [(at, change)] == [(found["at"], found["change"]) for found in answer.look_again] or change == "extra"
    told = json.dumps(answer.as_dict())
    for known in ("0147", "0258", "0369", "E26-"):
        assert known not in told.replace(text, "").replace(str(answer.asked_key), "")


def test_near_says_nothing_of_what_stands_there(ask):
    """Two askers who are wrong in the same place get the same answer, whatever they were wrong with."""
    one, other = ask("KP 0148").as_dict(), ask("KP 0149").as_dict()
    for document in (one, other):
        document.pop("reading"), document.pop("asked_key")
        for found in document["look_again"]:
            found.pop("asked_key")
    assert one == other


@pytest.mark.parametrize("text", ["KP 014[17]", "KP 01?7", "KP 01[48]7"])
def test_a_doubtful_reading_is_never_settled_from_the_list(ask, text):
    """It may be a known one: read it again. No entry, no number, not even which of the two it is."""
    answer = ask(text)
    assert (answer.answer, answer.cars) == ("near", [])
    assert "A number that this may be is known." in answer.says[0]
    assert "0147" not in json.dumps(answer.as_dict())


@pytest.mark.parametrize("text", ["KP ????", "KP 0??7", "KP ..", "KP 0...", "??????"])
def test_asking_for_many_at_once(ask, text):
    """A reading that could be any of many is no look-up."""
    answer = ask(text)
    assert answer.cars == []
    assert answer.answer in ("too many", "not listed")
    assert "E26-" not in json.dumps(answer.as_dict())


def test_a_number_that_the_list_itself_read_with_doubt(ask):
    """The list may have it: a photograph would settle that. No entry is shown for a maybe."""
    answer = ask("KP 0199")
    assert (answer.answer, answer.cars) == ("near", [])
    assert "photograph" in " ".join(answer.says + answer.ask)


@pytest.mark.parametrize(("figures", "known"), [("0147", True), ("0258", True), ("0601", False), ("0582", False)])
def test_fishing_with_bare_figures(ask, figures, known):
    """LO-8: known or not known by class of number, no car, no entry; and what to photograph."""
    answer = ask(figures)
    assert (answer.answer, answer.cars, answer.look_again) == ("class", [], [])
    assert [{"class": "Body serials of the trial maker (invented)", "known": known}] == answer.classes
    assert any("Photograph the number" in line for line in answer.ask)
    assert "E26-" not in json.dumps(answer.as_dict())
    assert (0 if known else 1) == answer.status


def test_fishing_fills_in_a_check_letter_for_itself_only(db, tmp_path, registry_path):
    """Figures of a family with a check letter are looked up as well; the letter is not told."""
    from test_lookup import FINIAL_LIKE

    store.record_family_table(db, check(FamilyTableIn, text=FINIAL_LIKE, name="try-check.yml"), at=AT)
    series = check(
        SeriesIn,
        id="UF",
        name="Finial",
        kind="maker",
        maker="K",
        serial_family="try-check",
        made_edtf="1972-06/1979-10",
    )
    store.record_series(db, series, at=AT)
    stock(db)
    from publishable import decide

    car(db, "E26-001", "UF-0412F", opinion=None)
    decide(db, "E26-001", "maker's series", series="UF")
    path = publish.publish(db, tmp_path / "edition.db", date=EDITION_DAY).path
    conn = sqlite3.connect(path)
    try:
        answer = edition.look_up(conn, "0412", edition.key_from_registry(registry_path))
    finally:
        conn.close()
    assert {"class": "Serials with a check letter (invented)", "known": True} in answer.classes
    assert "0412F" not in json.dumps(answer.as_dict())


def test_without_the_key(ask):
    """A copy of the edition alone answers no look-up: whom to ask and what to photograph."""
    answer = edition.look_up(ask.conn, "KP 0147")
    assert (answer.answer, answer.cars, answer.status) == ("no key", [], 1)
    assert "Ask the keeper of Try list whether the number is known, and say what you see." in answer.ask
    assert any("Photograph" in line for line in answer.ask)


def test_the_key_of_another_list_is_no_key(ask, tmp_path):
    """It would answer "not listed" to everything, which would be untrue."""
    answer = edition.look_up(ask.conn, "KP 0147", edition.Key(b"another key of another list", ask.key.tables))
    assert answer.answer == "no key"
    assert not edition.fits(ask.conn, edition.Key(bytes(32), None))
    assert edition.fits(ask.conn, ask.key)
    fresh = create_registry(tmp_path / "fresh.db", name="Fresh", origin="fresh")
    assert edition.key_from_registry(fresh) is None
    with pytest.raises(RegistryError):
        edition.key_from_registry(tmp_path / "nothing.db")


def test_the_key_as_bytes_with_tables(ask):
    """The key alone will do, with tables to normalise by."""
    assert edition.look_up(ask.conn, "KP 0147", KEY, ask.key.tables).answer == "known"


def test_the_key_does_not_print_itself():
    """What stands in a log or an error page must not be the key."""
    key = edition.Key(KEY, None)
    assert "Key(...)" == repr(key) == str(key)


def test_the_server_is_told_of_the_key_by_its_surroundings(ask, registry_path, monkeypatch):
    """By the path of the registry, which stands on no page; without it there is none."""
    monkeypatch.delenv(edition.KEY_FROM, raising=False)
    assert edition.key_for() is None
    monkeypatch.setenv(edition.KEY_FROM, str(registry_path))
    assert edition.look_up(ask.conn, "KP 0147", edition.key_for()).answer == "known"


def test_not_listed_says_how_many_are(db, registry_path, tmp_path):
    """Not on this list is no verdict: how many of those living are on any."""
    stock(db)
    car(db, "E26-001", "KP 0147")
    for name, numbers in (("One", range(200, 240)), ("Two", range(220, 260))):
        store.record_list(db, check(ListIn, name=name), at=AT)
        listed = [check(ListNumberIn, list=name, as_typed=f"KP 0{n}", series="PA") for n in numbers]
        store.record_list_numbers(db, listed, at=AT)
    path = publish.publish(db, tmp_path / "edition.db", date=EDITION_DAY).path
    conn = sqlite3.connect(path)
    try:
        answer = edition.look_up(conn, "KP 0699", edition.key_from_registry(registry_path))
        # A number on another list is that list's to tell.
        assert edition.look_up(conn, "KP 0230", edition.key_from_registry(registry_path)).answer == "not listed"
    finally:
        conn.close()
    assert answer.says[0] == "This number is not listed here."
    assert answer.says[1].startswith("Pantile A: about 61 of an estimated 79 living are listed (between ")


def test_two_cars_with_one_number_are_both_known(ask, db, tmp_path):
    """A double issue: both are shown, neither is taken for the other."""
    car(db, "E26-007", "KP 0147", pan=None)
    path = publish.publish(db, tmp_path / "second.db", date="2026-12-01").path
    conn = sqlite3.connect(path)
    try:
        answer = edition.look_up(conn, "KP 0147", ask.key)
    finally:
        conn.close()
    assert [entry["car"] for entry in answer.cars] == ["E26-001", "E26-007"]
    assert "neither is taken for the other" in answer.says[0]


def test_junk_is_refused_in_a_sentence(ask):
    """The asker's to mend."""
    with pytest.raises(MalformedReading):
        ask("KP [01")


def test_what_an_edition_says_of_itself(ask):
    """Name, day, policy, hash; its house tables decode; its columns are explained; a car that is not in it is None."""
    info = edition.edition_info(ask.conn)
    assert {"name": "Try list", "dated": EDITION_DAY, "cars": "5"}.items() <= info.items()
    assert "try-pan" in edition.tables(ask.conn)
    # Body tables stay with the list: their limits and change points are numbers of cars.
    assert "try-body" not in edition.tables(ask.conn)
    assert "number under which the list knows the car" in edition.columns(ask.conn)["car"]
    assert edition.public_car(ask.conn, "E26-003")["car"] == "E26-003"
    assert None is edition.public_car(ask.conn, "E26-006")


def test_a_withdrawn_car_leaves_the_next_edition(ask, db, tmp_path):
    """And the look-up no longer knows it."""
    agree(db, "E26-001", "withdrawn", "2026-12-01")
    path = publish.publish(db, tmp_path / "second.db", date="2026-12-02").path
    conn = sqlite3.connect(path)
    try:
        assert edition.look_up(conn, "KP 0147", ask.key).answer == "not listed"
    finally:
        conn.close()
    assert b"E26-001" not in path.read_bytes()


def test_the_number_of_a_record_that_was_joined_leads_to_the_car(db, tmp_path):
    """The entry names the number that stays. An edition of before there were such numbers has none, and its hash still agrees."""
    from registry.models import JoinIn

    stock(db)
    car(db, "E26-001", "KP 0147"), car(db, "E26-002", "KP 0258")
    join = {"car": "E26-002", "into_car": "E26-001", "kind": "merge", "reason": "One car.", "at": "2026-03-01"}
    store.record_join(db, check(JoinIn, **join), by="Orla Thrennick", at=AT)
    made = publish.publish(db, tmp_path / "edition.db", date=EDITION_DAY)
    conn = sqlite3.connect(made.path)
    try:
        assert "E26-001" == edition.public_car(conn, "E26-002")["car"] == edition.public_car(conn, "E26-001")["car"]
        assert None is edition.public_car(conn, "E26-003")
        assert publish.content_hash(edition.content(conn)) == made.sha256
        conn.execute("DROP TABLE aliases")
        assert None is edition.public_car(conn, "E26-002")
        assert "aliases" not in edition.content(conn)
    finally:
        conn.close()
