"""Our own pages: the front page, decode, look-up and a car's public entry.

Each page reads its question from the address, asks the function that the command asks, and shows the answer; with ``.json``
at the end of the path the answer is the command's document itself. Nothing is written, no cookie is set, no script runs and
nothing is fetched from elsewhere. A question that is malformed gets 400 and a sentence beside the field.
"""

from __future__ import annotations

import hashlib
import sqlite3
import tempfile
import traceback
from functools import lru_cache
from pathlib import Path
from typing import Any
from urllib.parse import urlencode

from datasette.utils import tilde_decode, tilde_encode
from datasette.utils.asgi import Base400, Response
from datasette.views.base import DatasetteError
from markupsafe import Markup

from registry import draw
from registry.web import guard

#: What a number is stamped on, in the order in which people ask (the words of decoder.CARRIERS).
ON = {
    "pan": "the floorpan or chassis",
    "body": "the body",
    "plate": "a plate on the body",
    "engine": "the engine",
    "title": "a title or registration paper",
}
SURFACE = {
    "untouched": "untouched",
    "painted": "painted over",
    "pitted": "pitted or rusted",
    "ground": "ground or filed",
    "restamped": "looks stamped again",
    "cut-away": "cut away",
}

#: A table less likely than this is shown folded away. Own choice: one in twenty is where people stop to look.
FOLDED_BELOW = 0.05

#: A policy for the browser that says what these pages are: no script, nothing from elsewhere, not to be framed.
_POLICY = (
    "default-src 'none'; style-src 'self' 'unsafe-inline'; img-src 'self' data:; form-action 'self'; base-uri 'none'; "
    "frame-ancestors 'none'"
)

# --- which list is served -----------------------------------------------------------------------------------------------


class List:
    """The list that the pages are about: the newest edition that is served, else the registry, else none."""

    def __init__(self, name: str | None, kind: str, info: dict[str, Any]) -> None:
        self.name, self.kind, self.info = name, kind, info

    @property
    def title(self) -> str:
        return str(self.info.get("name") or "Tubmark")

    @property
    def is_edition(self) -> bool:
        return self.kind == guard.EDITION

    @property
    def dated(self) -> str:
        """The day of the edition (ISO); of a registry, that of the edition it published last."""
        return str(self.info.get("dated") or "")

    @property
    def dated_in_words(self) -> str:
        from decoder.words import day_in_words

        return day_in_words(self.dated) if len(self.dated) == 10 else self.dated

    @property
    def foot(self) -> str:
        """What this file is, for the foot of each page."""
        if self.is_edition:
            digest = str(self.info.get("sha256") or "")
            return (
                f"{self.title}, edition of {self.dated_in_words}. Hash of its content: {digest[:16]}."
                if digest
                else f"{self.title}, {self.dated_in_words}."
            )
        return f"{self.title}, a working registry; shown is its published part." if self.name else ""


#: What an immutable edition says of itself, kept with its database object: it is asked for on every page.
_INFO = "_tubmark_info"


async def the_list(datasette: Any) -> List:
    """The newest edition (by its own date), else the registry, else a list of nothing."""
    found = await guard.kinds(datasette)
    editions = []
    for name, kind in found.items():
        if kind == guard.EDITION:
            db = datasette.databases[name]
            info = getattr(db, _INFO, None)
            if info is None:
                info = await db.execute_fn(_edition_info)
                if not db.is_mutable:
                    setattr(db, _INFO, info)
            editions.append(List(name, kind, info))
    if editions:
        return max(editions, key=lambda one: (one.dated, one.name or ""))
    for name, kind in found.items():
        if kind == guard.REGISTRY:
            return List(name, kind, await datasette.databases[name].execute_fn(_registry_info))
    return List(None, guard.OTHER, {})


def _edition_info(conn: sqlite3.Connection) -> dict[str, Any]:
    from registry import edition

    return dict(edition.edition_info(conn))


def _registry_info(conn: sqlite3.Connection) -> dict[str, Any]:
    from registry import knowing

    found = {"name": knowing.info(conn).get("name", "")}
    row = conn.execute("SELECT max(edition), count(*) FROM public_cars").fetchone()
    return found | {"dated": row[0] or "", "cars": row[1]}


