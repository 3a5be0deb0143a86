"""The commands about when and how many, as a person runs them: sentences, one JSON document, exit statuses, nothing half done."""

from __future__ import annotations

import json
from pathlib import Path

import pytest
from commanding import Tubmark, counts, plain
from furnishing import AT, furnish

from registry import knowing, store
from registry.cli import COMMANDS
from registry.models import EntryIn, ListIn, ListNumberIn, ReadingIn, SeriesIn, check
from registry.opening import create_registry, opened

PAPER = (
    "--about",
    "body_moulded",
    "--when",
    "21 May 1966",
    "--relation",
    "not after",
    "--kind",
    "receipt",
    "--source",
    "family",
)


@pytest.fixture
def path(tmp_path: Path) -> Path:
    """A closed registry: two cars, a series with three dated bodies, and a list with more."""
    made = create_registry(tmp_path / "try.db", name="Try list", origin="try", keeper="Orla Thrennick", at=AT, uid="0")
    with opened(made, write=True) as db:
        furnish(db)
        store.record_series(
            db, check(SeriesIn, id="KP", name="Trial body", kind="maker", serial_family="try-body"), at=AT, uid="s"
        )
        first = (
            check(ReadingIn, stamped_on="pan", as_typed="S8 00100"),
            check(ReadingIn, stamped_on="title", as_typed="S8 00010"),
        )
        store.record_entry(
            db, check(EntryIn, number="E26-001", entry_date="2026-01-05", readings=first), at=AT, uid="1"
        )
        store.record_entry(db, check(EntryIn, number="E26-002", entry_date="2026-01-05"), at=AT, uid="2")
        store.record_list(db, check(ListIn, name="First"), at=AT, uid="l1")
        store.record_list(db, check(ListIn, name="Second"), at=AT, uid="l2")
        store.record_list(db, check(ListIn, name="Papers"), at=AT, uid="l3")
        for name, numbers in (("First", range(101, 341, 20)), ("Second", range(101, 401, 30))):
            rows = [check(ListNumberIn, list=name, as_typed=f"KP {number:04d}", series="KP") for number in numbers]
            store.record_list_numbers(db, rows, at=AT, uid=f"n{name}")
        dated = [(f"KP {100 + 100 * n:04d}", f"dated {1965 + n} (receipt)") for n in range(1, 4)]
        rows = [check(ListNumberIn, list="Papers", as_typed=typed, series="KP", note=note) for typed, note in dated]
        store.record_list_numbers(db, rows, at=AT, uid="nP")
    return made


# Help


@pytest.mark.parametrize("name", [name for name, (module, _, _) in COMMANDS.items() if module == "dating"])
def test_help_asks_a_question_and_ends_with_an_example(tubmark: Tubmark, name: str):
    status, out, _ = tubmark(name, "--help")
    assert 0 == status
    body = plain(out.partition("\n\n")[2].partition("Options:")[0])
    assert "?" in body[:160], body
    assert plain(out).rpartition("Example: ")[2].startswith(f"tubmark {name}")
    assert all(len(line) <= 80 for line in out.splitlines())


def test_the_commands_are_loaded_when_they_are_called():
    """They stand in the list of commands, so that 'tubmark --help' names them without loading them."""
    assert {"date", "statement", "datemark", "curve", "survivors"} <= set(COMMANDS)


# date


def test_date_says_the_answer_first_and_stays_within_eighty_columns(tubmark: Tubmark):
    status, out, err = tubmark("date", "E26-001")
    assert (0, "") == (status, err)
    lines = out.splitlines()
    assert "E26-001" == lines[0]
    assert "The pan was made between September 1967 and August 1968." in plain(out)
    assert all(len(line) <= 80 for line in lines)


def test_date_shows_the_titles_number_under_the_pans(tubmark: Tubmark):
    """Transposed figures stand under each other with carets."""
    _, out, _ = tubmark("date", "E26-001")
    assert "    S 8 0 0 1 0 0    on the pan\n    S 8 0 0 0 1 0    on the title\n            ^ ^\n" in out


