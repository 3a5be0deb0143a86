"""Pictures: well formed, in black and white, with words for who cannot see them, and true to the data they carry."""

from __future__ import annotations

import json
import re
from datetime import date
from typing import Any
from xml.etree import ElementTree

import pytest

from decoder import curve as curves
from decoder import dating, population
from decoder.curve import DatedCar
from registry import dated, pictures

SVG = "{http://www.w3.org/2000/svg}"
HOSTILE = "<script>alert(\"x\")</script> & 'more'"


def answer(*statements: dating.Statement, number_conflicts: tuple[dated.Conflict, ...] = ()) -> dated.Answer:
    """A car's answer from these statements alone."""
    found = dating.reconcile(statements, events=dated.EVENTS, rules=dated.RULES)
    conflicts = tuple(
        dated.Conflict("dates", tuple(map(str, one.papers)), one.says, one.ask, one.is_certain, one.statements)
        for one in found.conflicts
    )
    return dated.Answer("E26-001", (), found, (*number_conflicts, *conflicts), (), (), statements)


def says(about: str, when: str, relation: str = "equals", **more: Any) -> dating.Statement:
    more = {"kind": f"paper {about}", "ref": f"statement {about} {when}"} | more
    return dating.statement(about, relation, when, events=dated.EVENTS, **more)


def clash() -> dated.Answer:
    return answer(
        says("pan_made", "1968", nature="stamping"), says("assembled", "1966"), says("first_registered", "1970")
    )


def learnt() -> curves.Curve:
    """Twenty cars, four a year in order of their serials, and one paper that cannot be right."""
    cars = []
    for n in range(20):
        year, month = 1965 + n // 4, 1 + 3 * (n % 4)
        cars.append(DatedCar(100 + 10 * n, date(year, month, 1), date(year, month + 1, 28), f"car {n}"))
    return curves.learn([*cars, DatedCar(155, date(1970, 1, 1), date(1970, 2, 1), "wrong one")], series="Trial")


def counted() -> population.Survivors:
    return population.survivors({"First": range(101, 341, 20), "Second": range(101, 401, 30)})


PICTURES = {
    "timeline": lambda **how: pictures.timeline_svg(clash(), **how),
    "curve": lambda **how: pictures.curve_svg(learnt(), **how),
    "survivors": lambda **how: pictures.survivors_svg(counted(), **how),
}


def tree(svg: str) -> ElementTree.Element:
    return ElementTree.fromstring(svg)


def words(svg: str) -> list[str]:
    return [element.text or "" for element in tree(svg).iter(f"{SVG}text")]


def numbers(path: str) -> list[float]:
    return [float(found) for found in re.findall(r"-?[0-9]+(?:\.[0-9]+)?", path)]


# What every picture has


@pytest.mark.parametrize("standalone", [False, True])
@pytest.mark.parametrize("name", PICTURES)
def test_a_picture_has_a_title_a_description_and_its_data(name: str, standalone: bool):
    """Somebody who hears the page gets the answer in words; a program gets the data."""
    root = tree(PICTURES[name](standalone=standalone))
    title, description, metadata = (root.find(f"{SVG}{tag}") for tag in ("title", "desc", "metadata"))
    assert "img" == root.get("role")
    assert title is not None and title.text
    assert description is not None and description.text and len(description.text) > 40
    assert metadata is not None and isinstance(json.loads(metadata.text or ""), dict)


@pytest.mark.parametrize("name", PICTURES)
def test_black_on_white_is_enough(name: str):
    """No colour but the ink and the ground: what it says is said by shape, hatching and words."""
    svg = PICTURES[name](standalone=True)
    painted = set(re.findall(r'(?:fill|stroke|color)="([^"]+)"', svg))
    assert {one for one in painted if not one.startswith("url(#")} <= {
        "none",
        "currentColor",
        "#fff",
        "#17202b",
        pictures._GROUND,
    }


@pytest.mark.parametrize("standalone", [False, True])
@pytest.mark.parametrize("name", PICTURES)
def test_nothing_is_written_outside_the_picture(name: str, standalone: bool):
    """Words are broken before they run out of the frame, at eight units a letter of size 14."""
    root = tree(PICTURES[name](standalone=standalone))
    _, _, wide, high = map(float, (root.get("viewBox") or "").split())
    assert pictures.WIDE == wide
    for element in root.iter(f"{SVG}text"):
        size, x, y = (float(element.get(key) or 0) for key in ("font-size", "x", "y"))
        length = len(element.text or "") * size * 0.56
        start = {"start": x, "middle": x - length / 2, "end": x - length}[element.get("text-anchor") or "start"]
        assert start >= -2 and start + length <= wide + 6, element.text
        assert 0 < y <= high, element.text


