"""A list of numbers at once: columns in, columns out.

What is the same for every number of a stretch is worked out once. The texts are laid into byte matrices, one for each shape
(which places hold figures, which letters); the stretch each number falls into is found by ``numpy.searchsorted``; one number of each
stretch is decoded by ``decode`` itself and its answer serves the rest. Whatever is not plainly written (doubts, dashes, letters
for figures, wide characters) is decoded one by one, so that a list and a single question can never give two answers.
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

from decoder.decoding import Answer, decode
from decoder.errors import DecoderError
from decoder.patterns import Tables, load_tables

#: The columns of the answer. ``status`` is 0 answered, 1 fits no table, 2 cannot be read; ``also`` names further families.
COLUMNS = (
    "family",
    "number",
    "probability",
    "earliest",
    "latest",
    "model_year",
    "likeliest_month",
    "estimated",
    "also",
    "status",
    "problem",
)


def decode_many(
    readings: Sequence[str],
    on: str | None = None,
    *,
    families: Sequence[str] | None = None,
    tables: Tables | None = None,
    doubt: str = "none",
) -> dict[str, Any]:
    """Decode a column of readings; returns a dict of numpy arrays of the same length, one for each of COLUMNS.

    A reading that is no reading is a row with ``status`` 2 and its sentence in ``problem``; the list goes on. Text columns hold
    "" where there is nothing to say; ``model_year`` 0; ``probability`` is that of the likeliest family. ``doubt`` as in ``decode``, but
    "none" unless it is asked for: down a list nobody looks at the metal again, so no misreading is guessed at. Raises DecoderError
    where ``on``, ``doubt`` or one of ``families`` is unknown, before the first row.
    """
    import numpy as np

    tables = tables or load_tables()
    readings = list(readings)
    decode("0", on, families=families, tables=tables, doubt=doubt)  # a wrong option is no fault of the rows
    answers = _Answers(on, families, tables, doubt)
    index = np.full(len(readings), -1, dtype=np.int32)
    number = np.empty(len(readings), dtype=object)
    if families is None and readings and doubt == "none":
        _plain(readings, on, tables, answers, index, number, np)
    for i in np.flatnonzero(index < 0).tolist():
        index[i] = answers.of(readings[i])
    out: dict[str, Any] = {}
    for n, column in enumerate(COLUMNS):
        out[column] = np.array([v[n] for v in answers.table], dtype=_TYPES.get(column, object))[index]
    one_by_one = np.array(answers.alone, dtype=bool)[index]
    number[one_by_one] = out["number"][one_by_one]
    out["number"] = number
    return out


_TYPES: dict[str, Any] = {"probability": float, "model_year": "int64", "status": "int8", "estimated": bool}


class _Answers:
    """The answers given so far, each once: a row of the result is the place of its answer in ``table``.

    ``alone``: whether an answer belongs to one reading (its number stands in it) or serves a whole stretch.
    """

    def __init__(self, on: str | None, families: Sequence[str] | None, tables: Tables, doubt: str) -> None:
        self.on, self.families, self.tables, self.doubt = on, families, tables, doubt
        self.table: list[tuple[Any, ...]] = []
        self.alone: list[bool] = []
        self._known: dict[str, int] = {}

    def of(self, text: Any, alone: bool = True) -> int:
        known = self._known.get(text) if alone and isinstance(text, str) else None
        if known is not None:
            return known
        self.table.append(self._values(text))
        self.alone.append(alone)
        if alone and isinstance(text, str):
            self._known[text] = len(self.table) - 1
        return len(self.table) - 1

    def _values(self, text: Any) -> tuple[Any, ...]:
        try:
            return _columns(decode(text, self.on, families=self.families, tables=self.tables, doubt=self.doubt))
        except DecoderError as error:
            return ("", "", 0.0, "", "", 0, "", False, "", 2, str(error))


def _columns(answer: Answer) -> tuple[Any, ...]:
    problem = " ".join(answer.problems)
    if not answer.decodings:
        return ("", "", 0.0, "", "", 0, "", False, "", 1, problem)
    d = answer.decodings[0]
    years = d.model_years
    if len(years) > 1 and max(p for _, p in years) < 1.05 * min(p for _, p in years):
        years = []  # equally likely: a list that named one would name the dearer one half the time
    return (
        d.family.id, d.number or "", d.probability, d.earliest or "", d.latest or "", max(years, key=lambda y: y[1])[0] if years else 0,
        d.likeliest_month or "", d.months_estimated, " ".join(o.family.id for o in answer.decodings[1:]), answer.status, problem,
    )  # fmt: skip


def _plain(
    readings: list[Any], on: str | None, tables: Tables, answers: _Answers, index: Any, number: Any, np: Any
) -> None:
    """Answer the plainly written numbers (figures and capital letters, spaces aside) into ``index``.

    ``number`` is filled with the readings without their spaces.
    """
    at, texts = np.arange(len(readings)), readings
    try:
        joined = "\n".join(readings)
    except TypeError:  # something in the list is no text
        joined = "\xe9"
    if not joined.isascii() or joined.count("\n") != len(readings) - 1:
        # What is no text, has wide characters or a line break inside is left to be read one by one.
        kept_at = [i for i, r in enumerate(readings) if isinstance(r, str) and r.isascii() and "\n" not in r]
        at, texts = np.array(kept_at, dtype=np.int64), [readings[i] for i in kept_at]
        joined = "\n".join(texts)
    if not texts:
        return
    kept = _codes(np)[np.frombuffer((joined + "\n").encode("ascii"), dtype=np.uint8)]
    if " " in joined:
        kept = kept[kept != _SPACE]
        number[at] = joined.replace(" ", "").split("\n")
    else:
        number[at] = texts
    width = kept.size // len(texts)
    if kept.size % len(texts) == 0 and (kept[width - 1 :: width] == _END).all() and (kept == _END).sum() == len(texts):
        _of_length(at, kept.reshape(-1, width)[:, : width - 1], readings, on, tables, answers, index, np)
        return
    ends = np.flatnonzero(kept == _END)
    starts = np.concatenate([[0], ends[:-1] + 1])
    lengths = ends - starts
    for length in np.unique(lengths).tolist():
        rows = np.flatnonzero(lengths == length)
        matrix = kept[starts[rows][:, None] + np.arange(length)]
        _of_length(at[rows], matrix, readings, on, tables, answers, index, np)


_OTHER, _SPACE, _END = 99, 98, 97
_CODES: Any = None


def _codes(np: Any) -> Any:
    """Byte to 0..35 in the order of ASCII (figures, then letters); a space, a line's end and the rest apart."""
    global _CODES
    if _CODES is None:
        _CODES = np.full(256, _OTHER, dtype=np.uint8)
        _CODES[48:58] = np.arange(10)
        _CODES[65:91] = np.arange(10, 36)
        _CODES[32], _CODES[10] = _SPACE, _END
    return _CODES