def test_date_puts_the_stop_first(tubmark: Tubmark, path: Path):
    with opened(path, write=True) as db:
        store.record_reading(
            db, check(ReadingIn, stamped_on="pan", as_typed="S8 00100", car="E26-002", surface="ground")
        )
    status, out, _ = tubmark("date", "E26-002")
    assert 0 == status
    assert out.startswith("=====") and "STOP: number looks altered." in out.splitlines()[1]
    assert "nobody says" in out


def test_date_gives_one_json_document_on_standard_output(tubmark: Tubmark):
    status, out, _ = tubmark("date", "E26-001", "--json")
    found = json.loads(out)
    assert 0 == status
    assert {"car", "events", "conflicts", "stops"} <= set(found)
    assert {"edtf": "1967-09/1968-08", "earliest": "1967-09-01", "latest": "1968-08-31"}.items() <= found["events"][
        "pan_made"
    ].items()


def test_date_without_anything_to_go_by_is_no_answer(tubmark: Tubmark):
    status, out, _ = tubmark("date", "E26-002")
    assert 1 == status
    assert "Nothing on file gives a date" in out and "tubmark statement add E26-002" in plain(out)


def test_date_of_a_car_that_is_not_there_is_no_answer(tubmark: Tubmark):
    status, out, err = tubmark("date", "E99-001")
    assert (1, "") == (status, out)
    assert "There is no car E99-001" in err


def test_date_by_rules_that_run_in_a_circle_is_wrong_input(tubmark: Tubmark, tmp_path: Path):
    rules = tmp_path / "rules.yml"
    rules.write_text("rules: [{before: assembled, then: body_moulded, says: x}]", encoding="utf-8")
    status, out, err = tubmark("date", "E26-001", "--rules", str(rules))
    assert (2, "") == (status, out)
    assert "run in a circle" in err and "Traceback" not in err


@pytest.mark.parametrize("text", ["[", "events: word"])
def test_date_by_a_file_that_holds_no_rules_is_wrong_input(tubmark: Tubmark, tmp_path: Path, text: str):
    rules = tmp_path / "rules.yml"
    rules.write_text(text, encoding="utf-8")
    status, _, err = tubmark("date", "E26-001", "--rules", str(rules))
    assert 2 == status and "rules.yml" in err


def test_date_by_rules_that_are_not_there_is_wrong_input(tubmark: Tubmark, tmp_path: Path):
    status, _, err = tubmark("date", "E26-001", "--rules", str(tmp_path / "none.yml"))
    assert 2 == status and "cannot be read" in err


# Pictures


@pytest.mark.parametrize("command", [("date", "E26-001"), ("curve", "KP"), ("survivors", "KP")])
def test_a_picture_goes_to_its_file_and_the_answer_is_printed_as_well(
    tubmark: Tubmark, tmp_path: Path, command: tuple[str, str]
):
    picture = tmp_path / "picture.svg"
    status, out, _ = tubmark(*command, "--svg", str(picture))
    assert 0 == status
    assert picture.read_text(encoding="utf-8").startswith("<svg")
    assert "Picture: " in out and len(out) > 200
    assert [] == list(tmp_path.glob(".*part*"))
    # Drawn again it takes the place of the picture before.
    assert 0 == tubmark(*command, "--svg", str(picture))[0]


@pytest.mark.parametrize("command", [("date", "E26-001"), ("curve", "KP"), ("survivors", "KP")])
def test_with_json_the_picture_is_told_on_standard_error(tubmark: Tubmark, tmp_path: Path, command: tuple[str, str]):
    _, out, err = tubmark(*command, "--json", "--svg", str(tmp_path / "picture.svg"))
    assert isinstance(json.loads(out), dict)
    assert "Picture: " in err