@pytest.mark.parametrize("name", PICTURES)
def test_the_same_answer_gives_the_same_picture(name: str):
    assert PICTURES[name]() == PICTURES[name]()


def test_what_a_person_typed_is_escaped():
    svg = pictures.timeline_svg(
        answer(says("pan_made", "1968", kind=HOSTILE, nature="stamping"), says("assembled", "1966", source=HOSTILE)),
        standalone=True,
    )
    assert "<script" not in svg
    assert any(HOSTILE[:20] in word for word in words(svg))
    assert "<script" not in pictures.table_html([["Event", "When"], [HOSTILE, HOSTILE]], caption=HOSTILE)
    car = DatedCar(100, date(1965, 1, 1), None, HOSTILE)
    curve = curves.learn(
        [
            car,
            DatedCar(200, date(1966, 1, 1), None),
            DatedCar(300, None, date(1964, 1, 1), HOSTILE),
            DatedCar(400, date(1967, 1, 1), None),
        ]
    )
    assert "<script" not in pictures.curve_svg(curve, title=HOSTILE, standalone=True)


# Timeline


def test_each_of_the_five_has_a_lane_with_its_words():
    told = " | ".join(words(pictures.timeline_svg(answer(says("body_moulded", "1966")))))
    for lane in (
        "Pan made: not known",
        "Body moulded: 1966",
        "Car assembled: from 1966 on",
        "First registered: from 1966 on",
        "Title year: not known",
    ):
        assert lane in told


def test_a_bar_lies_where_its_days_lie():
    """Twice as far along the calendar is twice as far along the picture."""
    svg = pictures.timeline_svg(
        answer(says("pan_made", "1960", nature="stamping"), says("title_year", "1970"), says("repanned", "1965"))
    )
    starts = {}
    bars = [element for element in tree(svg).iter(f"{SVG}path") if element.get("fill") == "currentColor"]
    for name, bar in zip(("pan_made", "title_year", "repanned"), bars, strict=True):
        starts[name] = numbers(bar.get("d") or "")[0]
    along = (starts["repanned"] - starts["pan_made"]) / (starts["title_year"] - starts["pan_made"])
    assert along == pytest.approx(0.5, abs=0.01)


def _shape(*statements: dating.Statement) -> str:
    svg = pictures.timeline_svg(answer(*statements))
    return next(
        element.get("d") or "" for element in tree(svg).iter(f"{SVG}path") if element.get("fill") == "currentColor"
    )


def test_a_hard_end_is_square_and_a_soft_end_tapers():
    """Four corners where both ends are hard, a point more for each soft end."""
    hard = _shape(says("title_year", "1960"), says("body_moulded", "1966/1968"))
    assert "L" not in _shape(says("title_year", "1960"))
    soft = _shape(says("body_moulded", "1966/1968", nature="memory"))
    assert (0, 3) == (hard.count("L"), soft.count("L"))


def test_an_open_end_is_an_arrow_and_no_bar():
    svg = pictures.timeline_svg(answer(says("body_moulded", "1966", "not after")))
    assert [] == [one for one in tree(svg).iter(f"{SVG}path") if one.get("fill") == "currentColor"]
    assert "before 1967" in " ".join(words(svg))


def test_two_decades_are_two_bars_joined_by_dots():
    svg = pictures.timeline_svg(answer(says("pan_made", "[1964,1974]", nature="stamping")))
    filled = [one for one in tree(svg).iter(f"{SVG}path") if one.get("fill") == "currentColor"]
    assert 2 == len(filled)
    assert "2 4" in {one.get("stroke-dasharray") for one in tree(svg).iter(f"{SVG}path")}


def test_a_conflict_is_a_crossed_line_with_the_number_of_its_sentence():
    """The number in the circle is that of the answer's own list, which may begin with conflicts of numbers."""
    first = dated.Conflict("numbers", ("reading 1",), "The title speaks of another pan.", "Ask.", True)
    clashing = answer(*clash().statements, number_conflicts=(first,))
    svg = pictures.timeline_svg(clashing, standalone=True)
    assert ["2"] == [element.text for element in tree(svg).iter(f"{SVG}text") if element.get("font-weight") == "bold"]
    told = " ".join(words(svg))
    assert "1. The title speaks of another pan." in told and "2. Paper pan_made: the pan was made in 1968." in told
    assert {"Paper pan_made", "Paper assembled"} <= set(words(svg))
    none = pictures.timeline_svg(answer(says("pan_made", "1964"), says("assembled", "1966")))
    assert 0 == none.count("<circle")


def test_conflicts_that_lie_over_each_other_run_in_gutters_of_their_own():
    assert [0, 1, 0] == pictures._gutters([[0, 2], [1, 3], [4, 5]])