def _of_length(
    rows: Any, matrix: Any, readings: list[Any], on: str | None, tables: Tables, answers: _Answers, index: Any, np: Any
) -> None:
    length = matrix.shape[1]
    if not 0 < length <= 40 or not len(rows):
        return
    top = int(matrix.max())
    if top > 35:
        good = (matrix < 36).all(axis=1)
        rows, matrix = rows[good], matrix[good]
    if top < 10:
        shapes = [(0, slice(None))]
    else:
        bits = (matrix > 9) @ (1 << np.arange(length, dtype=np.int64))
        shapes = [(int(s), bits == s) for s in np.unique(bits)]
    for shape, here in shapes:
        text_shape = "".join("A" if shape >> i & 1 else "0" for i in range(length))
        _of_shape(rows[here], matrix[here], text_shape, readings, on, tables, answers, index, np)


def _of_shape(
    rows: Any,
    matrix: Any,
    shape: str,
    readings: list[Any],
    on: str | None,
    tables: Tables,
    answers: _Answers,
    index: Any,
    np: Any,
) -> None:
    templates, slow = tables.shapes.get((on, shape)) or tables.shape(on, shape)
    if templates is None:
        return
    for place, chars in slow:  # a look-alike there would open another family: those go one by one
        keep = ~_among(matrix[:, place], list(chars), np)
        rows, matrix = rows[keep], matrix[keep]
    if not len(rows):
        return
    stretch: Any = 0
    size = 1
    for template in templates:
        allowed: Any = True
        for a, b, codes in template.codes:
            allowed = allowed & _among(_number(matrix, [(a, b)], np), list(codes), np)
        for i, c in template.literals:
            allowed = allowed & (matrix[:, i] == _text_number(c))
        for i in template.any:
            allowed = allowed & _among(matrix[:, i], list(template.cells[i]), np)
        for at, mod, letters, of in template.checks:
            value = matrix[:, of].astype(np.int64) @ (10 ** np.arange(len(of) - 1, -1, -1, dtype=np.int64))
            allowed = allowed & (matrix[:, at] == np.array([_text_number(c) for c in letters[:mod]])[value % mod])
        key = _number(matrix, template.ordered, np)
        for first, last, _segments in template.tracks:
            if size > 2**62 // (len(first) + 2):
                return  # more families than one figure can count: one by one
            highs = np.array([-1, *(_text_number(t) for t in last)])
            at = np.searchsorted(np.array([_text_number(t) for t in first]), key, side="right")
            at *= (key <= highs[at]) & allowed
            stretch = stretch * (len(first) + 1) + at
            size *= len(first) + 1
    if size <= 1 << 22:
        present = np.bincount(stretch, minlength=1) > 0
        present[0] = False
        places = np.flatnonzero(present)
        of_stretch = np.full(len(present), -1, dtype=np.int32)
        where = np.empty(len(present), dtype=np.int64)
        where[stretch[::-1]] = rows[::-1]
        of_stretch[places] = [answers.of(readings[i], False) for i in where[places].tolist()]
        index[rows] = of_stretch[stretch]
    else:
        values, where, inverse = np.unique(stretch, return_index=True, return_inverse=True)
        found = [
            -1 if v == 0 else answers.of(readings[rows[w]], False)
            for v, w in zip(values.tolist(), where.tolist(), strict=True)
        ]
        index[rows] = np.array(found, dtype=np.int32)[inverse]


def _among(values: Any, texts: list[str], np: Any) -> Any:
    """Whether each value is one of ``texts``, by a table of truth: they are one or two characters."""
    truth = np.zeros(36 ** max(map(len, texts)), dtype=bool)
    truth[[_text_number(t) for t in texts]] = True
    return truth[values]


def _number(matrix: Any, spans: list[tuple[int, int]], np: Any) -> Any:
    """The characters of ``spans`` as one integer in base 36, in the order of the text."""
    places = [i for a, b in spans for i in range(a, b)]
    value = np.zeros(len(matrix), dtype=np.int64)  # no places: an engine's letter and figures, which have no order
    for i in places:
        value *= 36
        value += matrix[:, i]
    return value


def _text_number(text: str) -> int:
    value = 0
    for c in text:
        value = value * 36 + (ord(c) - 48 if c < "A" else ord(c) - 55)
    return value
