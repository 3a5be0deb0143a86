"""The commands of the examination as a person runs them: sentences, one JSON document, exit statuses, nothing half done."""

from __future__ import annotations

import json
import xml.etree.ElementTree as ET
from pathlib import Path

import pytest
from commanding import Tubmark, counts, plain
from evidence_registry import ALL_THERE, OT, add_car, make, see, tell
from furnishing import AT

from registry import knowing, store
from registry.cli import COMMANDS
from registry.models import StopIn, check
from registry.opening import opened

MINE = [name for name, (module, _, _) in COMMANDS.items() if module == "examining"]


@pytest.fixture
def path(tmp_path: Path) -> Path:
    made = make(tmp_path)
    with opened(made, write=True) as db:
        add_car(db, "E26-002")
    return made


@pytest.fixture(autouse=True)
def beside_the_registry(path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """Files that a command writes lie in the registry's own scratch folder."""
    monkeypatch.chdir(path.parent)


@pytest.fixture
def seen(path: Path) -> Path:
    with opened(path, write=True) as db:
        see(db, "E26-001", ALL_THERE)
    return path


@pytest.fixture
def stopped(seen: Path) -> Path:
    with opened(seen, write=True) as db:
        store.record_stop(
            db,
            check(StopIn, kind="unsafe to move", says="Fuel smell.", ask="Ask a mechanic.", car="E26-001", by=OT),
            at=AT,
        )
    return seen


@pytest.mark.parametrize("name", MINE)
def test_help_asks_a_question_and_ends_with_an_example(tubmark: Tubmark, name: str):
    status, out, _ = tubmark(name, "--help")
    body = plain(out.partition("\n\n")[2].partition("Options:")[0])
    assert status == 0 and "?" in body[:160], body
    assert plain(out).rpartition("Example: ")[2].startswith(f"tubmark {name}")
    assert all(len(line) <= 80 for line in out.splitlines())


@pytest.mark.parametrize("args", [["look"], ["evidence"], ["first-hour"], ["review"]], ids=lambda args: args[0])
def test_every_answer_about_a_car_shows_its_stops_first(stopped: Path, tubmark: Tubmark, args: list[str]):
    status, out, _ = tubmark(*args, "E26-001")
    assert status == 0 and "unsafe to move" in out.splitlines()[1].lower()
    status, out, _ = tubmark(*args, "E26-001", "--json")
    assert json.loads(out)["stops"] == [{"kind": "unsafe to move", "says": "Fuel smell.", "ask": "Ask a mechanic."}]


@pytest.mark.parametrize(
    "args",
    [
        ["look", "E99-001"],
        ["evidence", "E99-001"],
        ["first-hour", "E99-001"],
        ["review", "E99-001"],
        ["sheet", "XX"],
        ["tells", "K99"],
        ["inspect", "E99-001", "K01=p", "--by", "OT"],
    ],
    ids=lambda args: args[0],
)
def test_what_is_not_there_is_no_answer(tubmark: Tubmark, path: Path, args: list[str]):
    before = counts(path)
    status, out, err = tubmark(*args)
    assert (status, out) == (1, "") and err.startswith("Error: There is no ")
    assert counts(path) == before


# inspect


class TestInspect:
    def test_what_was_seen(self, tubmark: Tubmark, path: Path):
        status, out, _ = tubmark(
            "inspect",
            "E26-002",
            "K04=present",
            "k05=a",
            "K07=nv",
            "K10=present~0.3",
            "--by",
            OT,
            "--date",
            "6 Jan 2026",
        )
        assert status == 0
        assert "4 tells of E26-002 recorded, 3 of them findings." in out and "tubmark look E26-002" in out
        with opened(path) as db:
            rows = knowing.observations_of(db, knowing.resolve_car(db, "E26-002")["id"])
        assert [(row["tell"], row["state"], row["doubt"], row["at"]) for row in rows] == [
            ("K04", "present", None, "2026-01-06"), ("K05", "absent", None, "2026-01-06"),
            ("K07", "not visible", None, "2026-01-06"), ("K10", "present", 0.3, "2026-01-06"),
        ]  # fmt: skip

    def test_from_a_filled_sheet(self, tubmark: Tubmark, path: Path):
        """The blank one is written by the program, filled in, and read back in one go."""
        assert tubmark("sheet", "KA", "--out", "sheet.csv")[0] == 0
        sheet = path.parent / "sheet.csv"
        sheet.write_text(sheet.read_text().replace("K04,,", "K04,present,").replace("K07,,", "K07,absent,"))
        status, out, _ = tubmark("inspect", "E26-002", "--file", "sheet.csv", "K05=p", "--by", OT, "--json")
        assert status == 0
        answer = json.loads(out)
        assert (answer["car"], answer["recorded"], answer["findings"], answer["stops"]) == ("E26-002", 3, 3, [])

    @pytest.mark.parametrize(
        ("args", "says"),
        [
            (["K04=present"], "Who looked?"),
            ([], "What was seen?"),
            (["K04"], "K01=present"),
            (["K99=present", "--by", OT], "No sheet on file has a tell K99"),
            (["K04=maybe", "--by", OT], "'maybe' is no state. One of: present, absent, altered"),
            (["K04=present~0.8", "--by", OT], "0 (sure) to 0.5"),
            (["K04=present~x", "--by", OT], "0 (sure) to 0.5"),
            (["K04=present", "K04=absent", "--by", OT], "One state a tell"),
            (["--file", "none.csv", "--by", OT], "'none.csv' cannot be read"),
            (["K04=present", "--by", OT, "--date", "31/02/2026"], "31/02"),
        ],
    )
    def test_wrong_input_saves_nothing(self, tubmark: Tubmark, path: Path, args: list[str], says: str):
        before = counts(path)
        status, out, err = tubmark("inspect", "E26-002", *args)
        assert (status, out) == (2, "") and says in plain(err)
        assert counts(path) == before

    def test_blind(self, tubmark: Tubmark, seen: Path):
        """You two differ on these three."""
        states = ["K01=a", "K02=a", "K03=a", "K04=p", "K05=nv"]
        status, out, err = tubmark("inspect", "E26-001", *states, "--by", "Wim Quillory", "--blind")
        assert status == 0
        assert "without sight of what others found" in plain(out)
        assert "Orla Thrennick and Wim Quillory differ on these three, and agree on 1:" in plain(out)
        assert "K01 tell K01: present and absent" in out and "weighs nothing until somebody looks again" in plain(out)
        status, out, err = tubmark("inspect", "E26-001", "K12=a", "--by", OT, "--blind")
        assert (status, out) == (2, "") and "has looked at this car already" in plain(err)

    def test_two_who_agree(self, tubmark: Tubmark, seen: Path):
        _, out, _ = tubmark("inspect", "E26-001", "K01=p", "K04=p", "--by", "WQ", "--blind")
        assert "agree on all 2 tells" in plain(out)

    def test_a_new_name_is_told(self, tubmark: Tubmark, path: Path):
        status, _, err = tubmark("inspect", "E26-002", "K04=p", "--by", "Orla Trennick")
        assert status == 0 and "Orla Thrennick is on file already" in plain(err)


# look


class TestLook:
    def test_in_the_order_of_doubt_a_minute(self, tubmark: Tubmark, seen: Path):
        status, out, _ = tubmark("look", "E26-002", "--json")
        looks = json.loads(out)["look"]
        assert status == 0 and len(looks) == 9
        rates = [each["gain"] / each["minutes"] for each in looks]
        assert rates == sorted(rates, reverse=True)
        _, out, _ = tubmark("look", "E26-002")
        assert out.index(looks[0]["tell"]) < out.index(looks[1]["tell"]) and "1 more" in out
        assert "Careful: Wet glass cuts." in tubmark("look", "E26-002", "--all")[1]

    def test_blind_asks_who(self, tubmark: Tubmark, seen: Path):
        status, out, err = tubmark("look", "E26-001", "--blind")
        assert (status, out) == (2, "") and "Who looks?" in err
        _, out, _ = tubmark("look", "E26-001", "--blind", "--by", "WQ", "--json")
        assert len(json.loads(out)["look"]) == 9
        _, out, _ = tubmark("look", "E26-001", "--json")
        assert [each["tell"] for each in json.loads(out)["look"]] == ["K12"]

    def test_a_sheet_that_is_not_there(self, tubmark: Tubmark, seen: Path):
        status, out, err = tubmark("look", "E26-001", "--sheet", "Zed")
        assert (status, out) == (1, "") and "Trial body" in err


# evidence


class TestEvidence:
    def test_the_answer(self, tubmark: Tubmark, seen: Path):
        status, out, _ = tubmark("evidence", "E26-001")
        said = plain(out)
        assert status == 0
        assert "Kelderwick: more than 99 in 100." in said
        assert "times more probable if it is Trial body than if it is" in said and "support." in said
        assert "The odds beforehand: the last forty (version 1)." in said
        assert "Carried by:" in said and "No evidence, not examined: K12" in said
        assert all(len(line) <= 80 for line in out.splitlines())

    def test_the_contract(self, tubmark: Tubmark, seen: Path):
        answer = json.loads(tubmark("evidence", "E26-001", "--json")[1])
        assert {"car", "hypotheses", "tells", "strength", "decidable", "stops"} <= set(answer)
        assert sum(each["posterior"] for each in answer["hypotheses"]) == pytest.approx(1, abs=1e-5)
        assert {"none of these", "two bodies joined"} <= {each["name"] for each in answer["hypotheses"]}
        silent = next(each for each in answer["tells"] if each["tell"] == "K12")
        assert silent["state"] == "not examined" and silent["log10_lr"] is None

    def test_why(self, tubmark: Tubmark, seen: Path):
        out = tubmark("evidence", "E26-001", "--why")[1]
        assert "KA 41/46; NC 1/23; OTH 2/40" in out and "What is assumed" in out and "examiner error 0.01" in out

    def test_other_odds_other_pair(self, tubmark: Tubmark, seen: Path):
        args = [
            "evidence",
            "E26-001",
            "--prior",
            "KA=1",
            "--prior",
            "none=0.5",
            "--set-aside",
            "mould",
            "--against",
            "KA",
            "OTH",
            "--errs",
            "0.05",
            "--json",
        ]
        answer = json.loads(tubmark(*args)[1])
        priors = {each["name"]: each["prior"] for each in answer["hypotheses"]}
        assert priors["none of these"] == 0.5 and priors["KA"] < priors["NC"]
        assert {each["note"] for each in answer["tells"] if each["group"] == "mould"} == {"set aside"}
        assert answer["assumptions"]["examiner_error"]["value"] == 0.05

    @pytest.mark.parametrize(
        ("args", "says"),
        [
            (["--prior", "KA"], "Write a series and its weight"),
            (["--prior", "XX=1"], "'XX' is no answer"),
            (["--prior", "KA=-1"], "0 or more"),
            (["--set-aside", "paint"], "'paint' is no group"),
            (["--against", "KA", "KA"], "nothing twice"),
            (["--svg", "weights.txt"], "let it end with .svg"),
            (["--errs", "0.9"], "0.9"),
        ],
    )
    def test_wrong_input(self, tubmark: Tubmark, seen: Path, args: list[str], says: str):
        status, out, err = tubmark("evidence", "E26-001", *args)
        assert (status, out) == (2, "") and says in plain(err)

    def test_nothing_to_say(self, tubmark: Tubmark, path: Path):
        status, out, _ = tubmark("evidence", "E26-002")
        assert status == 1 and "Nothing has been examined" in out and "tubmark look E26-002" in out

    def test_the_picture(self, tubmark: Tubmark, seen: Path):
        """Static SVG with title, description and data; one hollow mark for the one tell that was not examined."""
        status, out, _ = tubmark("evidence", "E26-001", "--svg", "weights.svg")
        assert status == 0 and "Picture: weights.svg" in out
        text = (seen.parent / "weights.svg").read_text()
        root = ET.fromstring(text)
        space = "{http://www.w3.org/2000/svg}"
        assert root.find(f"{space}title").text.startswith("Weights: E26-001, Trial body against ")
        assert "more probable" in root.find(f"{space}desc").text
        assert json.loads(root.find(f"{space}metadata").text)["car"] == "E26-001"
        assert len(root.findall(f"{space}circle")) == 1
        assert "script" not in text and "moderate" in text

    def test_a_group_counts_once(self, tubmark: Tubmark, path: Path):
        """Three marks of one mould come to less than the sum of the three, and it is said."""
        tubmark("inspect", "E26-002", "K01=p", "K02=p", "K03=p", "--by", OT)
        answer = json.loads(tubmark("evidence", "E26-002", "--against", "KA", "NC", "--json")[1])
        (mould,) = [each for each in answer["groups"] if each["group"] == "mould"]
        assert mould["log10_lr"] < mould["apart"]
        assert "each for itself" in plain(tubmark("evidence", "E26-002", "--against", "KA", "NC")[1])


# decide


def test_a_decision_says_what_is_kept_with_it(tubmark: Tubmark, seen: Path):
    args = [
        "decide",
        "E26-001",
        "--opinion",
        "copy taken from a body",
        "--series",
        "NC",
        "--evidence",
        "K04",
        "--reason",
        "a hunch",
        "--by",
        OT,
    ]
    status, out, _ = tubmark(*args)
    assert status == 0
    assert "Kept with it is what the findings bear today: Kelderwick: more than 99 in 100." in plain(out)
    assert "They lead to Trial body; the opinion is the person's own." in plain(out)
    shown = json.loads(tubmark("show", "E26-001", "--json")[1])
    assert shown["decisions"][0]["weighed"]["leading"] == "KA"
    assert tubmark("check-file")[0] == 0


# sheet


class TestSheet:
    def test_the_ways_it_is_written(self, tubmark: Tubmark, path: Path):
        assert tubmark("sheet", "KA")[1].startswith("Examination sheet: Trial body")
        for name, begins in (("s.html", "<!doctype html>"), ("s.csv", "tell,"), ("s.txt", "Examination sheet")):
            for _again in range(2):  # one of ours is replaced
                status, out, _ = tubmark("sheet", "E26-001", "--out", name)
                assert status == 0 and "Trial body, 9 tells" in out
            assert (path.parent / name).read_text().startswith(begins)

    def test_nothing_of_somebodys_is_replaced(self, tubmark: Tubmark, path: Path):
        letter = path.parent / "letter.html"
        letter.write_text("<p>Dear Orla</p>")
        for name in ("letter.html", "sheet.doc", "no-folder/s.html"):
            status, out, err = tubmark("sheet", "KA", "--out", name)
            assert (status, out) == (2, "") and name in err
        assert letter.read_text() == "<p>Dear Orla</p>"


# review


def test_review(tubmark: Tubmark, seen: Path):
    assert (
        tubmark(
            "decide",
            "E26-001",
            "--opinion",
            "maker's series",
            "--series",
            "KA",
            "--evidence",
            "K04",
            "--reason",
            "as seen",
            "--by",
            OT,
        )[0]
        == 0
    )
    status, out, _ = tubmark("review")
    assert status == 0 and "No standing decision hangs on anything that has changed" in plain(out)
    with opened(seen, write=True) as db:
        turned = [tell(code, "lamination", "1/46", "22/23", version=2) for code in ("K04", "K05", "K07", "K10", "K13")]
        store.record_tells(db, turned, at=AT)
    before = counts(seen)
    status, out, _ = tubmark("review")
    said = plain(out)
    assert status == 0 and "Then: Trial body" in said and "Now: " in said
    assert "The findings of today lead elsewhere than the opinion that stands." in said and "K04 (tell K04)" in said
    (one,) = json.loads(tubmark("review", "--json")[1])["review"]
    assert one["matters"] is True and one["then"]["leading"] == "KA" != one["now"]["leading"]
    assert counts(seen) == before


# first-hour


def test_the_first_hour(tubmark: Tubmark, seen: Path):
    status, out, _ = tubmark("first-hour", "E26-001", "--date", "25 Nov 2026")
    assert status == 0 and all(words in out for words in ("2026-11-25", "Known", "Not known", "What comes next"))
    status, out, _ = tubmark("first-hour", "E26-001", "--html", "half.html")
    assert status == 0 and "half.html" in out
    assert (seen.parent / "half.html").read_text().startswith("<!doctype html>")
    assert tubmark("first-hour", "E26-001", "--html", "half.pdf")[0] == 2


# tells


class TestTells:
    def test_listed_and_one(self, tubmark: Tubmark, seen: Path):
        status, out, _ = tubmark("tells")
        assert (
            status == 0
            and "At the gate (version 1): KA 20, NC 15, OTH 5" in out
            and "K04  tell K04 (lamination): KA 41/46" in out
        )
        assert (
            tubmark(
                "decide",
                "E26-001",
                "--opinion",
                "maker's series",
                "--series",
                "KA",
                "--evidence",
                "K04",
                "--reason",
                "x",
                "--by",
                OT,
            )[0]
            == 0
        )
        status, out, _ = tubmark("tells", "k03")
        assert status == 0 and "On KA from KP 0288 on 28/32, before it 0/14." in plain(out)
        (row,) = [line.split() for line in out.splitlines() if line.strip().startswith("KA ")]
        assert row == ["KA", "28/46", "-", "1/1"]

    def test_out_and_in_again_is_the_same(self, tubmark: Tubmark, path: Path):
        assert tubmark("tells", "export", "t.yml")[0] == 0
        before = counts(path)
        status, out, _ = tubmark("tells", "import", "t.yml", "--by", OT)
        assert status == 0 and "As on file already: 9 tells." in out
        assert counts(path) == before

    def test_what_differs_is_a_new_version(self, tubmark: Tubmark, path: Path):
        tubmark("tells", "export", "t.yml")
        file = path.parent / "t.yml"
        text = file.read_text()
        file.write_text(
            text.replace("found: 41/46", "found: 43/48")
            .replace("KA: '20'", "KA: '25'")
            .replace("code: K05", "code: K55")
        )
        before = counts(path)
        status, out, _ = tubmark("tells", "import", "t.yml", "--dry-run")
        assert status == 0 and "Would be in a later version: K04." in out and "Would be new on file: K55." in out
        assert counts(path) == before
        status, out, _ = tubmark("tells", "import", "t.yml", "--by", OT, "--json")
        assert json.loads(out) == {
            "new": ["K55"],
            "changed": ["K04"],
            "odds": ["Trial body"],
            "same": 7,
            "written": True,
        }
        with opened(path) as db:
            kept = knowing.rows(
                db, "SELECT code, version FROM tells WHERE code IN ('K04', 'K05', 'K55') ORDER BY code, version"
            )
        assert [tuple(row.values()) for row in kept] == [("K04", 1), ("K04", 2), ("K05", 1), ("K55", 1)]
        tubmark("tells", "export", "u.yml")
        again = json.loads(tubmark("tells", "import", "u.yml", "--by", OT, "--json")[1])
        assert again["new"] == again["changed"] == again["odds"] == []

    @pytest.mark.parametrize(
        ("change", "says"),
        [
            (("found: 41/46", "found: 50/46"), "50/46 cannot be"),
            (("found: 41/46", "found: most"), 'written as "43/46"'),
            (("series: NC", "series: XX"), "no series XX on file"),
            (("grp", "grp"), None),
            (("minutes: '4'", "minutes: soon"), "'soon' is no number"),
            (("  group: mould", "  colour: red\n      group: mould"), "no field 'colour'"),
            (("code: K05", "code: K04"), "stands in the file twice"),
            (("carries: body", "carries: roof"), "K13"),
            (("sheets:", "pages:"), "no 'sheets'"),
            (("sheets:", "sheets: [:"), "no YAML"),
            (("kind: counted", "kind: felt"), "kind"),
            (("name: tell K05", "name: tell K05\n      name: tell K06"), "stands twice"),
        ],
    )
    def test_a_file_that_cannot_be_used_changes_nothing(
        self, tubmark: Tubmark, path: Path, change: tuple[str, str], says: str | None
    ):
        tubmark("tells", "export", "t.yml")
        file = path.parent / "t.yml"
        file.write_text(file.read_text().replace(*change))
        before = counts(path)
        status, out, err = tubmark("tells", "import", "t.yml", "--by", OT)
        if says is None:  # the unchanged file is taken: the test can tell the two apart
            assert status == 0
            return
        assert (status, out) == (2, "") and says in plain(err) and "t.yml" in err
        assert counts(path) == before

    def test_who_and_which(self, tubmark: Tubmark, path: Path):
        tubmark("tells", "export", "t.yml")
        for args, says in (
            (["import", "t.yml"], "Who puts these"),
            (["export"], "Which file?"),
            (["import", "none.yml", "--by", OT], "cannot be read"),
            (["K04", "t.yml"], "neither export nor import"),
            (["export", "t.txt"], ".yml"),
        ):
            status, out, err = tubmark("tells", *args)
            assert (status, out) == (2, "") and says in plain(err), args
