"""The commands as a person runs them: exit statuses, sentences, one JSON document, nothing saved that was not agreed to."""

from __future__ import annotations

import json
from pathlib import Path
from typing import Any

import pytest
from commanding import Tubmark, counts, plain
from furnishing import AT, furnish

from registry import knowing, store
from registry.cli import COMMANDS
from registry.models import ObservationIn, check
from registry.opening import create_registry, open_registry, opened

BEGIN = ["intake", "--who", "Ann Vane", "--why", "consign", "--claim", "Dad built it.", "--date", "2026-01-05"]


@pytest.fixture
def path(tmp_path: Path) -> Path:
    """A closed registry with tables, series and tells."""
    made = create_registry(tmp_path / "try.db", name="Try list", origin="try", keeper="Orla Thrennick", at=AT, uid="0")
    with opened(made, write=True) as db:
        furnish(db)
    return made


# Help


@pytest.mark.parametrize("name", [name for name, (module, _, _) in COMMANDS.items() if module == "keeping"])
def test_help_asks_a_question_and_ends_with_an_example_in_quotes(tubmark: Tubmark, name: str):
    """The question that the command answers comes first; the example at the end runs as it stands, in quotes where needed."""
    status, out, _ = tubmark(name, "--help")
    assert status == 0
    body = plain(out.partition("\n\n")[2].partition("Options:")[0])
    assert "?" in body.split(". ")[0] or "?" in body[:160], body
    example = plain(out).rpartition("Example: ")[2]
    assert example.startswith(f"tubmark {name}")
    assert all(len(line) <= 80 for line in out.splitlines())


# new


def test_a_new_registry(tubmark: Tubmark, tmp_path: Path):
    """Made at a path of its own; one that is there is never replaced."""
    status, out, _ = tubmark("new", str(tmp_path / "loft.db"), "--name", "Loft Book", "--keeper", "Teodor Pascowe")
    assert (status, "loft.db is ready" in out) == (0, True)
    before = (tmp_path / "loft.db").read_bytes()
    status, out, err = tubmark("new", str(tmp_path / "loft.db"))
    assert (status, out) == (2, "") and "never replaces" in err
    assert before == (tmp_path / "loft.db").read_bytes()


def test_a_registry_that_is_not_there_is_said_with_what_to_do(tubmark: Tubmark, tmp_path: Path):
    """Every command that needs one says how to make one."""
    for args in (["show", "E26-001"], ["find", "KP 0147"], ["intake"], ["history", "E26-001"], ["backup", "x"]):
        status, out, err = tubmark(*args, "-r", str(tmp_path / "none.db"))
        assert (status, out) == (2, "") and "tubmark new" in err


# intake


def test_three_answers_begin_an_entry(tubmark: Tubmark, path: Path):
    """Who, why and the claim are enough; it says what is still blank and how to go on."""
    status, out, _ = tubmark(*BEGIN)
    assert status == 0
    assert "Saved as E26-001." in out
    assert "Still blank: by what right, condition at the door, contents, terms" in plain(out)
    assert "tubmark intake E26-001 --finish" in out and "tubmark receipt E26-001" in out


def test_without_a_terminal_a_missing_answer_is_named(tubmark: Tubmark, path: Path):
    """Nothing is asked of a pipe, and nothing is saved."""
    before = counts(path)
    status, out, err = tubmark("intake", "--who", "Ann Vane")
    assert (status, out) == (2, "")
    assert "Missing: --why, --claim." in err
    assert before == counts(path)


def test_at_a_terminal_it_asks_for_what_is_missing(tubmark: Tubmark, path: Path):
    """Who is given; why and the claim are asked for."""
    status, _out, err = tubmark("intake", "--who", "Ann Vane", typed="consign\nDad built it.\n")
    assert status == 0
    assert "Why is it here?" in err and "in their own words?" in err
    with opened(path) as db:
        (entry,) = knowing.rows(db, "SELECT * FROM entries")
    assert (entry["reason"], entry["claim_words"]) == ("consign", "Dad built it.")


@pytest.mark.parametrize("day", ["31/02", "31/02/2026", "2026-02-31", "soon", "04/03/26", "2026"])
def test_a_day_that_cannot_be_or_could_be_two_is_refused(tubmark: Tubmark, path: Path, day: str):
    """A sentence, what to write instead, and nothing saved."""
    before = counts(path)
    status, out, err = tubmark(*BEGIN[:-1], day)
    assert (status, out) == (2, "")
    assert day in err and ("about 1966" in err or "2026-11-25" in err)
    assert "Traceback" not in err
    assert before == counts(path)