async def tables_of(datasette: Any, served: List) -> Any:
    """The number families to decode with: the packaged ones and the house tables that the list brings."""
    from decoder import load_tables

    if served.name is None:
        return load_tables()
    return await datasette.databases[served.name].execute_fn(_edition_tables if served.is_edition else _registry_tables)


def _edition_tables(conn: sqlite3.Connection) -> Any:
    from registry import edition

    return edition.tables(conn)


def _registry_tables(conn: sqlite3.Connection) -> Any:
    from registry import knowing

    return knowing.house_tables(conn)


# --- answering ----------------------------------------------------------------------------------------------------------


def _headers(served: List, *, question: bool) -> dict[str, str]:
    """Headers of our pages. An edition never changes, so its pages may be kept; a registry's may not."""
    out = {
        "Content-Security-Policy": _POLICY,
        "Referrer-Policy": "no-referrer",
        "X-Content-Type-Options": "nosniff",
        "Cache-Control": "public, max-age=3600" if served.is_edition else "no-store",
    }
    if question or not served.is_edition:
        out["X-Robots-Tag"] = "noindex, nofollow"
    return out


@lru_cache(maxsize=1)
def _ways_of_writing() -> tuple[tuple[str, str, Markup], ...]:
    """How doubts are typed, each with the strip it becomes: shown under the question, since nobody reads a grammar."""
    from decoder import read

    ways = (
        ("3?5", "one you cannot read"), ("3[38]5", "a 3 or an 8"), ("38~5", "an 8, but doubtful"), ("3*5", "a stretch that is gone"),
    )  # fmt: skip
    return tuple(
        (typed, says, Markup(draw.strip_html(read(typed).cells, label=f"{typed}, {says}"))) for typed, says in ways
    )


async def _show(
    datasette: Any,
    request: Any,
    served: List,
    template: str,
    page: str,
    context: dict[str, Any],
    *,
    status: int = 200,
    question: bool = False,
) -> Response:
    context = {
        **context,
        "served": served,
        "tubmark_page": page,
        "on_choices": ON,
        "surface_choices": SURFACE,
        "ways": _ways_of_writing(),
        "indexed": served.is_edition and not question and status == 200,
    }
    html = await datasette.render_template(template, context, request=request, view_name=f"tubmark-{page}")
    return Response.html(html, status=status, headers=_headers(served, question=question))


def _document(served: List, document: Any, status: int = 200) -> Response:
    return Response.json(document, status=status, headers=_headers(served, question=True))


def _only_read(request: Any) -> Response | None:
    """Our pages are asked with GET; anything else is refused in a sentence."""
    if request.method in ("GET", "HEAD"):
        return None
    return Response.text(
        "This page answers questions and records nothing. Ask it with GET.", status=405, headers={"Allow": "GET, HEAD"}
    )


async def front(request: Any, datasette: Any) -> Response:
    """The front page: decode a number, look a body up, browse what is published."""
    if refused := _only_read(request):
        return refused
    served = await the_list(datasette)
    context = {"shelf": await _shelf(datasette, served)}
    return await _show(datasette, request, served, "tubmark_front.html", "front", context)


async def _shelf(datasette: Any, served: List) -> list[dict[str, Any]]:
    """What can be browsed: the public tables and views, with what they are and how many rows they have."""
    if served.name is None:
        return []
    db = datasette.databases[served.name]
    names = await (guard.public_views(datasette, served.name) if served.kind == guard.REGISTRY else db.table_names())
    names = [name for name in names if not name.startswith("sqlite_")]
    order = list(_OF_TABLES)
    names = sorted(names, key=lambda name: (order.index(name) if name in order else len(order), name))
    shelf = []
    for name in names:
        described = datasette.table_metadata(served.name, name)
        count = (await db.execute(f'select count(*) from "{name}"')).single_value()
        shelf.append({
            "name": name, "href": datasette.urls.table(served.name, name), "rows": count,
            "title": described.get("title") or name.replace("public_", "").replace("_", " "), "description": described.get("description") or "",
            "of_the_file": name in _OF_THE_FILE,
        })  # fmt: skip
    return shelf


class _Wrong(Exception):
    """A question that cannot be asked so: the sentence, and the field it belongs to."""

    def __init__(self, says: str, field: str) -> None:
        super().__init__(says)
        self.field = field


