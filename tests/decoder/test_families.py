"""Where tables are found: packaged, in a user's folder, in a registry; the compiled copy; rows confirmed in a handbook."""

from __future__ import annotations

import json
import os
import stat
from pathlib import Path

import pytest

from decoder import TableError, Tables, UnknownFamily, compile_table, decode, families, load_tables, words

#: A table with one row from memory, one by pattern, one seen.
SMALL = """\
family: small
title: "A small family (invented)"
carried_by: [pan]
where: "on the tunnel"
sources: {sheet: {title: "Sheet", supports: "all", standing: memory}}
schemes:
  - id: one
    parts: [{name: letter, literal: Z}, {name: n, figures: 3}]
    print: "Z {n}"
rows:
  - {id: a, scheme: one, basis: month, first: "001", last: "100", built: "1964-09", memory: [first, last], source: sheet}
  - {id: b, scheme: one, basis: month, first: "101", last: "200", built: "1964-10", structure: [first], source: sheet}
  - {id: c, scheme: one, basis: month, first: "201", last: "300", built: "1964-11", source: sheet}
"""


@pytest.fixture
def folder(tmp_path: Path) -> Path:
    (tmp_path / "small.yml").write_text(SMALL, encoding="utf-8")
    return tmp_path


def months(tables: Tables, number: str, family: str = "small") -> list[str]:
    return [
        month for d in decode(number, families=[family], tables=tables, doubt="none").decodings for month, _ in d.months
    ]


class TestWhereTablesComeFrom:
    def test_the_packaged_ones(self):
        """Without a folder there are the families that come with the package, each saying so."""
        tables = load_tables()
        assert {"aircooled-platform", "vin17", "ford-europe-date-letters"} <= set(tables.compiled)
        assert {"packaged table"} == {family.origin for family in tables}
        assert tables is load_tables()

    def test_component_marks_are_no_number_family(self):
        """A table for another decoder lies in the same folder and is not tried for numbers."""
        assert "marks" in families.load_packaged()
        assert "marks" not in load_tables()

    def test_a_folder_is_added(self, folder):
        """A user's table is tried beside the packaged ones, and the answer names the folder."""
        tables = load_tables(folder=folder)
        assert {"small", "aircooled-platform"} <= set(tables.compiled)
        (found,) = decode("Z 050", families=["small"], tables=tables).decodings
        assert f"table in {folder}" == found.as_dict()["table"]

    def test_a_table_of_the_same_id_wins(self, folder):
        """The user's table takes the place of the packaged one, and the answer names it."""
        (folder / "quick.yml").write_text(SMALL.replace("family: small", "family: quick"), encoding="utf-8")
        (folder / "aircooled-platform.yml").write_text(
            SMALL.replace("family: small", "family: aircooled-platform"), encoding="utf-8"
        )
        tables = load_tables(folder=folder)
        assert ["1964-09"] == months(tables, "Z 050", "aircooled-platform")
        assert [] == months(tables, "118 012 345", "aircooled-platform")
        assert f"table in {folder}" == tables["aircooled-platform"].origin
        assert "packaged table" == load_tables()["aircooled-platform"].origin

    def test_a_registrys_table_wins_over_both(self, folder):
        """What a registry hands over counts before the folder."""
        mine = {**compile_table(SMALL.replace("1964-09", "1974-09")), "origin": "table in the registry"}
        tables = load_tables(folder=folder, extra=[mine])
        assert ["1974-09"] == months(tables, "Z 050")
        assert "table in the registry" == tables["small"].origin

    def test_a_broken_table_in_the_folder_is_refused(self, folder):
        """Nothing is answered from the rest as if nothing were wrong."""
        (folder / "small.yml").write_text(SMALL.replace('last: "100"', 'last: "150"'), encoding="utf-8")
        with pytest.raises(TableError, match=r"small\.yml:12: row 'b': it overlaps row 'a'"):
            load_tables(folder=folder)

    def test_a_table_under_another_name_is_refused(self, folder):
        """The file is called as the family."""
        (folder / "small.yml").rename(folder / "other.yml")
        with pytest.raises(TableError, match="the family is 'small', but the file is 'other.yml'"):
            load_tables(folder=folder)

    def test_a_file_that_is_no_utf8_is_refused(self, folder):
        (folder / "small.yml").write_bytes(SMALL.replace("Sheet", "Bl\u00e4tt").encode("latin-1"))
        with pytest.raises(TableError, match="this is not UTF-8 text"):
            load_tables(folder=folder)

    def test_a_table_that_cannot_be_opened_is_said(self, folder):
        """A directory is called as a table would be."""
        (folder / "deep.yml").mkdir()
        with pytest.raises(TableError, match=r"deep\.yml' cannot be read"):
            load_tables(folder=folder)

    def test_a_name_with_a_dot_before_it_is_no_table(self, folder):
        """What an editor or a disk leaves beside a table is passed over."""
        (folder / "._small.yml").write_bytes(b"\x00\x05\x16\x07")
        assert ["1964-09"] == months(load_tables(folder=folder), "Z 050")

    def test_no_folder(self, tmp_path):
        with pytest.raises(TableError, match="There is no folder '.*nowhere' with tables"):
            load_tables(folder=tmp_path / "nowhere")

    def test_an_unknown_family_is_said(self):
        """Both where it is asked for and where a search is limited to it."""
        with pytest.raises(UnknownFamily, match=r"no family 'nonesuch'.*'tubmark families' lists them"):
            load_tables()["nonesuch"]
        with pytest.raises(UnknownFamily, match="no family 'nonesuch'"):
            decode("118 012 345", families=["nonesuch"])


