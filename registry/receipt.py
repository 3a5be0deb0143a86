"""The receipt for a car that is left: what was left, by whom, why, on what terms, in what condition, and until when.

It is made from the entry and from nothing else. What has not been filled in is named as a blank; nothing is guessed, the law
of the place least of all. The claim stands in the words in which it was made, as a claim. What is said about the numbers
(theft reports, altered surfaces, liens) is not on it: it is advice to the shop and accuses nobody. What can hurt somebody is.
"""

from __future__ import annotations

import html
import textwrap
from collections.abc import Callable
from typing import Any

from registry import knowing
from registry.models import PaperIn, check

WIDTH = 78
VERSION = "receipt 1"

_RULED = "." * 40
_SHOWN_STOPS = ("unsafe to move", "unsafe to drive")

#: How a person's value is put on the paper: (person's id, "name" | "town" | "contact") to text.
Naming = Callable[[int, str], str | None]


def naming(db: Any) -> Naming:
    """People as they are on file now; one who was erased is said to be."""
    on_file = knowing.people(db)

    def name(person: int, what: str) -> str | None:
        row = on_file[person]
        if row["erased_at"]:
            return row["said"] if what == "name" else None
        return row[what]

    return name


def placeholders(person: int, what: str) -> str:
    """People as a paper keeps them: by id, so that they can be erased from papers too."""
    return f"{{{{person:{person}:{what}}}}}"


def lines_of(db: Any, entry: str, name: Naming | None = None) -> dict[str, Any]:
    """What stands on the receipt: ``title``, ``number``, ``date``, ``items`` (label, text or None for a blank), ``stops``, ``blanks``.

    Raises NoAnswer where there is no such entry.
    """
    row = knowing.entry_row(db, entry)
    name = name or naming(db)
    left_by = None
    if row["left_by"] is not None:
        parts = [name(row["left_by"], "name"), name(row["left_by"], "town")]
        left_by = ", ".join(part for part in parts if part) or None
    things = [
        f"{thing['kind']} {reading['as_typed']}"
        for thing in knowing.things_of(db, row["car"])
        for reading in [knowing.best_reading(db, thing["id"])]
        if reading and reading["entry"] == row["id"]
    ]
    items = [
        ("Left by", left_by),
        ("As", row["left_by_kind"]),
        ("By what right", row["by_right"]),
        ("Why", row["reason"]),
        (
            "What is claimed",
            f"\u201c{row['claim_words']}\u201d (in the words of whoever left it)" if row["claim_words"] else None,
        ),
        ("Numbers as read", ", ".join(things) or None),
        ("Condition at the door", row["condition"]),
        ("Contents", row["contents"]),
        ("Terms", row["terms"]),
        ("To be collected or looked at again by", row["until"]),
    ]
    # A car without numbers, or without a claim, is a complete record; the rest is owed to whoever leaves it.
    owed = {label for label, text in items if text is None} - {"As", "What is claimed", "Numbers as read"}
    items = [(label, text) for label, text in items if text is not None or label in owed]
    stops = [stop for stop in knowing.open_stops(db, row["car"]) if stop["kind"] in _SHOWN_STOPS]
    received = {
        "received": "Received",
        "refused": "Not received",
        "opinion only": "For an opinion only",
        "paper only": "Papers only",
    }
    return {
        "title": "Receipt",
        "keeper": knowing.info(db).get("name", ""),
        "number": row["number"],
        "car": knowing.car_number(db, knowing.stays(db, row["car"])),
        "date": row["entry_date"],
        "received": received[row["received"]],
        "items": items,
        "stops": stops,
        "blanks": [label for label, _text in items if label in owed],
    }


