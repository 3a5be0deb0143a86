"""``tubmark families``: which numberings are known, what each table says, and how a row is confirmed."""

from __future__ import annotations

import json
import os
import subprocess
import sys
from pathlib import Path

import pytest

from decoder import load_tables
from registry.cli import run

SMALL = """\
family: small
title: "A small family (invented)"
carried_by: [pan]
where: "on the tunnel"
sources: {sheet: {title: "Sheet", supports: "all", standing: memory}}
schemes:
  - {id: one, parts: [{name: letter, literal: Z}, {name: n, figures: 3}], print: "Z {n}", strip: ["1-"]}
rows:
  - {id: a, scheme: one, basis: month, first: "001", last: "100", built: "1964-09", memory: [last], source: sheet}
  - {id: b, scheme: one, basis: month, first: "101", built: "1964-10", structure: [first], source: "sheet[p. 2]"}
never: [{first: "Z 000", last: "Z 000", why: "counting began at 1", source: sheet}]
change_points: [{at: "Z 050", what: "a double lip from here on", exceptions: ["Z 055"], source: sheet}]
features: [{id: lip, what: "a double lip", from: "1964-09", question: "Is the lip double?", source: sheet, standing: memory}]
notes: [{text: "Nothing else is known.", source: sheet}]
"""


@pytest.fixture(autouse=True)
def somewhere(tmp_path, monkeypatch):
    """A folder with one table in 'mine', without a registry; the user's own configuration is elsewhere."""
    monkeypatch.chdir(tmp_path)
    for name in ("TUBMARK_REGISTRY", "TUBMARK_TABLES", "TUBMARK_TRACEBACK"):
        monkeypatch.delenv(name, raising=False)
    monkeypatch.setenv("XDG_CONFIG_HOME", str(tmp_path / "config"))
    (tmp_path / "mine").mkdir()
    (tmp_path / "mine" / "small.yml").write_text(SMALL, encoding="utf-8")
    return tmp_path


@pytest.fixture
def said(capsys):
    """Run one command line; (exit status, standard output with its line breaks as spaces, standard error likewise)."""

    def command(*args: str) -> tuple[int, str, str]:
        status = run(["families", *args])
        out = capsys.readouterr()
        return status, " ".join(out.out.split()), " ".join(out.err.split())

    return command


class TestList:
    def test_names_every_family(self, said):
        """Each with what carries it, its title, and how many rows it has and how many of them are not seen."""
        status, out, err = said()
        assert (0, "") == (status, err)
        for family in load_tables():
            assert f"{family.id} ({'/'.join(family.carried_by)}" in out
            assert family.title in out
        assert "small" not in out

    def test_with_a_users_own(self, said):
        status, out, _ = said("--tables", "mine")
        assert 0 == status
        assert "small (pan) A small family (invented). 2 rows, 2 with something from memory or by pattern." in out

    def test_as_json(self, said):
        """One document; the family's place is named."""
        _, out, _ = said("--tables", "mine", "--json")
        (mine,) = [family for family in json.loads(out) if family["family"] == "small"]
        assert {"family": "small", "title": "A small family (invented)", "carried_by": ["pan"], "house_table": False, "where": "on the tunnel",
                "table": "table in mine", "rows": 2, "provisional_rows": ["a", "b"]} == mine  # fmt: skip

    def test_house_tables_of_a_registry_are_called_so(self, said, registry_path, db):
        assert "try-pan (pan; house table)" in said("-r", str(registry_path))[1]


