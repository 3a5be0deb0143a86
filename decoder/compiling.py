"""From a number family's table, as a person keeps it, to the form that answers are made from.

A table is a YAML file (``decoder/tables/*.yml`` are the examples). It says what carries the number, how the number is built
(*schemes* of *parts*) and which runs of numbers belong to which dates (*rows*), each with its source. Nothing in a table is
code: month rows, a year figure that comes round every ten years (rows of different *runs* may overlap), numbers issued
twice, blocks never used, check letters, figures that can be read from the wrong side, letters for year and month.

Compiling checks all of it and reports file, line, row and reason. The result is plain data (it can be written as JSON):
*templates*, one for each length a number of the scheme can have, and for each template its *segments*, the stretches of
numbers inside which every answer is the same. Where a table gives both calendar years and model years the segments lie
between the knots of both. Inside a row that spans several months the months are marked off by even output over its working
days; they are flagged as estimated, always.

This module opens nothing; ``decoder.families`` does.
"""

from __future__ import annotations

import datetime as dt
import hashlib
import itertools
import math
import re
from collections.abc import Iterator
from typing import Annotated, Any, Literal

import yaml
from pydantic import BaseModel, ConfigDict, Field, ValidationError, field_validator, model_validator

from decoder import dates
from decoder.errors import DecoderError, TableError

#: Raised when the compiled form changes, so that an old compiled copy is made anew.
FORMAT = 5

#: In an open row (no last number known) numbers up to as many as the family's largest closed row weigh in full; numbers
#: beyond weigh this much of that. Own assumption: without it an unknown end would count as millions of numbers issued.
BEYOND_OPEN_ROW = 0.01

#: Stand in for an open end inside compiled tables, where days are compared as text; answers show them as None.
FIRST_DAY, LAST_DAY = dt.date(1, 1, 1), dt.date(9999, 12, 31)

_FIGURES = "0123456789"
_LETTERS = "ABCDEFGHIJKLMNOPQRSTUVWXYZ"
#: A part longer than this, or a scheme with more lengths and mixtures than that, is a slip of the pen.
_WIDEST, _MOST_TEMPLATES = 20, 400
Carrier = Literal["pan", "body", "engine", "plate", "title"]
Limit = Literal["first", "last", "built"]


class _Strict(BaseModel):
    model_config = ConfigDict(extra="forbid", frozen=True)


class Source(_Strict):
    title: str
    edition: str = ""
    supports: str
    standing: Literal["maker", "secondary", "memory", "house"]
    read: str = ""
    address: str = ""


class ModelYearRule(_Strict):
    starts: str = Field(pattern=r"^(0[1-9]|1[0-2])-(0[1-9]|[12]\d|3[01])$")
    source: str
    from_: str = Field(default="0001-01", alias="from", pattern=r"^\d{4}-\d\d$")


class Code(_Strict):
    means: str
    note: str = ""
    standing: Literal["seen", "memory", ""] = ""


class Check(_Strict):
    modulus: int = Field(ge=2, le=36)
    letters: str
    of: list[str] = Field(min_length=1)

    @model_validator(mode="after")
    def _enough(self) -> Check:
        if len(self.letters) < self.modulus or not set(self.letters) <= set(_FIGURES + _LETTERS):
            raise ValueError(
                f"a check by {self.modulus} needs {self.modulus} letters or figures; {self.letters!r} has {len(self.letters)}"
            )
        return self


class Part(_Strict):
    name: str
    literal: str = ""
    codes: dict[str, Code] = {}
    figures: str = ""
    letters: str = ""
    any: str = ""
    count: str = "1"
    check: Check | None = None
    note: str = ""
    from_: str = Field(default="", alias="from", pattern=r"^\d*$")
    to: str = Field(default="", pattern=r"^\d*$")

    @field_validator("codes", mode="before")
    @classmethod
    def _short_codes(cls, value: Any) -> Any:
        return (
            {k: {"means": v} if isinstance(v, str) else v for k, v in value.items()}
            if isinstance(value, dict)
            else value
        )

    @model_validator(mode="after")
    def _one_kind(self) -> Part:
        kinds = [k for k in ("literal", "codes", "figures", "letters", "any", "check") if getattr(self, k)]
        if len(kinds) != 1:
            raise ValueError("a part is exactly one of literal, codes, figures, letters, any, check")
        if self.codes and len({len(code) for code in self.codes}) != 1:
            raise ValueError("the codes of one part must all be of one length")
        for text in (self.figures, self.count):
            if text and not re.fullmatch(r"\d+(-\d+)?", text):
                raise ValueError(f'{text!r} is no width; write a number or a range as "6-7"')
            low, _, high = text.partition("-")
            if (text and not int(low) <= int(high or low) <= _WIDEST) or int(high or low or 1) == 0:
                raise ValueError(
                    f'{text!r} is no width; a part has 1 to {_WIDEST} characters, the lesser number first, as "6-7"'
                )
        for text in (self.literal, self.letters, *self.codes):
            if not set(text) <= set(_FIGURES + _LETTERS):
                raise ValueError(
                    f"{text!r} has a sign in it that is no capital letter or figure; a dash or a space belongs into 'print'"
                )
        if len(set(self.letters)) != len(self.letters):
            raise ValueError(f"{self.letters!r} has a letter twice")
        if self.any and (not _alphabet(self.any) or not set(_alphabet(self.any)) <= set(_FIGURES + _LETTERS)):
            raise ValueError(f'{self.any!r} is no class of characters; write capital letters and figures, as "A-Z0-9"')
        return self

    @property
    def is_ordered(self) -> bool:
        return bool(self.figures or self.letters)


