"""``tubmark decode``: the question at the car, its exit statuses, and a list that goes on past bad rows."""

from __future__ import annotations

import csv
import io
import json
import os
import re
import subprocess
import sys
from pathlib import Path

import pytest
from furnishing import furnish
from hypothesis import HealthCheck, example, given, settings
from hypothesis import strategies as st

from registry import store
from registry.cli import run
from registry.models import TheftIn, check
from registry.opening import create_registry, open_registry

SMALL = """\
family: small
title: "A small family (invented)"
carried_by: [pan]
where: "on the tunnel"
sources: {sheet: {title: "Sheet", supports: "all", standing: secondary}}
schemes: [{id: one, parts: [{name: letter, literal: Z}, {name: n, figures: 3}], print: "Z {n}"}]
rows:
  - {id: a, scheme: one, basis: month, first: "001", last: "999", built: "1964-09", source: sheet}
"""


@pytest.fixture(autouse=True)
def somewhere(tmp_path, monkeypatch):
    """An empty folder to stand in, without a registry and without a user's tables."""
    monkeypatch.chdir(tmp_path)
    for name in ("TUBMARK_REGISTRY", "TUBMARK_TABLES", "TUBMARK_TRACEBACK"):
        monkeypatch.delenv(name, raising=False)
    return tmp_path


@pytest.fixture
def said(capsys):
    """Run one command line; (exit status, standard output, standard error)."""

    def command(*args: str) -> tuple[int, str, str]:
        status = run(list(args))
        out = capsys.readouterr()
        return status, out.out, out.err

    return command


def tubmark(*args: str, cwd: Path, stdin: bytes = b"", **environment: str) -> subprocess.CompletedProcess[bytes]:
    """The command as a process of its own."""
    return subprocess.run([sys.executable, "-c", "from registry.cli import main; main()", *args], cwd=cwd, input=stdin, capture_output=True, timeout=60,
                          env={**os.environ, "PYTHONPATH": str(Path(__file__).parents[2]), **environment})  # fmt: skip


CASES = [
    (["118 012 345", "--on", "pan"], 0),
    (["118", "012", "345", "--on", "pan"], 0),
    (["118012345", "--surface", "ground"], 0),
    (["6[17]967"], 0),
    (["118-12345", "--on", "pan"], 0),
    (["H 0204417", "--on", "pan"], 1),
    (["6502400", "--on", "pan"], 1),
    (["12345678901234567890"], 1),
    (["Q"], 1),
    ([], 2),
    ([""], 2),
    (["   "], 2),
    (["'; DROP"], 2),
    (["118[38"], 2),
    (["1" * 65], 2),
    (["118012345", "--on", "roof"], 2),
    (["118012345", "--surface", "rusty"], 2),
    (["118012345", "--says", "68"], 2),
    (["118012345", "--says", "soon"], 2),
    (["118012345", "--family", "nonesuch"], 2),
    (["118012345", "--seen", "nonesuch"], 2),
    (["118012345", "--direction", "sideways"], 2),
    (["118012345", "--tables", "nowhere"], 2),
    (["118012345", "-r", "nowhere.db"], 2),
    (["118012345", "--nonesuch"], 2),
    (["-5"], 2),
    (["--file", "nowhere.csv"], 2),
    (["118012345", "--file", "nowhere.csv"], 2),
    (["118012345", "--column", "pan"], 2),
    (["118012345", "--output", "x.csv"], 2),
]