class TestShow:
    def test_everything_in_a_table(self, said):
        """Rows with their standing, what was never issued, what changed when, features, notes, sources, and where it is from."""
        _, out, _ = said("--tables", "mine", "show", "small")
        for part in (
            "small: A small family (invented)",
            "Carried by the pan: on the tunnel.",
            "Written Z {n}; '1-' before it is no part of the number.",
            "a 001 to 100 1964-09 *",
            "b 101 to ... 1964-10 +",
            "* a limit or a date from memory",
            "+ read off the pattern of a sister series",
            "Never issued: Z 000 to Z 000: counting began at 1 (sheet)",
            "from Z 050: a double lip from here on. Known exception: Z 055. (sheet)",
            "lip: a double lip, 1964-09-01 to ... (sheet, from memory)",
            "Nothing else is known. (sheet)",
            "sheet: Sheet; from memory.",
            "From: table in mine.",
        ):
            assert part in out

    @pytest.mark.parametrize("family", load_tables().compiled)
    def test_every_packaged_family(self, said, family):
        """Each row and each source of each table is on the screen."""
        status, out, err = said("show", family)
        assert (0, "") == (status, err)
        raw = load_tables()[family].raw
        assert all(row["id"] in out for row in raw.get("rows", []))
        assert all(f" {source}: " in out for source in raw["sources"])

    def test_as_json_it_is_the_table_without_what_was_compiled(self, said):
        _, out, _ = said("--tables", "mine", "show", "small", "--json")
        document = json.loads(out)
        assert ["a", "b"] == [row["id"] for row in document["rows"]]
        assert not {"segments", "templates", "sha256", "format"} & set(document)

    @pytest.mark.parametrize("family", ["nonesuch", "marks", "confusion", "", "../small"])
    def test_one_that_is_not_there(self, said, family):
        """Unknown, or a table that is no number family."""
        status, out, err = said("show", family)
        assert (2, "") == (status, out)
        assert f"There is no family '{family}'. 'tubmark families' lists them." in err


class TestCheck:
    def test_a_good_file(self, said):
        """It says what is in it and what to do with it."""
        status, out, _ = said("check", "mine/small.yml")
        assert 0 == status
        assert "'small.yml' is well formed: family small, 2 rows, 2 with something from memory or by pattern." in out
        assert "--tables" in out

    def test_a_good_file_as_json(self, said):
        assert {"family": "small", "rows": 2, "provisional_rows": ["a", "b"]} == json.loads(
            said("check", "mine/small.yml", "--json")[1]
        )

    @pytest.mark.parametrize(
        "path", sorted((Path(__file__).parents[2] / "decoder" / "tables").glob("*.yml")), ids=lambda path: path.stem
    )
    def test_the_packaged_files(self, said, path):
        assert 0 == said("check", str(path))[0]

    @pytest.mark.parametrize(
        ("old", "new", "says"),
        [
            (', source: "sheet[p. 2]"', "", "small.yml:10: row 'b': source: is missing."),
            ('"1964-10"', '"1964-13"', "small.yml:10: row 'b': '1964-13' is no date"),
            ('first: "101"', 'first: "050"', "small.yml:10: row 'b': it overlaps row 'a'"),
            ("family: small", "family: other", "small.yml:1: the family is 'other', but the file is 'small.yml'"),
            ("notes:", "nots:", "small.yml:14: nots: is no key of this format."),
        ],
    )
    def test_a_faulty_file(self, said, somewhere, old, new, says):
        """Each fault with file, line, row and reason; status 2."""
        assert old in SMALL
        (somewhere / "mine" / "small.yml").write_text(SMALL.replace(old, new), encoding="utf-8")
        status, out, err = said("check", "mine/small.yml")
        assert (2, "") == (status, out)
        assert says in err

    @pytest.mark.parametrize("file", ["nowhere.yml", "mine", ""])
    def test_no_file(self, said, file):
        status, _, err = said("check", file)
        assert 2 == status
        assert "cannot be read" in err

    def test_nothing_is_written(self, said, somewhere):
        """A check leaves the folder as it was."""
        said("check", "mine/small.yml")
        assert {"small.yml"} == {path.name for path in (somewhere / "mine").iterdir()}