class Scheme(_Strict):
    id: str
    parts: list[Part] = Field(min_length=1)
    print: str
    strip: list[str] = []
    also: list[str] = []

    @model_validator(mode="after")
    def _names(self) -> Scheme:
        names = [part.name for part in self.parts]
        twice = next((name for name in names if names.count(name) > 1), None)
        if twice is not None:
            raise ValueError(f"two parts are called '{twice}'; give each its own name")
        for form in (self.print, *self.also):
            for name in re.findall(r"\{([^}]*)\}", form):
                if name not in names:
                    raise ValueError(f"'{form}' names a part '{name}'; the parts are {', '.join(names)}")
        figures = [part.name for part in self.parts if part.figures]
        for part in self.parts:
            for name in part.check.of if part.check else ():
                if name not in figures:
                    raise ValueError(
                        f"the check is of '{name}', which is no part of figures; those are {', '.join(figures) or 'none'}"
                    )
        return self


class Disputed(_Strict):
    source: str
    says: str
    kept_because: str


class Row(_Strict):
    id: str
    scheme: list[str]
    run: str = ""
    basis: Literal["month", "model", "calendar"]
    first: str
    last: str = ""
    model_year: int | None = None
    calendar_year: int | None = None
    built: str
    source: str
    memory: list[Limit] = []
    structure: list[Limit] = []
    facts: list[str] = []
    note: str = ""
    disputed: list[Disputed] = []
    interpolate: bool = True

    @field_validator("scheme", mode="before")
    @classmethod
    def _one_scheme(cls, value: Any) -> Any:
        return [value] if isinstance(value, str) else value


class Never(_Strict):
    first: str
    last: str
    why: str
    source: str


class ChangePoint(_Strict):
    at: str
    what: str
    note: str = ""
    standing: Literal["seen", "memory", ""] = ""
    exceptions: list[str] = []
    source: str


class Feature(_Strict):
    id: str
    what: str
    from_: str = Field(default="", alias="from")
    to: str = ""
    question: str
    source: str
    note: str = ""
    standing: Literal["seen", "memory", ""] = ""


class Note(_Strict):
    text: str
    source: str


class Table(_Strict):
    family: str = Field(pattern=r"^[a-z0-9][a-z0-9-]*$")
    title: str
    house: bool = False
    carried_by: list[Carrier] = Field(min_length=1)
    where: str
    written: list[str] = []
    sources: dict[str, Source] = Field(min_length=1)
    model_year: list[ModelYearRule] = []
    shut_months: list[Annotated[str, Field(pattern=r"^(0[1-9]|1[0-2])$")]] = []
    schemes: list[Scheme] = Field(min_length=1)
    turned: bool = False
    separators_matter: bool = False
    rows: list[Row]
    never: list[Never] = []
    change_points: list[ChangePoint] = []
    features: list[Feature] = []
    notes: list[Note] = []

    @field_validator("model_year", mode="before")
    @classmethod
    def _one_rule(cls, value: Any) -> Any:
        return [value] if isinstance(value, dict) else value


# --- reading the YAML, keeping the lines -----------------------------------------------------------------------------