class TestExitStatus:
    """0 an answer (a stop is one), 1 none, 2 malformed input; also of the process itself."""

    @pytest.mark.parametrize(("args", "status"), CASES, ids=lambda v: " ".join(v) if isinstance(v, list) else str(v))
    def test_of_the_command(self, said, args, status):
        """Where there is no answer there is a sentence, on standard output; where the input is wrong, on standard error."""
        got, out, err = said("decode", *args)
        assert status == got
        assert (out == "") == (status == 2)
        assert (err != "") == (status == 2)
        assert "Traceback" not in out + err

    @pytest.mark.parametrize(("args", "status"), [CASES[0], CASES[5], CASES[12]], ids=["answer", "none", "malformed"])
    def test_of_the_process(self, somewhere, args, status):
        done = tubmark("decode", *args, cwd=somewhere)
        assert status == done.returncode
        assert b"Traceback" not in done.stderr

    def test_bytes_that_are_no_text(self, somewhere):
        """A shell can hand over anything."""
        done = subprocess.run([sys.executable, "-c", "from registry.cli import main; main()", "decode", b"118\xff345"], cwd=somewhere, capture_output=True,
                              timeout=60, env={**os.environ, "PYTHONPATH": str(Path(__file__).parents[2])})  # fmt: skip
        assert 2 == done.returncode
        assert b"which no number has" in done.stderr

    def test_a_reader_that_goes_away_is_no_fault(self, somewhere):
        """As with head or less: no complaint, status 0."""
        code = "import subprocess, sys; p = subprocess.Popen([sys.executable, '-c', 'from registry.cli import main; main()', 'decode', '118012345', '--why'], stdout=subprocess.PIPE, stderr=subprocess.PIPE); p.stdout.close(); err = p.stderr.read(); sys.exit(p.wait() or bool(err))"
        env = {**os.environ, "PYTHONPATH": str(Path(__file__).parents[2])}
        assert 0 == subprocess.run([sys.executable, "-c", code], cwd=somewhere, env=env, timeout=60).returncode


class TestStartUp:
    """The answer comes at once: nothing heavy is loaded to give it."""

    HEAVY = ("pydantic", "numpy", "sqlite_utils", "datasette", "yaml", "importlib.metadata", "hashlib", "asyncio")

    @pytest.mark.parametrize("args", [["118 012 345", "--on", "pan"], ["118012345", "--json"], ["118012345", "--why", "--says", "1968"], ["6[17]967"],
                                      ["118-12345", "--on", "pan"], ["H 0204417", "--on", "pan"], ["1[38"], ["118012345", "--surface", "ground"], ["--help"]],
                             ids=" ".join)  # fmt: skip
    def test_loads_nothing_heavy(self, somewhere, args):
        """Neither models nor tables' compiler nor numpy nor the server, for a certain number, a set, a dash, a stop and a misfit's sentence."""
        code = (
            "import sys; from registry.cli import run; run(sys.argv[1:]); "
            f"print([name for name in {self.HEAVY!r} if name in sys.modules], file=sys.stderr)"
        )
        done = subprocess.run([sys.executable, "-c", code, "decode", *args], cwd=somewhere, capture_output=True, timeout=60, text=True,
                              env={**os.environ, "PYTHONPATH": str(Path(__file__).parents[2])})  # fmt: skip
        assert "[]" == done.stderr.splitlines()[-1]


class TestSentences:
    def test_a_clean_reading(self, said):
        """When, which year, how sure, from where; and it is the floor that is dated."""
        _, out, _ = said("decode", "118 012 345", "--on", "pan")
        words = " ".join(out.split())
        assert "This floor was made between August 1967 and July 1968 (model year 1968)." in words
        assert (
            "Standing: range from memory; confirm it with a handbook: tubmark families confirm aircooled-platform model-1968"
            in words
        )
        assert "Source: table aircooled-platform, model year 1968." in words

    @pytest.mark.parametrize(
        ("year", "words"),
        [
            ("1966", "The floor is younger than 1966"),
            ("1967", "put together in 1967 agrees with the floor"),
            ("1980", "Put together later is normal"),
        ],
    )
    def test_the_year_it_is_said_to_be_of(self, said, year, words):
        status, out, _ = said("decode", "118 012 345", "--on", "pan", "--says", year)
        assert 0 == status
        assert words in " ".join(out.split())

    def test_a_stop_stands_first(self, said):
        """Before the number itself, between heavy rules, with whom to ask."""
        _, out, _ = said("decode", "118 012 345", "--surface", "restamped")
        assert out.splitlines()[1].startswith("STOP: number looks altered.")
        assert "This floor was made" not in out

    def test_lines_fit_a_terminal(self, said):
        """No line of prose is wider than 80 columns."""
        for args in (["118 012 345", "--why"], ["6[17]967", "--why"], ["H 0204417", "--on", "pan"], ["AA", "--why"]):
            _, out, _ = said("decode", *args)
            assert max(map(len, out.splitlines())) <= 80

    def test_why_opens_rows_rules_and_sources(self, said):
        """DE-16: every figure can be opened."""
        _, out, _ = said("decode", "118 012 345", "--on", "pan", "--why")
        words = " ".join(out.split())
        assert "model-1968: 118 000 001 to 118 1 016 098, August 1967 to July 1968" in words
        assert "a-12v: German note on 6 V and 12 V radio sets" in words
        assert "Beforehand every family tried" in words
        assert "The table used: packaged table." in words

    @pytest.mark.parametrize("text", ["A 318", "KP 0713", "11?4012345", "CH…2O1_H", "3…", "66"])
    def test_why_of_doubtful_readings(self, said, text):
        """Guesses, stretches and counts beyond naming are opened as well."""
        status, out, err = said("decode", text, "--why")
        assert status in (0, 1)
        assert "" == err
        assert out

    def test_a_wrong_option_says_what_to_do(self, said):
        _, _, err = said("decode", "118012345", "--family", "nonesuch")
        assert "There is no family 'nonesuch'. 'tubmark families' lists them." in " ".join(err.split())

    def test_a_number_that_looks_like_an_option(self, said):
        _, _, err = said("decode", "-118012345")
        assert "needs -- before it" in err
        assert 0 == said("decode", "--", "-118012345")[0]

    def test_a_command_that_is_none(self, said):
        """The nearest is named."""
        status, _, err = said("decod", "118012345")
        assert 2 == status
        assert "There is no command 'decod'. Did you mean 'decode'?" in err


