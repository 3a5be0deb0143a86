"""The clipboard sheet: one page to fill in at the car, of one maker's tells.

It is printed before anything is known: boxes for the six states, how to look and for how many minutes, what to be careful
with, room for a sketch and for the number as it is read. The states that are no evidence have boxes like the others, since
"not seen" is written as "not there" where there is no other box. Inside each half of the car the tells stand in the order in
which they remove most doubt a minute, so that half an examination is the better half.

The filled sheet goes back with ``tubmark inspect CAR --file FILE``; ``sheet_csv`` is the same sheet for a spreadsheet.
Nothing on it says what others found: a second examiner gets the same page.
"""

from __future__ import annotations

import csv
import io
import textwrap
from html import escape
from typing import TYPE_CHECKING, Any

from decoder.evidence import STATES, look_next, zone

if TYPE_CHECKING:
    from registry.tells import SheetOnFile

WIDTH = 78
#: How the states are called over their boxes on paper.
_BOXES = ("present", "absent", "altered", "traces left", "not visible", "not examined")
_PLACES = {"front": "Front, as far as behind the seats", "rear": "Rear", "": "Anywhere on the body"}


def in_order(on_file: SheetOnFile) -> list[tuple[str, list[dict[str, Any]]]]:
    """The tells by their half of the car, each as its row on file; inside a half the most doubt removed a minute first."""
    looks = [each.tell for each in look_next(on_file.sheet, [])]
    found: dict[str, list[dict[str, Any]]] = {"front": [], "rear": [], "": []}
    for code in looks:
        found[zone(on_file.rows[code]["place"] or "")].append(on_file.rows[code])
    return [(name, rows) for name, rows in found.items() if rows]


def _minutes(row: dict[str, Any]) -> str:
    return f"{row['minutes']:g} min" if row["minutes"] else ""


def _elsewhere(row: dict[str, Any]) -> str:
    """The place in words, where it says more than front or rear."""
    place = str(row["place"] or "")
    return "" if zone(place) and place.casefold() in ("front", "rear", _PLACES["front"].casefold()) else place


def sheet_text(on_file: SheetOnFile) -> str:
    """The sheet as plain text, 78 columns: a state is written on the line before each tell."""
    out = [
        f"Examination sheet: {on_file.name}",
        "Car ......................   Examiner ...................   Day ..............",
        "Number as read ............................   on .............................",
        "-" * WIDTH,
        *textwrap.wrap(
            "On each line: p present, a absent, alt altered, t gone with traces left, nv not visible, ne not examined. "
            "Not seen is not absent.",
            WIDTH,
        ),
    ]
    for place, rows in in_order(on_file):
        out += ["", _PLACES[place]]
        for row in rows:
            about = "; ".join(part for part in (_elsewhere(row), row["how"], _minutes(row)) if part)
            out += textwrap.wrap(
                f"[    ] {row['code']} {row['name']}: {row['looks_like']} ({about})", WIDTH, subsequent_indent=" " * 7
            )
            if row["cautions"]:
                out += textwrap.wrap(
                    f"Careful: {row['cautions']}", WIDTH, initial_indent=" " * 7, subsequent_indent=" " * 7
                )
    return "\n".join([*out, "", _back(on_file)]) + "\n"


def _back(on_file: SheetOnFile) -> str:
    return "Recorded with:  tubmark inspect CAR --by NAME CODE=STATE ..."


def sheet_csv(on_file: SheetOnFile) -> str:
    """The sheet for a spreadsheet: one line a tell; ``state`` and, where wanted, ``doubt`` (0 to 0.5), ``place``, ``note`` to fill in."""
    out = io.StringIO()
    writer = csv.writer(out, lineterminator="\n")
    writer.writerow(["tell", "state", "doubt", "place", "note", "name", "looks like", "how", "minutes", "careful"])
    for _place, rows in in_order(on_file):
        for row in rows:
            minutes = f"{row['minutes']:g}" if row["minutes"] else ""
            about = (row["name"], row["looks_like"], row["how"] or "", minutes, row["cautions"] or "")
            writer.writerow([row["code"], "", "", "", "", *about])
    return out.getvalue()