def receipt_text(db: Any, entry: str, name: Naming | None = None) -> str:
    """The receipt as plain text, 78 columns, to be printed and signed."""
    sheet = lines_of(db, entry, name)
    out = [
        f"{sheet['title']}   entry {sheet['number']}",
        f"{sheet['keeper']}   {sheet['date']}   {sheet['received'].lower()}",
        "-" * WIDTH,
    ]
    for stop in sheet["stops"]:
        out += textwrap.wrap(f"STOP, {stop['kind']}: {stop['says']}", WIDTH)
        out += ["-" * WIDTH]
    for label, text in sheet["items"]:
        out += [f"{label}:"]
        for paragraph in (text or _RULED).splitlines() or [""]:
            out += textwrap.wrap(paragraph, WIDTH, initial_indent="  ", subsequent_indent="  ")
    out += ["", *textwrap.wrap(_notice(sheet), WIDTH), ""]
    out += [f"{'For the shop':<38}  {'Left by'}", "", f"{'.' * 36:<38}  {'.' * 36}"]
    return "\n".join(out) + "\n"


def receipt_html(db: Any, entry: str, name: Naming | None = None) -> str:
    """The receipt as one page of HTML that prints on one sheet; nothing is loaded from elsewhere."""
    sheet = lines_of(db, entry, name)
    e = html.escape
    stops = "".join(
        f"<section class='stop'><h2>Stop: {e(stop['kind'])}</h2><p>{e(stop['says'])}</p></section>"
        for stop in sheet["stops"]
    )
    items = "".join(
        f"<dt>{e(label)}</dt><dd>{e(text) if text else '<span class=blank>to be filled in</span>'}</dd>"
        for label, text in sheet["items"]
    )
    return f"""<!doctype html>
<html lang="en">
<head>
<meta charset="utf-8">
<meta name="viewport" content="width=device-width, initial-scale=1">
<title>Receipt, entry {e(sheet["number"])}</title>
<style>
body {{ font: 17px/1.5 system-ui, sans-serif; color: #17202b; background: #fff; max-width: 70ch; margin: 2rem auto; padding: 0 1rem; }}
h1 {{ font-size: 1.4rem; margin: 0; }}
dt {{ font-weight: 600; margin-top: .8rem; }}
dd {{ margin: 0; white-space: pre-wrap; }}
.blank {{ display: inline-block; min-width: 20rem; border-bottom: 1px solid #17202b; color: #4a5462; }}
.stop {{ border-top: 5px solid #8a1538; border-bottom: 5px solid #8a1538; color: #8a1538; margin: 1rem 0; }}
.sign {{ display: flex; gap: 2rem; margin-top: 4rem; }}
.sign p {{ flex: 1; border-top: 1px solid #17202b; }}
@media print {{ body {{ margin: 0; }} }}
</style>
</head>
<body>
<h1>Receipt, entry {e(sheet["number"])}</h1>
<p>{e(sheet["keeper"])}, {e(sheet["date"])}, {e(sheet["received"].lower())}</p>
{stops}<dl>{items}</dl>
<p>{e(_notice(sheet))}</p>
<div class="sign"><p>For the shop</p><p>Left by</p></div>
</body>
</html>
"""


def _notice(sheet: dict[str, Any]) -> str:
    said = "A claim on this sheet is kept as it was made; it is no finding of the shop's."
    if sheet["blanks"]:
        blanks = ", ".join(label.lower() for label in sheet["blanks"])
        said += f" Left blank: {blanks}. Agree on them before both sign."
    return said + " What the law of the place asks of a receipt stands above this sheet and is not on it."


def as_paper(db: Any, entry: str, *, day: str, markup: bool = False) -> PaperIn:
    """The receipt as it is kept once it was handed over: people stand in it by id (``store.record_paper`` takes it)."""
    row = knowing.entry_row(db, entry)
    text = (receipt_html if markup else receipt_text)(db, entry, placeholders)
    paper: PaperIn = check(
        PaperIn,
        kind="receipt",
        version=VERSION,
        media_type="text/html" if markup else "text/plain",
        body=text.encode(),
        at=day,
        entry=row["number"],
        to_person=row["left_by"],
    )
    return paper
