"""A number read badly: the exact posterior against enumeration, and stated probabilities against how often they come true.

Reference: Bayes' theorem over every number of a small family, with the misreading model as ``decoder.channel`` states it, written
out here a second time and by brute force.
"""

from __future__ import annotations

import itertools
import math
import random
from collections import defaultdict

import pytest

from decoder import Cell, Tables, compile_table, decode, load_tables, read
from decoder.channel import LEVELS, Channel, channel
from decoder.errors import DecoderError
from decoder.families import load_data
from decoder.weighing import of_family, variants_of

YEARS = """
family: small
title: "A small maker (invented)"
house: true
carried_by: [pan]
where: "on the tunnel"
sources:
  sheet: {title: "Sheet", edition: "1", supports: "all", standing: house, read: "2026-11-25"}
schemes:
  - id: only
    parts:
      - {name: "letter", codes: {S: "closed", C: "open"}}
      - {name: "year figure", figures: "1"}
      - {name: "running number", figures: "3"}
    print: "{letter}{year figure} {running number}"
rows:
  - {id: "a", scheme: only, run: "sixties", basis: month, first: "S3 001", last: "S3 118", built: "1963-01", source: "sheet"}
  - {id: "b", scheme: only, run: "sixties", basis: month, first: "S3 119", last: "S3 307", built: "1963-02", source: "sheet"}
  - {id: "c", scheme: only, run: "sixties", basis: month, first: "S8 001", last: "S8 250", built: "1968-01", source: "sheet"}
  - {id: "d", scheme: only, run: "seventies", basis: month, first: "S3 001", last: "S3 090", built: "1973-01", source: "sheet"}
"""

CHECKED = """
family: checked
title: "A maker with a check letter (invented)"
house: true
carried_by: [body]
where: "on the plate"
sources:
  sheet: {title: "Sheet", edition: "1", supports: "all", standing: house, read: "2026-11-25"}
schemes:
  - id: only
    parts:
      - {name: "letters", literal: "UF"}
      - {name: "running number", figures: "3"}
      - {name: "check letter", check: {modulus: 11, letters: "ABCDEFGHJKL", of: ["running number"]}}
    print: "{letters}-{running number}{check letter}"
rows:
  - {id: "a", scheme: only, basis: month, first: "UF-001A", last: "UF-400D", built: "1972-06", source: "sheet"}
  - {id: "b", scheme: only, basis: month, first: "UF-401E", last: "UF-700G", built: "1972-07", source: "sheet"}
"""


def _tables(*texts: str) -> Tables:
    compiled = [compile_table(text) for text in texts]
    return Tables({c["family"]: c for c in compiled} | {"confusion": load_data("confusion")})


SMALL = _tables(YEARS)


@pytest.fixture(scope="module")
def checked() -> Tables:
    text = CHECKED
    for n in (1, 400, 401, 700):  # the rows' limits carry their true letters
        letter = "ABCDEFGHJKL"[n % 11]
        text = text.replace(f"UF-{n:03d}{'ADEG'[(1, 400, 401, 700).index(n)]}", f"UF-{n:03d}{letter}")
    return _tables(text)


def numbers_of(tables: Tables, family: str) -> dict[str, list[str]]:
    """Every issued number of a small family, with the months it was issued in."""
    out: dict[str, list[str]] = {}
    for template in tables[family].templates:
        for text in map("".join, itertools.product(*template.cells)):
            for segment in template.find(text):
                out.setdefault(text, []).append(segment.month)
    return out


def likelihood(cells: tuple[Cell, ...], number: str, how: Channel) -> float:
    """P(reading | number) by the model as stated: no slip, or one character dropped, doubled, or two neighbours swapped."""

    def plain(stamped: str) -> float:
        return _plain_cells(cells, stamped, how) if len(stamped) == len(cells) else 0.0

    n = len(number)
    total = (1 - 3 * how.slip) * plain(number)
    for i in range(n):
        total += how.slip / n * plain(number[:i] + number[i + 1 :])
        # a doubled character is the same mark read twice: the second must look as the first
        if len(cells) == n + 1 and cells[i].chars and cells[i].chars == cells[i + 1].chars:
            total += how.slip / n * _plain_cells(cells[: i + 1] + cells[i + 2 :], number, how)
    for i in range(n - 1):
        if len(cells) == n and cells[i] != cells[i + 1]:
            swapped = (*cells[:i], cells[i + 1], cells[i], *cells[i + 2 :])
            total += how.slip / (n - 1) * _plain_cells(swapped, number, how)
    return total


def _plain_cells(cells: tuple[Cell, ...], number: str, how: Channel) -> float:
    value = 1.0
    for cell, s in zip(cells, number, strict=True):
        rate = max(how.rate, how.doubtful_rate) if cell.doubtful else how.rate
        if cell.chars:
            value *= sum(how.likelihood(r, s, rate) for r in cell.chars) / len(cell.chars)
    return value