def parse_yaml(text: str, name: str) -> tuple[Any, dict[tuple[Any, ...], int]]:
    """The data of ``text`` and the line (from 1) of each path in it. Every scalar stays text; a key given twice is refused."""
    try:
        node = yaml.compose(text, Loader=yaml.BaseLoader)
    except yaml.YAMLError as error:
        mark = getattr(error, "problem_mark", None)
        where = f"{name}:{mark.line + 1}" if mark else name
        raise TableError(
            f"{where}: this is not YAML: {getattr(error, 'problem', None) or getattr(error, 'reason', 'it cannot be read')}. Mend that line."
        ) from None
    except RecursionError:
        raise TableError(f"{name}: lists inside lists without end. A table is a few levels deep; mend it.") from None
    lines: dict[tuple[Any, ...], int] = {}

    def build(node: yaml.Node, path: tuple[Any, ...]) -> Any:
        lines[path] = node.start_mark.line + 1
        if len(path) > 12:  # an alias inside itself, or a slip: no key of the format lies so deep
            raise TableError(
                f"{name}:{lines[path]}: lists inside lists, {len(path)} deep. A table is a few levels deep; mend it."
            )
        if isinstance(node, yaml.MappingNode):
            out: dict[str, Any] = {}
            for key, value in node.value:
                if not isinstance(key, yaml.ScalarNode):
                    raise TableError(f"{name}:{key.start_mark.line + 1}: a key is a word, not a list. Mend that line.")
                if key.value in out:
                    raise TableError(
                        f"{name}:{key.start_mark.line + 1}: the key '{key.value}' stands twice. Keep one of them."
                    )
                out[key.value] = build(value, (*path, key.value))
            return out
        if isinstance(node, yaml.SequenceNode):
            return [build(value, (*path, i)) for i, value in enumerate(node.value)]
        plain = isinstance(node, yaml.ScalarNode) and node.style is None
        return None if plain and node.value in ("null", "~", "") else node.value

    if node is None:
        raise TableError(f"{name}: the file is empty. A table begins with 'family:'.")
    return build(node, ()), lines


def _without_nulls(data: Any) -> Any:
    if isinstance(data, dict):
        return {k: _without_nulls(v) for k, v in data.items() if v is not None}
    return [_without_nulls(v) for v in data] if isinstance(data, list) else data


class _Compiler:
    def __init__(self, text: str, name: str) -> None:
        self.name = name
        data, self.lines = parse_yaml(text, name)
        if not isinstance(data, dict):
            raise TableError(f"{name}:1: a table is a list of 'key: value'. It begins with 'family:'.")
        try:
            self.data = _without_nulls(data)
            self.table = Table.model_validate(self.data)
        except ValidationError as error:
            raise TableError("\n".join(self._said(e) for e in error.errors())) from None
        self.digest = hashlib.sha256(text.encode()).hexdigest()

    def _line(self, path: tuple[Any, ...]) -> int:
        while path and path not in self.lines:
            path = path[:-1]
        return self.lines.get(path, 1)

    def _said(self, error: Any) -> str:
        path = tuple(p for p in error["loc"] if p != "from_")
        place = self._place(path)
        message = {"missing": "is missing", "extra_forbidden": "is no key of this format"}.get(
            error["type"], error["msg"]
        )
        return f"{self.name}:{self._line(path)}: {place}: {message.removeprefix('Value error, ')}."

    def _place(self, path: tuple[Any, ...]) -> str:
        """``row 'b': source`` where the row has a name, else ``rows 2 source``."""
        words = [str(p + 1) if isinstance(p, int) else str(p) for p in path]
        if path[:1] == ("rows",) and len(path) > 1:
            row = self.data["rows"][path[1]]
            if isinstance(row, dict) and isinstance(row.get("id"), str):
                return ": ".join([f"row '{row['id']}'", *([" ".join(words[2:])] if words[2:] else [])])
        return " ".join(words) or "table"

    def fail(self, path: tuple[Any, ...], reason: str) -> TableError:
        row = f" row '{self.table.rows[path[1]].id}':" if path[:1] == ("rows",) and len(path) > 1 else ""
        return TableError(f"{self.name}:{self._line(path)}:{row} {reason}")

    # --- checks -------------------------------------------------------------------------------------------------------

    def check_sources(self) -> None:
        known = self.table.sources
        places: list[tuple[tuple[Any, ...], str]] = [
            (("rows", i, "source"), row.source) for i, row in enumerate(self.table.rows)
        ]
        for i, row in enumerate(self.table.rows):
            places += [(("rows", i, "disputed", j, "source"), d.source) for j, d in enumerate(row.disputed)]
        for key in ("never", "change_points", "features", "notes", "model_year"):
            places += [((key, i, "source"), item.source) for i, item in enumerate(getattr(self.table, key))]
        for path, text in places:
            for one in source_ids(text) or [""]:
                if one not in known:
                    raise self.fail(
                        path,
                        f"the source '{one}' is not among this table's sources. Name it there, with its title and standing.",
                    )

    def span(self, path: tuple[Any, ...], text: str) -> tuple[dt.date | None, dt.date | None]:
        try:
            span = dates.parse(text)
        except DecoderError as error:
            raise self.fail(path, f"'{text}' is no date: {error}") from None
        return span.earliest, span.latest

    # --- schemes to templates -----------------------------------------------------------------------------------------

    def templates(self, scheme: Scheme) -> list[dict[str, Any]]:
        widths = [_widths(part) for part in scheme.parts]
        if math.prod(map(len, widths)) > _MOST_TEMPLATES:
            at = ("schemes", self.table.schemes.index(scheme))
            raise self.fail(
                at, f"scheme '{scheme.id}' has too many lengths. Give its parts narrower widths, or write two schemes."
            )
        out = []
        for combination in itertools.product(*widths):
            out.append(_template(scheme, combination))
        return sorted(out, key=lambda t: t["length"])