class TestJson:
    def test_is_one_document_of_the_agreed_form(self, said):
        """The keys of the contract, with numbers as numbers; messages elsewhere."""
        _, out, err = said("decode", "118 012 345", "--on", "pan", "--says", "1968", "--json")
        document = json.loads(out)
        assert "" == err
        assert {"reading", "decodings", "none_of_these", "look_again", "says", "stops", "problems"} <= set(document)
        (found,) = document["decodings"]
        assert {
            "family",
            "number",
            "probability",
            "candidates",
            "model_years",
            "built",
            "facts",
            "provisional",
            "warnings",
            "sources",
        } <= set(found)
        assert {"edtf", "earliest", "latest", "likeliest_month", "months", "span90"} <= set(found["built"])
        assert 1 == pytest.approx(found["probability"] + document["none_of_these"])

    @pytest.mark.parametrize(("text", "status"), [("Q", 1), ("118012345", 0)])
    def test_status_is_that_of_the_sentences(self, said, text, status):
        assert status == said("decode", text, "--json")[0] == said("decode", text)[0]

    def test_malformed_input_prints_no_document(self, said):
        """Nothing on standard output that a program could take for an answer."""
        status, out, err = said("decode", "1[38", "--json")
        assert (2, "") == (status, out)
        assert "not closed" in err


class TestTables:
    def test_of_a_folder(self, said, somewhere):
        """--tables and TUBMARK_TABLES name a user's own; the answer names it."""
        (somewhere / "mine").mkdir()
        (somewhere / "mine" / "small.yml").write_text(SMALL, encoding="utf-8")
        assert 1 == said("decode", "Z 123", "--on", "pan")[0]
        status, out, _ = said("decode", "Z 123", "--on", "pan", "--tables", "mine", "--json")
        assert (0, "table in mine") == (status, json.loads(out)["decodings"][0]["table"])

    def test_of_the_environment(self, said, somewhere, monkeypatch):
        (somewhere / "mine").mkdir()
        (somewhere / "mine" / "small.yml").write_text(SMALL, encoding="utf-8")
        monkeypatch.setenv("TUBMARK_TABLES", "mine")
        assert 0 == said("decode", "Z 123", "--on", "pan")[0]

    def test_a_broken_one_is_said(self, said, somewhere):
        (somewhere / "small.yml").write_text(SMALL.replace("1964-09", "1964-19"), encoding="utf-8")
        status, _, err = said("decode", "Z 123", "--tables", ".")
        assert 2 == status
        assert "small.yml:8: row 'a': '1964-19' is no date" in err

    def test_of_a_registry(self, said, registry_path, db):
        """House tables come with the registry, and each answer says that they are."""
        status, out, _ = said("decode", "S8 00123", "--on", "pan", "-r", str(registry_path), "--json")
        (found,) = json.loads(out)["decodings"]
        assert (0, "try-pan", True, "table in the registry") == (
            status,
            found["family"],
            found["house_table"],
            found["table"],
        )
        assert "house table" in said("decode", "S8 00123", "--on", "pan", "-r", str(registry_path))[1]

    def test_of_the_registry_in_the_folder(self, said, somewhere):
        """registry.db where one stands is used without being named."""
        database = open_registry(create_registry(somewhere / "registry.db", name="Try list", origin="try"), write=True)
        furnish(database)
        database.close()
        assert 0 == said("decode", "S8 00123", "--on", "pan")[0]

    def test_theft_reports_of_a_registry_stop(self, said, registry_path, db):
        """The number itself and one slip aside are stops; they advise."""
        store.record_theft(
            db,
            check(
                TheftIn,
                stamped_on="body",
                as_typed="KP 0147",
                reported="1971-05-02",
                source="the keeper's list",
                ask="the police at Lowmere",
            ),
        )
        for text in ("KP 0147", "KP 0148"):
            status, out, _ = said("decode", text, "--on", "body", "-r", str(registry_path))
            assert 0 == status
            assert out.splitlines()[1].startswith("STOP:")
        assert "STOP" not in said("decode", "KP 0699", "--on", "body", "-r", str(registry_path))[1]

    def test_a_file_that_is_no_registry(self, said, somewhere):
        (somewhere / "x.db").write_text("nothing", encoding="utf-8")
        status, _, err = said("decode", "118012345", "-r", "x.db")
        assert 2 == status
        assert "'x.db' is not a registry of this program" in err


