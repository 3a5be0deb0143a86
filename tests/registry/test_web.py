"""The pages, and what a stranger may see of a registry: the public views, the pages that answer, and nothing else.

The registry of these tests holds a marker in every column of every private table, so that a leak by whatever way is seen
as the marker in what came back. Ways are listed as role, address, answer.
"""

from __future__ import annotations

import asyncio
import json
import re
import shutil
import sqlite3
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any
from urllib.parse import quote

import pytest
from datasette.app import Datasette

from decoder import compile_table
from registry import publish, schema
from registry.web import guard, pages

MARKER = "kept-between-us"
#: The beginning of it, for questions: what the asker typed himself may stand in the answer.
ASKED = MARKER[:9]
SHOWN = "E24-901"
#: A file name that could not be met by chance, so that its path on the disk is seen when it is told.
FILE = "yard_book"


def fill(path: Path, *, mark: int = schema.REGISTRY_APPLICATION_ID) -> None:
    """A registry with one row in every table: the marker wherever text may stand, and in the published rows plain values."""
    conn = sqlite3.connect(path)
    conn.execute(f"PRAGMA application_id = {mark}")
    conn.executescript(schema.TABLES)
    conn.execute("PRAGMA foreign_keys = OFF")
    for name, sql in conn.execute("SELECT name, sql FROM sqlite_master WHERE type = 'table'").fetchall():
        values = []
        for _, column, kind, *_ in conn.execute(f'PRAGMA table_info("{name}")').fetchall():
            allowed = re.search(rf"\b{column} \w+[^,]*?CHECK \({column} IN \(('(?:[^']|'')*'|\d)", sql)
            if allowed:
                values.append(allowed[1].strip("'").replace("''", "'"))
            elif kind in ("INTEGER", "REAL"):
                values.append(1)
            elif name == "published_cars":
                values.append({"car": SHOWN, "edition": "2026-11-01", "line": None}.get(column, f"shown {column}"))
            elif kind == "BLOB":
                values.append(MARKER.encode())
            else:
                values.append(MARKER)
        conn.execute(f'INSERT INTO "{name}" VALUES ({",".join("?" * len(values))})', values)
    conn.executescript(schema.VIEWS)
    conn.execute("UPDATE registry_info SET key = 'name', value = 'Yard book'")
    # What another program may have left in the file: a search table over people, a view and a table that only sound public.
    conn.executescript(
        f"""
        CREATE VIRTUAL TABLE people_fts USING fts5(name, content='people');
        INSERT INTO people_fts (rowid, name) VALUES (1, '{MARKER}');
        CREATE VIEW publications AS SELECT * FROM people;
        CREATE TABLE public_people (name TEXT);
        INSERT INTO public_people VALUES ('{MARKER}');
        UPDATE series SET id = 'KA', name = 'Pantile', made_edtf = '1965/1969';
        UPDATE makers SET id = 'K', name = 'Kelderwick', place = 'Port Ambry';
        UPDATE series SET maker = 'K';
        """
    )
    conn.commit()
    conn.close()


class Site:
    """A served list, asked from a test: one event loop for its life, so that Datasette's parts stay with it."""

    def __init__(self, *files: str, **options: Any) -> None:
        options.setdefault("settings", {"num_sql_threads": 1})
        self.datasette = Datasette(list(files), **options)
        self.runner = asyncio.Runner()

    def ask(self, path: str, *, method: str = "get", root: bool = False, **more: Any) -> Any:
        async def asked() -> Any:
            await self.datasette.invoke_startup()
            cookies = {"ds_actor": self.datasette.sign({"a": {"id": "root"}}, "actor")} if root else None
            return await getattr(self.datasette.client, method)(path, cookies=cookies, **more)

        return self.runner.run(asked())

    def close(self) -> None:
        for database in self.datasette.databases.values():
            database.close()
        if self.datasette.executor is not None:
            self.datasette.executor.shutdown()
        self.runner.close()


@pytest.fixture(scope="module")
def sites(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Callable[..., Site]]:
    opened: list[Site] = []

    def serve(*files: Path, **options: Any) -> Site:
        site = Site(*map(str, files), **options)
        opened.append(site)
        return site

    yield serve
    for site in opened:
        site.close()


@pytest.fixture(scope="module")
def registry(tmp_path_factory: pytest.TempPathFactory) -> Path:
    path = tmp_path_factory.mktemp("served") / f"{FILE}.db"
    fill(path)
    return path


@pytest.fixture(scope="module")
def served(sites: Callable[..., Site], registry: Path) -> Site:
    return sites(registry)


PRIVATE = sorted(
    set(re.findall(r"CREATE TABLE (\w+)", schema.TABLES))
    | {"publications", "public_people", "people_fts", "people_fts_data", "people_fts_docsize"}
)
SQL = quote("select name from people")


