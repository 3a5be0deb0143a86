"""Looking up numbers read badly in a list of a million, against one bare indexed SELECT; all in one run.

The numbers are of nine figures, drawn at random, one in a thousand of all there are; they stand in a registry file with
the index that every registry has, as numbers on somebody's list. What is measured:

* ``near.look``: reading grammar, search and weights, without families (the numbers are of none here);
* ``lookup.find``: everything a person is told, families and their spellings, chances and sentences;
* with no index of its own, and with the deletion neighbourhood in memory, as an import has it;
* rapidfuzz over the whole list beside it, where it is installed (it is not a part of this program).

Recall is counted over all that is asked, and for some of it every answer is compared with the edit distance over the whole
list. Ratios only: seconds are of this machine.

    python tests/benchmarks/bench_near.py [how many numbers]
"""

from __future__ import annotations

import random
import sqlite3
import sys
import tempfile
from collections.abc import Callable, Iterator, Sequence
from contextlib import closing, contextmanager
from dataclasses import dataclass, field
from pathlib import Path
from time import perf_counter

if __name__ == "__main__":
    sys.path.insert(0, str(Path(__file__).resolve().parents[2]))

from decoder import load_tables
from registry import lookup, near
from registry.opening import create_registry

SEED = 1968
FIGURES = "0123456789"
SLIPS = ("wrong", "missing", "extra", "swapped")


@dataclass
class Row:
    """One way of asking: what it costs in bare SELECTs, how much of what is there it found, and what else came along."""

    name: str
    times: float
    recall: float | None = None
    others: float | None = None


@dataclass
class Result:
    numbers: int
    bare: float  # seconds of one bare SELECT
    rows: dict[str, Row] = field(default_factory=dict)
    notes: list[str] = field(default_factory=list)

    def table(self) -> str:
        out = [
            f"{self.numbers:,} numbers of nine figures; one bare indexed SELECT is 1 ({self.bare * 1e6:.1f} microseconds here)"
        ]
        for row in self.rows.values():
            recall = "" if row.recall is None else f"  found {row.recall:.1%}"
            others = "" if row.others is None else f", {row.others:.3f} others each"
            out.append(f"  {row.name:<58}{row.times:>9.1f}{recall}{others}")
        return "\n".join([*out, *(f"  {note}" for note in self.notes)])


@contextmanager
def listed(count: int) -> Iterator[tuple[sqlite3.Connection, list[str]]]:
    """A registry file with so many numbers on one list; a connection that can only read it, and the numbers."""
    chance = random.Random(SEED)
    numbers: set[str] = set()
    while len(numbers) < count:
        numbers.add(f"{chance.randrange(10**9):09d}")
    keys = sorted(numbers)
    chance.shuffle(keys)
    with tempfile.TemporaryDirectory() as folder:
        path = create_registry(
            Path(folder) / "large.db", name="Large", origin="bench", at="2026-01-05T09:00:00Z", uid="0"
        )
        with closing(sqlite3.connect(path)) as conn, conn:
            (event,) = conn.execute("SELECT max(id) FROM events").fetchone()
            conn.execute("INSERT INTO lists (uid, origin, name) VALUES ('l', 'bench', 'Large')")
            conn.execute("DROP TRIGGER list_numbers_keep_replace")
            conn.executemany(
                "INSERT INTO list_numbers (uid, origin, list, as_typed, stamped_on, event) VALUES (?, 'bench', 1, ?, 'pan', ?)",
                ((f"n{n}", key, event) for n, key in enumerate(keys)),
            )
            conn.execute("DROP INDEX number_keys_key")
            conn.executemany(
                "INSERT INTO number_keys (subject_kind, subject, kind, family, key, certain, rule) VALUES ('list', ?, 'pan', '', ?, 1, 'keys 1')",
                ((n + 1, key) for n, key in enumerate(keys)),
            )
            conn.execute("CREATE INDEX number_keys_key ON number_keys(key)")
        with closing(sqlite3.connect(f"file:{path}?mode=ro", uri=True)) as conn:
            yield conn, keys


def seconds(call: Callable[[str], object], asked: Sequence[str], rounds: int = 5) -> float:
    """Of one call, in the quickest of some rounds over everything asked."""
    best = float("inf")
    for _ in range(rounds):
        start = perf_counter()
        for one in asked:
            call(one)
        best = min(best, (perf_counter() - start) / len(asked))
    return best


def slipped(chance: random.Random, number: str, slip: str) -> str:
    place = chance.randrange(9)
    if slip == "wrong":
        return number[:place] + chance.choice(FIGURES.replace(number[place], "")) + number[place + 1 :]
    if slip == "missing":
        return number[:place] + number[place + 1 :]
    if slip == "extra":
        return number[:place] + chance.choice(FIGURES) + number[place:]
    place = chance.choice([i for i in range(8) if number[i] != number[i + 1]] or [0])
    return number[:place] + number[place + 1] + number[place] + number[place + 2 :]