def test_the_numbers_are_decoded_and_looked_up_before_anything_is_saved(tubmark: Tubmark, path: Path):
    """One character from a car on file: shown with the place marked, not saved without a yes."""
    tubmark(*BEGIN, "--body", "KP 0234")
    before = counts(path)
    status, out, err = tubmark(*BEGIN, "--pan", "S8 61077", "--body", "KP 0235")
    assert status == 3
    assert "between September 1967 and August 1968 (model year 1968)" in plain(out)
    assert "E26-001 has the body number KP 0234. One character differs" in plain(out)
    _one, _two, carets = (
        out[out.index("as you read it") :].splitlines()[0],
        *out[out.index("E26-001, body") :].splitlines()[0:2],
    )
    assert carets.strip() == "^"
    assert "Nothing was saved" in err and "--car E26-001" in err and "--yes" in err
    assert before == counts(path)
    status, out, _ = tubmark(*BEGIN, "--pan", "S8 61077", "--body", "KP 0235", "--yes")
    assert (status, "Saved as E26-002." in out) == (0, True)


def test_a_theft_report_one_character_away_is_shown_above_everything(tubmark: Tubmark, path: Path):
    """The stop comes first, accuses nobody, and the entry is not saved without a yes, a reason alone not being one."""
    assert tubmark("theft", "KP 0238", "--source", "Loft Book", "--reported", "2009", "--on", "body")[0] == 0
    before = counts(path)
    args = [*BEGIN, "--body", "KP 0233", "--reason", "not known yet"]
    status, out, _err = tubmark(*args)
    assert status == 3
    assert out.startswith("=" * 78 + "\nSTOP: near a theft report.")
    assert before == counts(path)
    status, out, _ = tubmark(*args, "--yes")
    assert (status, "The stops on it: near a theft report." in plain(out)) == (0, True)
    for word in ("stole ", "thief", "fraud", "crime"):
        assert word not in out.casefold()
    status, out, _ = tubmark("show", "E26-001")
    assert (status, out.startswith("=" * 78 + "\nSTOP: near a theft report.")) == (0, True)


def test_two_cars_that_claim_one_number_need_a_reason(tubmark: Tubmark, path: Path):
    """Without a yes or a reason nothing is saved; with one both are kept and flagged."""
    tubmark(*BEGIN, "--plate", "KP 0555")
    assert tubmark(*BEGIN, "--plate", "555 KP")[0] == 3
    status, out, _ = tubmark(*BEGIN, "--plate", "555 KP", "--reason", "not known yet")
    assert status == 0
    assert "Conflict kept: The plate number 555 KP is claimed by this car and by E26-001. Why: not known yet." in plain(
        out
    )
    for number in ("E26-001", "E26-002"):
        assert "Conflict: The plate number 555 KP" in plain(tubmark("show", number)[1])


def test_a_car_that_comes_back_is_a_second_entry(tubmark: Tubmark, path: Path):
    """Said with --car, or typed at the terminal when the earlier entry is shown."""
    tubmark(*BEGIN, "--body", "KP 0234")
    status, out, _ = tubmark(*BEGIN, "--body", "KP O234", "--car", "E26-001")
    assert (status, "Saved as E26-002, one more visit of E26-001." in out) == (0, True)
    status, out, err = tubmark(*BEGIN, "--body", "KP 0234", typed="E26-001\n")
    assert "Is this one of E26-001 come back?" in err
    assert (status, "Saved as E26-003, one more visit of E26-001." in out) == (0, True)
    assert counts(path)["cars"] == 1


def test_another_car_with_the_number_typed_at_the_terminal(tubmark: Tubmark, path: Path):
    """Enter says it is another car; the reason is asked, and 'not known yet' is one."""
    tubmark(*BEGIN, "--body", "KP 0234")
    status, out, err = tubmark(*BEGIN, "--body", "KP 0234", typed="\n\n")
    assert status == 0
    assert "Why do two cars claim this number?" in err
    assert "Why: not known yet." in plain(out)