def ways_round() -> Iterator[str]:
    """Every address that could lead past the public views."""
    for table in PRIVATE:
        for name in (table, table.upper(), f"~22{table}~22", f"{table}~20"):
            for end in ("", ".json", ".csv", ".json?_shape=array", ".json?_labels=on", ".blob?_blob_column=body"):
                yield f"/{FILE}/{name}{end}"
            for end in ("", ".json", ".json?_extras=foreign_key_tables", ".blob?_blob_column=body"):
                yield f"/{FILE}/{name}/1{end}"
    for table in ("sqlite_master", "sqlite_schema", "sqlite_stat1"):
        for end in ("", ".json", ".csv", "/1", "/1.json"):
            yield f"/{FILE}/{table}{end}"
    for end in ("", ".json", ".csv", ".db", ".jsono", ".blob"):
        yield f"/{FILE}{end}"
        yield f"/{FILE}{end}?sql={SQL}"
        for other in (
            "_memory",
            "_internal",
            ":memory:",
            "_internal/tables",
            "_internal/databases",
            "_internal/columns/1",
        ):
            yield f"/{other}{end}?sql={SQL.replace('people', FILE + '.people')}"
            yield f"/{other}{end}"
    for page in (
        "databases",
        "metadata",
        "settings",
        "config",
        "threads",
        "versions",
        "plugins",
        "plugins.json?all=1",
        "actor",
    ):
        yield f"/-/{page}"
        yield f"/-/{page.split('.')[0]}.json"
    yield from ("/-/permissions", "/-/messages", "/-/patterns", "/-/auth-token?token=x", "/.json", "/.jsono")
    yield f"/{FILE}/not_there?sql={SQL}"
    for view in ("public_cars", "public_series"):
        for ask in (
            "_where=1%3D1", f"_where={quote('1 in (select 1 from people)')}", "_search=kept&_fts_table=people_fts",
            "_search_name=kept&_fts_table=people_fts&_fts_pk=1", "_extras=foreign_key_tables", "_timelimit=x", "_trace=1",
            "_through=" + quote(json.dumps({"table": "entries", "column": "claim_words", "value": ASKED})), "_through=x",
            "_facet_array=car", "_facet_date=car", "_facet_m2m=people", f"_blob_column=car&_blob_hash=x&sql={SQL}",
        ):  # fmt: skip
            for end in ("", ".json", ".csv", ".blob"):
                yield f"/{FILE}/{view}{end}?{ask}"
        for column in ("name", "contact", "(select name from people)", 'car" from people --', "rowid"):
            for ask in ("_sort", "_sort_desc", "_col", "_nocol", "_facet", "_label"):
                yield f"/{FILE}/{view}.json?{ask}={quote(column)}"
            yield f"/{FILE}/{view}.json?{quote(column)}__contains={ASKED}"
            yield f"/{FILE}/{view}.json?_filter_column={quote(column)}&_filter_op=contains&_filter_value={ASKED}"
        for end in ("", ".json", ".json?_extras=foreign_key_tables"):
            yield f"/{FILE}/{view}/1{end}"
            yield f"/{FILE}/{view}/{SHOWN}{end}"