def _widths(part: Part) -> list[int]:
    if part.literal:
        return [len(part.literal)]
    if part.codes:
        return [len(next(iter(part.codes)))]
    if part.letters or part.check:
        return [1]
    low, _, high = (part.figures or part.count).partition("-")
    return list(range(int(low), int(high or low) + 1))


def _template(scheme: Scheme, widths: tuple[int, ...]) -> dict[str, Any]:
    cells: list[str] = []
    parts, codes, ordered, checks = [], [], [], []
    any_cells: list[int] = []
    places: dict[str, list[int]] = {}
    for part, width in zip(scheme.parts, widths, strict=True):
        a = len(cells)
        b = a + width
        parts.append([part.name, a, b])
        places[part.name] = list(range(a, b))
        if part.literal:
            cells += list(part.literal)
        elif part.codes:
            codes.append([a, b, {k: [c.means, c.note, c.standing] for k, c in part.codes.items()}])
            cells += ["".join(sorted({k[i] for k in part.codes})) for i in range(width)]
        elif part.letters:
            ordered.append([a, b])
            cells.append("".join(sorted(part.letters)))
        elif part.figures:
            ordered.append([a, b])
            low = int(part.figures.partition("-")[0])
            cells += [_FIGURES if i or width == low else _FIGURES[1:] for i in range(width)]
        elif part.any:
            any_cells += range(a, b)
            cells += [_alphabet(part.any)] * width
        elif part.check:
            at = [p for name in part.check.of for p in places[name]]
            checks.append([a, part.check.modulus, part.check.letters, at])
            cells.append("".join(sorted(part.check.letters[: part.check.modulus])))
    last = next((p for p in reversed(scheme.parts) if p.is_ordered), scheme.parts[-1])
    running = ordered[-1] if ordered and last.figures else None
    return {
        "scheme": scheme.id, "length": len(cells), "cells": cells, "parts": parts, "codes": codes, "any": any_cells,
        "ordered": ordered, "running": running, "checks": checks, "tracks": [],
        "bounds": [int(last.from_ or 0), int(last.to) if last.to else None],
    }  # fmt: skip


def _alphabet(text: str) -> str:
    """``A-Z0-9`` to its characters."""
    out = re.sub(r"(\w)-(\w)", lambda m: "".join(chr(c) for c in range(ord(m[1]), ord(m[2]) + 1)), text)
    return "".join(sorted(set(out)))


def source_ids(text: str) -> list[str]:
    """The source ids of ``"works-list[p. 12]; club-book"``, without the places in them."""
    return [part.split("[")[0].strip() for part in re.sub(r"\[[^\]]*\]", "", text).split(";") if part.strip()]


def _clean(text: str) -> str:
    return re.sub(r"[\s.\-–]", "", text).upper()


# --- rows to segments ------------------------------------------------------------------------------------------------


class _Piece:
    """One row's stretch of running numbers in its block (what stands before the running number).

    ``since``: the first number of an open row (one without a last number), None for a closed one.
    """

    __slots__ = ("block", "high", "low", "row", "since")

    def __init__(self, row: int, block: str, low: int, high: int, since: int | None) -> None:
        self.row, self.block, self.low, self.high, self.since = row, block, low, high, since


def _limit(template: dict[str, Any], text: str) -> tuple[str, str] | None:
    """(block, running) of ``text`` as a whole number, as its ordered parts alone, or as its block alone; None if it is none of them."""
    spans = template["ordered"]
    width = template["running"][1] - template["running"][0] if template["running"] else 0
    cells = [template["cells"][i] for a, b in spans for i in range(a, b)]
    if _fits(text, template["cells"]):
        text = "".join(text[a:b] for a, b in spans)
    elif not _fits(text, cells):
        return (text, "") if width and len(cells) > width and _fits(text, cells[:-width]) else None
    return (text[:-width], text[-width:]) if width else (text, "")


