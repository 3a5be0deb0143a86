"""Nothing private goes out: the sample's edition is searched as a stranger would, in its bytes and in all that it serves.

What is private is taken from the files that the sample is made of and from the truth behind it, not from the registry, so that
the search does not lean on the code that it examines. What the asker typed himself may stand in the answer.
"""

from __future__ import annotations

import asyncio
import csv
import html
import json
import re
import shutil
import sqlite3
import sys
from collections.abc import Callable, Iterator
from pathlib import Path
from urllib.parse import quote

import pytest
from datasette.app import Datasette
from sqlite_utils import Database
from test_masking import PANTILE_A

from registry import edition, leaks, masking, publish, store
from registry.models import ConsentIn, DecisionIn, EntryIn, EvidenceIn, ReadingIn, StatementIn, check
from registry.opening import open_registry
from registry.publish import Policy

ROOT = Path(__file__).resolve().parents[2]
SAMPLE = ROOT / "sample"
DAY = "2026-11-25"

#: Bodies made by the end of each quarter: what nobody in the scenario knows, and an attacker might (the scenario, section 3).
CURVES = {
    "pantile-a": PANTILE_A,
    "pantile-b": [
        ("1969-06", 2036), ("1969-09", 2082), ("1969-12", 2137), ("1970-03", 2200), ("1970-06", 2270), ("1970-09", 2344),
        ("1970-12", 2418), ("1971-03", 2489), ("1971-06", 2555), ("1971-09", 2613), ("1971-12", 2662), ("1972-03", 2701),
        ("1972-06", 2731), ("1972-09", 2753), ("1972-12", 2772), ("1973-03", 2791), ("1973-05", 2803),
    ],
    "quoin": [
        ("1962-06", 9), ("1962-12", 32), ("1963-06", 62), ("1963-12", 96), ("1964-06", 134), ("1964-12", 174), ("1965-06", 212),
        ("1965-12", 246), ("1966-06", 274), ("1966-12", 297), ("1967-08", 318),
    ],
    "finial": [
        ("1972-12", 55), ("1973-06", 115), ("1973-12", 186), ("1974-06", 266), ("1974-12", 354), ("1975-06", 445), ("1975-12", 535),
        ("1976-06", 621), ("1976-12", 698), ("1977-06", 766), ("1977-12", 822), ("1978-06", 867), ("1978-12", 901), ("1979-10", 941),
    ],
    "purlin": [
        ("1969-12", 4015), ("1970-06", 4087), ("1970-12", 4204), ("1971-06", 4347), ("1971-12", 4481), ("1972-06", 4576),
        ("1973-02", 4640),
    ],
}  # fmt: skip


def table(path: Path, delimiter: str = ",") -> list[dict[str, str]]:
    with path.open(encoding="utf-8", newline="") as file:
        return list(csv.DictReader(file, delimiter=delimiter))


# --- what is private --------------------------------------------------------------------------------------------------

_WORDS = (
    "claim_words", "pan_notes", "pan_reading_how", "pan_second_how", "body_serial_where", "body_serial_notes", "title_make",
    "title_notes", "alterations", "photographs", "photo_hazards", "lien", "other_lists", "notes", "pan_surface",
)  # fmt: skip
_NUMBERS = ("pan_reading", "pan_second_reading", "body_serial_reading", "title_number")