class TestARegistryThatIsServed:
    def test_no_way_round_shows_a_private_value_or_the_path_of_the_file(self, served: Site, registry: Path) -> None:
        seen, told = 0, []
        for path in ways_round():
            for method in ("get", "head", "post") if "/people" in path else ("get",):
                response = served.ask(path, method=method)
                seen += 1
                if MARKER in response.text or str(registry.parent) in response.text or "Traceback" in response.text:
                    told.append((method, path))
                if "set-cookie" in response.headers or (response.status_code >= 500 and method != "post"):
                    told.append((method, path, response.status_code))
        assert seen > 1000
        assert told == []

    def test_the_search_for_leaks_sees_one(
        self, sites: Callable[..., Site], registry: Path, monkeypatch: pytest.MonkeyPatch
    ) -> None:
        """With the guard taken away the same addresses do show what is private: the test above can fail."""

        async def everything(*_: Any) -> None:
            return None

        monkeypatch.setattr(guard, "allowed", everything)
        site = sites(registry)
        for path in (
            f"/{FILE}/people.json",
            f"/{FILE}/people/1",
            f"/{FILE}.json?sql={SQL}",
            f"/{FILE}/publications.csv",
        ):
            assert MARKER in site.ask(path).text
        assert str(registry.parent) in site.ask("/-/databases.json").text

    def test_a_condition_on_a_private_column_tells_nothing(self, served: Site) -> None:
        """A count that changes with the question would spell a private value out, letter by letter."""
        for column in ("name", "contact", "claim_words", "people.name"):
            for right, wrong in (
                ("contains=kept", "contains=zz"),
                ("startswith=k", "startswith=z"),
                ("notnull=1", "isnull=1"),
            ):
                answers = [
                    served.ask(f"/{FILE}/public_cars.json?_shape=array&{column}__{ask}") for ask in (right, wrong)
                ]
                assert [answer.status_code for answer in answers] == [403, 403]

    @pytest.mark.parametrize(
        "path, status",
        [
            (f"/{FILE}", 403), (f"/{FILE}.json", 403), (f"/{FILE}?sql=select+1", 403), (f"/{FILE}.db", 403),
            (f"/{FILE}/people", 403), (f"/{FILE}/People/1.json", 403), (f"/{FILE}/people/1", 403), (f"/{FILE}/publications", 403),
            (f"/{FILE}/public_people", 403), ("/-/databases.json", 403), ("/-/metadata.json", 403), ("/-/plugins.json", 403),
            (f"/{FILE}/public_cars?_where=1", 403), (f"/{FILE}/public_cars.json?_fts_table=people_fts&_search=a", 403),
            (f"/{FILE}/public_cars", 200), (f"/{FILE}/public_cars.json", 200), (f"/{FILE}/public_cars.csv", 200),
            (f"/{FILE}/public_cars?_facet=series&_sort=car", 200), (f"/{FILE}/public_series", 200), (f"/{FILE}/public_cars?_next=abc", 403),
            ("/", 200), ("/decode", 200), ("/look-up", 200), (f"/car/{SHOWN}", 200), (f"/car/{SHOWN}.json", 200), ("/robots.txt", 200),
        ],
    )  # fmt: skip
    def test_a_visitor(self, served: Site, path: str, status: int) -> None:
        assert served.ask(path).status_code == status

    def test_the_public_views_show_what_was_published(self, served: Site) -> None:
        rows = served.ask(f"/{FILE}/public_cars.json?_shape=array").json()
        assert [row["car"] for row in rows] == [SHOWN]
        assert rows[0]["colour"] == "shown colour"
        assert "Kelderwick" in served.ask(f"/{FILE}/public_series").text

    def test_who_started_the_server_may_look_at_everything(self, served: Site) -> None:
        assert MARKER in served.ask(f"/{FILE}/people.json", root=True).text
        assert served.ask("/-/databases.json", root=True).status_code == 200

    def test_the_refusal_says_what_there_is_to_see_instead(self, served: Site) -> None:
        page = served.ask(f"/{FILE}/people")
        assert "A visitor sees its published views" in page.text
        assert f'href="/{FILE}/public_cars"' in page.text
        assert served.ask(f"/{FILE}/people.json").json()["ok"] is False

    def test_a_registry_is_not_for_search_engines_nor_for_caches(self, served: Site) -> None:
        assert "Disallow: /\n" in served.ask("/robots.txt").text
        for path in ("/", f"/car/{SHOWN}", "/decode?number=1"):
            assert served.ask(path).headers["x-robots-tag"] == "noindex, nofollow"
            assert "no-store" in served.ask(path).headers["cache-control"]

    @pytest.mark.parametrize("path", ["/", "/decode", "/look-up", f"/car/{SHOWN}"])
    def test_nothing_can_be_posted(self, served: Site, path: str) -> None:
        assert served.ask(path, method="post", data={"number": "1"}).status_code == 405

    def test_a_query_across_databases_reaches_nothing(self, sites: Callable[..., Site], registry: Path) -> None:
        """With --crossdb an in-memory database has the registry attached to it."""
        site = sites(registry, crossdb=True, memory=True)
        for path in (f"/_memory.json?sql=select+*+from+{FILE}.people", "/_memory", "/_memory.json"):
            response = site.ask(path)
            assert response.status_code == 403
            assert MARKER not in response.text

    def test_metadata_cannot_open_it(self, sites: Callable[..., Site], registry: Path) -> None:
        """An allow block, a query or a search table in metadata.yml is not enough: a registry opens to nobody by mistake."""
        opened = {
            "allow": True, "allow_sql": True,
            "databases": {
                FILE: {
                    "allow": True, "allow_sql": True,
                    "tables": {"people": {"allow": True}, "public_cars": {"fts_table": "people_fts"}},
                    "queries": {"public_all": {"sql": "select * from people", "allow": True}},
                }
            },
        }  # fmt: skip
        site = sites(registry, metadata=opened)
        for path in (
            f"/{FILE}/people.json",
            f"/{FILE}.json?sql=select+*+from+people",
            f"/{FILE}/public_all.json",
            f"/{FILE}.db",
            f"/{FILE}",
        ):
            response = site.ask(path)
            assert response.status_code == 403
            assert MARKER not in response.text

    def test_served_immutable_it_cannot_be_downloaded(self, sites: Callable[..., Site], registry: Path) -> None:
        site = sites(immutables=[str(registry)])
        assert site.ask(f"/{FILE}.db").status_code == 403
        assert site.ask(f"/{FILE}/people.json").status_code == 403
        assert site.ask(f"/{FILE}/public_cars.json").status_code == 200

    @pytest.mark.parametrize("mark", [0, 1, schema.EDITION_APPLICATION_ID])
    def test_a_registry_that_lost_its_mark_stays_closed(
        self, sites: Callable[..., Site], tmp_path: Path, mark: int
    ) -> None:
        """A file restored from a dump has no application_id; one with people in it is no edition, whatever it says."""
        fill(tmp_path / "restored.db", mark=mark)
        site = sites(tmp_path / "restored.db")
        for path in (
            "/restored/people.json",
            "/restored.json?sql=select+*+from+people",
            "/-/databases.json",
            "/restored",
        ):
            response = site.ask(path)
            assert response.status_code == 403
            assert MARKER not in response.text


# --- an edition ---------------------------------------------------------------------------------------------------------

PAN = """\
# Invented for these tests: a donor's pan.
family: web-pan
title: "Pan numbers of the trial platform (invented)"
house: true
carried_by: [pan]
where: "stamped on the tunnel"
sources:
  sheet: {title: "Trial sheet", edition: "1st", supports: "all", standing: house, read: "2026-11-25"}
schemes:
  - id: late
    parts:
      - {name: "body letter", codes: {S: "closed", C: "open"}}
      - {name: "year figure", figures: 1}
      - {name: "running number", figures: 5}
    print: "{body letter}{year figure} {running number}"
rows:
  - {id: "1967-09", scheme: late, run: "a", basis: month, first: "8 00001", last: "8 40000", model_year: 1968, built: "1967-09", source: "sheet"}
  - {id: "1967-10", scheme: late, run: "a", basis: month, first: "8 40001", last: "8 90000", model_year: 1968, built: "1967-10", source: "sheet"}
"""
BODY = """\
# Invented for these tests: a body serial.
family: web-body
title: "Body serials of the trial maker (invented)"
house: true
carried_by: [body, plate]
where: "on a plate left of the gauges"
sources:
  sheet: {title: "Trial sheet", edition: "1st", supports: "all", standing: house, read: "2026-11-25"}
schemes:
  - id: kp
    parts:
      - {name: "letters", literal: "KP"}
      - {name: "running number", figures: 4}
    print: "KP {running number}"
    also: ["{running number} KP"]
rows:
  - {id: "all", scheme: kp, run: "a", basis: calendar, first: "KP 0101", last: "KP 0712", built: "1965-09/1969-03", source: "sheet"}
"""
SECRET = b"a key for these tests only"
#: Something that would be markup if it were not escaped, as a colour somebody typed.
TYPED = "<b>Bilberry</b>"