def _choice(request: Any, name: str, allowed: dict[str, str]) -> str | None:
    value = (request.args.get(name) or "").strip().lower()
    if value and value not in allowed:
        raise _Wrong(f"'{value[:40]}' is not one of {', '.join(allowed)}. Choose one, or leave it open.", name)
    return value or None


def _year(request: Any, name: str) -> int | None:
    value = (request.args.get(name) or "").strip()
    if not value:
        return None
    if not (len(value) == 4 and value.isascii() and value.isdigit() and "1880" <= value <= "2100"):
        raise _Wrong(f"'{value[:40]}' is not a year. Write it with four figures, as 1968, or leave it empty.", name)
    return int(value)


async def decode_page(request: Any, datasette: Any) -> Response:
    """``/decode?number=&on=&surface=&says=``: what a number can be, and when the thing it is stamped on was made."""
    if refused := _only_read(request):
        return refused
    from decoder import DecoderError, MalformedReading, TableError, decode

    served = await the_list(datasette)
    json = request.url_vars.get("format")
    asked = {name: (request.args.get(name) or "") for name in ("number", "on", "surface", "says", "direction")}
    context: dict[str, Any] = {"asked": asked, "answer": None, "wrong": None}
    if not asked["number"].strip():
        if json or "number" in request.args:
            context["wrong"] = {"says": "There is no number here. Type what you can read.", "field": "number"}
    else:
        try:
            answer = decode(
                asked["number"],
                _choice(request, "on", ON),
                surface=_choice(request, "surface", SURFACE),
                says=_year(request, "says"),
                direction=_choice(request, "direction", {"upright": "", "turned": ""}),
                seen=request.args.getlist("seen"),
                not_seen=request.args.getlist("not_seen"),
                tables=await tables_of(datasette, served),
            )
        except TableError:
            raise  # a fault of ours, not of the question
        except DecoderError as error:
            context["wrong"] = {"says": str(error), "field": "number" if isinstance(error, MalformedReading) else ""}
        except _Wrong as error:
            context["wrong"] = {"says": str(error), "field": error.field}
        else:
            if json:
                return _document(served, answer.as_dict())
            context["answer"] = shown_decoding(answer) | {"questions": _questions(answer, request)}
    status = 400 if context["wrong"] else 200
    if json:
        return _document(served, {"error": context["wrong"]["says"], "field": context["wrong"]["field"]}, 400)
    return await _show(
        datasette, request, served, "tubmark_decode.html", "decode", context, status=status, question=bool(request.args)
    )


def _questions(answer: Any, request: Any) -> list[dict[str, Any]]:
    """Questions about the thing itself that would settle most, each answer with the address that asks again with it."""
    asked = [
        (name, value) for name in request.args if name not in ("seen", "_") for value in request.args.getlist(name)
    ]
    kept = [("seen", value) for value in request.args.getlist("seen")]
    return [
        {
            "question": one["question"],
            "options": [
                {
                    "what": option["what"],
                    "then": option["then"],
                    "query": urlencode([*asked, *kept, ("seen", option["feature"])]),
                }
                for option in one["options"]
            ],
        }
        for one in answer.look_again
        if "question" in one
    ][:2]


def shown_decoding(answer: Any) -> dict[str, Any]:
    """An answer laid out for the page: the sentences of ``decoder.words``, the strips, the rows behind them."""
    from decoder import words

    told = words.tell(answer)
    notes = [line.removeprefix("Note: ") for line in told if line.startswith("Note: ")]
    # What the command answers with an option is a question with links here (``_questions``).
    lines = [line for line in told if not line.startswith("Note: ") and "(--seen " not in line]
    misfit = words.is_misfit(answer)
    first = 1 if misfit else 0  # of a misfit the first sentence says just that, and the families' follow
    several = len(answer.decodings) > 1
    leads = sum(line.startswith("If it is ") for line in lines) if several else 1 - first
    families = [
        _shown_family(answer, decoding) | {"sentence": line}
        for decoding, line in zip(answer.decodings, lines[first:], strict=False)
    ]
    cells, _ = draw.strip_of(answer)
    # A table that hardly fits is not left out, but stands folded away under the one that does.
    open_ones = [family for family in families if family["probability"] >= FOLDED_BELOW] or families[:1]
    return {
        "stops": answer.stops,
        "problems": answer.problems,
        "lead": lines[0],
        "how_sure": lines[first + leads :],
        "misfit": misfit,
        "notes": notes,
        "families": open_ones,
        "folded": [family for family in families if family not in open_ones],
        "more": len(answer.decodings) - len(families),
        "several": len(answer.decodings) > 1,
        "strip": None if families else Markup(draw.strip_html(cells)),
        "says": answer.says,
    }