def private() -> list[leaks.Private]:
    """Names, contacts, towns, words, reasons, stops, and every serial as read and as it was in truth."""
    out = []

    def keep(what: str, value: str | None, kind: str) -> None:
        if value and value.strip():
            out.append(leaks.Private(what, value.strip(), kind))

    for row in table(SAMPLE / "people.csv"):
        for column in ("name", "note"):
            keep(f"{column} of {row['initials']}", row[column], "person")
    for row in table(SAMPLE / "cars.csv"):
        car = row["entry"]
        for column in ("owner_name", "owner_contact", "owner_town"):
            keep(f"{column} of {car}", row[column], "person")
        for column in _WORDS:
            keep(f"{column} of {car}", row.get(column), "prose")
        for column in _NUMBERS:
            keep(f"{column} of {car}", row[column], "serial")
        for paper in json.loads(row["documents_json"]):
            for column in ("kind", "as_written"):
                keep(f"a paper of {car}", paper.get(column), "prose")
    for row in table(ROOT / "tests" / "scenario" / "truth.csv"):
        for column in ("truth_serial", "truth_pan_number"):
            for number in re.findall(r"[A-Z0-9][A-Z0-9 -]*[0-9][A-Z]?", row[column]):
                keep(f"{column} of {row['entry']}", number, "serial")
    for name, columns in (
        ("stops.csv", ("says", "ask")), ("decisions.csv", ("reason",)), ("conflicts.csv", ("says", "reason")),
        ("thefts.csv", ("source", "ask", "note")), ("lists.csv", ("note",)),
    ):  # fmt: skip
        for row in table(SAMPLE / name):
            for column in columns:
                keep(f"{column} of {name}", row[column], "prose")
    for row in table(SAMPLE / "thefts.csv"):
        keep("a theft report", row["as_typed"], "serial")
    for name in ("loft_book.csv", "slide_survey.csv"):
        for row in table(SAMPLE / "lists" / name):
            keep(f"a number of {name}", row["number"], "serial")
    for row in table(SAMPLE / "lists" / "vellhythe.csv", ";"):
        keep("a number of the other club", row["Chassis"], "serial")
        keep("a remark of the other club", row["Remark"], "prose")
    return out


#: Words of the scenario that are public by themselves: where a maker was, what a colour or a kind is called.
_PUBLIC = {row["place"].lower() for row in table(SAMPLE / "makers.csv")} | {
    row[column].lower()
    for row in table(SAMPLE / "cars.csv")
    for column in ("colour_now", "colour_under")
    if row[column]
}


#: The rules of the donors' pans go along with an edition, and they name features ("tunnel cover in two joints").
_RULES = "\n".join(path.read_text(encoding="utf-8") for path in sorted((SAMPLE / "tables").glob("*.yml"))).lower()


def searched(values: list[leaks.Private]) -> list[leaks.Private]:
    """Those to be searched for in whole files: a maker's town is left to the rows, and prose of a word as well."""
    out = []
    for value in values:
        text = value.value.lower()
        short = value.kind == "prose" and len(text) < 12 and " " not in text
        if text not in _PUBLIC and not short and not (value.kind == "prose" and text in _RULES):
            out.append(value)
    return out


# --- what is served ---------------------------------------------------------------------------------------------------


@pytest.fixture(scope="module")
def registry(tmp_path_factory) -> Path:
    """The sample registry, built anew."""
    sys.path.insert(0, str(SAMPLE))
    try:
        import build
    finally:
        sys.path.remove(str(SAMPLE))
    path = tmp_path_factory.mktemp("sample") / "sample_registry.db"
    build.build(path)
    return path


@pytest.fixture(scope="module")
def published(registry, tmp_path_factory) -> Path:
    """The edition of the sample."""
    path = tmp_path_factory.mktemp("edition") / "edition.db"
    db = open_registry(registry, write=True)
    try:
        publish.publish(db, path, date=DAY)
    finally:
        db.close()
    return path


def rows_of(path: Path, sql: str) -> list[dict[str, object]]:
    db = Database(sqlite3.connect(f"file:{path}?mode=ro", uri=True))
    try:
        return list(db.query(sql))
    finally:
        db.close()