def house() -> Any:
    from decoder import load_tables

    return load_tables(extra=[compile_table(PAN, "web-pan.yml"), compile_table(BODY, "web-body.yml")])


def write_edition(path: Path) -> Any:
    """A hand-made edition: KP 0147 shown with its last figures, KP 0409 with none, a third car with one neutral line."""
    from registry import edition, lookup

    key = edition.Key(SECRET, house())
    car = dict.fromkeys(publish.CARS)
    cars = [
        car | {
            "car": "E21-003", "maker": "Kelderwick Plastics", "series": "Pantile, series A", "opinion": "maker's series", "opinion_year": "2021",
            "body_serial": "KP …47", "body_made": "1966", "pan": "Pan numbers of the trial platform (invented)", "pan_model_year": "1968",
            "colour": TYPED, "last_seen": "2020s",
        },
        car | {"car": "E21-007", "series": "Pantile, series A", "opinion": "open", "last_seen": "2020s"},
        car | {"car": "E22-004", "line": "This entry is not public at present."},
    ]  # fmt: skip
    prints = {
        (publish.fingerprint(SECRET, made), number, "body", 1)
        for number, serial in (("E21-003", "KP 0147"), ("E21-007", "KP 0409"))
        for _, made, _ in lookup.keys_for(serial, "body", key.tables)
    }
    content = {
        "edition": sorted(
            {
                "name": "Trial book",
                "dated": "2026-11-01",
                "sha256": "0" * 64,
                "key_check": publish.key_check(SECRET),
            }.items()
        ),
        "cars": [tuple(one.values()) for one in cars],
        "series": [
            (
                "Pantile, series A",
                "Kelderwick Plastics",
                "Port Ambry",
                "maker",
                None,
                "1965-09/1969-03",
                "web-body",
                "web-pan",
                286,
            )
        ],
        "makers": [("Kelderwick Plastics", "Port Ambry")],
        "counts": [("Pantile, series A", 2, 146, 252, 210, 310)],
        "families": [
            (f["family"], f["title"], json.dumps(f))
            for f in (compile_table(PAN, "web-pan.yml"), compile_table(BODY, "web-body.yml"))
        ],
        "fingerprints": sorted(prints),
        "aliases": [("E21-099", "E21-003")],
        "columns": [
            (table, column, says) for table, columns in publish.TABLES.items() for column, says in columns.items()
        ],
    }
    publish.write_edition(content, path)
    return key


@pytest.fixture(scope="module")
def edition_file(tmp_path_factory: pytest.TempPathFactory) -> Path:
    path = tmp_path_factory.mktemp("published") / "trial.db"
    write_edition(path)
    return path


@pytest.fixture(scope="module")
def published(sites: Callable[..., Site], edition_file: Path) -> Site:
    return sites(immutables=[str(edition_file)])


@pytest.fixture(scope="module")
def key() -> Any:
    from registry import edition

    return edition.Key(SECRET, house())


@pytest.fixture
def with_key(monkeypatch: pytest.MonkeyPatch, published: Site, key: Any) -> Site:
    """The edition served by somebody who holds its key."""
    from registry import edition

    monkeypatch.setattr(edition, "key_for", lambda *_: key)
    return published


class TestAnEdition:
    @pytest.mark.parametrize("table", sorted(publish.TABLES))
    @pytest.mark.parametrize("end", ["", ".json", ".csv"])
    def test_all_of_it_is_public(self, published: Site, table: str, end: str) -> None:
        assert published.ask(f"/trial/{table}{end}").status_code == 200

    @pytest.mark.parametrize(
        "path",
        [
            "/trial",
            "/trial.json?sql=select+car+from+cars&_shape=array",
            "/trial/cars/E21-003",
            "/trial/cars?_facet=series&_where=line+is+null",
            "/.json",
        ],
    )
    def test_it_is_meant_to_be_queried(self, published: Site, path: str) -> None:
        assert published.ask(path).status_code == 200

    def test_the_whole_file_can_be_taken_away(self, published: Site, edition_file: Path) -> None:
        assert published.ask("/trial.db").content == edition_file.read_bytes()

    def test_a_registry_beside_it_closes_neither_more_nor_less(
        self, sites: Callable[..., Site], edition_file: Path, registry: Path
    ) -> None:
        site = sites(registry, immutables=[str(edition_file)])
        assert site.ask("/trial/cars.json").status_code == 200
        assert site.ask("/trial.json?sql=select+1").status_code == 200
        assert site.ask(f"/{FILE}/people.json").status_code == 403
        assert site.ask("/-/databases.json").status_code == 403
        assert "Trial book" in site.ask("/").text

    def test_the_tables_say_what_each_column_means(self, published: Site) -> None:
        page = published.ask("/trial/cars").text
        assert "it is no maker&#39;s number" in page.lower() or "It is no maker&#39;s number" in page
        assert "One row a car" in page

    def test_the_newest_of_two_editions_is_the_one_asked(
        self, sites: Callable[..., Site], edition_file: Path, tmp_path: Path
    ) -> None:
        older = tmp_path / "older.db"
        shutil.copy(edition_file, older)
        conn = sqlite3.connect(older)
        conn.execute("UPDATE edition SET value = '2025-11-01' WHERE key = 'dated'")
        conn.execute("DELETE FROM cars")
        conn.commit()
        conn.close()
        site = sites(immutables=[str(older), str(edition_file)])
        assert site.ask("/car/E21-003").status_code == 200

    def test_its_pages_may_be_kept_and_set_no_cookie(self, published: Site) -> None:
        for path in ("/", "/decode?number=118+000+001", "/look-up", "/car/E21-003"):
            response = published.ask(path)
            assert response.headers["cache-control"] == "public, max-age=3600"
            assert "set-cookie" not in response.headers
            assert "csrftoken" not in response.text

    def test_answers_are_not_for_search_engines_and_entries_are(self, published: Site) -> None:
        assert "noindex" in published.ask("/decode?number=1").headers["x-robots-tag"]
        assert "noindex" in published.ask("/look-up?number=1").headers["x-robots-tag"]
        assert "x-robots-tag" not in published.ask("/car/E21-003").headers
        assert "noindex" not in published.ask("/car/E21-003").text
        assert "Disallow: /decode" in published.ask("/robots.txt").text