def test_nothing_dated_is_nothing_drawn():
    assert "" == pictures.timeline_svg(answer())


def test_a_sale_of_our_own_day_does_not_squeeze_the_picture():
    svg = pictures.timeline_svg(answer(says("body_moulded", "1966"), says("sold", "2026-11")))
    assert not {"2020", "2026"} & set(words(svg))


def test_the_table_beside_a_timeline_says_what_each_date_hangs_on():
    rows = pictures.timeline_rows(clash())
    assert ["Event", "When", "From"] == rows[0]
    assert ["First registered", "1970", "1970: paper first_registered"] in rows
    html = pictures.table_html(rows, caption="When")
    assert html.count("<tr>") == len(rows) and '<th scope="row">First registered</th>' in html


# Curve


def test_a_curve_draws_each_car_and_crosses_out_what_was_set_aside():
    curve = learnt()
    assert ["wrong one"] == [one.car.called for one in curve.set_aside]
    svg = pictures.curve_svg(curve)
    assert ["1"] == [element.text for element in tree(svg).iter(f"{SVG}text") if element.get("font-weight") == "bold"]
    assert "set aside" in " ".join(words(svg))


def test_where_no_car_bounds_it_the_band_has_no_edge():
    """Above the last car nothing bounds the date from above: the band reaches the frame there, and its edge ends before."""
    cars = [
        DatedCar(100, date(1965, 1, 1), None),
        DatedCar(200, None, date(1967, 1, 1)),
        DatedCar(300, date(1968, 1, 1), None),
    ]
    paths = [element.get("d") or "" for element in tree(pictures.curve_svg(curves.learn(cars))).iter(f"{SVG}path")]
    band = next(numbers(d) for d in paths if d.endswith("Z"))
    xs, ys = band[::2], band[1::2]
    right = max(xs)
    assert min(y for x, y in zip(xs, ys, strict=True) if x == right) == pytest.approx(14, abs=0.2)
    upper = next(d for d in paths if d.startswith("M52") and d.count("L") > 3 and not d.endswith("Z"))
    assert max(numbers(upper)[::2]) < right - 50


def test_a_later_date_stands_higher_and_a_higher_serial_further_right():
    curve = learnt()
    svg = pictures.curve_svg(curve)
    heavy = next(e.get("d") or "" for e in tree(svg).iter(f"{SVG}path") if e.get("stroke-width") == "2.5")
    points = numbers(heavy)
    xs, ys = points[::2], points[1::2]
    assert xs == sorted(xs) and ys == sorted(ys, reverse=True)


def test_without_a_curve_nothing_is_drawn():
    assert "" == pictures.curve_svg(curves.learn([]))


def test_the_table_beside_a_curve_names_every_car_and_whether_it_was_followed():
    rows = pictures.curve_rows(learnt())
    assert 22 == len(rows)
    assert ["155", "wrong one", "between 1 January 1970 and 1 February 1970", "no"] in rows


# Survivors


def test_made_surviving_and_listed_lie_inside_one_another_to_one_scale():
    found = counted()
    made, living = found.made, found.surviving
    svg = pictures.survivors_svg(found)
    paths = [element for element in tree(svg).iter(f"{SVG}path")]
    frame = next(numbers(e.get("d") or "") for e in paths if e.get("stroke-width") == "1.5" and e.get("fill") == "none")
    hatched = next(numbers(e.get("d") or "") for e in paths if (e.get("fill") or "").startswith("url"))
    solid = next(numbers(e.get("d") or "") for e in paths if e.get("fill") == "currentColor")
    assert frame[1] < hatched[1] < solid[1]
    scale = (frame[2] - 10) / (made.estimate or 0)
    assert (hatched[2] - 10) / (living.estimate or 0) == pytest.approx(scale, rel=0.01)
    assert (solid[2] - 10) / found.listed["cars"] == pytest.approx(scale, rel=0.01)


def test_what_is_not_known_is_said_and_not_drawn():
    """Without two lists nobody knows how many survive; the bar is left out and the words say so."""
    svg = pictures.survivors_svg(population.survivors({"First": range(101, 341, 20)}))
    assert not any((e.get("fill") or "").startswith("url") for e in tree(svg).iter(f"{SVG}path"))
    assert "Hatched: surviving, not known." in words(svg)
    assert "" == pictures.survivors_svg(population.survivors({}))


def test_the_table_beside_the_survivors_has_the_ranges():
    found = counted()
    rows = pictures.survivors_rows(found)
    assert ["Made", f"{found.made.estimate:,}", f"{found.made.low:,}", f"{found.made.high:,}"] in rows
    assert ["Listed", "18", "", ""] == rows[-1]