def test_a_no_at_the_terminal_saves_nothing(tubmark: Tubmark, path: Path):
    """Near another car, Enter, and then no."""
    tubmark(*BEGIN, "--body", "KP 0234")
    before = counts(path)
    status, _out, err = tubmark(*BEGIN, "--body", "KP 0235", typed="\nn\n")
    assert (status, "Nothing was saved." in err) == (3, True)
    assert before == counts(path)


def test_an_altered_surface_stops_and_dates_nothing(tubmark: Tubmark, path: Path):
    """The reading is kept; no date is offered; the sheet says what not to do and whom to ask."""
    status, out, _ = tubmark(*BEGIN, "--pan", "S9 30418", "--surface", "ground")
    assert status == 0 and out.startswith("=" * 78 + "\nSTOP: number looks altered.")
    assert "model year" not in out and "1969" not in out
    shown = plain(tubmark("show", "E26-001")[1])
    assert "Nothing is dated from this number while its surface looks altered." in shown
    assert "Do not clean, sand, polish or etch it, do not buy or sell on it" in shown
    assert "S9 30418" in shown and "model year 1969" not in shown


def test_from_which_side_a_number_was_read_is_kept(tubmark: Tubmark, path: Path):
    """A body's number that can be read from both sides: the direction stands with the reading."""
    assert tubmark(*BEGIN, "--body", "KP 0199", "--direction", "turned")[0] == 0
    with opened(path) as db:
        assert [row["direction"] for row in knowing.rows(db, "SELECT direction FROM readings")] == ["turned"]
    assert tubmark(*BEGIN, "--body", "KP 0199", "--direction", "sideways")[0] == 2
    assert tubmark("show", "E26-001")[0] == 0


def test_junk_is_wrong_input(tubmark: Tubmark, path: Path):
    """A sentence and status 2, nothing saved."""
    before = counts(path)
    status, _, err = tubmark(*BEGIN, "--pan", "'; DROP TABLE cars")
    assert status == 2 and "which no number has" in err and "Traceback" not in err
    assert before == counts(path)


def test_an_unsafe_car_is_stopped_by_a_person(tubmark: Tubmark, path: Path):
    """Without a name no stop is put on, and the entry is not saved without it either."""
    before = counts(path)
    args = [*BEGIN, "--not-to-drive", "Cracked weld at the tunnel"]
    status, _, err = tubmark(*args)
    assert (status, "--by NAME" in err) == (2, True)
    assert before == counts(path)
    status, out, _ = tubmark(*args, "--by", "Orla Thrennick")
    assert status == 0 and out.startswith(
        "=" * 78 + "\nSTOP: unsafe to drive.\nCracked weld at the tunnel. Do not drive it"
    )
    assert "Cracked weld" in tubmark("receipt", "E26-001")[1]


def test_the_same_name_is_taken_for_the_same_person_and_said(tubmark: Tubmark, path: Path):
    """Who left it before is shown; --another-person, or another town, is somebody else."""
    tubmark(*BEGIN, "--town", "Lowmere")
    assert "Ann Vane of Lowmere, who left E26-001, is on file" in plain(tubmark(*BEGIN)[1])
    assert "somebody else" in plain(tubmark(*BEGIN, "--town", "Cask Point")[1])
    status, _, err = tubmark(*BEGIN)
    assert (status, "Several people of that name" in err) == (2, True)
    assert tubmark(*BEGIN, "--another-person")[0] == 0


def test_an_entry_is_finished_later(tubmark: Tubmark, path: Path):
    """By options, or asked for at a terminal, where Enter leaves a blank."""
    tubmark(*BEGIN)
    status, out, _ = tubmark("intake", "E26-001", "--finish", "--terms", "30 days", "--pan", "S8 61077")
    assert (status, "Still blank: by what right, condition at the door, contents" in plain(out)) == (0, True)
    status, out, err = tubmark("intake", "e26-001", "--finish", typed="owner\n3\n\n1 March 2026\n")
    assert status == 0 and "On what terms?" not in err
    with opened(path) as db:
        entry = knowing.entry_row(db, "E26-001")
        assert [thing["kind"] for thing in knowing.things_on(db, 1)] == ["pan"]
    assert tuple(entry[key] for key in ("by_right", "condition", "contents", "terms", "until")) == (
        "owner",
        "3",
        None,
        "30 days",
        "2026-03-01",
    )
    assert tubmark("intake", "E26-001")[0] == 2
    assert tubmark("intake", "--finish")[0] == 2
    assert tubmark("intake", "E26-099", "--finish", "--terms", "x")[0] == 1


