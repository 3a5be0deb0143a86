"""What is documented is what the program does today: help, sessions, contract.

`make docs` writes the help and the sessions again; what changed is then to be seen in the difference and can
be judged.
"""

from __future__ import annotations

import importlib.util
import json
import re
from pathlib import Path

import pytest

ROOT = Path(__file__).resolve().parent.parent


def _tool(name: str):
    spec = importlib.util.spec_from_file_location(name, ROOT / "tools" / f"{name}.py")
    module = importlib.util.module_from_spec(spec)
    spec.loader.exec_module(module)
    return module


docs = _tool("write_docs")
PROMISED = (
    "decode",
    "families",
    "new",
    "intake",
    "receipt",
    "find",
    "show",
    "decide",
    "history",
    "consent",
    "statement",
    "date",
    "datemark",
    "curve",
    "survivors",
    "inspect",
    "look",
    "evidence",
    "sheet",
    "review",
    "first-hour",
    "tells",
    "repan",
    "replate",
    "merge",
    "split",
    "conflicts",
    "hold",
    "erase",
    "stop",
    "theft",
    "check-file",
    "backup",
    "publish",
    "serve",
)
#: The commands and subcommands as they are, and the program itself.
COMMANDS = [(), *docs.command_names()]


@pytest.fixture
def folder(tmp_path):
    docs.prepare(tmp_path)
    return tmp_path


def as_json(command, folder, status=0):
    ran = docs.run(f"{command} 2>messages", folder)
    assert ran.returncode == status, ran.stdout + (folder / "messages").read_text()
    return json.loads(ran.stdout)


def test_the_promised_commands_are_there():
    """The names of the contract: other programs call them."""
    names = {words[0] for words in COMMANDS if words}
    assert set(PROMISED) <= names, f"missing: {sorted(set(PROMISED) - names)}"


@pytest.mark.parametrize("words", COMMANDS, ids=lambda words: " ".join(words) or "tubmark")
def test_each_command_stands_in_the_documentation_as_it_prints_today(words, tmp_path):
    """`make docs` brings docs/commands.md up to date."""
    assert docs.help_section(words, tmp_path) in docs.COMMANDS.read_text(encoding="utf-8")


def test_no_command_is_documented_that_is_not_there():
    """A section of a command that was taken away would send people looking."""
    titles = re.findall(r"^## (tubmark.*)$", docs.COMMANDS.read_text(encoding="utf-8"), re.MULTILINE)
    assert titles == [" ".join(("tubmark", *words)) for words in COMMANDS]


@pytest.mark.parametrize("words", COMMANDS[1:], ids=" ".join)
def test_help_opens_with_a_sentence_and_ends_with_an_example(words, tmp_path):
    """Who asks for help wants to know what the command answers, and something to type."""
    text = docs.run(" ".join(("tubmark", *words)) + " --help", tmp_path).stdout
    first = text.split("\n\n")[1].strip()
    assert first and first[0].isupper() and re.search(r"[.?]", first), first
    if not re.search(r"^Commands:$", text, re.MULTILINE):
        assert " ".join(("tubmark", *words)) in text.split("\n", 2)[2], "no example in the help"


@pytest.mark.parametrize("path", docs.TOURS, ids=lambda path: path.name)
def test_each_session_prints_what_the_document_shows(path, folder):
    """Every command in a ``console`` block, run in order, beside the output shown for it."""
    text = path.read_text(encoding="utf-8")
    steps = [(line, *step) for line, session in docs.sessions(text) for step in session]
    assert len(steps) >= 6, "the tour has gone"
    for line, command, shown in steps:
        expected = docs.as_shown(command, shown)
        assert docs.as_shown(command, docs.run(command, folder).stdout) == expected, (
            f"{path.name}, session at line {line}"
        )


def test_a_session_that_is_out_of_date_is_found(folder):
    """The comparison above can fail: a word changed by hand is put right by running the session again."""
    told = "```console\n$ echo right\nwrong\n```\n"
    assert docs.with_sessions_run(told, folder) == told.replace("wrong", "right")