def _wrong_in(template: dict[str, Any], text: str) -> str:
    """What is wrong with a whole number whose every character may stand where it stands: a code or a check letter that is none."""
    if not _fits(text, template["cells"]):
        return ""
    for a, b, codes in template["codes"]:
        if text[a:b] not in codes:
            return f"has {text[a:b]} where the codes are {', '.join(codes)}"
    for at, modulus, letters, of in template["checks"]:
        wanted = letters[int("".join(text[i] for i in of)) % modulus]
        if text[at] != wanted:
            return f"has the check letter {text[at]}, which should be {wanted}"
    return ""


def _fits(text: str, cells: list[str]) -> bool:
    return len(text) == len(cells) and all(c in cell for c, cell in zip(text, cells, strict=True))


def compile_table(text: str, name: str = "table") -> dict[str, Any]:
    """The compiled form of the table ``text``, checked. ``name`` is the file's name, used in messages.

    Raises TableError with file, line, row and reason.
    """
    data, _ = parse_yaml(text, name)
    if isinstance(data, dict) and data.get("kind"):  # a table read by a decoder of its own
        _check_special(data, name)
        return {"format": FORMAT, "sha256": hashlib.sha256(text.encode()).hexdigest(), **data}
    return _compile(_Compiler(text, name))


#: What the tables that a decoder of its own reads must have.
_SPECIAL: dict[str, dict[str, type]] = {
    "vin17": {
        "family": str, "title": str, "carried_by": list, "where": str, "sources": dict, "weights": list, "values": dict,
        "model_years": dict, "model_years_source": str, "regions": list, "notes": list,
    },
    "marks": {"family": str, "title": str, "sources": dict},
    "confusion": {"family": str, "title": str, "sources": dict, "pairs": list, "rates": dict},
}  # fmt: skip


def _check_special(data: dict[str, Any], name: str) -> None:
    wanted = _SPECIAL.get(str(data["kind"]))
    if wanted is None:
        raise TableError(
            f"{name}:1: there is no kind '{data['kind']}' of table. Leave 'kind:' out; the kinds are {', '.join(_SPECIAL)}."
        )
    for key, type_ in wanted.items():
        if not isinstance(data.get(key), type_):
            raise TableError(f"{name}:1: a table of kind {data['kind']} needs '{key}'. See the packaged one.")


def _compile(c: _Compiler) -> dict[str, Any]:
    table = c.table
    c.check_sources()
    seen_ids: dict[str, int] = {}
    for i, row in enumerate(table.rows):
        if row.id in seen_ids:
            raise c.fail(
                ("rows", i, "id"),
                f"the id '{row.id}' is used by row {seen_ids[row.id] + 1} already. Give each row its own.",
            )
        seen_ids[row.id] = i
    schemes = {s.id: s for s in table.schemes}
    if len(schemes) != len(table.schemes):
        raise c.fail(("schemes",), "two schemes have one id. Give each its own.")
    spans = [c.span(("rows", i, "built"), row.built) for i, row in enumerate(table.rows)]
    for i, (start, end) in enumerate(spans):
        if start is None and end is None:
            raise c.fail(
                ("rows", i, "built"), f"'{table.rows[i].built}' bounds nothing; a row needs a first or a last date."
            )
        start, end = spans[i] = start or FIRST_DAY, end or LAST_DAY
        if (end - start).days > 31 and table.rows[i].basis == "month":
            raise c.fail(
                ("rows", i, "built"), f"'{table.rows[i].built}' is longer than a month, but the row's basis is month."
            )
    for i, row in enumerate(table.rows):
        for one in row.scheme:
            if one not in schemes:
                raise c.fail(
                    ("rows", i, "scheme"), f"there is no scheme '{one}'. The schemes are {', '.join(schemes)}."
                )
    laid = []
    for scheme in table.schemes:
        made = c.templates(scheme)
        laid.append((made, _pieces(c, [i for i, row in enumerate(table.rows) if scheme.id in row.scheme], made)))
    templates = [t for made, _ in laid for t in made]
    segments: list[list[Any]] = []
    largest = max((p.high - p.low + 1 for _, pieces in laid for p in pieces if p.since is None), default=1000)
    for made, pieces in laid:
        _segment(c, made, pieces, spans, segments, largest)
    if not table.rows:  # recognised by its pattern alone; it decodes to no date
        segments.append([[], FIRST_DAY.isoformat(), LAST_DAY.isoformat(), None, False, [], 1.0, False])
        for template in templates:
            ends = [
                "".join(template["cells"][i][k] for a, b in template["ordered"] for i in range(a, b)) for k in (0, -1)
            ]
            template["tracks"] = [[[ends[0]], [ends[1]], [0]]]
    every = templates
    templates = [t for t in every if t["tracks"]]
    return {
        "format": FORMAT, "sha256": c.digest, "family": table.family, "title": table.title, "house": table.house,
        "carried_by": list(table.carried_by), "where": table.where, "turned": table.turned,
        "separators_matter": table.separators_matter,
        "sources": {k: s.model_dump() for k, s in table.sources.items()},
        "model_year": [[r.from_, r.starts, r.source] for r in table.model_year],
        "schemes": [{"id": s.id, "print": s.print, "strip": [_clean(x) for x in s.strip], "strip_as_written": s.strip} for s in table.schemes],
        "rows": [_row(row, span) for row, span in zip(table.rows, spans, strict=True)],
        "templates": templates, "segments": segments,
        "never": [_never(c, i, n, every, laid) for i, n in enumerate(table.never)],
        "change_points": [_change_point(c, i, p, every) for i, p in enumerate(table.change_points)],
        "features": [_feature(c, i, f) for i, f in enumerate(table.features)],
        "notes": [n.model_dump() for n in table.notes],
    }  # fmt: skip