def test_intake_as_one_document(tubmark: Tubmark, path: Path):
    """One JSON document on standard output, what is said on the way on standard error."""
    tubmark(*BEGIN, "--plate", "KP 0555")
    status, out, err = tubmark(*BEGIN, "--pan", "S8 61077", "--plate", "KP 0555", "--yes", "--json")
    document = json.loads(out)
    assert (status, document["entry"], document["car"], document["stops"]) == (0, "E26-002", "E26-002", [])
    assert [conflict["with"] for conflict in document["conflicts"]] == ["E26-001"]
    assert [number["on"] for number in document["numbers"]] == ["pan", "plate"]
    assert document["numbers"][0]["decode"]["decodings"][0]["family"] == "try-pan"
    assert document["numbers"][1]["near"][0]["how"] == "exact"
    assert "model year 1968" in plain(err)


def test_a_name_that_is_put_on_file_is_said(tubmark: Tubmark, path: Path):
    """A slip in the name of who signs would look like somebody else; a number that nobody has is refused."""
    status, _, err = tubmark(*BEGIN, "--by", "Orla Threnick")
    assert status == 0
    assert "Nobody called Orla Threnick was on file" in err and "Orla Thrennick is on file already" in plain(err)
    assert "was on file" not in tubmark(*BEGIN, "--by", "orla thrennick")[2]
    before = counts(path)
    assert tubmark(*BEGIN, "--by", "99")[0] == 1
    assert tubmark("intake", "--who", "99", "--why", "x", "--claim", "y")[0] == 1
    assert before == counts(path)


# receipt, find, show, history


def test_a_receipt_and_a_receipt_that_was_handed_over(tubmark: Tubmark, path: Path):
    """Printing one changes nothing; handing it over is recorded."""
    tubmark(*BEGIN)
    before = counts(path)
    status, out, _ = tubmark("receipt", "E26-001")
    assert (status, "Dad built it." in out) == (0, True)
    assert tubmark("receipt", "E26-001", "--html")[1].startswith("<!doctype html>")
    assert before == counts(path)
    assert tubmark("receipt", "E26-001", "--handed-over", "--by", "Orla Thrennick")[0] == 0
    assert counts(path)["papers_issued"] == 1
    assert tubmark("receipt", "E26-009")[0] == 1


@pytest.mark.parametrize("typed", ["KP 0147", "KP O147", "KP147", "147 KP", "kp-0147"])
def test_find_knows_every_spelling(tubmark: Tubmark, typed: str):
    """Words are joined by a space; the same car is found."""
    tubmark(*BEGIN, "--body", "KP O147")
    status, out, _ = tubmark("find", *typed.split(), "--on", "body")
    assert (status, "E26-001 has the body number KP O147." in out) == (0, True)
    document = json.loads(tubmark("find", typed, "--json")[1])
    assert [document["near"][0]["car"], document["near"][0]["how"]] == ["E26-001", "exact"]
    assert document["stops"] == []


def test_find_shows_where_the_two_part(tubmark: Tubmark):
    """One character off: the two strips one above the other, a caret under the place."""
    tubmark(*BEGIN, "--body", "KP 0147")
    status, out, _ = tubmark("find", "KP 0141")
    assert status == 0
    lines = out.splitlines()
    at = next(number for number, line in enumerate(lines) if "as you read it" in line)
    assert lines[at].split()[:6] == list("KP0141") and lines[at + 1].split()[:6] == list("KP0147")
    assert lines[at + 2].index("^") == lines[at].index("1", lines[at].index("4"))


def test_find_states_the_conflict_of_two_cars_with_one_number(tubmark: Tubmark):
    """Both cars, the conflict and its reason; neither is called the right one."""
    tubmark(*BEGIN, "--plate", "KP 0555")
    tubmark(*BEGIN, "--plate", "KP 0555", "--reason", "not known yet")
    out = plain(tubmark("find", "KP 0555")[1])
    assert "E26-001 has the plate number" in out and "E26-002 has the plate number" in out
    assert "Conflict: The plate number KP 0555 is claimed by this car and by E26-001. Why: not known yet." in out
    (conflict,) = json.loads(tubmark("find", "KP 0555", "--json")[1])["conflicts"]
    assert (conflict["cars"], conflict["state"]) == (["E26-001", "E26-002"], "open")