def addresses(path: Path) -> list[tuple[str, str]]:
    """(address, what the asker typed) of everything a stranger might ask for."""
    name = path.stem
    cars = [str(row["car"]) for row in rows_of(path, "SELECT car FROM cars")]
    out = [
        "/",
        "/-/databases",
        "/-/versions",
        "/-/plugins",
        "/-/settings",
        "/-/config",
        "/-/metadata",
        "/-/metadata.json",
        "/robots.txt",
    ]
    out += [f"/{name}", f"/{name}.json", f"/{name}.db", f"/{name}/nothing", "/nowhere", "/-/threads", "/-/actor.json"]
    for one in publish.TABLES:
        out += [
            f"/{name}/{one}", f"/{name}/{one}?_size=max", f"/{name}/{one}.json?_shape=objects&_size=max", f"/{name}/{one}.csv?_stream=on",
            f"/{name}/{one}.json?_shape=array&_nl=on", f"/{name}/{one}?_sort=rowid",
        ]  # fmt: skip
    out += [f"/{name}/cars?_facet={column}" for column in publish.CARS]
    for sql in (
        "select * from cars", "select name, sql from sqlite_master", "select * from people", "select load_extension('x')",
        "select * from pragma_database_list", "select * from dbstat", "select hex(compiled) from families limit 1", "selec",
    ):  # fmt: skip
        out += [
            f"/{name}?sql={quote(sql)}",
            f"/{name}.json?sql={quote(sql)}&_shape=objects",
            f"/{name}.csv?sql={quote(sql)}",
        ]
    for car in [*cars, "E26-005", "E22-001", "E99-999"]:
        out += [f"/{name}/cars/{car}", f"/{name}/cars/{car}.json", f"/car/{car}", f"/car/{car}.json"]
    asked = [(address, "") for address in out]
    numbers = sorted({row[column] for row in table(SAMPLE / "cars.csv") for column in _NUMBERS if row[column]})
    for number in [*numbers, "KP 0148", "UF-0238C", "2345", "0147", "KP ????", "KP [01", "<b>KP 0147</b>"]:
        out_of = [f"/look-up?number={quote(number)}", f"/look-up.json?number={quote(number)}"]
        asked += [(address, number) for address in [*out_of, f"/decode?reading={quote(number)}&on=pan"]]
    return asked


class Site:
    """The edition served, with the list's key, and asked without a network."""

    def __init__(self, path: Path) -> None:
        self.datasette = Datasette([], immutables=[str(path)], settings={"num_sql_threads": 1})
        self.runner = asyncio.Runner()

    def get(self, address: str) -> tuple[int, bytes]:
        answer = self.runner.run(self.datasette.client.get(address, follow_redirects=True))
        headers = "\n".join(f"{name}: {value}" for name, value in answer.headers.items())
        return answer.status_code, answer.content + b"\n" + headers.encode()

    def close(self) -> None:
        for db in self.datasette.databases.values():
            db.close()
        if self.datasette.executor is not None:
            self.datasette.executor.shutdown()
        self.runner.close()


@pytest.fixture
def serve(registry, monkeypatch) -> Iterator[Callable[[Path], Site]]:
    """Serves a file beside the sample registry, whose key answers look-ups."""
    monkeypatch.setenv(edition.KEY_FROM, str(registry))
    sites: list[Site] = []

    def start(path: Path) -> Site:
        sites.append(Site(path))
        return sites[-1]

    yield start
    for site in sites:
        site.close()


#: Characters that are taken for one another where a number is read: what was typed with one comes back with the other.
_ALIKE = str.maketrans("OQDILZSBG", "000112586")


def plain(number: str) -> str:
    return "".join(c for c in number.upper() if c.isalnum()).translate(_ALIKE)


def found_in_pages(site: Site, asked: list[tuple[str, str]], values: list[leaks.Private]) -> list[tuple[str, str]]:
    """(address, what) of every private value in anything served; as it stands and as a person reads it, without the tags."""
    out = []
    for address, typed in asked:
        _, body = site.get(address)
        read = html.unescape(re.sub(r"<[^>]*>", "", body.decode("utf-8", "replace"))).encode()
        for leak in leaks.leak_search(body + b"\n" + read, values):
            if not (typed and plain(leak.value) and plain(leak.value) in plain(typed)):
                out.append((address, leak.what))
    return out


# --- the search -------------------------------------------------------------------------------------------------------


def test_there_is_something_to_search_for(registry, published):
    """The search means nothing without values and without cars."""
    values = private()
    assert sum(value.what.startswith("owner_contact") for value in values) >= 40
    assert len({value.value for value in searched(values) if value.kind == "serial"}) >= 80
    assert sum(value.kind == "prose" for value in searched(values)) >= 100
    assert rows_of(published, "SELECT count(*) AS n FROM cars")[0]["n"] >= 15
    # The same search finds them where they are.
    in_registry = {leak.value for leak in leaks.leak_search(registry, searched(values))}
    assert len(in_registry) / len({value.value for value in searched(values) if leaks._searchable(value)}) > 0.9