def _shown_family(answer: Any, decoding: Any) -> dict[str, Any]:
    from decoder import words
    from decoder.decoding import edtf_of

    family = decoding.family
    cells, parts = draw.strip_of(answer, decoding)
    years: dict[str, tuple[str, str]] = {}
    for row in decoding.rows:
        if row["model_year"]:
            year = str(row["model_year"])
            first, last = years.get(year, (row["earliest"][:7], row["latest"][:7]))
            years[year] = (min(first, row["earliest"][:7]), max(last, row["latest"][:7]))
    picture = (
        draw.month_strip_svg(
            decoding.months,
            sorted((year, a, b) for year, (a, b) in years.items()),
            span90=decoding.span90,
            estimated=decoding.months_estimated,
            title=f"Month by month, {family.title}",
        )
        if len(decoding.months) > 1
        else ""
    )
    rows = [
        {
            "id": row["id"], "label": words._label(row), "first": row["first"], "last": row["last"] or "not known", "source": row["source"],
            "span": words.span_in_words(row["earliest"], row["latest"]), "edtf": edtf_of(row["earliest"], row["latest"]),
            "standing": "confirmed here: " + row["confirmed"] if row.get("confirmed") else "from memory" if row["memory"]
            else "read off the pattern of a sister series" if row["structure"] else "",
            "disputed": row["disputed"],
        }
        for row in decoding.rows[:12]
    ]  # fmt: skip
    sources = [
        family.source(id_) | {"edition": family.raw["sources"][id_].get("edition", "")} for id_ in decoding.source_ids
    ]
    return {
        "probability": decoding.probability, "id": family.id, "title": family.title, "house": family.house, "where": family.where, "origin": family.origin,
        "strip": Markup(draw.strip_html(cells, parts)), "picture": Markup(picture), "estimated": decoding.months_estimated,
        "model_years": bool(years),
        "written": decoding.written, "edtf": edtf_of(decoding.earliest, decoding.latest), "chance": words.chance(decoding.probability),
        "months": [{"month": draw.month_name(month), "p": p} for month, p in decoding.months],
        "candidates": [{"number": c.number, "p": c.probability} for c in decoding.candidates[:12]],
        "candidates_in_all": decoding.total_candidates,
        "facts": decoding.facts, "warnings": decoding.warnings, "rows": rows, "more_rows": len(decoding.rows) - len(rows), "sources": sources,
        "standing": words.standing(decoding), "source_line": words.source_line(decoding),
    }  # fmt: skip


# --- the look-up ----------------------------------------------------------------------------------------------------------


async def look_up_page(request: Any, datasette: Any) -> Response:
    """``/look-up?number=``: whether a body is on the list, told to somebody who can see its number."""
    if refused := _only_read(request):
        return refused
    from decoder import MalformedReading

    served = await the_list(datasette)
    json = request.url_vars.get("format")
    asked = {"number": request.args.get("number") or ""}
    context: dict[str, Any] = {"asked": asked, "answer": None, "wrong": None}
    if not asked["number"].strip():
        if json or "number" in request.args:
            context["wrong"] = {
                "says": "There is no number here. Type the number that you can see on the car.",
                "field": "number",
            }
    elif served.name is None:
        context["wrong"] = {
            "says": "No list is served here, so there is nothing to look a body up in.",
            "field": "number",
        }
    else:
        try:
            document = await _looked_up(datasette, served, asked["number"])
        except MalformedReading as error:
            context["wrong"] = {"says": str(error), "field": "number"}
        else:
            if json:
                return _document(served, document)
            context["answer"] = shown_look_up(document)
    status = 400 if context["wrong"] else 200
    if json:
        return _document(served, {"error": context["wrong"]["says"], "field": context["wrong"]["field"]}, 400)
    return await _show(
        datasette,
        request,
        served,
        "tubmark_look_up.html",
        "look-up",
        context,
        status=status,
        question=bool(request.args),
    )