def opened(chance: random.Random, number: str, unread: int) -> str:
    gone = chance.sample(range(9), unread)
    return "".join("?" if i in gone else c for i, c in enumerate(number))


def measure(count: int, asked: int = 400) -> Result:
    """Everything, in one run over one list."""
    chance = random.Random(SEED + 1)
    with listed(count) as (conn, keys):
        drawn = chance.sample(keys, asked)
        bare = seconds(lambda key: conn.execute(lookup.EXACT, (key,)).fetchall(), drawn)
        out = Result(count, bare)
        tables = load_tables()

        def add(name: str, call: Callable[[str], object], pairs: Sequence[tuple[str, str]], rounds: int = 3) -> None:
            hits = [[one.key for one in call(text).found] for _, text in pairs]  # type: ignore[attr-defined]
            found = sum(number in hit for (number, _), hit in zip(pairs, hits, strict=True))
            others = sum(len(hit) for hit in hits) - found
            took = seconds(call, [text for _, text in pairs], rounds)
            out.rows[name] = Row(name, took / bare, found / len(pairs), others / len(pairs))

        def timed(name: str, call: Callable[[str], object], texts: Sequence[str], rounds: int = 3) -> None:
            out.rows[name] = Row(name, seconds(call, texts, rounds) / bare)

        slips = {slip: [(number, slipped(chance, number, slip)) for number in drawn[: asked // 4]] for slip in SLIPS}
        every = [pair for pairs in slips.values() for pair in pairs]
        open_ = {n: [(number, opened(chance, number, n)) for number in drawn[:100]] for n in range(1, 8)}

        def look(text: str) -> near.Looked:
            return near.look(conn, text)

        def shape(text: str) -> near.Looked:
            return near.look(conn, text, near=False)

        add("read with certainty", shape, [(number, number) for number in drawn])
        for slip, pairs in slips.items():
            add(f"one character {slip}, by the index alone", look, pairs)
        for n in (1, 2):
            add(f"{n} unreadable, by the index alone", shape, open_[n])
        timed(
            "a person's whole answer, one slip, given the pan",
            lambda text: lookup.find(conn, text, "pan", tables),
            [t for _, t in every[:60]],
        )
        timed(
            "a person's whole answer, one slip, whatever it is on",
            lambda text: lookup.find(conn, text, None, tables),
            [t for _, t in every[:60]],
        )
        assert near.kept(conn) is None, "nothing was to stand in memory so far"

        start = perf_counter()
        held = near.numbers(conn)
        out.notes.append(f"numbers read into memory: {(perf_counter() - start) / bare:,.0f} SELECTs, once")
        for n in (3, 4, 5, 6, 7):
            add(f"{n} unreadable, bytes in memory", shape, open_[n])
        misread = [(number, slipped(chance, slipped(chance, number, "wrong"), "wrong")) for number in drawn[:100]]
        add(
            "two misread characters, bytes in memory",
            lambda text: near.look(conn, text, near=False, further=True),
            misread,
        )

        start = perf_counter()
        rests = held.rests
        size = rests.hashes.nbytes + rests.rows.nbytes
        out.notes.append(
            f"deletion neighbourhood built: {(perf_counter() - start) / bare:,.0f} SELECTs, once, {size / 1e6:.0f} MB in memory"
        )
        for slip, pairs in slips.items():
            add(f"one character {slip}, deletion neighbourhood", look, pairs)
        timed(
            "a reading of a long list (near_many)",
            lambda text: list(near.near_many(conn, [text])),
            [t for _, t in every[:200]],
        )
        out.notes += compared(conn, keys, [text for _, text in every[:: max(1, len(every) // 12)]], out)
    return out


def compared(conn: sqlite3.Connection, keys: list[str], asked: list[str], out: Result) -> list[str]:
    """Every answer beside the edit distance over the whole list, by rapidfuzz where there is one."""
    try:
        from rapidfuzz import process
        from rapidfuzz.distance import OSA
    except ImportError:
        return ["rapidfuzz is not installed: no peer, and no second opinion on what is near"]

    def peer(text: str) -> list[str]:
        row = process.cdist([text], keys, scorer=OSA.distance, score_cutoff=1, workers=1)[0]
        return sorted(keys[n] for n in (row <= 1).nonzero()[0].tolist())

    differ = [text for text in asked if peer(text) != sorted(one.key for one in near.look(conn, text).found)]
    out.rows["rapidfuzz"] = Row("rapidfuzz cdist over the list", seconds(peer, asked[:4], 2) / out.bare)
    if differ:
        raise AssertionError(f"the answer is not that of the edit distance over the list: {differ}")
    return [f"{len(asked)} answers compared with the edit distance over all {len(keys):,}: the same"]


if __name__ == "__main__":
    print(measure(int(sys.argv[1]) if len(sys.argv) > 1 else 1_000_000).table())