class TestDecode:
    def test_the_page_and_the_command_give_the_same_document(self, published: Site) -> None:
        from decoder import decode

        document = published.ask("/decode.json?number=118+000+001&on=pan&says=1968").json()
        assert document == json.loads(
            json.dumps(decode("118 000 001", "pan", tables=_tables_of(published), says=1968).as_dict())
        )

    def test_the_sentences_of_the_page_are_those_of_the_terminal(self, published: Site) -> None:
        from html import unescape

        from decoder import decode, words

        page = unescape(published.ask("/decode?number=118+000+001&on=pan&says=1968").text)
        for sentence in words.tell(decode("118 000 001", "pan", tables=_tables_of(published), says=1968)):
            said = sentence.removeprefix("Note: ").removeprefix("house table: ")
            assert said in page or said[0].upper() + said[1:] in page

    def test_a_number_that_no_table_has_is_answered_with_what_is_nearest(self, published):
        """The page says so first, then where the number lies, then a guess, and asks nothing that a guess would hang on."""
        from html import unescape

        for number in ("116+1021299", "112+3+000+001", "10+020+001", "11812345"):
            answer = published.ask(f"/decode?number={number}&on=pan")
            assert 200 == answer.status_code
            assert 'class="question"' not in answer.text
        page = unescape(published.ask("/decode?number=116+1021299&on=pan").text)
        parts = ("As it was read it fits none", "1 above the last of model year 1966", "If it is aircooled-platform")
        places = [page.index(part) for part in parts]
        assert sorted(places) == places

    def test_the_editions_own_tables_decode_and_say_so(self, published: Site) -> None:
        page = published.ask("/decode?number=S8+12345&on=pan").text
        assert "September 1967" in page
        assert "house table" in page
        document = published.ask("/decode.json?number=S8+12345&on=pan").json()
        assert document["decodings"][0]["house_table"] is True

    def test_a_question_about_the_thing_itself_is_answered_with_a_link(
        self, sites: Callable[..., Site], book: Path
    ) -> None:
        """S4 37961 is of model year 1964 or 1974; the joints of the tunnel cover decide."""
        site = sites(immutables=[str(book / "edition.db")])
        page = site.ask("/decode?number=S4+37961&on=pan").text
        assert "Is the tunnel cover in one joint or in two?" in page and "--seen" not in page
        links = re.findall(r'href="(/decode\?[^"]*seen=[^"]*)"', page)
        assert len(links) == 2
        answers = [site.ask(link.replace("&amp;", "&").replace("/decode", "/decode.json")).json() for link in links]
        years = [{one["year"] for of in answer["decodings"] for one in of["model_years"]} for answer in answers]
        assert {frozenset(of) for of in years} == {frozenset({1964}), frozenset({1974})}
        assert site.ask("/decode?number=S4+37961&seen=no-such-feature").status_code == 400

    def test_a_stop_stands_before_everything_and_nothing_is_dated(self, published: Site) -> None:
        page = published.ask("/decode?number=S8+12345&on=pan&surface=ground").text
        assert page.index("Stop: number looks altered") < page.index("<h1")
        assert "1967" not in page.replace("S8 12345", "")

    def test_the_order_of_the_page(self, published: Site) -> None:
        """Answer, how sure, the number itself, why, what next."""
        page = published.ask("/decode?number=S8+%5B38%5D2345&on=pan").text
        order = [page.index(one) for one in ('class="answer"', 'class="strip"', "Why: the rows", "What next", "<form")]
        assert order == sorted(order)

    @pytest.mark.parametrize(
        "ask, says",
        [
            ("number=", "There is no number here"),
            ("number=%5B38", "is not closed"),
            ("number=" + "1" * 600, "characters long"),
            ("number=1&on=roof", "is not one of"),
            ("number=1&surface=shiny", "is not one of"),
            ("number=1&says=19x8", "is not a year"),
            ("number=1&direction=sideways", "is not one of"),
            ("number=" + quote("'; DROP"), "which no number has"),
            ("number=" + quote("<script>alert(1)</script>"), "no number has"),
        ],
    )
    def test_a_question_that_cannot_be_asked_gets_a_sentence_beside_its_field(
        self, published: Site, ask: str, says: str
    ) -> None:
        page = published.ask(f"/decode?{ask}")
        assert page.status_code == 400
        assert page.text.count(says) >= (1 if "direction" in ask else 2)  # at the top and beside the field
        assert 'aria-invalid="true"' in page.text or "on=" in ask or "surface=" in ask
        assert "<script" not in page.text and "Traceback" not in page.text
        document = published.ask(f"/decode.json?{ask}")
        assert document.status_code == 400
        assert says in document.json()["error"]

    def test_a_number_that_fits_nothing_is_an_answer(self, published: Site) -> None:
        page = published.ask("/decode?number=ZZZZZZZZZZZZ")
        assert page.status_code == 200
        assert "fits none of the tables" in page.text

    def test_a_fault_of_ours_tells_nothing_of_the_machine(
        self, published: Site, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
    ) -> None:
        async def broken(*_: Any) -> Any:
            private = MARKER
            raise RuntimeError(f"no file at /home/somebody/{len(private)}")

        monkeypatch.setattr(pages, "tables_of", broken)
        for path in ("/decode?number=1", "/decode.json?number=1"):
            response = published.ask(path)
            assert response.status_code == 500
            assert "/home/somebody" not in response.text
            assert "on this side" in response.text
        log = capsys.readouterr().err
        assert "RuntimeError" in log and MARKER not in log