async def _looked_up(datasette: Any, served: List, number: str) -> dict[str, Any]:
    from registry import edition

    db = datasette.databases[served.name]
    if served.is_edition:
        return await db.execute_fn(
            lambda conn: edition.look_up(conn, number, edition.key_for(datasette, served.name)).as_dict()
        )
    return await db.execute_fn(lambda conn: public_look_up(conn, number))


def public_look_up(conn: sqlite3.Connection, number: str) -> dict[str, Any]:
    """The look-up in a registry that is served, for anybody: what its latest edition would answer, and no more.

    The same function answers as for an edition, over a stand-in made in memory: the published rows of those cars that might
    still go out today. It is made anew when something has been recorded.
    """
    from decoder import read
    from registry import edition, knowing, publish
    from registry.errors import RegistryError

    secret = publish.lookup_key(conn)
    dated = conn.execute("SELECT max(edition) FROM published_cars").fetchone()[0]
    if secret is None or dated is None:
        says = "Nothing has been published from this list yet, so there is nothing to look a number up in."
        return edition.LookUp(str(read(number)), "not listed", "", says=[says], ask=[edition.PHOTOGRAPH]).as_dict()
    file = conn.execute("PRAGMA database_list").fetchone()[2]
    last_event = conn.execute("SELECT max(id), max(hash) FROM events").fetchone()
    stand_in = _STAND_INS.get(file)
    if stand_in is None or stand_in[0] != tuple(last_event):
        try:
            stand_in = _STAND_INS[file] = (tuple(last_event), _stand_in(conn, dated))
        except (
            RegistryError
        ):  # as it stands nothing could go out, so nothing is told either; why is the registrar's to know
            says = "Numbers cannot be looked up here until the next edition of this list."
            return edition.LookUp(str(read(number)), "no key", dated, says=[says], ask=[edition.PHOTOGRAPH]).as_dict()
    copy = sqlite3.connect(":memory:")
    try:
        copy.deserialize(stand_in[1])
        return edition.look_up(copy, number, edition.Key(secret, knowing.house_tables(conn))).as_dict()
    finally:
        copy.close()


#: Bytes of the stand-in for each registry that is served, with the event up to which it holds.
_STAND_INS: dict[str, tuple[tuple[Any, ...], bytes]] = {}


def _stand_in(conn: sqlite3.Connection, dated: str) -> bytes:
    from registry import publish

    made = publish.compose(conn, dated=dated)
    columns = list(publish.CARS)
    out = {row[0]: tuple(row) for row in conn.execute(f"SELECT {', '.join(columns)} FROM published_cars")}
    content = dict(made.tables)
    may = {car["car"] for car in made.cars() if not car["line"]} & set(out)
    content["cars"] = [out[car] for car in sorted(may)]
    content["fingerprints"] = [row for row in made.tables["fingerprints"] if row[1] in may]
    content["aliases"] = []  # what was joined since is nobody's to know before the next edition
    with tempfile.TemporaryDirectory(prefix="tubmark-") as folder:
        path = Path(folder) / "stand-in.db"
        publish.write_edition(content, path)
        return path.read_bytes()


#: The heading of an answer.
_ANSWERS = {
    "known": "This number is known",
    "near": "Read it again",
    "class": "Known or not known, by class",
    "not listed": "Not listed",
    "no key": "Numbers cannot be looked up here",
}


def shown_look_up(document: dict[str, Any]) -> dict[str, Any]:
    """A look-up laid out for the page: the sentences, the strip with the places to read again, the public entries."""
    from decoder import read

    cells = list(read(document["asked_key"] or document["reading"]).cells)
    again = {min(found["at"], len(cells) - 1) for found in document["look_again"]}
    return {
        "heading": _ANSWERS.get(document["answer"], ""),
        "answer": document["answer"],
        "says": document["says"],
        "ask": document["ask"],
        "classes": document["classes"],
        "problems": document["problems"],
        "stops": document["stops"],
        "edition": document["edition"],
        "strip": Markup(draw.strip_html(cells, carets=again, label="The number you gave")),
        "cars": [shown_car(car) for car in document["cars"]],
    }