def written(path: Path, *lines: str, encoding: str = "utf-8") -> str:
    path.write_bytes("\n".join(lines).encode(encoding) + b"\n")
    return str(path)


def rows_of(text: str) -> list[dict[str, str]]:
    return list(csv.DictReader(io.StringIO(text)))


class TestList:
    """DE-14: give me the list, five thousand numbers."""

    def test_goes_on_past_bad_rows(self, said, somewhere):
        """One answer a row, in order, with what stood there; bad rows reported by line; status 0."""
        file = written(
            somewhere / "cars.csv",
            "car,pan,note",
            "1,118 012 345,red",
            "2,'; DROP,",
            "3,,blue",
            "4,Q,",
            '5,"1-0053815","a, b"',
        )
        status, out, err = said("decode", "--file", file, "--column", "pan", "--on", "pan")
        assert 0 == status
        rows = rows_of(out)
        assert [
            ("1", "118 012 345", "red", "118012345"),
            ("2", "'; DROP", "", ""),
            ("3", "", "blue", ""),
            ("4", "Q", "", ""),
            ("5", "1-0053815", "a, b", "53815"),
        ] == [(r["car"], r["pan"], r["note"], r["number"]) for r in rows]
        assert ["1967-08-01", "", "", "", "1946-01-01"] == [r["earliest"] for r in rows]
        assert all(bool(r["problem"]) == (r["car"] in "234") for r in rows if r["car"] != "5")
        assert [3, 4] == [int(n) for n in re.findall(r"^line (\d+): ", err, re.M)]
        assert "5 rows: 2 answered, 1 fit no table, 2 cannot be read." in err

    def test_agrees_with_one_at_a_time(self, said, somewhere):
        texts = ["118 012 345", "6[17]967", "AA", "KP O147", "FC 123"]
        file = written(somewhere / "cars.csv", "pan", *texts)
        rows = rows_of(said("decode", "--file", file)[1])
        for text, row in zip(texts, rows, strict=True):
            document = json.loads(said("decode", text, "--json")[1])
            best = document["decodings"][0] if document["decodings"] and row["family"] else None
            assert (
                (best["family"], best["built"]["earliest"] or "") == (row["family"], row["earliest"])
                if best
                else not row["family"]
            )

    @pytest.mark.parametrize(
        ("lines", "status"), [(["Q", "QQ"], 1), (["'", "[["], 1), ([], 1), (["Q", "118012345"], 0)]
    )
    def test_status(self, said, somewhere, lines, status):
        """0 where anything was answered, 1 where nothing could be."""
        assert status == said("decode", "--file", written(somewhere / "cars.csv", "pan", *lines))[0]

    def test_output_is_written_whole(self, said, somewhere):
        file = written(somewhere / "cars.csv", "pan", "118012345", "Q")
        status, out, err = said("decode", "--file", file, "--output", "decoded.csv")
        assert (0, "") == (status, out)
        assert "2 rows" in err
        assert ["118012345", ""] == [
            r["number"] for r in rows_of((somewhere / "decoded.csv").read_text(encoding="utf-8"))
        ]
        assert {"cars.csv", "decoded.csv"} == {p.name for p in somewhere.iterdir()}

    def test_output_over_the_list_itself(self, said, somewhere):
        """The list itself is never written over, --yes or not; another file only with --yes."""
        file = written(somewhere / "cars.csv", "pan,note", "118000001,x")
        for more in ([], ["--yes"]):
            status, _, err = said("decode", "--file", file, "--column", "pan", "--output", file, *more)
            assert (2, True) == (status, "is the list itself" in " ".join(err.split()))
        assert "pan,note\n118000001,x\n" == (somewhere / "cars.csv").read_text(encoding="utf-8")
        (somewhere / "there.csv").write_text("as it was", encoding="utf-8")
        status, _, err = said("decode", "--file", file, "--column", "pan", "--output", "there.csv")
        assert (3, True) == (status, "add --yes" in " ".join(err.split()))
        assert "as it was" == (somewhere / "there.csv").read_text(encoding="utf-8")
        assert 0 == said("decode", "--file", file, "--column", "pan", "--output", "there.csv", "--yes")[0]

    def test_an_unclosed_quote_is_named(self, said, somewhere):
        """It would swallow the rest of the list into one cell."""
        file = written(somewhere / "cars.csv", "pan", "118012345", '"118012346', "118012347")
        status, _, err = said("decode", "--file", file)
        assert (2, True) == (status, "no CSV file that can be read" in " ".join(err.split()))

    def test_a_list_with_semicolons(self, said, somewhere):
        file = written(somewhere / "cars.csv", "car;pan", "a;118012345")
        rows = rows_of(said("decode", "--file", file, "--column", "pan")[1])
        assert ["118012345"] == [row["number"] for row in rows]

    def test_further_cells_stand_behind_the_answer(self, said, somewhere):
        """A row with more cells than names loses none of them."""
        file = written(somewhere / "cars.csv", "pan,note", "118012345,x,more,and more")
        _, out, err = said("decode", "--file", file, "--column", "pan")
        assert out.splitlines()[1].endswith(",more,and more")
        assert "the last 2 stand behind the answer" in err

    @pytest.mark.parametrize("damage", [b"\xff\xfe", "118012345\n".encode("utf-16")], ids=["bytes", "another encoding"])
    def test_never_half_a_file(self, said, somewhere, damage):
        """The list turns out not to be text a long way down: the old output stands, and nothing is left beside it."""
        (somewhere / "cars.csv").write_bytes(b"pan\n" + b"118012345\n" * 30_000 + damage)
        (somewhere / "decoded.csv").write_text("as it was", encoding="utf-8")
        status, _, err = said("decode", "--file", "cars.csv", "--output", "decoded.csv", "--yes")
        assert 2 == status
        assert "is not UTF-8 text" in err
        assert "as it was" == (somewhere / "decoded.csv").read_text(encoding="utf-8")
        assert {"cars.csv", "decoded.csv"} == {p.name for p in somewhere.iterdir()}

    def test_progress_goes_to_standard_error(self, said, somewhere):
        """A long list says how far it is, without a word on standard output."""
        file = written(somewhere / "cars.csv", "pan", *["118012345"] * 45_000)
        _, out, err = said("decode", "--file", file)
        assert 45_001 == len(out.splitlines())
        assert ["20,000 rows", "40,000 rows"] == [line for line in err.splitlines() if line.endswith("000 rows")][:2]

    @pytest.mark.parametrize("column", ["number", "family", "reading", "decoded_number"])
    def test_what_was_typed_is_never_written_over(self, said, somewhere, column):
        """A list may have columns that are called as ours are."""
        file = written(somewhere / "cars.csv", f"{column},number_of_car", "118 012 345,7")
        (row,) = rows_of(said("decode", "--file", file, "--column", column)[1])
        assert ("118 012 345", "7") == (row[column], row["number_of_car"])
        assert "118012345" in [value for name, value in row.items() if name.endswith("number") and name != column]
        assert "aircooled-platform" in row.values()

    @pytest.mark.parametrize(
        ("text", "args", "says"),
        [
            ("", [], "is empty. It needs a first line"),
            ("car,pan\n1,2\n", [], "Say which column holds the numbers: --column NAME. The columns are car, pan."),
            (
                "car,pan\n1,2\n",
                ["--column", "body"],
                "There is no column 'body' in 'cars.csv'. The columns are car, pan.",
            ),
            ("pan,pan\n1,2\n", ["--column", "pan"], "Two columns of 'cars.csv' are called 'pan'."),
            ("pan\n118012345\n", ["--output", "no/where.csv"], "cannot be written: No such file or directory"),
            ("pan\n118012345\n", ["--output", "."], "is a folder. Name a file in it"),
            ("pan\n118012345\n", ["--surface", "ground"], "--surface goes with one number, not with --file"),
            ("pan\n118012345\n", ["--says", "1968"], "--says goes with one number, not with --file"),
            ("pan\n118012345\n", ["--family", "nonesuch"], "There is no family 'nonesuch'"),
            ("pan\n118012345\n", ["118012345"], "Give either a number or --file, not both."),
        ],
    )
    def test_what_cannot_be_a_list(self, said, somewhere, text, args, says):
        """Each gets a sentence, status 2, and nothing is written."""
        (somewhere / "cars.csv").write_text(text, encoding="utf-8")
        status, out, err = said("decode", "--file", "cars.csv", *args)
        assert 2 == status
        assert says in " ".join(err.split())
        assert "" == out
        assert {"cars.csv"} == {p.name for p in somewhere.iterdir()}

    def test_rows_of_odd_length(self, said, somewhere):
        """Too few cells are empty ones; too many are said, by line."""
        file = written(somewhere / "cars.csv", "pan,note", "118012345", "118012346,a,b,c")
        status, out, err = said("decode", "--file", file, "--column", "pan")
        assert 0 == status
        assert ["", "a"] == [r["note"] for r in rows_of(out)]
        assert "line 3: it has more cells than the first line has names" in err

    def test_a_mark_at_the_start_and_windows_line_ends(self, said, somewhere):
        """As spreadsheets save it."""
        (somewhere / "cars.csv").write_bytes(b"\xef\xbb\xbfpan\r\n118 012 345\r\n")
        assert ["118012345"] == [
            r["number"] for r in rows_of(said("decode", "--file", "cars.csv", "--column", "pan")[1])
        ]

    def test_from_standard_input(self, somewhere):
        done = tubmark("decode", "--file", "-", "--on", "pan", cwd=somewhere, stdin=b"pan\n118012345\n")
        assert 0 == done.returncode
        assert b"118012345" in done.stdout

    def test_as_json(self, said, somewhere):
        """One document: a list of the rows, each with its line; figures are figures."""
        file = written(somewhere / "cars.csv", "pan", "118012345", "'")
        _, out, _ = said("decode", "--file", file, "--json")
        assert [(2, "118012345", 1968), (3, "", None)] == [
            (row["line"], row["number"], row["model_year"]) for row in json.loads(out)
        ]