def _tables_of(site: Site) -> Any:
    return site.runner.run(_of(site.datasette))


async def _of(datasette: Any) -> Any:
    return await pages.tables_of(datasette, await pages.the_list(datasette))


class TestLookUp:
    @pytest.mark.parametrize("typed", ["KP 0147", "KP O147", "KP147", "147 KP", "kp-0147"])
    def test_a_known_number_leads_to_the_public_entry_however_it_is_spelled(self, with_key: Site, typed: str) -> None:
        page = with_key.ask(f"/look-up?number={quote(typed)}")
        assert page.status_code == 200
        assert 'href="/car/E21-003"' in page.text
        assert "Pantile, series A" in page.text

    def test_a_number_one_character_off_is_told_only_where_to_read_again(self, with_key: Site) -> None:
        page = with_key.ask("/look-up?number=KP+0149").text
        assert "differs in a single place" in page
        assert page.count('class="caret"') == 1
        assert "0147" not in page and "E21-003" not in page

    def test_a_number_that_is_not_listed_says_how_many_are(self, with_key: Site) -> None:
        page = with_key.ask("/look-up?number=KP+0688").text
        assert "not listed here" in page
        assert "252" in page

    def test_bare_figures_get_no_entry(self, with_key: Site) -> None:
        page = with_key.ask("/look-up?number=0147").text
        assert "is known in" in page
        assert "E21-003" not in page

    def test_without_the_key_it_says_whom_to_ask(self, published: Site) -> None:
        page = published.ask("/look-up?number=KP+0147").text
        assert "without its key" in page
        assert "Trial book" in page and "Photograph" in page
        assert "E21-003" not in page

    def test_the_document_is_the_one_the_function_gives(self, with_key: Site, edition_file: Path) -> None:
        from registry import edition

        conn = sqlite3.connect(edition_file)
        try:
            expected = edition.look_up(conn, "KP 0147", edition.key_for()).as_dict()
        finally:
            conn.close()
        assert with_key.ask("/look-up.json?number=KP+0147").json() == json.loads(json.dumps(expected))

    @pytest.mark.parametrize("ask", ["number=", "number=%5B", "number=%22%3E%3Cscript%3E"])
    def test_what_is_no_number_gets_a_sentence(self, with_key: Site, ask: str) -> None:
        page = with_key.ask(f"/look-up?{ask}")
        assert page.status_code == 400
        assert 'aria-invalid="true"' in page.text and "<script" not in page.text
        assert with_key.ask(f"/look-up.json?{ask}").status_code == 400


class TestACar:
    def test_its_entry_shows_what_is_published_and_whose_opinion_it_is(self, published: Site) -> None:
        page = published.ask("/car/e21-003").text
        assert (
            "The keeper of the list takes it for a body of the maker&#39;s series Pantile, series A (said in 2021)."
            in page
        )
        assert 'class="cell held"' in page
        for banned in ("verified", "certified", "authentic", "genuine", "score"):
            assert banned not in page.lower()

    def test_an_open_case_is_said_to_be_open(self, published: Site) -> None:
        assert "What it is has not been decided." in published.ask("/car/E21-007").text

    def test_a_stopped_car_has_its_neutral_line_and_nothing_else(self, published: Site) -> None:
        page = published.ask("/car/E22-004").text
        assert "This entry is not public at present." in page
        assert "<dl" not in page

    @pytest.mark.parametrize("car", ["E99-001", "x", "~3Cscript~3E", "E21-003'--", "%F0%9F%9A%97", "a" * 300])
    def test_one_that_has_no_entry_gets_a_sentence_that_tells_nothing(self, published: Site, car: str) -> None:
        page = published.ask(f"/car/{car}", follow_redirects=True)
        assert page.status_code == 404
        assert "it may be on the list all the same" in page.text and "<script" not in page.text

    def test_its_document(self, published: Site) -> None:
        document = published.ask("/car/E21-003.json").json()
        assert document["car"] == "E21-003" and document["stops"] == []
        assert set(document["entry"]) == set(publish.CARS)
        assert document["edition"]["dated"] == "2026-11-01"
        assert published.ask("/car/E99-001.json").status_code == 404

    @pytest.mark.parametrize("end", ["", ".json"])
    def test_the_number_of_a_record_that_was_joined_leads_to_it(self, published: Site, end: str) -> None:
        """Not for ever: a merge may be undone one day, so no browser keeps it."""
        answer = published.ask(f"/car/e21-099{end}")
        assert (302, f"/car/E21-003{end}") == (answer.status_code, answer.headers["location"])
        assert 200 == published.ask(f"/car/E21-099{end}", follow_redirects=True).status_code
        assert 404 == published.ask(f"/car/E21-098{end}").status_code

    def test_what_somebody_typed_is_text(self, published: Site) -> None:
        assert "&lt;b&gt;Bilberry&lt;/b&gt;" in published.ask("/car/E21-003").text
        assert TYPED not in published.ask("/trial/cars").text


PAGES = (
    "/",
    "/decode",
    "/decode?number=S8+%5B38%5D2345&on=pan",
    "/decode?number=%5B",
    "/look-up",
    "/look-up?number=KP+0149",
    "/car/E21-003",
    "/car/none",
    "/trial/cars",
    "/trial",
    "/nowhere",
)