READINGS = ["S3 045", "S3 3?5", "S[38] 118", "C8 25", "S33 119", "S3 9999", "53 045", "S3 0~45", "?8 ?0?", "S8 251"]


@pytest.mark.parametrize("text", READINGS)
@pytest.mark.parametrize("level", ["low", "usual", "high"])
def test_the_posterior_is_that_of_enumeration(text, level):
    """Months and candidates agree with Bayes' theorem over every issued number, to 1e-12."""
    how = channel(level)
    cells = read(text).cells
    expected: dict[str, float] = defaultdict(float)
    by_number: dict[str, float] = {}
    for number, months in numbers_of(SMALL, "small").items():
        weight = likelihood(cells, number, how)
        by_number[number] = weight * len(months)
        for month in months:
            expected[month] += weight
    total = sum(expected.values())
    found = of_family(SMALL["small"], variants_of(read(text)), None, how)
    got: dict[str, float] = defaultdict(float)
    for segment, weight in found.segments.values():
        got[segment.month] += weight
    assert got.keys() == {m for m, w in expected.items() if w > 0}
    for month, weight in got.items():
        assert weight == pytest.approx(expected[month], rel=1e-12, abs=1e-12 * total)
    best = max(by_number, key=by_number.__getitem__)
    assert best in found.candidates


@pytest.mark.parametrize("text", ["UF-233C", "UF-?33C", "UF-2333C", "UF-33C?", "UF-283C"])
def test_a_check_letter_takes_part_in_the_posterior(text, checked):
    """The letter's own chance of being misread is weighed with the figures it hangs on, to 1e-12."""
    how = channel("usual")
    cells = read(text).cells
    expected: dict[str, float] = defaultdict(float)
    for number, months in numbers_of(checked, "checked").items():
        for month in months:
            expected[month] += likelihood(cells, number, how)
    found = of_family(checked["checked"], variants_of(read(text)), None, how)
    total = sum(expected.values())
    got = {s.month: w for s, w in found.segments.values()}
    for month in expected:
        assert got.get(month, 0.0) == pytest.approx(expected[month], rel=1e-12, abs=1e-12 * total)


def test_the_sums_agree_with_monte_carlo_on_the_real_pan():
    """On the real table the share of each model year agrees with numbers drawn by the weights of their characters."""
    how, family = channel("usual"), load_tables()["aircooled-platform"]
    text = "11[67] 1?3 4?6"
    cells = read(text).cells
    template = next(t for t in family.templates if t.length == 9 and t.scheme == "nine-digit")
    weights = [how.weights(c.chars, c.doubtful, alphabet) for c, alphabet in zip(cells, template.cells, strict=True)]
    rng = random.Random(20261125)
    drawn: dict[int, int] = defaultdict(int)
    for _ in range(40_000):
        number = "".join(rng.choices([c for c, _ in w], [x for _, x in w])[0] for w in weights)
        for segment in template.find(number):
            for year, _ in segment.model_years:
                drawn[year] += 1
    found = of_family(family, variants_of(read(text)), None, how)
    exact: dict[int, float] = defaultdict(float)
    for segment, weight in found.segments.values():
        for year, share in segment.model_years:
            exact[year] += weight * share
    n, scale = sum(drawn.values()), sum(exact.values())
    for year in (1966, 1967, 1968):
        p = exact[year] / scale
        # the slips (one reading in 70) are in the exact figure and not in the draw
        assert abs(p - drawn[year] / n) < 4 * math.sqrt(p * (1 - p) / n) + 0.002


def misread(number: str, how: Channel, rng: random.Random) -> str:
    """What somebody reads of ``number`` at this level of noise."""
    characters = "0123456789ABCDEFGHJKLMNPRSTUVWXYZ"
    dice = rng.random()
    if dice < how.slip:
        i = rng.randrange(len(number))
        number = number[:i] + number[i + 1 :]
    elif dice < 2 * how.slip:
        i = rng.randrange(len(number))
        number = number[: i + 1] + number[i] + number[i + 1 :]
        i = -1
    elif dice < 3 * how.slip:
        i = rng.randrange(len(number) - 1)
        number = number[:i] + number[i + 1] + number[i] + number[i + 2 :]
    out = []
    for s in number:
        weights = [how.likelihood(r, s, how.rate) for r in characters]
        out.append(rng.choices(characters, weights)[0])
    return "".join(out)