def _row(row: Row, span: tuple[Any, Any]) -> dict[str, Any]:
    return {
        "id": row.id, "basis": row.basis, "run": row.run, "first": row.first, "last": row.last,
        "model_year": row.model_year, "calendar_year": row.calendar_year, "earliest": span[0].isoformat(), "latest": span[1].isoformat(),
        "built": row.built, "source": row.source, "memory": row.memory, "structure": row.structure, "facts": row.facts, "note": row.note,
        "disputed": [d.model_dump() for d in row.disputed],
    }  # fmt: skip


def _change_point(c: _Compiler, i: int, point: ChangePoint, templates: list[dict[str, Any]]) -> dict[str, Any]:
    text = _clean(point.at)
    for template in templates:
        found = _limit(template, text)
        if found:
            return {
                **point.model_dump(),
                "scheme": template["scheme"],
                "block": found[0],
                "running": int(found[1] or 0),
            }
    raise c.fail(("change_points", i, "at"), f"'{point.at}' is no number of this family. Write it as issued.")


def _never(c: _Compiler, i: int, never: Never, templates: list[dict[str, Any]], laid: list[Any]) -> dict[str, Any]:
    """A block that was never used, checked: its limits are numbers of the family, in order, and no row has any of them."""
    ends = []
    for key, text in (("first", never.first), ("last", never.last)):
        found = next(((f, t["scheme"]) for t in templates if (f := _limit(t, _clean(text)))), None)
        if found is None:
            raise c.fail(
                ("never", i, key), f"'{text}' is no number of this family. Write it as it would have been issued."
            )
        ends.append((found[1], found[0][0], int(found[0][1] or 0)))
    (scheme, block, low), (other_scheme, other_block, high) = ends
    if (scheme, block) != (other_scheme, other_block):
        raise c.fail(
            ("never", i, "last"),
            f"'{never.first}' and '{never.last}' differ before the running number. Write two entries.",
        )
    if high < low:
        raise c.fail(("never", i, "last"), f"'{never.first}' to '{never.last}' runs backwards. Exchange the two.")
    for made, pieces in laid:
        for piece in pieces if made[0]["scheme"] == scheme else ():
            if piece.block == block and piece.low <= high and low <= piece.high and piece.since is None:
                row = c.table.rows[piece.row]
                raise c.fail(
                    ("never", i),
                    f"'{never.first}' to '{never.last}' is said never to have been used, but row '{row.id}' has numbers of it.",
                )
    return never.model_dump()


def _feature(c: _Compiler, i: int, feature: Feature) -> dict[str, Any]:
    start = c.span(("features", i, "from"), feature.from_)[0] if feature.from_ else None
    end = c.span(("features", i, "to"), feature.to)[1] if feature.to else None
    if start and end and end < start:
        raise c.fail(("features", i, "to"), f"'{feature.from_}' to '{feature.to}' runs backwards. Exchange the two.")
    return {
        "id": feature.id, "what": feature.what, "from": start.isoformat() if start else None,
        "to": end.isoformat() if end else None, "question": feature.question, "source": feature.source,
        "note": feature.note, "memory": feature.standing == "memory",
    }  # fmt: skip


