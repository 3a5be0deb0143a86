"""The clipboard sheet: one page, a box for every state, and the way back."""

from __future__ import annotations

import csv
import io
import re
import shutil
import subprocess
from collections.abc import Iterator
from pathlib import Path

import pytest
from evidence_registry import make
from sqlite_utils import Database

from decoder.evidence import STATES, look_next
from registry.inspecting import findings_in, state_meant
from registry.opening import open_registry, opened
from registry.sheets import in_order, sheet_csv, sheet_html, sheet_text
from registry.tells import sheet_for

SAMPLE = Path(__file__).resolve().parent.parent.parent / "sample_registry.db"


@pytest.fixture
def db(tmp_path: Path) -> Iterator[Database]:
    with opened(make(tmp_path), write=True) as database:
        yield database


def test_every_tell_once_in_the_order_of_doubt_a_minute_inside_its_half(db: Database):
    sheet = sheet_for(db, "KA")
    parts = in_order(sheet)
    assert [place for place, _rows in parts] == ["front", "rear", ""]
    assert sorted(row["code"] for _place, rows in parts for row in rows) == sorted(sheet.rows)
    order = [each.tell for each in look_next(sheet.sheet, [])]
    for _place, rows in parts:
        codes = [row["code"] for row in rows]
        assert codes == sorted(codes, key=order.index)


def test_a_box_for_every_state_and_what_is_needed_at_the_car(db: Database):
    sheet = sheet_for(db, "KA")
    page = sheet_html(sheet, keeper="Try & list")
    assert page.count("<i title=") == len(STATES) * len(sheet.rows)
    for words in (
        "Examiner",
        "Number of the body as read",
        "Sketch",
        "torch; 4 min",
        "Careful: Wet glass cuts.",
        "Not seen is not absent",
        "Room for a label",
        "Try &amp; list",
    ):
        assert words in page, words
    assert "http" not in page and "<script" not in page


def test_what_others_found_is_not_on_it(db: Database):
    """A second examiner gets the same page."""
    from evidence_registry import ALL_THERE, see

    before = [make_it(sheet_for(db, "E26-001")) for make_it in (sheet_html, sheet_text, sheet_csv)]
    see(db, "E26-001", ALL_THERE)
    assert [make_it(sheet_for(db, "E26-001")) for make_it in (sheet_html, sheet_text, sheet_csv)] == before


def test_words_of_a_tell_are_escaped(db: Database):
    from evidence_registry import tell
    from furnishing import AT

    from registry import store

    store.record_tells(
        db, [tell("K04", "lamination", "41/46", "1/23", version=2, looks_like="<script>5 < 6 & more")], at=AT
    )
    page = sheet_html(sheet_for(db, "KA"))
    assert "<script>" not in page and "&lt;script&gt;5 &lt; 6 &amp; more" in page


def test_the_spreadsheet_filled_in_comes_back(db: Database):
    """Each state, written into the blank sheet, is read as that state."""
    rows = list(csv.DictReader(io.StringIO(sheet_csv(sheet_for(db, "KA")))))
    for row, state in zip(rows, STATES, strict=False):
        row["state"] = state
    filled = io.StringIO()
    writer = csv.DictWriter(filled, list(rows[0]))
    writer.writeheader()
    writer.writerows(rows)
    found = findings_in(filled.getvalue(), "sheet.csv")
    assert [state_meant(each.state) for each in found] == list(STATES)
    assert [each.tell for each in found] == [row["tell"] for row in rows[: len(STATES)]]


def test_the_text_fits_a_terminal(db: Database):
    lines = sheet_text(sheet_for(db, "KA")).splitlines()
    assert max(map(len, lines)) <= 78 and sum(line.startswith("[    ]") for line in lines) == 9


@pytest.mark.skipif(shutil.which("chromium") is None, reason="no browser here to print with")
@pytest.mark.parametrize("series", ["KA", "RQ", "D1", "UF"])
def test_it_prints_on_one_page(tmp_path: Path, series: str):
    """The fullest sheet of the sample has 28 tells. Chromium prints on Letter, the shorter of the two papers."""
    db = open_registry(SAMPLE)
    (tmp_path / "sheet.html").write_text(sheet_html(sheet_for(db, series), keeper="Nettlebank Yard"), encoding="utf-8")
    db.close()
    command = [
        "chromium",
        "--headless",
        "--no-sandbox",
        "--no-pdf-header-footer",
        f"--user-data-dir={tmp_path / 'profile'}",
    ]
    target = tmp_path / "sheet.pdf"
    subprocess.run(
        [*command, f"--print-to-pdf={target}", str(tmp_path / "sheet.html")],
        check=True,
        capture_output=True,
        timeout=60,
    )
    assert re.findall(rb"/Count (\d+)", target.read_bytes()) == [b"1"]