# --- a car's public entry ---------------------------------------------------------------------------------------------------

#: How the columns of a public entry are called on its page, in the order in which they are read.
_FIELDS = (
    ("series", "Series"), ("maker", "Maker"), ("body_made", "Body made"), ("body_serial", "Body serial, as far as shown"),
    ("pan", "Pan"), ("pan_model_year", "Model year of the pan"), ("colour", "Colour"), ("colour_under", "Colour under it"),
    ("province", "Province"), ("last_seen", "Last seen"),
)  # fmt: skip


def shown_car(row: dict[str, Any]) -> dict[str, Any]:
    """A public entry laid out for the page. What is not published has no line: nothing is said of why."""
    serial = row.get("body_serial")
    return {
        "car": row["car"],
        "line": row.get("line"),
        "sentence": _car_sentence(row),
        "strip": Markup(draw.strip_html(draw.held_cells(serial), label="The body serial, as far as it is shown"))
        if serial
        else None,
        "fields": [(label, row[name], name) for name, label in _FIELDS if row.get(name) and name != "body_serial"],
    }


def _car_sentence(row: dict[str, Any]) -> str:
    """Who says what this body is. An opinion is the keeper's, with its year; an open one is said to be open."""
    if row.get("line"):
        return str(row["line"])
    what = row.get("series") or "a body that has no series here"
    year = f" in {row['opinion_year']}" if row.get("opinion_year") else ""
    opinion = row.get("opinion") or "open"
    said = {
        "maker's series": f"The keeper of the list takes it for a body of the maker's series {what}",
        "copy taken from a body": f"The keeper of the list takes it for a copy taken from a body: {what}",
        "continuation body": f"The keeper of the list takes it for a continuation body: {what}",
        "two bodies joined": "The keeper of the list takes it for two bodies joined",
        "other": "The keeper of the list takes it for another body than those listed here",
    }.get(opinion)
    if said is None:
        return (
            f"Entered as {what}. What it is has not been decided."
            if row.get("series")
            else "What it is has not been decided."
        )
    return f"{said}{f' (said{year})' if year else ''}."


async def car_page(request: Any, datasette: Any) -> Response:
    """``/car/<id>``: a car's public entry in the newest edition that is served."""
    if refused := _only_read(request):
        return refused
    served = await the_list(datasette)
    json = request.url_vars.get("format")
    car = " ".join(tilde_decode(request.url_vars["car"]).split()).upper()
    row = (
        await datasette.databases[served.name].execute_fn(lambda conn: public_car(conn, served.is_edition, car))
        if served.name
        else None
    )
    if row is None:
        says = f"There is no public entry {car[:20]} here. A car is shown only where its keeper has said yes, so it may be on the list all the same."
        if json:
            return _document(served, {"error": says, "car": car[:20]}, 404)
        return await _show(
            datasette,
            request,
            served,
            "tubmark_car.html",
            "car",
            {"car": None, "says": says, "asked": car[:20]},
            status=404,
        )
    if (
        row["car"] != car
    ):  # the number of a record that was found to be one with this car; a merge may be undone one day
        return Response.redirect(datasette.urls.path(f"/car/{tilde_encode(row['car'])}{json or ''}"))
    if json:
        return _document(served, {"car": row["car"], "entry": row, "edition": _of_edition(served), "stops": []})
    in_tables = (
        datasette.urls.row(served.name, "cars", row["car"])
        if served.is_edition
        else (datasette.urls.table(served.name, "public_cars") + "?car=" + row["car"])
    )
    context = {
        "car": shown_car(row),
        "in_tables": in_tables,
        "json_href": datasette.urls.path(f"/car/{row['car']}.json"),
    }
    return await _show(datasette, request, served, "tubmark_car.html", "car", context)


def public_car(conn: sqlite3.Connection, is_edition: bool, car: str) -> dict[str, Any] | None:
    """A car's public entry from an edition, or from a registry the row as it last went out; None where there is none.

    The number of a record that was joined to the car before then leads to it too.
    """
    if is_edition:
        from registry import edition

        return edition.public_car(conn, car)
    row = _last_published(conn, car)
    if row is None:
        from registry import publish

        stays = publish.joined_when_published(conn, car)
        row = _last_published(conn, stays) if stays else None
        if row is not None and row["line"]:
            return None
    return row