def test_a_picture_never_takes_the_place_of_something_else(tubmark: Tubmark, tmp_path: Path, path: Path):
    before = path.read_bytes()
    assert 2 == tubmark("date", "E26-001", "--svg", str(path))[0]
    other = tmp_path / "letter.svg"
    other.write_text("Dear Sir", encoding="utf-8")
    status, out, err = tubmark("date", "E26-001", "--svg", str(other))
    assert (2, "") == (status, out) and "Name another file" in err
    assert ("Dear Sir", before) == (other.read_text(encoding="utf-8"), path.read_bytes())
    assert 2 == tubmark("date", "E26-001", "--svg", str(tmp_path / "none" / "a.svg"))[0]


def test_nothing_to_draw_is_said_and_no_file_is_made(tubmark: Tubmark, tmp_path: Path):
    status, _, err = tubmark("date", "E26-002", "--svg", str(tmp_path / "picture.svg"))
    assert 1 == status and "nothing to draw" in err
    assert not (tmp_path / "picture.svg").exists()


# statement add


def test_a_paper_is_kept_and_what_it_does_is_said(tubmark: Tubmark, path: Path):
    status, out, _ = tubmark("statement", "add", "E26-001", *PAPER, "--seen", "original", "--by", "Orla Thrennick")
    assert 0 == status
    assert "Kept as statement 1 of E26-001: body moulded not after 21 May 1966." in plain(out)
    with opened(path) as db:
        (row,) = knowing.rows(db, "SELECT * FROM statements")
        (event,) = knowing.rows(db, "SELECT * FROM events WHERE action = 'statement'")
    kept = {key: row[key] for key in ("about", "relation", "as_written", "edtf", "latest", "kind", "source", "seen")}
    assert kept == {
        "about": "body_moulded", "relation": "not after", "as_written": "21 May 1966", "edtf": "1966-05-21", "latest": "1966-05-21",
        "kind": "receipt", "source": "family", "seen": "original",
    }  # fmt: skip
    assert event["id"] == row["event"] and event["by_person"] == row["by_person"]


def test_a_paper_that_clashes_is_kept_and_the_clash_is_said(tubmark: Tubmark, path: Path):
    """Nobody is overruled: the paper is on file, and what would settle it is asked."""
    paper = ("--about", "assembled", "--when", "1960", "--relation", "not after", "--kind", "slip")
    status, out, _ = tubmark("statement", "add", "E26-001", *paper)
    assert 0 == status
    assert "It does not add up" in out and "second invoice" in plain(out)
    assert 1 == counts(path)["statements"]


@pytest.mark.parametrize(
    ("order", "edtf"),
    [((), "[1966-03-04,1966-04-03]"), (("--day-first",), "1966-03-04"), (("--month-first",), "1966-04-03")],
)
def test_figures_are_both_days_until_somebody_knows_the_order(tubmark: Tubmark, order: tuple[str, ...], edtf: str):
    paper = ("--about", "body_moulded", "--when", "04/03/66", "--relation", "not after", "--kind", "receipt")
    status, out, _ = tubmark("statement", "add", "E26-001", *paper, *order, "--json")
    assert (0, edtf) == (status, json.loads(out)["edtf"])


@pytest.mark.parametrize(
    ("changed", "sentence"),
    [
        (("--when", "31/02"), "is not a day"),
        (("--when", "30 February 1966"), "is not a day"),
        (("--when", "soon"), "cannot be read as a date"),
        (("--when", "2999"), "after"),
        (("--about", "body_mould"), "Did you mean body_moulded?"),
        (("--relation", "not before", "--when", "before 1966"), "bounds nothing"),
        (("--relation", "perhaps"), "perhaps"),
        (("--nature", "rumour"), "rumour"),
    ],
)
def test_what_cannot_be_is_refused_with_a_sentence_and_nothing_is_written(
    tubmark: Tubmark, path: Path, changed: tuple[str, ...], sentence: str
):
    """An impossible date, an unknown event: status 2, and the registry is as it was."""
    before = counts(path)
    status, out, err = tubmark("statement", "add", "E26-001", *PAPER, *changed)
    assert (2, "") == (status, out)
    assert sentence in plain(err) and "Traceback" not in err
    assert before == counts(path)