def test_find_near_a_theft_report_says_it_once_and_first(tubmark: Tubmark):
    """The report, where the two part, and whom to ask; the car's own stop about the same report is not said again."""
    tubmark("theft", "KP 0238", "--source", "Loft Book", "--on", "body")
    tubmark(*BEGIN, "--body", "KP 0233", "--yes")
    out = tubmark("find", "KP 0233")[1]
    assert out.startswith("=" * 78 + "\nSTOP: near a theft report.\nKP 0238 stands in a report of theft")
    assert out.count("STOP:") == 1 and out.count("as you read it") == 1
    assert "E26-001 has the body number KP 0233." in out


def test_find_without_an_answer(tubmark: Tubmark):
    """Status 1, still a sentence and still a document; junk is status 2."""
    status, out, _ = tubmark("find", "KP 0700")
    assert (status, "No car with this number is on file here, nor one that is a character away." in out) == (1, True)
    status, out, _ = tubmark("find", "KP 0700", "--json")
    assert (status, json.loads(out)["near"]) == (1, [])
    status, out, err = tubmark("find", "%%%")
    assert (status, out) == (2, "") and err.startswith("Error:")


def test_show_has_the_five_dates_side_by_side(tubmark: Tubmark):
    """Pan made, body moulded, assembled, first registered, title year: each by its own name, and none called the year."""
    tubmark(*BEGIN, "--pan", "S8 61077", "--body", "KP O147")
    status, out, _ = tubmark("show", "E26-001")
    assert status == 0
    starts = [line.strip().split("  ")[0] for line in out.splitlines()]
    for name in ("pan made", "body moulded", "assembled", "first registered", "title year"):
        assert name in starts
    assert "year" not in starts
    assert "between September 1967 and August 1968 (model year 1968) (house table try-pan)" in plain(out)
    assert all(len(line) <= 80 for line in out.splitlines())
    document = json.loads(tubmark("show", "E26-001", "--json")[1])
    assert {"pan_made", "body_moulded", "assembled", "first_registered", "title_year"} <= set(document["events"])
    assert list(document)[1] == "stops"


def test_show_of_no_car(tubmark: Tubmark):
    """No answer, with what to do."""
    status, out, err = tubmark("show", "E26-009")
    assert (status, out) == (1, "") and "tubmark find" in err


def test_history_says_who_and_from_what_to_what(tubmark: Tubmark):
    """A changed condition shows both."""
    tubmark(*BEGIN, "--condition", "good", "--by", "Orla Thrennick")
    tubmark("intake", "E26-001", "--finish", "--condition", "fair", "--by", "Wim Quillory")
    status, out, _ = tubmark("history", "E26-001")
    assert status == 0
    assert "entry, by Orla Thrennick" in out and "entry finished, by Wim Quillory" in out
    assert "condition: fair (was: good)" in out
    document = json.loads(tubmark("history", "E26-001", "--json")[1])
    assert [event["action"] for event in document["events"]] == ["entry", "entry finished"]


# decide


def decided(**more: str | None) -> list[str]:
    values: dict[str, str | None] = {
        "opinion": "maker's series", "series": "KA", "reason": "Plate agrees.", "by": "Orla Thrennick", "evidence": "K01", "date": "2026-01-06",
    }  # fmt: skip
    values |= more
    return [
        "decide",
        "E26-001",
        *(word for key, value in values.items() if value is not None for word in (f"--{key}", value)),
    ]


@pytest.fixture
def examined(tubmark: Tubmark, path: Path) -> Path:
    """A car with a tell looked at."""
    tubmark(*BEGIN, "--body", "KP 0147")
    with opened(path, write=True) as db:
        store.record_observations(
            db, [check(ObservationIn, tell="K01", state="present")], car="E26-001", by="Orla Thrennick"
        )
    return path