def _pieces(c: _Compiler, rows: list[int], made: list[dict[str, Any]]) -> list[_Piece]:
    """The rows of a scheme as stretches of running numbers; a row may reach over several lengths (99999 to 100000)."""
    limits = {i: _limits(c, i, made) for i in rows}
    bottom = made[0]["bounds"][0]
    widest = max(_width(t) for t in made)
    top = 10**widest - 1 if made[0]["bounds"][1] is None else min(10**widest - 1, made[0]["bounds"][1])
    out = []
    for i in rows:
        row = c.table.rows[i]
        block, low, high = limits[i]
        since = None
        if low is not None and high is None and not row.last:
            since = low
            beside = [
                o_low
                for o, (o_block, o_low, _) in limits.items()
                if o_block == block
                and o_low is not None
                and o_low > low
                and (c.table.rows[o].run, c.table.rows[o].basis) == (row.run, row.basis)
            ]
            high = min(beside, default=10**18) - 1
        low, high = max(bottom if low is None else low, bottom), min(top if high is None else high, top)
        if low <= high:
            out.append(_Piece(i, block, low, high, since))
    return out


def _width(template: dict[str, Any]) -> int:
    """How many figures the running number has in this template; 0 where it has none."""
    run = template["running"]
    return run[1] - run[0] if run else 0


def _limits(c: _Compiler, i: int, made: list[dict[str, Any]]) -> tuple[str, int | None, int | None]:
    """(block, first, last) of a row; first is None where the row names a whole block, last where the row is open."""
    row = c.table.rows[i]
    scheme = made[0]["scheme"]
    first = next((f for f in (_limit(t, _clean(row.first)) for t in made) if f), None)
    last = next((f for f in (_limit(t, _clean(row.last)) for t in made) if f), None) if row.last else None
    for key, text in (("first", row.first), ("last", row.last)):
        wrong = next((w for w in (_wrong_in(t, _clean(text)) for t in made) if w), "")
        if wrong:
            raise c.fail(("rows", i, key), f"'{text}' {wrong}.")
    if first is None:
        raise c.fail(("rows", i, "first"), f"'{row.first}' does not fit the parts of scheme '{scheme}'.")
    if row.last and last is None:
        raise c.fail(("rows", i, "last"), f"'{row.last}' does not fit the parts of scheme '{scheme}'.")
    if last and last[0] != first[0]:
        raise c.fail(
            ("rows", i, "last"), f"'{row.first}' and '{row.last}' differ before the running number. Write two rows."
        )
    low = int(first[1]) if first[1] else None
    high = int(last[1]) if last and last[1] else None
    if low is not None and high is not None and high < low:
        raise c.fail(("rows", i, "last"), f"'{row.first}' to '{row.last}' runs backwards. Exchange the two.")
    return first[0], low, high


def _segment(
    c: _Compiler,
    made: list[dict[str, Any]],
    pieces: list[_Piece],
    spans: list[Any],
    segments: list[list[Any]],
    largest: int,
) -> None:
    """Fill the tracks of a scheme's templates: for each run its segments in order, none overlapping another."""
    rows = c.table.rows
    groups: dict[tuple[str, str], list[_Piece]] = {}
    for piece in pieces:
        groups.setdefault((rows[piece.row].run, piece.block), []).append(piece)
    tracks: list[dict[str, list[tuple[str, str, int]]]] = [{} for _ in made]
    for (run, block), group in groups.items():
        group.sort(key=lambda p: p.low)
        _refuse_overlap(c, group)
        for lo, hi, segment in _stretches(c, group, largest, spans):
            segments.append(segment)
            for template, track in zip(made, tracks, strict=True):
                ends = _within(template, made, block, lo, hi)
                if ends:
                    track.setdefault(run, []).append((*ends, len(segments) - 1))
    for template, track in zip(made, tracks, strict=True):
        for out in track.values():
            out.sort()
            template["tracks"].append([[a for a, _, _ in out], [b for _, b, _ in out], [s for _, _, s in out]])


def _refuse_overlap(c: _Compiler, group: list[_Piece]) -> None:
    rows = c.table.rows
    for a, b in itertools.combinations(group, 2):
        if b.low <= a.high and rows[a.row].basis == rows[b.row].basis:
            one = rows[min(a.row, b.row)]
            raise c.fail(
                ("rows", max(a.row, b.row)),
                f"it overlaps row '{one.id}' ({one.first} to {one.last or 'no last number'}). "
                "Numbers issued twice are rows of two runs: give one of them 'run:'.",
            )