def test_a_statement_needs_an_event_a_date_and_a_kind(tubmark: Tubmark, path: Path):
    before = counts(path)
    status, _, err = tubmark("statement", "add", "E26-001", "--about", "seen")
    assert 2 == status and "Missing option" in err
    assert before == counts(path)


def test_a_slip_of_the_pen_is_put_right_and_stays_on_file(tubmark: Tubmark, path: Path):
    tubmark("statement", "add", "E26-001", *PAPER)
    status, _, _ = tubmark("statement", "add", "E26-001", *PAPER, "--when", "21 May 1968", "--slip-of", "1")
    assert 0 == status
    found = json.loads(tubmark("date", "E26-001", "--json")[1])
    assert "1968-05-21" == found["events"]["body_moulded"]["latest"]
    assert 2 == counts(path)["statements"]


def test_the_slip_of_another_car_is_not_put_right_here(tubmark: Tubmark, path: Path):
    tubmark("statement", "add", "E26-001", *PAPER)
    status, _, err = tubmark("statement", "add", "E26-002", *PAPER, "--slip-of", "1")
    assert 1 == status and "has no statement 1" in err
    assert 1 == counts(path)["statements"]


def test_a_users_own_event_is_kept_and_dated(tubmark: Tubmark, tmp_path: Path):
    rules = tmp_path / "rules.yml"
    rules.write_text(
        "events: [{name: painted, title: Painted, says: the body was painted}]\n"
        "rules: [{before: body_moulded, then: painted, says: a body is moulded before it is painted}]\n",
        encoding="utf-8",
    )
    paper = ("--about", "painted", "--when", "1966", "--relation", "equals", "--kind", "invoice", "--rules", str(rules))
    assert 0 == tubmark("statement", "add", "E26-001", *paper)[0]
    found = json.loads(tubmark("date", "E26-001", "--json", "--rules", str(rules))[1])
    assert ("1966", "../1966") == (found["events"]["painted"]["edtf"], found["events"]["body_moulded"]["edtf"])
    without = json.loads(tubmark("date", "E26-001", "--json")[1])
    assert "painted" not in without["events"] and "--rules" in without["problems"][0]


# datemark


def test_a_mark_dates_the_part_and_never_the_car(tubmark: Tubmark):
    status, out, _ = tubmark("datemark", "DOT", "U2LL", "LMLR", "0109")
    assert 0 == status
    assert "4 January 2009" in out and "never the car's" in out and "Source: " in out
    assert all(len(line) <= 80 for line in out.splitlines())


def test_a_mark_as_json_has_the_contracts_fields(tubmark: Tubmark):
    found = json.loads(tubmark("datemark", "DOT U2LL LMLR 0109", "--json")[1])
    assert {"mark", "readings"} <= set(found)
    assert {"kind", "edtf", "earliest", "latest", "facts", "sources"} <= set(found["readings"][0])


def test_a_part_that_was_there_on_a_day_is_not_of_after_it(tubmark: Tubmark):
    everything = json.loads(tubmark("datemark", "DOT 4B9H L2K 031", "--json")[1])["readings"]
    before = json.loads(tubmark("datemark", "DOT 4B9H L2K 031", "--by", "1985", "--json")[1])["readings"]
    assert (3, 2) == (len(everything), len(before))


@pytest.mark.parametrize(("mark", "expected"), [(("ZZZ",), 1), ((), 2), (("",), 2), (("DOT 031", "--by", "31/02"), 2)])
def test_a_mark_that_says_nothing_is_no_answer_and_none_at_all_is_wrong_input(
    tubmark: Tubmark, mark: tuple[str, ...], expected: int
):
    status, _, err = tubmark("datemark", *mark)
    assert expected == status
    assert "Traceback" not in err


