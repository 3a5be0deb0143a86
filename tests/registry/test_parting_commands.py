"""The commands for what parts company: what will be touched is shown first, and nothing is done without a yes."""

from __future__ import annotations

import json
import shutil
from pathlib import Path

import pytest
from commanding import Tubmark, counts, plain

from registry import knowing
from registry.cli import COMMANDS
from registry.opening import opened

SAMPLE = Path(__file__).resolve().parents[2] / "sample_registry.db"
MERGE = ["merge", "E24-021", "E23-014", "--reason", "One car, painted since.", "--by", "OT"]
SPLIT = ["split", "E24-021", "--reason", "Two after all.", "--by", "OT"]
REPAN = [
    "repan",
    "E26-002",
    "S8",
    "61078",
    "--when",
    "14 Apr 1980",
    "--paper",
    "invoice, pan",
    "--reason",
    "Better.",
    "--by",
    "OT",
]
OFF = ["replate", "E25-012", "--off", "--when", "2025", "--reason", "Sent back.", "--by", "OT"]


@pytest.fixture
def path(tmp_path: Path) -> Path:
    """A copy of the registry of the invented scenario."""
    shutil.copy(SAMPLE, tmp_path / "sample.db")
    return tmp_path / "sample.db"


def name_of(tubmark: Tubmark, *cars: str) -> str:
    """The name of the conflict between these cars."""
    _, out, _ = tubmark("conflicts", cars[0], "--json")
    return next(one["id"] for one in json.loads(out)["conflicts"] if set(one["cars"]) == set(cars))


@pytest.mark.parametrize("name", [name for name, (module, _, _) in COMMANDS.items() if module == "parting"])
def test_help_asks_a_question_and_ends_with_an_example(tubmark: Tubmark, name: str):
    """What the command answers comes first."""
    status, out, _ = tubmark(name, "--help")
    assert 0 == status
    assert "?" in plain(out.partition("\n\n")[2].partition("Options:")[0])[:160]
    assert plain(out).rpartition("Example: ")[2].startswith(f"tubmark {name}")
    assert all(len(line) <= 80 for line in out.splitlines())


# what is asked for first


@pytest.mark.parametrize(("args", "doing"), [(MERGE, "joined"), (REPAN, "changed"), (OFF, "changed")])
def test_without_a_yes_nothing_is_done(tubmark: Tubmark, path: Path, args: list[str], doing: str):
    """What would be touched is told; exit status 3 and no row more."""
    before = counts(path)
    status, out, err = tubmark(*args)
    assert 3 == status and doing in err and "--yes was not given" in err
    assert len(plain(out)) > 100, "nothing was shown"
    assert before == counts(path)


def test_at_a_terminal_it_is_asked(tubmark: Tubmark, path: Path):
    """No does nothing; yes does it."""
    before = counts(path)
    status, _, err = tubmark(*MERGE, typed="n\n")
    assert (3, True) == (status, "Join E24-021 to E23-014?" in err)
    assert before == counts(path)
    status, out, _ = tubmark(*MERGE, typed="y\n")
    assert 0 == status and "E24-021 leads to E23-014 now." in plain(out)
    assert before["events"] + 1 == counts(path)["events"]


def test_a_merge_shows_what_speaks_for_it_and_is_undone(tubmark: Tubmark, path: Path):
    """Both numbers lead to the first; the history tells; and split, both are as they were."""
    shown = {number: tubmark("show", number)[1] for number in ("E23-014", "E24-021")}
    status, out, _ = tubmark(*MERGE, "--yes")
    assert 0 == status
    assert "What speaks for one car" in out and "two spellings of one number" in plain(out)
    assert "What speaks against it" in out and "K04 (lamination)" in plain(out)
    for number in ("E23-014", "e24 21"):
        status, out, _ = tubmark("show", number)
        assert out.startswith("E23-014   also entered as E24-021")
        assert "the same plate in the record of E23-014: KB 2034" in plain(out)
    assert "E24-021 joined to E23-014" in tubmark("history", "E24-021")[1]
    assert "one car already" in tubmark(*MERGE, "--yes")[2]
    status, out, _ = tubmark(*SPLIT, "--yes")
    assert 0 == status and "E24-021 is a car of its own now" in plain(out)
    assert "E24-021 split from E23-014" in tubmark("history", "E23-014")[1]
    assert shown == {number: tubmark("show", number)[1] for number in shown}