def _last_published(conn: sqlite3.Connection, car: str) -> dict[str, Any] | None:
    cursor = conn.execute("SELECT * FROM public_cars WHERE car = ?", (car,))
    row = cursor.fetchone()
    return dict(zip([column[0] for column in cursor.description], row, strict=True)) if row else None


def _of_edition(served: List) -> dict[str, Any]:
    return {"name": served.title, "dated": served.dated, "sha256": served.info.get("sha256")}


async def robots(request: Any, datasette: Any) -> Response:
    """What a search engine is asked to leave alone: answers to questions, and the whole of a registry."""
    served = await the_list(datasette)
    path = datasette.urls.path
    closed = [path("/decode"), path("/look-up"), path("/-/")] if served.is_edition else [path("/")]
    return Response.text(
        "User-agent: *\n" + "".join(f"Disallow: {one}\n" for one in closed),
        headers={"Cache-Control": "public, max-age=3600"},
    )


# --- what every page needs ------------------------------------------------------------------------------------------------


async def refused(datasette: Any, request: Any, message: str) -> Response:
    """The page for what a visitor may not see: what this is, and what there is to see instead."""
    served = await the_list(datasette)
    headers = {"Cache-Control": "no-store", "X-Robots-Tag": "noindex, nofollow", "Content-Security-Policy": _POLICY}
    says = "This is a working registry. A visitor sees its published views and the pages that decode and look up; nothing else in it is shown."
    says = (
        message
        if " " in message and "permission" not in message
        else says
        if served.kind == guard.REGISTRY
        else "This page is closed to visitors."
    )
    if request.path.split("?")[0].endswith((".json", ".jsono")):
        return Response.json(
            {"ok": False, "error": says, "status": 403, "title": "Forbidden"}, status=403, headers=headers
        )
    shelf = await _shelf(datasette, served)
    html = await datasette.render_template(
        "tubmark_refused.html", {"says": says, "served": served, "shelf": shelf, "indexed": False}, request=request
    )
    return Response.html(html, status=403, headers=headers)


async def failed(datasette: Any, request: Any, exception: Exception) -> Response | None:
    """The page for a fault of ours: it says so and no more. The fault itself goes to the log, without the values in it.

    None for what Datasette answers with a sentence (a bad request, a page that is not there), which stays its own.
    """
    if isinstance(exception, (Base400, DatasetteError)):
        return None
    traceback.print_exception(exception)
    says = "Something went wrong on this side, not on yours. Nothing was changed. Whoever runs this server finds the fault in its log."
    headers = {"Cache-Control": "no-store", "X-Robots-Tag": "noindex, nofollow", "Content-Security-Policy": _POLICY}
    if request.path.split("?")[0].endswith(".json"):
        return Response.json({"ok": False, "error": says, "status": 500, "title": None}, status=500, headers=headers)
    template = datasette.jinja_env.select_template(["error.html"])
    html = await template.render_async(
        {"error": says, "status": 500, "title": None, "urls": datasette.urls, "menu_links": lambda: []}
    )
    return Response.html(html, status=500, headers=headers)


def static(datasette: Any, name: str) -> str:
    """The address of a style sheet or picture of ours, with a mark of its content, so that a cache lets go of an older one."""
    found = _STATIC.get(name)
    if found is None:
        raw = (Path(__file__).parent / "static" / name).read_bytes()
        found = _STATIC[name] = hashlib.sha256(raw).hexdigest()[:8]
    return f"{datasette.urls.static_plugins(_plugin_name(), name)}?{found}"


_STATIC: dict[str, str] = {}


@lru_cache(maxsize=1)
def _plugin_name() -> str:
    """The name under which Datasette serves our files: that of the installed distribution, or of the package in a test."""
    from datasette.plugins import get_plugins

    here = str(Path(__file__).parent / "static")
    return next((str(plugin["name"]) for plugin in get_plugins() if str(plugin["static_path"]) == here), "tubmark")