# curve


def test_a_curve_answers_for_a_serial_with_what_it_hangs_on(tubmark: Tubmark):
    status, out, _ = tubmark("curve", "kp", "--number", "250", "--number", "KP 0350")
    assert 0 == status
    assert "Number 250 was made between 1966 and 1967 (learnt from 3 cars)." in plain(out)
    assert "Number 350 was made between 1967 and 1968" in plain(out)
    assert "hangs on" in out


def test_a_curve_without_a_question_shows_itself(tubmark: Tubmark):
    status, out, _ = tubmark("curve", "KP")
    assert 0 == status and "serial" in out and "300" in out
    assert all(len(line) <= 80 for line in out.splitlines())


def test_a_curve_as_json(tubmark: Tubmark):
    found = json.loads(tubmark("curve", "KP", "--number", "250", "--json")[1])
    assert ("KP", "1966/1967") == (found["series"], found["asked"][0]["edtf"])


def test_a_curve_with_two_cars_is_no_answer(tubmark: Tubmark, path: Path):
    """Status 1 and a sentence; nothing is written."""
    with opened(path, write=True) as db:
        store.record_series(db, check(SeriesIn, id="K2", name="Other body", kind="maker"), at=AT, uid="s2")
        rows = [check(ListNumberIn, list="Papers", as_typed=f"{n}", series="K2", note=f"dated 196{n}") for n in (5, 6)]
        store.record_list_numbers(db, rows, at=AT, uid="nQ")
    before = counts(path)
    status, out, _ = tubmark("curve", "K2")
    assert 1 == status
    assert "Two dated cars are known; a curve needs three at least." in plain(out)
    assert before == counts(path)


def test_a_serial_that_is_none_is_wrong_input(tubmark: Tubmark):
    status, out, err = tubmark("curve", "KP", "--number", "KP 0[17]00")
    assert (2, "") == (status, out) and "not one number" in err


@pytest.mark.parametrize("command", ["curve", "survivors"])
def test_a_series_that_is_not_there_is_no_answer(tubmark: Tubmark, command: str):
    status, out, err = tubmark(command, "XX")
    assert (1, "") == (status, out) and "There is no series XX" in err


# survivors


def test_survivors_say_made_and_left_with_ranges_and_their_doubt(tubmark: Tubmark):
    status, out, _ = tubmark("survivors", "KP", "--list", "First", "--list", "Second")
    assert 0 == status
    assert (
        "were made: at least" in plain(out) and "are living: between" in plain(out) and "not independent" in plain(out)
    )
    assert "Chao" not in out
    why = tubmark("survivors", "KP", "--list", "First", "--list", "Second", "--why")[1]
    assert "Chao" in why and "Lincoln-Petersen" in why and all(len(line) <= 80 for line in why.splitlines())


def test_survivors_as_json_have_the_contracts_fields(tubmark: Tubmark):
    found = json.loads(tubmark("survivors", "KP", "--json")[1])
    assert {"estimate", "low", "high", "method"} <= set(found["made"])
    assert {"estimate", "low", "high", "method"} <= set(found["surviving"])


def test_lists_without_overlap_are_no_answer(tubmark: Tubmark, path: Path):
    with opened(path, write=True) as db:
        store.record_list(db, check(ListIn, name="Third"), at=AT, uid="l4")
        rows = [
            check(ListNumberIn, list="Third", as_typed=f"KP {number:04d}", series="KP") for number in range(500, 512)
        ]
        store.record_list_numbers(db, rows, at=AT, uid="nT")
    before = counts(path)
    status, out, _ = tubmark("survivors", "KP", "--list", "First", "--list", "Third")
    assert 1 == status and "share no car" in plain(out)
    assert before == counts(path)


def test_a_list_that_is_not_there_is_no_answer(tubmark: Tubmark):
    status, _, err = tubmark("survivors", "KP", "--list", "Fourth")
    assert 1 == status and "There is no list 'Fourth'" in err