def test_with_json_there_is_one_document_and_the_rest_goes_to_standard_error(tubmark: Tubmark):
    """Another program reads it."""
    for args, keys in (
        (MERGE, {"car", "joined", "also", "stops", "reason"}),
        (SPLIT, {"car", "from", "also", "stops", "reason"}),
        (REPAN, {"car", "stops", "pans", "conflicts"}),
        (OFF, {"car", "stops", "plates", "conflicts"}),
    ):
        status, out, err = tubmark(*args, "--yes", "--json")
        assert 0 == status, err
        assert keys == set(json.loads(out)) and plain(err)


def test_another_pan_in_the_words_of_the_terminal(tubmark: Tubmark):
    """The stop that it brings stands before everything else."""
    status, out, _ = tubmark(*REPAN, "--yes")
    assert 0 == status
    told = plain(out)
    assert "Off E26-002 (14 April 1980): the pan S4 00307. It keeps its number and its papers." in told
    assert "This floor was made in April 1968 (model year 1968)." in told
    after = out[out.index("What was on file before") :]
    assert after.index("STOP: title of another thing") < after.index("E26-002: the pan was changed.")
    assert "now S8 61078 (from 14 April 1980 on)" in told and "was S4 00307" in told
    assert "off: S4 00307; on: S8 61078. Better." in plain(tubmark("history", "E26-002")[1])
    assert all(len(line) <= 80 for line in out.splitlines())


def test_a_plate_off_a_body(tubmark: Tubmark):
    """It keeps its number; the body stands without it."""
    status, out, _ = tubmark(*OFF, "--yes")
    assert 0 == status and "No plate is on E25-012 now; its record stands." in plain(out)
    assert "was KB 2145" in plain(out)


# wrong input


@pytest.mark.parametrize(
    ("args", "status", "says"),
    [
        (["merge", "E24-021", "E99-001", "--reason", "x", "--by", "OT"], 1, "no car E99-001"),
        (["merge", "E24-021", "E24-021", "--reason", "x", "--by", "OT"], 2, "one car already"),
        (["merge", "E24-021", "E23-014", "--by", "OT"], 2, "--reason"),
        (["merge", "E24-021", "E23-014", "--reason", "x"], 2, "--by"),
        (["merge", "E24-021", "E23-014", "--reason", "x", "--by", "OT", "--date", "31/02/2026"], 2, "31/02/2026"),
        (["merge", "E24-021"], 2, "Missing argument"),
        (["split", "E24-021", "--reason", "x", "--by", "OT"], 2, "nothing to split"),
        (["split", "E99-001", "--reason", "x", "--by", "OT"], 1, "no car E99-001"),
        (["repan", "E26-002", "--reason", "x", "--by", "OT"], 2, "Which pan is on the car now?"),
        (["repan", "E26-002", "S8 61078", "--off", "--reason", "x", "--by", "OT"], 2, "one of the four"),
        (["repan", "E26-002", "[38", "--reason", "x", "--by", "OT"], 2, "["),
        (["repan", "E26-002", "S8 61078", "--when", "31/02/1980", "--reason", "x", "--by", "OT"], 2, "31/02/1980"),
        (["repan", "E26-002", "S8 61078", "--before", "S4 00001", "--reason", "x", "--by", "OT"], 2, "--present"),
        (["repan", "E26-002", "S8 61078", "--by", "OT"], 2, "--reason"),
        (["repan", "E99-001", "S8 61078", "--reason", "x", "--by", "OT"], 1, "no car E99-001"),
        (["repan", "E26-002", "S4 00307", "--reason", "x", "--by", "OT", "--yes"], 2, "already"),
        (["replate", "E21-003", "--off", "--reason", "x", "--by", "OT", "--yes"], 2, "nothing to take off"),
        (["replate", "E26-002", "--from", "E23-021", "--reason", "x", "--yes"], 2, "--by"),
        (["conflicts", "E99-001"], 1, "no car E99-001"),
        (["conflicts", "settle", "99", "--reason", "x", "--by", "OT"], 1, "no conflict 99"),
        (["conflicts", "settle", "plate:E26-002", "--by", "OT"], 2, "--reason"),
        (["conflicts", "settle", "plate:E26-002", "--reason", "x"], 2, "--by"),
        (["conflicts", "settle", "plate:E26-002", "--reason", "x", "--by", "OT"], 3, "not settled"),
        (["conflicts", "-r", "nowhere.db"], 2, "tubmark new"),
    ],
)
def test_wrong_input_is_a_sentence_and_saves_nothing(
    tubmark: Tubmark, path: Path, args: list[str], status: int, says: str
):
    """What to do about it, and no row more."""
    before = counts(path)
    ended, _, err = tubmark(*args)
    assert (status, True) == (ended, says in plain(err)), err
    assert before == counts(path)