def test_nothing_private_is_in_the_bytes(registry, published):
    """Neither what the sample's files hold nor what the registry itself calls private."""
    assert leaks.leak_search(published, searched(private())) == []
    db = open_registry(registry)
    try:
        conn = sqlite3.connect(published)
        cars = [dict(zip(publish.CARS, row, strict=True)) for row in conn.execute("SELECT * FROM cars")]
        conn.close()
        public = leaks.public_words(db, *publish._FIXED, *publish.DEFAULT.words())
        assert leaks.leaks_of(published, cars, leaks.private_values(db), public) == []
    finally:
        db.close()


def test_nothing_short_is_in_the_rows(published):
    """Serials like 66 or 181, towns, words: no cell about a car is one."""
    cars = rows_of(published, "SELECT * FROM cars")
    assert leaks.row_leaks(cars, private()) == []


def test_no_car_is_there_whose_keeper_did_not_agree(published):
    """By the sample's own file, row for row; and no figure where the number is to be hidden."""
    consent = {row["entry"]: row["consent"] for row in table(SAMPLE / "cars.csv")}
    for row in rows_of(published, "SELECT * FROM cars"):
        assert consent[row["car"]] in ("full", "number hidden")
        if consent[row["car"]] == "number hidden":
            assert row["body_serial"] is None
    absent = [entry for entry, word in consent.items() if word not in ("full", "number hidden")]
    raw = published.read_bytes()
    assert len(absent) >= 8
    assert [entry for entry in absent if entry.encode() in raw] == []


def test_nothing_private_is_served(published, serve):
    """Every page, table, row, facet, query, CSV, JSON, download and error message, and every look-up of a real number."""
    site = serve(published)
    assert site.get("/")[0] == 200
    assert found_in_pages(site, addresses(published), searched(private())) == []


def test_look_ups_are_answered_while_searching(published, serve):
    """Else the search above would have looked at refusals."""
    site = serve(published)
    document = json.loads(
        site.get("/look-up.json?number=KP+O147")[1].split(b"\nage:")[0].split(b"\ncontent-")[0].split(b"\nreferrer")[0]
    )
    assert (document["answer"], [car["car"] for car in document["cars"]]) == ("known", ["E21-003"])


# --- seen to fail -----------------------------------------------------------------------------------------------------


def plant(path: Path, sql: str, *values: object) -> None:
    conn = sqlite3.connect(path)
    try:
        conn.execute("PRAGMA secure_delete = OFF")
        for statement in filter(None, (part.strip() for part in sql.split(";"))):
            conn.execute(statement, values[: statement.count("?")])
        conn.commit()
    finally:
        conn.close()


@pytest.mark.parametrize(
    ("sql", "value"),
    [
        ("UPDATE cars SET colour = ? WHERE car = 'E21-003'", "Hesper Quillory"),
        ("UPDATE cars SET colour = 'painted by ' || ? WHERE car = 'E21-003'", "hesper QUILLORY"),
        ("UPDATE cars SET line = ? WHERE car = 'E21-003'", "kp-01.47"),
        ("UPDATE cars SET body_serial = ? WHERE car = 'E21-003'", "KP O147"),
        ("INSERT INTO edition VALUES ('thanks', ?)", "ow01@example.invalid"),
        ("CREATE TABLE people (name TEXT); INSERT INTO people VALUES (?)", "Corin Dravenhall"),
        ("CREATE TABLE gone (name TEXT); INSERT INTO gone VALUES (?); DELETE FROM gone", "Corin Dravenhall"),
        ("CREATE TABLE b (x BLOB); INSERT INTO b VALUES (?)", "Hesper Quillory".encode("utf-16-le")),
        (
            "UPDATE makers SET maker = maker || ? ",
            " (Dad built it when I was one. It's the one in the photo on the pier.)",
        ),
    ],
)
def test_a_leak_planted_in_the_file_is_found(published, tmp_path, sql, value):
    """In whatever table, spelling, case or encoding, deleted or not."""
    copy = tmp_path / "edition.db"
    shutil.copy(published, copy)
    plant(copy, sql, value)
    assert leaks.leak_search(copy, searched(private()))


@pytest.mark.parametrize("serial", ["66", "181", "41"])
def test_a_short_serial_planted_in_a_row_is_found(published, serial):
    """Too short to be searched for in bytes, it is found as a cell and as a number inside one."""
    (row,) = rows_of(published, "SELECT * FROM cars WHERE car = 'E25-002'")
    assert leaks.row_leaks([row | {"body_serial": serial}], private())
    assert leaks.row_leaks([row | {"colour": f"Oat, number {serial}"}], private())