class TestEveryPage:
    @pytest.mark.parametrize("path", PAGES)
    def test_it_names_its_language_and_asks_for_nothing_from_elsewhere(self, with_key: Site, path: str) -> None:
        page = with_key.ask(path).text
        assert '<html lang="en">' in page
        assert page.count("<h1") == 1 and '<main id="content"' in page and 'href="#content"' in page
        fetched = re.findall(
            r'<(?:link(?! rel="alternate")|script|img|iframe|form)\b[^>]*?(?:href|src|action)="([^"]*)"', page
        )
        assert fetched and all(re.match("/[^/]", address) for address in fetched), fetched

    @pytest.mark.parametrize("path", [path for path in PAGES if "trial" not in path])
    def test_ours_run_no_script(self, with_key: Site, path: str) -> None:
        page = with_key.ask(path)
        if page.status_code != 404 or "car" in path:
            assert "<script" not in page.text
            assert "default-src 'none'" in page.headers["content-security-policy"]

    @pytest.mark.parametrize("path", [path for path in PAGES if "trial" not in path])
    def test_every_field_has_a_label_and_every_picture_words(self, with_key: Site, path: str) -> None:
        page = with_key.ask(path).text
        for field in re.findall(r'<(?:input|select)\b(?![^>]*type="hidden")[^>]*>', page):
            name = re.search(r'id="([^"]+)"', field)
            assert name and f'<label for="{name[1]}"' in page, field
        assert page.count("<svg") == page.count("<title>") - 1 == page.count("<desc>")

    def test_under_a_path_of_its_own_every_address_begins_with_it(
        self, sites: Callable[..., Site], edition_file: Path
    ) -> None:
        site = sites(immutables=[str(edition_file)], settings={"base_url": "/book/", "num_sql_threads": 1})
        for path in (
            "/",
            "/decode?number=S8+12345&on=pan",
            "/look-up?number=KP+0147",
            "/car/E21-003",
            "/nowhere",
            "/trial/cars",
        ):
            page = site.ask(path).text
            addresses = re.findall(r'(?:href|src|action)="(/[^"]*)"', page)
            assert addresses and all(address.startswith("/book/") for address in addresses), (path, addresses)
        assert "Disallow: /book/decode" in site.ask("/robots.txt").text
        assert (
            site.ask(re.search(r'href="/book(/-/static-plugins/[^"]*tubmark\.css[^"]*)"', page)[1]).status_code == 200
        )


class TestThePlugin:
    def test_it_brings_its_templates_and_static_files(self, published: Site) -> None:
        (ours,) = [
            plugin
            for plugin in published.ask("/-/plugins.json").json()
            if plugin["name"] in ("tubmark", "registry.web")
        ]
        assert ours["static"] is True and ours["templates"] is True

    def test_a_file_named_like_a_page_of_ours_is_refused_in_a_sentence(
        self, edition_file: Path, tmp_path: Path, sites: Callable[..., Site]
    ) -> None:
        from datasette.utils import StartupError

        shutil.copy(edition_file, tmp_path / "decode.db")
        with pytest.raises(StartupError, match="Give the file another name"):
            sites(tmp_path / "decode.db").ask("/")

    def test_rich_prints_no_local_variables(self) -> None:
        import datasette.handle_exception

        assert datasette.handle_exception.rich is None

    def test_it_serves_nothing_at_all_as_well(self, sites: Callable[..., Site]) -> None:
        site = sites()
        assert "No list is served here" in site.ask("/").text
        assert site.ask("/decode?number=118+000+001&on=pan").status_code == 200
        assert site.ask("/look-up?number=1").status_code == 400
        assert site.ask("/car/E21-003").status_code == 404


# --- the sample, published ------------------------------------------------------------------------------------------------

ROOT = Path(__file__).resolve().parent.parent.parent