class TestCompiledCopy:
    def test_is_kept_beside_the_tables(self, folder):
        """The first load writes it, with the hash of each table; the next one reads it without compiling."""
        load_tables(folder=folder)
        copy = json.loads((folder / "compiled.json").read_text(encoding="utf-8"))
        assert families.FORMAT == copy["format"]
        assert {"small.yml"} == set(copy["tables"])
        assert "origin" not in copy["tables"]["small.yml"]

    def test_runs_while_its_hash_agrees(self, folder):
        """It is what runs: a mark put into it by hand is seen in the answer."""
        load_tables(folder=folder)
        copy = json.loads((folder / "compiled.json").read_text(encoding="utf-8"))
        copy["tables"]["small.yml"]["title"] = "From the copy"
        (folder / "compiled.json").write_text(json.dumps(copy), encoding="utf-8")
        assert "From the copy" == load_tables(folder=folder)["small"].title

    def test_of_another_text_is_made_anew(self, folder):
        """A table that was changed since is compiled again, and the copy with it."""
        load_tables(folder=folder)
        (folder / "small.yml").write_text(SMALL.replace("1964-09", "1974-09"), encoding="utf-8")
        assert ["1974-09"] == months(load_tables(folder=folder), "Z 050")
        assert "1974-09" in (folder / "compiled.json").read_text(encoding="utf-8")

    @pytest.mark.parametrize(
        "damage", ["", "{", "[]", "null", '{"format": 0, "tables": {}}', '{"tables": {}}', "\x00\xff"]
    )
    def test_that_is_damaged_is_made_anew(self, folder, damage):
        """Cut short, emptied, of another version: the answer is the same and the copy is whole again."""
        load_tables(folder=folder)
        whole = (folder / "compiled.json").read_text(encoding="utf-8")
        (folder / "compiled.json").write_bytes(damage.encode("latin-1"))
        assert ["1964-09"] == months(load_tables(folder=folder), "Z 050")
        assert whole == (folder / "compiled.json").read_text(encoding="utf-8")

    @pytest.mark.parametrize("entry", [1, [], {}, {"sha256": 5}, None])
    def test_with_a_damaged_entry_is_made_anew(self, folder, entry):
        """One table's part of the copy is spoilt."""
        load_tables(folder=folder)
        copy = {"format": families.FORMAT, "tables": {"small.yml": entry}}
        (folder / "compiled.json").write_text(json.dumps(copy), encoding="utf-8")
        assert ["1964-09"] == months(load_tables(folder=folder), "Z 050")

    def test_loses_a_table_that_is_gone(self, folder):
        """A table taken out of the folder is no longer tried."""
        (folder / "second.yml").write_text(SMALL.replace("family: small", "family: second"), encoding="utf-8")
        assert "second" in load_tables(folder=folder)
        (folder / "second.yml").unlink()
        assert "second" not in load_tables(folder=folder)
        assert {"small.yml"} == set(json.loads((folder / "compiled.json").read_text(encoding="utf-8"))["tables"])

    @pytest.mark.skipif(hasattr(os, "geteuid") and os.geteuid() == 0, reason="root writes everywhere")
    def test_a_folder_that_cannot_be_written_is_no_fault(self, folder):
        folder.chmod(stat.S_IRUSR | stat.S_IXUSR)
        try:
            assert ["1964-09"] == months(load_tables(folder=folder), "Z 050")
        finally:
            folder.chmod(stat.S_IRWXU)

    def test_a_copy_that_cannot_be_replaced_is_no_fault(self, folder):
        """A directory stands where the copy would be: tables are compiled each time, and nothing is left lying about."""
        (folder / "compiled.json").mkdir()
        assert ["1964-09"] == months(load_tables(folder=folder), "Z 050")
        assert {"small.yml", "compiled.json"} == {path.name for path in folder.iterdir()}

    def test_the_packaged_copy_is_that_of_the_packaged_tables(self):
        """What is shipped is what the YAML says: same files, same hashes, same content."""
        here = Path(families.__file__).parent / "tables"
        copy = json.loads((here / "compiled.json").read_text(encoding="utf-8"))["tables"]
        assert {path.name for path in here.glob("*.yml")} == set(copy)
        for path in here.glob("*.yml"):
            assert copy[path.name] == json.loads(json.dumps(compile_table(path.read_text(encoding="utf-8"), path.name)))