def test_a_leak_planted_in_the_file_is_found_on_its_pages(published, tmp_path, serve):
    """The search of the pages sees what the file gives away."""
    copy = tmp_path / "edition.db"
    shutil.copy(published, copy)
    plant(copy, "UPDATE cars SET colour = ? WHERE car = 'E21-003'", "Hesper Quillory")
    pages = [(address, typed) for address, typed in addresses(copy) if not typed]
    found = found_in_pages(serve(copy), pages, searched(private()))
    assert {"owner_name of E21-003"} == {what for _, what in found}
    where = {address for address, _ in found}
    assert {"/car/E21-003", "/edition/cars", "/edition/cars/E21-003.json", "/edition.db"} <= where


# --- the masks of the sample ------------------------------------------------------------------------------------------


def public_series(path: Path) -> dict[str, masking.Series]:
    """What an edition says of each series, as its reader takes it."""
    from decoder.dates import parse

    out = {}
    for row in rows_of(path, "SELECT series, serial_family, made FROM series"):
        span = parse(row["made"]) if row["made"] else None
        first, last = (str(span.earliest), str(span.latest)) if span else (None, None)
        out[row["series"]] = masking.Series(row["serial_family"] or "", first, last)
    return out


def house_tables(registry: Path):
    from registry.knowing import house_tables

    db = open_registry(registry)
    try:
        return house_tables(db)
    finally:
        db.close()


@pytest.mark.parametrize("curves", [None, CURVES])
def test_no_car_of_the_sample_is_one_of_fewer_than_twenty(registry, published, curves):
    """Not to somebody who knows the published rules, and not to somebody who knows how many were made when."""
    cars = rows_of(published, "SELECT * FROM cars")
    assert sum(row["body_serial"] is not None for row in cars) >= 10
    assert masking.attack(cars, house_tables(registry), public_series(published), curves=curves) == []


def test_month_and_figures_together_are_found(registry, tmp_path):
    """A Pantile A of early 1967 with its month and two figures shown is one car; by the default policy it is not."""
    copy = tmp_path / "sample_registry.db"
    shutil.copy(registry, copy)
    db = open_registry(copy, write=True)
    try:
        receipt = {
            "about": "body_moulded",
            "kind": "receipt",
            "relation": "equals",
            "edtf": "1967-01",
            "seen": "original",
        }
        entry = check(
            EntryIn, number="E26-901", entry_date="2026-11-01", consent="full", claim_words="one of the first with a plate",
            readings=(check(ReadingIn, stamped_on="body", as_typed="KP 0207"),), statements=(check(StatementIn, **receipt),),
        )  # fmt: skip
        store.record_entry(db, entry, look=False)
        (reading,) = db.execute("SELECT max(id) FROM readings").fetchone()
        evidence = (check(EvidenceIn, kind="reading", ref=reading),)
        says = {
            "car": "E26-901",
            "opinion": "maker's series",
            "series": "KA",
            "reason": "crayon number",
            "by": "OT",
            "at": "2026-11-02",
        }
        store.record_decision(db, check(DecisionIn, evidence=evidence, **says))
        store.record_consent(db, check(ConsentIn, car="E26-901", consent="full", at="2026-11-01"))
        loose = publish.compose(db, Policy(least=1, made="month"), DAY)
        careful = publish.compose(db, publish.DEFAULT, DAY)
    finally:
        db.close()
    path = tmp_path / "loose.db"
    publish.write_edition(loose.tables, path)
    tables, series = house_tables(registry), public_series(path)
    (row,) = (row for row in loose.cars() if row["car"] == "E26-901")
    assert (row["body_serial"], row["body_made"]) == ("KP …07", "1967-01")
    for curves in (None, CURVES):
        found = {one.car: one.left for one in masking.attack(loose.cars(), tables, series, curves=curves)}
        assert found["E26-901"] == 1
        assert masking.attack(careful.cars(), tables, series, curves=curves) == []
    (row,) = (row for row in careful.cars() if row["car"] == "E26-901")
    assert (row["body_serial"], row["body_made"]) == ("KP …7", "1960s")