def sheet_html(on_file: SheetOnFile, *, car: str = "", keeper: str = "") -> str:
    """The sheet as one page of HTML for A4 or Letter; nothing is loaded from elsewhere. ``car`` is printed where it is known."""
    e = escape
    heads = "".join(f'<th class="b" scope="col"><span>{e(box)}</span></th>' for box in _BOXES)
    bodies = []
    for place, rows in in_order(on_file):
        bodies.append(
            f'<tbody><tr class="place"><th colspan="{len(_BOXES) + 2}" scope="rowgroup">{e(_PLACES[place])}</th></tr>'
        )
        for row in rows:
            about = "; ".join(part for part in (_elsewhere(row), row["how"], _minutes(row)) if part)
            careful = f" <strong>Careful: {e(row['cautions'])}</strong>" if row["cautions"] else ""
            boxes = "".join(f'<td class="b"><i title="{e(state)}"></i></td>' for state in STATES)
            bodies.append(
                f'<tr><th scope="row">{e(row["code"])}</th><td><b>{e(row["name"])}</b>: {e(row["looks_like"])} '
                f"<em>{e(about)}</em>{careful}</td>{boxes}</tr>"
            )
        bodies.append("</tbody>")
    count = len(on_file.rows)
    size, sketch = (7.8, 17) if count > 24 else (9.4, 30) if count > 16 else (10.5, 40)
    return f"""<!doctype html>
<html lang="en">
<head>
<meta charset="utf-8">
<meta name="viewport" content="width=device-width, initial-scale=1">
<title>Examination sheet: {e(on_file.name)}</title>
<style>
@page {{ margin: 8mm; }}
body {{ font: {size}pt/1.18 system-ui, sans-serif; color: #17202b; background: #fff; max-width: 197mm; margin: 0 auto; }}
h1 {{ font-size: 13pt; margin: 0; }}
p {{ margin: 1.2mm 0; }}
.fill {{ display: flex; flex-wrap: wrap; gap: 1.5mm 4mm; margin: 1.5mm 0; }}
.fill span {{ flex: 1 1 40mm; border-bottom: .3mm solid #17202b; min-height: 6mm; }}
table {{ border-collapse: collapse; width: 100%; }}
th, td {{ text-align: left; vertical-align: top; padding: .3mm .8mm; border-bottom: .15mm solid #8a93a0; font-weight: normal; }}
tr > th:first-child {{ font-weight: 600; white-space: nowrap; }}
.place th {{ border-bottom: .4mm solid #17202b; padding-top: 1.2mm; }}
tr {{ break-inside: avoid; }}
em {{ font-style: normal; color: #3b4654; }}
.b {{ width: 7.2mm; text-align: center; padding: .3mm 0; }}
.b span {{ font-size: .9em; writing-mode: vertical-rl; transform: rotate(180deg); white-space: nowrap; }}
.b i {{ display: block; margin: 0 auto; width: 3.6mm; height: 3.6mm; border: .3mm solid #17202b; }}
thead th {{ vertical-align: bottom; }}
.below {{ display: flex; gap: 4mm; margin-top: 2mm; break-inside: avoid; }}
.sketch {{ flex: 1; border: .3mm solid #17202b; min-height: {sketch}mm; padding: 1mm; }}
.code {{ width: 26mm; min-height: {sketch}mm; border: .3mm dashed #8a93a0; padding: 1mm; color: #3b4654; }}
@media screen {{ body {{ padding: 1rem; font-size: 12pt; }} }}
</style>
</head>
<body>
<h1>Examination sheet: {e(on_file.name)}</h1>
<div class="fill"><span>Car {e(car)}</span><span>Examiner</span><span>Day</span><span>Light, lift, what was taken off</span></div>
<div class="fill"><span>Number of the body as read (? cannot be read)</span><span>It stands on</span></div>
<p>One box a line. <b>Not seen is not absent</b>: what is covered is "not visible", what nobody looked at is "not examined".
In doubt write beside the box how sure you are, in per cent. Nothing is scraped, lifted or taken off without the owner's leave.</p>
<table>
<thead><tr><th scope="col">Tell</th><th scope="col">What to look for <em>(how, minutes)</em></th>{heads}</tr></thead>
{"".join(bodies)}
</table>
<div class="below"><div class="sketch">Sketch: where on the car, seams, repairs, anything odd</div>
<div class="code">Room for a label of the car</div></div>
<p><em>{e(keeper)}{". " if keeper else ""}Tells as on file: {count}. {e(_back(on_file))}</em></p>
</body>
</html>
"""