def test_a_decision_is_signed_and_shown(tubmark: Tubmark, examined: Path):
    """It names the person, the day and how much it rests on."""
    status, out, _ = tubmark(*decided())
    assert status == 0
    assert (
        "maker's series: series KA. In the opinion of Orla Thrennick, 6 January 2026, on 1 row of evidence."
        in plain(out)
    )
    assert "Maker's series: series KA. In the opinion of Orla Thrennick" in plain(tubmark("show", "E26-001")[1])
    status, out, _ = tubmark(*decided(opinion="open", series=None, evidence="reading:1"), "--json")
    document = json.loads(out)
    assert (document["decision"]["opinion"], document["decision"]["supersedes"], document["stops"]) == ("open", 1, [])


@pytest.mark.parametrize("opinion", ["genuine", "Genuine Pantile", "authentic", "original", "real", "fake"])
def test_just_put_genuine(tubmark: Tubmark, examined: Path, opinion: str):
    """A warranty is refused with a sentence that offers the words there are."""
    before = counts(examined)
    status, out, err = tubmark(*decided(opinion=opinion))
    assert (status, out) == (2, "")
    assert "no examination gives one" in err and "two bodies joined" in err
    assert before == counts(examined)


@pytest.mark.parametrize(
    ("missing", "says"),
    [
        ("evidence", "at least one row of evidence"),
        ("by", "--by NAME"),
        ("reason", "--reason"),
        ("opinion", "What is the opinion?"),
    ],
)
def test_no_decision_is_saved_without_all_of_it(tubmark: Tubmark, examined: Path, missing: str, says: str):
    """What is missing is named; for evidence it says what is on file."""
    before = counts(examined)
    status, out, err = tubmark(*decided(**{missing: None}))
    assert (status, out) == (2, "") and says in err
    if missing == "evidence":
        assert "K01 (present)" in err and "reading:1 (body)" in err
    assert before == counts(examined)


def test_evidence_that_is_not_on_file(tubmark: Tubmark, examined: Path):
    """A tell nobody looked at, a row that is not there, a kind that is none."""
    for piece in ("K03", "reading:99", "rumour:1", "statement:"):
        status, _, err = tubmark(*decided(evidence=piece))
        assert (status, "Traceback" in err) == (2, False), piece


# stop, theft, consent, hold


def test_stops_are_put_on_and_taken_off_by_a_person(tubmark: Tubmark):
    """Numbered, listed, released with a reason; the answer about the car has them until then."""
    tubmark(*BEGIN)
    args = ["stop", "E26-001", "--kind", "lien", "--says", "A loan of Vell Thrift.", "--ask", "Ask Vell Thrift."]
    assert tubmark(*args)[0] == 2
    status, out, _ = tubmark(*args, "--by", "Orla Thrennick")
    assert (status, "STOP: lien (number 1)." in out) == (0, True)
    assert tubmark("consent", "E26-001")[1].startswith("=" * 78 + "\nSTOP: lien.")
    assert [stop["kind"] for stop in json.loads(tubmark("show", "E26-001", "--json")[1])["stops"]] == ["lien"]
    assert tubmark("stop", "E26-001", "--release", "1", "--by", "Orla Thrennick")[0] == 2
    assert tubmark("stop", "E26-001", "--release", "9", "--reason", "x", "--by", "Orla Thrennick")[0] == 1
    status, out, _ = tubmark("stop", "E26-001", "--release", "1", "--reason", "Release seen.", "--by", "Orla Thrennick")
    assert (status, "Release seen." in out) == (0, True)
    assert "STOP" not in tubmark("show", "E26-001")[1]


def test_theft_reports_are_listed_and_kept(tubmark: Tubmark):
    """A later report stops the car on file."""
    assert "No theft report is on file." in tubmark("theft")[1]
    tubmark(*BEGIN, "--body", "KP 0233")
    assert tubmark("theft", "KP 0238")[0] == 2
    status, out, _ = tubmark("theft", "KP 0238", "--source", "Loft Book")
    assert (status, "KP 0238" in out, "E26-001" in out) == (0, True, True)
    assert json.loads(tubmark("theft", "--json")[1])["cars_stopped"] == ["E26-001"]


def test_consent_in_the_words_on_screen(tubmark: Tubmark):
    """Given is kept as full; unknown is private; withdrawn is said to be absent from the next edition."""
    tubmark(*BEGIN)
    assert "Consent to publish E26-001: unknown." in tubmark("consent", "E26-001")[1]
    for word in ("given", "number hidden", "withdrawn"):
        status, out, _ = tubmark("consent", "E26-001", word, "--date", "2026-01-05", "--by", "Orla Thrennick")
        assert (status, f"Consent to publish E26-001: {word}, since 5 January 2026." in out) == (0, True)
    assert "absent from the next edition" in out
    status, _, err = tubmark("consent", "E26-001", "yes")
    assert (status, "number hidden" in err) == (2, True)