# conflicts


def test_the_open_ones_are_listed_with_what_to_type_next(tubmark: Tubmark):
    """Settled ones with --all; the stops of the cars in them are told."""
    status, out, _ = tubmark("conflicts")
    assert 0 == status
    assert "the same serial twice; the same pan under two cars at one time" in out
    assert "plate:E26-002" in out and "title:E23-009" in out
    assert "KP 0555" not in out and "E23-009 (title of another thing)" in out
    assert "tubmark conflicts E23-014" in out
    assert "KP 0555" in tubmark("conflicts", "--all")[1]
    assert all(len(line) <= 80 for line in out.splitlines())


def test_one_car_with_both_sides(tubmark: Tubmark):
    """The strips one above the other, what each side is asked for, what speaks for and against."""
    status, out, _ = tubmark("conflicts", "E24-021")
    assert 0 == status
    assert "K B 2 0 3 4    E23-014, plate" in out and "K B 2 O 3 4    E24-021, plate" in out
    told = plain(out)
    assert "Open (8 October 2024, Wim Quillory): not known yet: colour and keeper differ." in told
    assert "for The pan number is the same: S8 61077." in told
    assert "against Of 10 tells looked at on both" in told
    assert "Ask from whom it was bought" in told
    assert all(len(line) <= 80 for line in out.splitlines())


def test_a_settled_one_is_told_with_the_name_and_a_stop_comes_first(tubmark: Tubmark):
    """E22-001's as somebody's word; E23-009's below its stop."""
    assert "Settled (20 April 2022, Orla Thrennick): E22-009 has the first and better claim" in plain(
        tubmark("conflicts", "E22-001")[1]
    )
    assert tubmark("conflicts", "E23-009")[1].lstrip("=\n").startswith("STOP: title of another thing.")


def test_a_car_without_any(tubmark: Tubmark):
    """Which is an answer."""
    assert (0, "Nothing on file of E21-003 is in conflict.\n") == tubmark("conflicts", "E21-003")[:2]


@pytest.mark.parametrize("args", [["conflicts", "E24-021", "--json"], ["conflicts", "--json", "E24-021"]])
def test_the_document(tubmark: Tubmark, args: list[str]):
    """Sides, explanations and what to ask for, as fields; stops as in every answer about a car."""
    document = json.loads(tubmark(*args)[1])
    assert {"car", "conflicts", "stops"} == set(document) and "E24-021" == document["car"]
    (one,) = document["conflicts"]
    assert {"id", "kind", "what", "state", "reason", "says", "sides", "explanations", "cars", "key"} <= set(one)
    assert ["E23-014", "E24-021"] == [side["car"] for side in one["sides"]] and all(
        side["ask"] for side in one["sides"]
    )
    assert {"name", "says", "for", "against"} == set(one["explanations"][0])
    assert [{"car", "kind", "says", "ask"}] == [
        set(stop) for stop in json.loads(tubmark("conflicts", "E23-009", "--json")[1])["stops"]
    ]


def test_settling_one(tubmark: Tubmark, path: Path):
    """Shown whole first; then settled by name, and gone from the open ones; not known yet keeps it open and on file."""
    name = name_of(tubmark, "E23-014", "E24-021")
    status, out, err = tubmark("conflicts", "settle", name, "--reason", "One car.", "--by", "TP", "--yes")
    assert 0 == status and f"Conflict {name}: the same serial twice" in plain(err)
    assert "is settled: One car." in plain(out)
    assert "E24-021" not in tubmark("conflicts")[1]
    args = ["conflicts", "settle", "plate:E26-002", "--by", "TP", "--yes"]
    status, out, _ = tubmark(*args, "--reason", "not known yet", "--json")
    kept = json.loads(out)["conflict"]
    assert (0, "open", "not known yet", True) == (status, kept["state"], kept["reason"], kept["on_file"])
    with opened(path) as db:
        assert [("open", "not known yet")] == [
            (row["state"], row["reason"])
            for row in knowing.rows(db, "SELECT * FROM conflicts WHERE kind LIKE 'a plate on%'")
        ]
    assert kept["id"] in tubmark("conflicts")[1]


def test_none_open(tubmark: Tubmark, path: Path, tmp_path: Path):
    """An empty list says so."""
    from registry.opening import create_registry

    create_registry(tmp_path / "new.db", name="New", origin="new")
    assert (0, "No conflict is open.\n") == tubmark("conflicts", "-r", str(tmp_path / "new.db"))[:2]