@pytest.mark.parametrize("document", ["README.md", "DEVELOPERS.md", "CHANGELOG.md", "docs/commands.md"])
def test_links_inside_the_project_lead_somewhere(document):
    """A link to a file that was moved is worse than none."""
    path = ROOT / document
    links = re.findall(r"\]\((?!https?:|#|mailto:)([^)#]+)", path.read_text(encoding="utf-8"))
    assert [link for link in links if not (path.parent / link).exists()] == []


def test_the_example_of_a_number_table_is_a_number_table():
    """Whoever writes a table begins by copying this one."""
    from decoder import compile_table

    text = (ROOT / "DEVELOPERS.md").read_text(encoding="utf-8")
    example = re.search(r"^```yaml\n(#.*?)^```$", text, re.MULTILINE | re.DOTALL).group(1)
    compiled = compile_table(example, "example-pan.yml")
    assert compiled["family"] == "example-pan"
    assert [row["id"] for row in compiled["rows"]] == ["1969", "1970"]


# --- the contract ---------------------------------------------------------------------------------

DECODE = {"reading", "decodings", "none_of_these", "look_again", "says", "stops", "problems"}
DECODING = {
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
}
BUILT = {"edtf", "earliest", "latest", "likeliest_month", "months", "span90"}
NEAR = {"car", "kind", "number", "how", "differs", "probability"}


def test_the_answer_of_decode_has_the_fields_of_the_contract(folder):
    """Other programs read this document."""
    answer = as_json("tubmark decode '118 012 345' --on pan --json", folder)
    assert set(answer) >= DECODE
    assert answer["decodings"]
    for decoding in answer["decodings"]:
        assert set(decoding) >= DECODING
        assert set(decoding["built"]) >= BUILT
        assert all(set(source) >= {"id", "title", "standing"} for source in decoding["sources"])
        assert all(set(year) >= {"year", "probability"} for year in decoding["model_years"])
    total = sum(decoding["probability"] for decoding in answer["decodings"])
    none = answer["none_of_these"]
    none = none["probability"] if isinstance(none, dict) else none
    assert total + none == pytest.approx(1, abs=1e-6)


def test_the_answer_of_find_has_the_fields_of_the_contract(folder):
    """Exact and near hits look alike, and each says how it was met."""
    answer = as_json("tubmark find 'KP O147' -r sample_registry.db --json", folder)
    assert set(answer) >= {"reading", "near", "stops"}
    assert {"E21-003"} <= {hit["car"] for hit in answer["near"]}
    assert all(set(hit) >= NEAR and hit["how"] in {"exact", "near"} for hit in answer["near"])


@pytest.mark.parametrize(
    ("command", "status"),
    [
        ("tubmark decode '118 012 345'", 0),
        ("tubmark find 'KP 0147' -r sample_registry.db", 0),
        ("tubmark show E24-017 -r sample_registry.db", 0),  # a stop is an answer
        ("tubmark find 'KB 2752' -r sample_registry.db", 1),
        ("tubmark decode 'ZZZZ 9' --on pan", 1),
        ("tubmark decode '[38' --on pan", 2),
        ("tubmark decode ''", 2),
        ("tubmark show E99-999 -r sample_registry.db", 1),
        ("tubmark find 'KP 0147' -r nowhere.db", 2),
        ("tubmark erase OW01 -r sample_registry.db", 3),
        ("tubmark", 2),
        ("tubmark --help", 0),
    ],
)
def test_exit_status(command, status, folder):
    """0 an answer, 1 no answer, 2 wrong input, 3 a confirmation is needed; and never a traceback."""
    ran = docs.run(command, folder)
    assert ran.returncode == status, ran.stdout
    assert "Traceback" not in ran.stdout


def test_what_goes_wrong_is_said_on_standard_error_and_json_stays_json(folder):
    """A program that reads standard output finds one JSON document there and nothing else."""
    ran = docs.run("tubmark decode 'ZZZZ 9' --on pan --json 2>/dev/null", folder)
    assert ran.returncode == 1
    assert json.loads(ran.stdout)["decodings"] == []