@pytest.fixture(scope="module")
def book(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A copy of the sample registry from which an edition has been published."""
    from registry.opening import opened

    folder = tmp_path_factory.mktemp("book")
    shutil.copy(ROOT / "sample_registry.db", folder / "sample_registry.db")
    with opened(folder / "sample_registry.db", write=True) as db:
        publish.publish(db, folder / "edition.db", date="2026-11-25")
    return folder


class TestTheSample:
    @pytest.mark.parametrize(
        "typed", ["KP 0147", "KP 0149", "147 KP", "KP 0[14]47", "0147", "UF-0233C", "TLP 4008", "no such"]
    )
    def test_a_served_registry_looks_up_what_its_edition_does(
        self, sites: Callable[..., Site], book: Path, typed: str, monkeypatch: pytest.MonkeyPatch
    ) -> None:
        from registry import edition

        monkeypatch.setenv(edition.KEY_FROM, str(book / "sample_registry.db"))
        answers = [
            site.ask(f"/look-up.json?number={quote(typed)}").json()
            for site in (sites(book / "sample_registry.db"), sites(immutables=[str(book / "edition.db")]))
        ]
        assert answers[0] == answers[1]

    def test_who_takes_his_consent_back_is_no_longer_found(
        self, sites: Callable[..., Site], book: Path, tmp_path: Path
    ) -> None:
        from registry import knowing, store
        from registry.models import ConsentIn, check
        from registry.opening import opened

        path = tmp_path / "withdrawn.db"
        shutil.copy(book / "sample_registry.db", path)
        site = sites(path)
        assert site.ask("/look-up.json?number=KP+0147").json()["answer"] == "known"
        with opened(path, write=True) as db:
            car = knowing.resolve_car(db, "E21-003")["number"]
            store.record_consent(db, check(ConsentIn, car=car, consent="withdrawn", at="2026-11-25", reason="said so"))
        assert site.ask("/look-up.json?number=KP+0147").json()["answer"] != "known"

    def test_before_anything_is_published_there_is_nothing_to_look_up(
        self, sites: Callable[..., Site], tmp_path: Path
    ) -> None:
        shutil.copy(ROOT / "sample_registry.db", tmp_path / "sample_registry.db")
        conn = sqlite3.connect(tmp_path / "sample_registry.db")
        conn.execute("DELETE FROM published_cars")
        conn.commit()
        conn.close()
        page = sites(tmp_path / "sample_registry.db").ask("/look-up?number=KP+0147").text
        assert "Nothing has been published" in page and "E21-003" not in page

    def test_no_private_value_is_on_any_page_of_the_served_registry(
        self, sites: Callable[..., Site], book: Path
    ) -> None:
        conn = sqlite3.connect(book / "sample_registry.db")
        private = {
            str(value)
            for column in ("name", "town", "contact", "note")
            for (value,) in conn.execute(f"SELECT {column} FROM people WHERE {column} IS NOT NULL")
            if len(str(value)) >= 5
        }
        private |= {said for (said,) in conn.execute("SELECT claim_words FROM entries WHERE claim_words IS NOT NULL")}
        cars = [car for (car,) in conn.execute("SELECT number FROM cars")]
        conn.close()
        public_names = {"Port Ambry", "Sennickby", "Lowmere", "Cask Point", "Hasp Sands"}  # where makers were
        site = sites(book / "sample_registry.db")
        addresses = [
            "/",
            "/sample_registry/public_cars",
            "/sample_registry/public_cars.csv",
            "/sample_registry/public_series.json",
        ]
        addresses += [f"/car/{car}{end}" for car in cars for end in ("", ".json")] + [
            "/look-up?number=KP+0147",
            "/look-up?number=KP+0555",
        ]
        for path in addresses:
            text = site.ask(path).text
            assert not [value for value in private - public_names if value in text], path

    def test_a_number_that_was_joined_leads_on_from_the_next_edition_on(
        self, sites: Callable[..., Site], tmp_path: Path
    ) -> None:
        """In a registry that is served as in its edition; what was joined since is nobody's to know."""
        from registry import parting
        from registry.opening import open_registry

        path = tmp_path / "joined.db"
        shutil.copy(ROOT / "sample_registry.db", path)
        db = open_registry(path, write=True)
        parting.merge(db, "E24-021", "E23-014", reason="One car, painted since.", by="OT", on="2026-11-25")
        db.close()
        before = sites(path).ask("/car/E24-021")
        assert before.status_code in (200, 404)  # as the edition of before the merge has it
        db = open_registry(path, write=True)
        made = publish.publish(db, tmp_path / "edition.db", date="2026-11-26", by="OT")
        db.close()
        assert "E23-014" in {row["car"] for row in _rows(made.path, "SELECT car FROM cars")}
        for served in (path, made.path):
            answer = sites(served).ask("/car/E24-021")
            assert (302, "/car/E23-014") == (answer.status_code, answer.headers["location"]), served.name


def _rows(path: Path, sql: str) -> list[dict[str, Any]]:
    conn = sqlite3.connect(f"file:{path}?mode=ro", uri=True)
    conn.row_factory = sqlite3.Row
    try:
        return [dict(row) for row in conn.execute(sql)]
    finally:
        conn.close()


class TestWhatStandsInTwoPlaces:
    """metadata.yml and the style sheet repeat what the code and the look settle; neither may drift."""

    def test_metadata_repeats_the_meaning_of_each_column(self) -> None:
        import yaml

        said = yaml.safe_load((ROOT / "metadata.yml").read_text(encoding="utf-8"))["databases"]
        assert {table: of["columns"] for table, of in said["edition"]["tables"].items()} == publish.TABLES
        public = said["sample_registry"]["tables"]["public_cars"]["columns"]
        assert {**public, "edition": ""} == {**publish.CARS, "edition": ""}
        for database in said.values():
            for table in database["tables"].values():
                assert table["title"] and table["description"] and table["license"]
                assert set(table.get("facets", [])) <= set(table["columns"])

    def test_metadata_opens_nothing(self) -> None:
        text = (ROOT / "metadata.yml").read_text(encoding="utf-8")
        assert not re.search(r"^\s*(allow|allow_sql|queries|plugins)\s*:", text, re.MULTILINE)

    @pytest.mark.parametrize("scheme", [0, 1], ids=["day", "night"])
    def test_text_has_a_contrast_of_at_least_seven_to_one(self, scheme: int) -> None:
        css = (ROOT / "registry/web/static/tubmark.css").read_text(encoding="utf-8")
        colours = dict(re.findall(r"--(\w+): (#[0-9a-f]{6});", css.split(":root {")[1 + scheme].split("}")[0]))
        for name in ("ink", "link", "doubt", "stop", "quiet"):
            assert contrast(colours[name], colours["ground"]) >= 7, name

    def test_nothing_in_the_style_sheets_comes_from_elsewhere(self) -> None:
        for sheet in (ROOT / "registry/web/static").glob("*.css"):
            text = sheet.read_text(encoding="utf-8")
            assert "@import" not in text
            assert all(address.startswith("data:") for address in re.findall(r'url\("?([^")]+)', text))


def contrast(one: str, other: str) -> float:
    """Contrast of two colours by the formula of WCAG 2.2 (W3C, definition of contrast ratio)."""

    def luminance(colour: str) -> float:
        parts = [int(colour[i : i + 2], 16) / 255 for i in (1, 3, 5)]
        red, green, blue = (part / 12.92 if part <= 0.04045 else ((part + 0.055) / 1.055) ** 2.4 for part in parts)
        return 0.2126 * red + 0.7152 * green + 0.0722 * blue

    light, dark = sorted((luminance(one), luminance(other)), reverse=True)
    return (light + 0.05) / (dark + 0.05)