def test_a_hold(tubmark: Tubmark):
    """Held with a reason, lifted with a reason."""
    tubmark(*BEGIN)
    assert "is not held" in tubmark("hold", "E26-001")[1]
    assert tubmark("hold", "E26-001", "--reason", "two claims")[0] == 0
    assert json.loads(tubmark("hold", "E26-001", "--json")[1])["held"] is True
    assert tubmark("hold", "E26-001", "--lift")[0] == 2
    assert "is not held" in tubmark("hold", "E26-001", "--lift", "--reason", "settled")[1]
    assert tubmark("hold", "E26-001", "--lift", "--reason", "settled")[0] == 2


# erase, check-file, backup


def test_erasing_is_asked_for(tubmark: Tubmark, path: Path):
    """Shown first; without a yes nothing happens; afterwards the name is nowhere in the file."""
    tubmark(*BEGIN, "--contact", "ann@example.invalid")
    status, out, err = tubmark("erase", "Ann Vane")
    assert (status, out) == (3, "") and "Ann Vane" in err and "E26-001" in err
    assert tubmark("erase", "Ann Vane", typed="n\n")[0] == 3
    assert b"ann@example.invalid" in path.read_bytes()
    status, out, _ = tubmark("erase", "Ann Vane", "--yes", "--by", "Orla Thrennick")
    assert (status, "is erased" in out) == (0, True)
    for file in path.parent.iterdir():
        assert b"Ann Vane" not in file.read_bytes() and b"ann@example.invalid" not in file.read_bytes()
    assert "[erased " in tubmark("show", "E26-001")[1]
    assert tubmark("erase", "Ann Vane", "--yes")[0] == 1
    assert tubmark("check-file")[0] == 0


def test_check_file_finds_damage(tubmark: Tubmark, path: Path):
    """0 where it is whole, 1 with findings where it is not."""
    status, out, _ = tubmark("check-file", str(path))
    assert (status, "is whole" in out) == (0, True)
    import sqlite3

    connection = sqlite3.connect(path)
    connection.execute("DROP TRIGGER events_keep_update")
    connection.commit()
    connection.close()
    status, out, _ = tubmark("check-file", str(path))
    assert (status, "events_keep_update is gone" in out) == (1, True)
    status, out, _ = tubmark("check-file", str(path), "--json")
    assert (status, json.loads(out)["sound"]) == (1, False)


def test_a_backup_is_tried_at_once_and_again(tubmark: Tubmark, path: Path, tmp_path: Path):
    """Copied, restored into a scratch folder, found whole; found not whole once harmed."""
    tubmark(*BEGIN)
    status, out, _ = tubmark("backup", str(tmp_path / "safe"))
    assert (status, "restored into a scratch folder and whole" in plain(out)) == (0, True)
    assert tubmark("backup", str(tmp_path / "safe"))[0] == 2
    assert tubmark("backup", str(tmp_path / "safe"), "--verify")[0] == 0
    (tmp_path / "safe" / path.name).write_bytes(b"gone")
    status, out, _ = tubmark("backup", str(tmp_path / "safe"), "--verify", "--json")
    document: dict[str, Any] = json.loads(out)
    assert (status, document["sound"]) == (1, False)


def test_reading_commands_write_nothing(tubmark: Tubmark, path: Path):
    """find, show, history, receipt, consent, hold, stop and theft without anything to record."""
    tubmark(*BEGIN, "--body", "KP 0147")
    db = open_registry(path, write=True)
    db.execute("PRAGMA journal_mode = DELETE")
    db.close()
    before = path.read_bytes()
    for args in (["find", "KP 0147"], ["show", "E26-001"], ["history", "E26-001"], ["receipt", "E26-001"], ["consent", "E26-001"],
                 ["hold", "E26-001"], ["stop", "E26-001"], ["theft"], ["check-file"]):  # fmt: skip
        assert tubmark(*args)[0] == 0, args
    assert before == path.read_bytes()
    assert [path.name] == [each.name for each in path.parent.iterdir()]