class TestConfirm:
    def standing(self, capsys, *args: str) -> bool:
        assert 0 == run(["decode", "Z 050", "--on", "pan", *args])
        return "Standing: range from memory" in capsys.readouterr().out

    def test_the_notice_disappears(self, said, capsys, somewhere):
        """A row from memory becomes a row that has been seen, and says where."""
        assert self.standing(capsys, "--tables", "mine")
        status, out, _ = said("--tables", "mine", "confirm", "small", "a", "--source", "handbook, p. 12")
        assert 0 == status
        assert "Noted in mine/confirmations.json: small a was seen in handbook, p. 12." in out
        assert not self.standing(capsys, "--tables", "mine")
        assert 0 == run(["decode", "Z 050", "--on", "pan", "--tables", "mine", "--why"])
        assert "confirmed here: handbook, p. 12" in " ".join(capsys.readouterr().out.split())
        assert SMALL == (somewhere / "mine" / "small.yml").read_text(encoding="utf-8")
        assert ["b"] == json.loads(said("--tables", "mine", "--json")[1])[-1]["provisional_rows"]

    def test_in_the_users_own_folder_by_default(self, said, somewhere):
        """Without --tables it is kept in the configuration folder, and counts from then on."""
        status, out, _ = said("confirm", "aircooled-platform", "model-1968", "--source", "handbook")
        assert 0 == status
        path = somewhere / "config" / "tubmark" / "tables" / "confirmations.json"
        assert {"aircooled-platform": {"model-1968": "handbook"}} == json.loads(path.read_text(encoding="utf-8"))
        assert str(path) in out
        assert "standing:" not in said("show", "aircooled-platform")[1]

    def test_as_json(self, said):
        document = json.loads(said("--tables", "mine", "confirm", "small", "a", "--source", "handbook", "--json")[1])
        assert {"family": "small", "row": "a", "source": "handbook", "file": "mine/confirmations.json"} == document

    @pytest.mark.parametrize(
        ("args", "says"),
        [
            (["small", "z", "--source", "x"], "Family small has no row 'z'. 'tubmark families show small' lists them."),
            (["small", "a", "--source", " "], "Name the source: which handbook, which page."),
            (["small", "a"], "Missing option '--source'"),
            (["nonesuch", "a", "--source", "x"], "There is no family 'nonesuch'"),
            (["vin17", "1988", "--source", "x"], "Family vin17 has no row '1988'"),
            (["mgb", "ghn3-a", "--source", "x"], "Family mgb has no row 'ghn3-a'"),
        ],
    )
    def test_what_cannot_be_confirmed(self, said, somewhere, args, says):
        """A sentence, status 2, and nothing is written."""
        status, out, err = said("--tables", "mine", "confirm", *args)
        assert (2, "") == (status, out)
        assert says in err
        assert not (somewhere / "mine" / "confirmations.json").exists()

    def test_a_row_that_was_seen_already(self, said):
        row = next(r["id"] for r in load_tables()["mgb"].rows if not (r["memory"] or r["structure"]))
        status, _, err = said("--tables", "mine", "confirm", "mgb", row, "--source", "x")
        assert 2 == status
        assert "was seen in its source already; there is nothing to confirm" in err

    def test_a_damaged_note_is_not_written_over(self, said, somewhere):
        (somewhere / "mine" / "confirmations.json").write_text("{", encoding="utf-8")
        for args in (["show", "small"], ["confirm", "small", "a", "--source", "x"]):
            status, _, err = said("--tables", "mine", *args)
            assert 2 == status
            assert "confirmations.json' is damaged" in err
        assert "{" == (somewhere / "mine" / "confirmations.json").read_text(encoding="utf-8")


@pytest.mark.parametrize(
    ("args", "status"),
    [
        ([], 0),
        (["show", "mgb"], 0),
        (["show", "nonesuch"], 2),
        (["nonesuch"], 2),
        (["check"], 2),
        (["--tables", "nowhere"], 2),
    ],
)
def test_exit_status_of_the_process(somewhere, args, status):
    """What a script sees."""
    done = subprocess.run([sys.executable, "-c", "from registry.cli import main; main()", "families", *args], cwd=somewhere, capture_output=True, timeout=60,
                          env={**os.environ, "PYTHONPATH": str(Path(__file__).parents[2])})  # fmt: skip
    assert status == done.returncode
    assert b"Traceback" not in done.stderr