@pytest.mark.parametrize("level", ["usual", "high"])
def test_stated_probabilities_come_true_as_often_as_they_say(level):
    """20,000 simulated misreadings a level (3 % and 8 % of characters): in each bin of stated probability the share that is true
    agrees within three standard errors; the 90 % set of months holds the truth at least 88 times in 100 and is the smallest there is."""
    how = channel(level)
    rng = random.Random(f"{level} 2026")
    family = SMALL["small"]
    every = [(number, month) for number, months in numbers_of(SMALL, "small").items() for month in months]
    said: dict[int, list[float]] = defaultdict(list)
    held = 0
    trials = 20_000
    cache: dict[str, list[tuple[str, float]]] = {}
    for _ in range(trials):
        number, month = rng.choice(every)
        text = misread(number, how, rng)
        if text not in cache:
            found = of_family(family, variants_of(read(text)), None, how, False)
            weights: dict[str, float] = defaultdict(float)
            for segment, weight in found.segments.values() if found else ():
                weights[segment.month] += weight
            total = sum(weights.values()) or 1.0
            cache[text] = sorted(((m, w / total) for m, w in weights.items()), key=lambda mw: -mw[1])
        ranked = cache[text]
        held_by, size = 0.0, 0
        for m, p in ranked:
            said[min(int(p * 10), 9)].append((p, m == month))
            if held_by < 0.9:
                held_by += p
                size += 1
                held += m == month
        assert not ranked or held_by - ranked[size - 1][1] < 0.9  # one month fewer would not do
    assert held / trials >= 0.88
    for pairs in said.values():
        stated = sum(p for p, _ in pairs) / len(pairs)
        true = sum(t for _, t in pairs) / len(pairs)
        # the months of one reading are not independent of one another, but each bin holds far more readings than months
        error = math.sqrt(max(sum(p * (1 - p) for p, _ in pairs), 1e-9)) / len(pairs)
        assert abs(true - stated) <= 3 * error + 1e-9


class TestDefaults:
    def test_a_reading_that_fits_is_taken_as_read(self):
        """By default nothing is doubted that fits a row."""
        assert decode("118 000 001", "pan").decodings[0].number == "118000001"

    def test_a_reading_that_fits_no_row_is_slightly_doubted(self):
        """One above the last of a year is answered as a guess at a misreading, and called so."""
        answer = decode("1161021299", "pan")
        assert answer.decodings and answer.decodings[0].number is None
        assert any("guess at a misreading" in p for p in answer.problems)
        assert any("1 above the last of model year 1966" in p for p in answer.problems)

    @pytest.mark.parametrize("surface", ["painted", "pitted"])
    def test_painted_and_pitted_metal_is_always_doubted(self, surface):
        assert decode("118 312 345", "pan", surface=surface).decodings[0].number is None

    def test_without_doubt_a_misfit_has_no_answer(self):
        assert not decode("1161021299", "pan", doubt="none").decodings

    def test_an_unknown_level_is_refused_with_the_ones_there_are(self):
        with pytest.raises(DecoderError, match="none, low, usual, high"):
            decode("118 000 001", doubt="enormous")

    @pytest.mark.parametrize("level", LEVELS)
    def test_probabilities_sum_to_one(self, level):
        answer = decode("118 3?2 34[58]", "pan", doubt=level)
        assert sum(d.probability for d in answer.decodings) + answer.none_of_these == pytest.approx(1.0)


def test_more_doubt_about_a_character_never_makes_the_number_surer():
    """8~ is less sure of the 8 than 8 is."""
    plain = decode("118 31[2] 345", "pan", families=["aircooled-platform"], doubt="usual")
    doubtful = decode("118 31[2]~ 345", "pan", families=["aircooled-platform"], doubt="usual")
    chance = lambda answer: next(c.probability for c in answer.decodings[0].candidates if c.number == "118312345")  # noqa: E731
    assert chance(doubtful) < chance(plain)


def test_look_again_names_the_character_that_settles_most():
    """Of two characters in doubt the one that moves the month more comes first."""
    answer = decode("118 [38]0[38] 345", "pan")
    assert [o["place"] for o in answer.look_again if "place" in o] == [4, 6]


def test_own_rereadings_are_counted_in(tmp_path):
    """A shop that has often seen a 2 behind what looked like a 7 is asked about the 2."""
    (tmp_path / "rereadings.csv").write_text("stamped,read,count\n2,7,200\n", encoding="utf-8")
    tables = load_tables(folder=tmp_path)
    before = decode("118 317 345", "pan", families=["aircooled-platform"], doubt="usual").decodings[0]
    after = decode("118 317 345", "pan", families=["aircooled-platform"], doubt="usual", tables=tables).decodings[0]
    chance = lambda d: next((c.probability for c in d.candidates if c.number == "118312345"), 0.0)  # noqa: E731
    assert chance(after) > 10 * chance(before)


def test_a_wrong_line_of_rereadings_is_named(tmp_path):
    (tmp_path / "rereadings.csv").write_text("stamped,read,count\n22,7,x\n", encoding="utf-8")
    with pytest.raises(DecoderError, match=r"rereadings\.csv:2"):
        load_tables(folder=tmp_path)