#: What the tables of an edition are, and which columns are worth counting by (each has an index there). The meaning of each
#: column stands in the edition itself, in its table ``columns``.
_OF_TABLES: dict[str, dict[str, Any]] = {
    "cars": {
        "title": "Cars", "description": "One row a car, as its keeper allows it to be shown.",
        "facets": ["series", "opinion", "last_seen"], "sort": "car",
    },
    "series": {"title": "Series", "description": "The makers' series, copies and continuations that the list tells apart.", "sort": "series"},
    "makers": {"title": "Makers", "description": "Who made bodies, and where.", "sort": "maker"},
    "counts": {
        "title": "How many", "description": "For each series: in this edition, known on the lists compared, and an estimate of the living.",
        "sort": "series",
    },
    "families": {"title": "Number families", "description": "The rules of the house tables, in the form in which they are used to decode."},
    "fingerprints": {
        "title": "Fingerprints", "description": "Numbers of the cars in this edition, hashed with a key that is not in this file. The look-up uses them.",
    },
    "aliases": {
        "title": "Other numbers", "description": "Numbers of records that were found to be one with a car in this edition.", "sort": "alias",
    },
    "edition": {"title": "This edition", "description": "Its date, the rules by which it was made, and the hash of its content."},
    "columns": {"title": "Columns", "description": "What each column of this file means."},
    "public_cars": {
        "title": "Cars, as last published", "description": "The rows of the latest edition: one row a car, as its keeper allows it to be shown.",
        "facets": ["series", "opinion", "last_seen"], "sort": "car",
    },
    "public_series": {
        "title": "Series", "description": "The makers' series, copies and continuations that the list tells apart.", "sort": "series",
    },
}  # fmt: skip

#: Tables that are about the file itself rather than about cars.
_OF_THE_FILE = frozenset({"edition", "columns", "families", "fingerprints", "aliases"})

_DESCRIBED = "_tubmark_described"


async def describe(datasette: Any) -> None:
    """Read once what each served edition says of its own columns, for Datasette's pages of its tables."""
    databases: dict[str, Any] = {}
    for name, kind in (await guard.kinds(datasette)).items():
        if kind == guard.EDITION:
            columns = await datasette.databases[name].execute_fn(_columns)
            tables = {
                table: {**said, "columns": columns.get(table, {})}
                for table, said in _OF_TABLES.items()
                if not table.startswith("public_")
            }
            databases[name] = {"tables": tables}
        elif kind == guard.REGISTRY:
            databases[name] = {
                "tables": {table: dict(said) for table, said in _OF_TABLES.items() if table.startswith("public_")}
            }
    setattr(datasette, _DESCRIBED, {"databases": databases})


def _columns(conn: sqlite3.Connection) -> dict[str, dict[str, str]]:
    found: dict[str, dict[str, str]] = {}
    for table, column, meaning in conn.execute("SELECT table_name, column_name, meaning FROM columns"):
        found.setdefault(table, {})[column] = meaning
    # In the order in which they stand in the table, not in that of the alphabet.
    for table, meanings in found.items():
        order = [row[0] for row in conn.execute("SELECT name FROM pragma_table_info(?) ORDER BY cid", (table,))]
        found[table] = {column: meanings[column] for column in order if column in meanings}
    return found


def described(datasette: Any) -> dict[str, Any]:
    """Titles, descriptions and column meanings of what is served; what metadata.yml says of the same table wins."""
    return getattr(datasette, _DESCRIBED, {})


async def car_link(datasette: Any, database: str, column: str, value: Any) -> Markup | None:
    """In Datasette's tables a car's number leads to its public entry."""
    if column != "car" or not isinstance(value, str) or await guard.kind(datasette, database) == guard.OTHER:
        return None
    return Markup('<a href="{}">{}</a>').format(datasette.urls.path(f"/car/{tilde_encode(value)}"), value)


async def head_and_foot(datasette: Any) -> dict[str, Any]:
    """The list's name for the head of every page, and what this file is for its foot."""
    served = await the_list(datasette)
    cars = datasette.urls.table(served.name, "cars" if served.is_edition else "public_cars") if served.name else None
    return {"tubmark_list": served.title, "tubmark_foot": served.foot, "tubmark_cars": cars}