@settings(max_examples=150, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(
    st.lists(
        st.one_of(
            st.sampled_from(["decode", "families", "--on", "pan", "body", "--surface", "ground", "--why", "--json", "--says", "1968", "--family", "mgb", "--help", "-h",
                             "--", "-", "--direction", "turned", "show", "check", "--tables", ".", "--file", "--column", "118 012 345", "6[17]967", "KP 014?"]),
            st.text(max_size=12),
        ),
        max_size=6,
    )
)  # fmt: skip
@example(["decode", "--help"])
@example(["--version"])
def test_no_command_line_ends_in_a_traceback(said, args):
    """Whatever is typed: an answer, none, or a sentence; a fault of ours (70) never."""
    status, out, err = said(*(["decode", *args] if args[:1] not in (["families"], ["--version"]) else args))
    assert status in (0, 1, 2)
    assert "Traceback" not in out + err
    assert "fault in Tubmark" not in err


def test_of_a_misfit_what_it_is_nearest_to_comes_before_the_guess(said):
    """A person reads first that no table has it and where it lies, then what it might be misread from."""
    out = " ".join(said("decode", "116 1021299", "--on", "pan")[1].split())
    places = [
        out.index(part)
        for part in (
            "As it was read it fits none",
            "1 above the last of model year 1966",
            "If it is aircooled-platform",
        )
    ]
    assert sorted(places) == places
    assert "More than one table has such a number" not in " ".join(said("decode", "11812345")[1].split())