class TestCheckFile:
    def test_a_good_file(self, folder):
        assert "small" == families.check_file(folder / "small.yml")["family"]

    def test_no_such_file(self, folder):
        with pytest.raises(TableError, match=r"nowhere\.yml' cannot be read: No such file"):
            families.check_file(folder / "nowhere.yml")

    def test_a_folder_is_no_file(self, folder):
        with pytest.raises(TableError, match="cannot be read"):
            families.check_file(folder)


class TestConfirmations:
    def notice(self, folder: Path, number: str) -> str:
        (found,) = decode(number, families=["small"], tables=load_tables(folder=folder)).decodings
        return words.standing(found)

    @pytest.mark.parametrize(
        ("number", "row", "says"),
        [("Z 050", "a", "range from memory"), ("Z 150", "b", "range read off the pattern of a sister series")],
    )
    def test_a_confirmed_row_loses_its_notice(self, folder, number, row, says):
        """Before, one plain line tells how to confirm it; after, the line is gone, the source is named and the answer is not provisional."""
        assert (
            f'standing: {says}; confirm it with a handbook: tubmark families confirm small {row} --source "handbook, page"'
            == self.notice(folder, number)
        )
        path = families.confirm(folder, load_tables(folder=folder)["small"].raw, row, "handbook of 1966, p. 12")
        assert folder / "confirmations.json" == path
        assert "" == self.notice(folder, number)
        (found,) = decode(number, families=["small"], tables=load_tables(folder=folder)).decodings
        assert not found.as_dict()["provisional"]
        assert any("confirmed here: handbook of 1966, p. 12" in warning for warning in found.warnings)

    def test_other_rows_keep_theirs(self, folder):
        families.confirm(folder, load_tables(folder=folder)["small"].raw, "a", "handbook")
        assert "" != self.notice(folder, "Z 150")

    def test_the_table_itself_is_not_touched(self, folder):
        """It is an overlay: the table's bytes stay."""
        families.confirm(folder, load_tables(folder=folder)["small"].raw, "a", "handbook")
        assert SMALL == (folder / "small.yml").read_text(encoding="utf-8")

    def test_packaged_rows_are_confirmed_in_the_users_folder(self, tmp_path):
        """A folder that holds nothing but the note is enough; the packaged answer elsewhere keeps its notice."""
        families.confirm(tmp_path, load_tables()["aircooled-platform"].raw, "model-1968", "handbook")
        (mine,) = decode("118 012 345", on="pan", tables=load_tables(folder=tmp_path)).decodings
        (packaged,) = decode("118 012 345", on="pan").decodings
        assert ("", True) == (words.standing(mine), "model-1968" in words.standing(packaged))

    def test_several_are_kept_together(self, folder):
        """A second note does not lose the first; a row confirmed again has the later source."""
        raw = load_tables(folder=folder)["small"].raw
        for row, source in (("a", "handbook"), ("b", "bulletin"), ("a", "the better handbook")):
            families.confirm(folder, raw, row, source)
        assert {"small": {"a": "the better handbook", "b": "bulletin"}} == families.read_confirmations(folder)

    def test_the_folder_is_made(self, folder, tmp_path):
        path = families.confirm(tmp_path / "deep" / "down", load_tables(folder=folder)["small"].raw, "a", "handbook")
        assert path.is_file()

    @pytest.mark.parametrize(("row", "source", "error", "says"), [
        ("z", "handbook", UnknownFamily, r"has no row 'z'.*families show small"),
        ("c", "handbook", TableError, "nothing to confirm"),
        ("a", "  ", TableError, "Name the source"),
    ])  # fmt: skip
    def test_what_cannot_be_confirmed(self, folder, row, source, error, says):
        """A row that is not there, one that was seen already, no source: refused, and nothing is written."""
        with pytest.raises(error, match=says):
            families.confirm(folder, load_tables(folder=folder)["small"].raw, row, source)
        assert not (folder / "confirmations.json").exists()

    @pytest.mark.parametrize("damage", ["", "{", "[]", '{"small": 3}', "\x00"])
    def test_a_damaged_note_is_said(self, folder, damage):
        """It is not taken for an empty one, so that nothing confirmed is lost in silence; nor is it written over."""
        (folder / "confirmations.json").write_text(damage, encoding="utf-8")
        with pytest.raises(TableError, match=r"confirmations\.json' is damaged"):
            load_tables(folder=folder)
        with pytest.raises(TableError, match=r"confirmations\.json' is damaged"):
            families.confirm(folder, compile_table(SMALL), "a", "handbook")
        assert damage == (folder / "confirmations.json").read_text(encoding="utf-8")

    def test_of_a_table_that_is_not_there_is_nothing(self, folder):
        """A note on a family that was taken away does no harm."""
        (folder / "confirmations.json").write_text(
            '{"gone": {"a": "x"}, "vin17": {"a": "x"}, "small": {"zz": "x"}}', encoding="utf-8"
        )
        assert ["1964-09"] == months(load_tables(folder=folder), "Z 050")

    def test_a_place_that_cannot_be_written(self, folder):
        (folder / "file").write_text("", encoding="utf-8")
        with pytest.raises(TableError, match="cannot be"):
            families.confirm(folder / "file" / "below", compile_table(SMALL), "a", "handbook")