def _stretches(
    c: _Compiler, group: list[_Piece], largest: int, spans: list[Any]
) -> Iterator[tuple[int, int, list[Any]]]:
    """The elementary stretches between the knots of all bases, cut into months where they can be told or estimated."""
    rows = c.table.rows
    beyond_at = {p.row: p.since + largest for p in group if p.since is not None}
    cuts = {p.low for p in group} | {p.high + 1 for p in group}
    cuts |= {beyond_at[p.row] for p in group if p.since is not None and p.low < beyond_at[p.row] <= p.high}
    for lo, after in itertools.pairwise(sorted(cuts)):
        hi = after - 1
        over = [p for p in group if p.low <= lo and hi <= p.high]
        if not over:
            continue
        beyond = any(p.since is not None and lo >= beyond_at[p.row] for p in over)
        covering = sorted((p.row for p in over), key=lambda r: ("month", "model", "calendar").index(rows[r].basis))
        yield from _months(c, covering, lo, hi, any(p.since is not None for p in over), beyond, spans)


def _within(
    template: dict[str, Any], made: list[dict[str, Any]], block: str, lo: int, hi: int
) -> tuple[str, str] | None:
    """The part of a stretch whose numbers have this template's width, as text; None where there is none."""
    width = _width(template)
    if not width:
        return block, block
    narrowest = min(map(_width, made))
    lo = max(lo, 0 if width == narrowest else 10 ** (width - 1))
    hi = min(hi, 10**width - 1)
    return (block + format(lo, f"0{width}d"), block + format(hi, f"0{width}d")) if lo <= hi else None


def _months(
    c: _Compiler, covering: list[int], lo: int, hi: int, is_open: bool, beyond: bool, spans: list[Any]
) -> list[tuple[int, int, list[Any]]]:
    """The segments of one elementary stretch: a month each where months can be told or estimated, else one."""
    rows = [c.table.rows[i] for i in covering]
    earliest = max(spans[i][0] for i in covering)
    latest = min(spans[i][1] for i in covering)
    at_odds = earliest > latest
    if at_odds:  # the bases contradict each other here: both stand, so the widest span of the two
        earliest, latest = min(spans[i][0] for i in covering), max(spans[i][1] for i in covering)
    exact = (earliest.year, earliest.month) == (latest.year, latest.month)
    weight = BEYOND_OPEN_ROW if beyond else 1.0
    years = sorted({row.model_year for row in rows if row.model_year is not None})

    def segment(month: str | None, estimated: bool) -> list[Any]:
        shares = [[y, 1.0 / len(years)] for y in years] if years else _model_years(c.table, month, earliest, latest)
        return [covering, earliest.isoformat(), latest.isoformat(), month, estimated, shares, weight, at_odds]

    if exact:
        return [(lo, hi, segment(f"{earliest:%Y-%m}", False))]
    if is_open or at_odds or earliest == FIRST_DAY or latest == LAST_DAY or not all(row.interpolate for row in rows):
        return [(lo, hi, segment(None, False))]
    working = _working_days(earliest, latest, c.table.shut_months)
    total = sum(days for _, days in working)
    out, start, done = [], lo, 0
    for n, (month, days) in enumerate(working):
        done += days
        end = hi if n == len(working) - 1 else lo + round((hi - lo + 1) * done / total) - 1
        if end >= start:
            out.append((start, end, segment(month, True)))
            start = end + 1
    return out


def _working_days(earliest: dt.date, latest: dt.date, shut: list[str]) -> list[tuple[str, int]]:
    days: dict[str, int] = {}
    day = earliest
    while day <= latest:
        if f"{day:%m}" not in shut:
            days[f"{day:%Y-%m}"] = days.get(f"{day:%Y-%m}", 0) + 1
        day += dt.timedelta(1)
    return list(days.items()) or [(f"{earliest:%Y-%m}", 1)]


def _model_years(table: Table, month: str | None, earliest: dt.date, latest: dt.date) -> list[list[Any]]:
    """Model years by the table's rule where no model-year row covers the stretch."""
    if not table.model_year:
        return []
    if month is None:
        if earliest == FIRST_DAY or latest == LAST_DAY:
            return []
        years = {model_year_of(table.model_year, d) for d in (earliest, latest)}
        if len(years) > 2 or max(years) - min(years) > 1:
            return []
        return [[y, 1.0 / len(years)] for y in sorted(years)]
    return [[model_year_of(table.model_year, dt.date.fromisoformat(f"{month}-28")), 1.0]]


def model_year_of(rules: list[ModelYearRule], day: dt.date) -> int:
    """The model year of a day: from ``starts`` on it is that of the next calendar year. The latest rule in force counts."""
    in_force = [r for r in rules if r.from_ <= f"{day:%Y-%m}"]
    if not in_force:
        return day.year
    starts = max(in_force, key=lambda r: r.from_).starts
    return day.year + (starts != "01-01" and f"{day:%m-%d}" >= starts)
