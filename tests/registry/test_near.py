"""Numbers read badly: nothing near is missed, whichever way it is looked for, and the likelier one stands first.

What is near is said here a second time, and plainly: by the edit distance, worked out place by place, over every
number there is (``one_slip_apart``, ``may_be``). No way of looking is compared with another alone.
"""

from __future__ import annotations

import random
import sqlite3
from collections.abc import Iterator
from contextlib import closing
from pathlib import Path

import pytest
from furnishing import AT
from hypothesis import given
from hypothesis import strategies as st
from sqlite_utils import Database

from decoder import decode, read
from decoder.channel import Channel, channel
from decoder.errors import DecoderError, MalformedReading
from decoder.families import load_data
from registry import lookup, near, store
from registry.cli import run
from registry.models import EntryIn, FamilyTableIn, ListIn, ListNumberIn, ReadingIn, TheftIn, check
from registry.opening import open_registry

SAMPLE = Path(__file__).resolve().parents[2] / "sample_registry.db"

# --- what near means, said plainly ----------------------------------------------------------------------------------


def distance(a: str, b: str) -> int:
    """How many characters wrong, missing or too many, or neighbours swapped, lie between two numbers (no place twice)."""
    table = [[max(i, j) if not (i and j) else 0 for j in range(len(b) + 1)] for i in range(len(a) + 1)]
    for i in range(1, len(a) + 1):
        for j in range(1, len(b) + 1):
            table[i][j] = min(table[i - 1][j] + 1, table[i][j - 1] + 1, table[i - 1][j - 1] + (a[i - 1] != b[j - 1]))
            if i > 1 and j > 1 and a[i - 1] == b[j - 2] and a[i - 2] == b[j - 1]:
                table[i][j] = min(table[i][j], table[i - 2][j - 2] + 1)
    return table[-1][-1]


def one_slip_apart(asked: str, listed: set[str]) -> set[str]:
    return {other for other in listed if abs(len(other) - len(asked)) <= 1 and distance(asked, other) == 1}


def may_be(asked: list[str], listed: set[str]) -> set[str]:
    """``asked``: for each place the characters it may be, "" for any."""
    return {
        other
        for other in listed
        if len(other) == len(asked) and all(not chars or c in chars for c, chars in zip(other, asked, strict=True))
    }


def on_file(keys: list[str] | set[str]) -> sqlite3.Connection:
    """The keys of a registry and nothing else of it, each of a number on somebody's list."""
    conn = sqlite3.connect(":memory:")
    conn.execute(
        "CREATE TABLE number_keys (id INTEGER PRIMARY KEY, subject_kind TEXT, subject INTEGER, kind TEXT, family TEXT, key TEXT, certain INTEGER, rule TEXT)"
    )
    conn.executemany(
        "INSERT INTO number_keys (subject_kind, subject, kind, family, key, certain, rule) VALUES ('list', ?, '', '', ?, 1, '')",
        enumerate(sorted(keys)),
    )
    conn.execute("CREATE INDEX number_keys_key ON number_keys (key)")
    conn.commit()
    return conn


def found(conn: sqlite3.Connection, asked: str, **more: object) -> set[str]:
    return {one.key for one in near.look(conn, asked, **more).found}


# --- nothing is missed ----------------------------------------------------------------------------------------------

# O, I and Q are kept as 0 and 1, so no key has them.
CHARACTERS = "0123456789ABCDEFGHJKLMNPRSTUVWXYZ"
figures = st.text("0123456789", min_size=3, max_size=7)
mixed = st.builds(
    lambda head, tail, end: head + tail + end,
    st.sampled_from(["", "KP", "S6", "UF", "7"]),
    figures,
    st.sampled_from(["", "A", "K"]),
)
crowded = st.text("0178B", min_size=3, max_size=6)
lists = st.sets(st.one_of(mixed, crowded), min_size=1, max_size=60)
SLIPS = ("wrong", "missing", "extra", "swapped")


def slipped(chance: random.Random, number: str, slip: str, characters: str = CHARACTERS) -> str:
    """``number`` with one slip of this kind somewhere in it."""
    place = chance.randrange(len(number))
    if slip == "wrong":
        return number[:place] + chance.choice(characters) + number[place + 1 :]
    if slip == "missing":
        return number[:place] + number[place + 1 :]
    if slip == "extra":
        place = chance.randrange(len(number) + 1)
        return number[:place] + chance.choice(characters) + number[place:]
    place = chance.randrange(len(number) - 1)
    return number[:place] + number[place + 1] + number[place] + number[place + 2 :]


@given(lists, st.randoms(use_true_random=False), st.sampled_from(SLIPS), st.booleans())
def test_one_slip_aside_is_what_the_edit_distance_says(keys, chance, slip, in_memory):
    """A property: a wrong, missing or extra character, also a letter among figures, or two swapped: all of it, and no more.

    By the index alone and by the deletion neighbourhood the answer is the same.
    """
    asked = slipped(chance, chance.choice(sorted(keys)), slip)
    with closing(on_file(keys)) as conn:
        if in_memory:
            assert near.numbers(conn).rests is not None
        looked = near.look(conn, asked)
        exact = {one.key for one in looked.found if one.how == "exact"}
        assert keys & {asked} == exact
        expected = one_slip_apart(asked, keys) if len(asked) >= near.SHORTEST else set()
        assert expected == {one.key for one in looked.found if one.how == "near"}
        assert all(one.weight > 0 and one.differs for one in looked.found if one.how == "near")


@given(lists, st.randoms(use_true_random=False), st.integers(1, 5))
def test_characters_that_cannot_be_read(keys, chance, unread):
    """A property: with any places open, everything of that shape is found and nothing else, written out or compared in memory."""
    number = chance.choice(sorted(keys))
    gone = set(chance.sample(range(len(number)), min(unread, len(number) - 1)))
    asked = "".join("?" if i in gone else c for i, c in enumerate(number))
    expected = may_be(["" if i in gone else c for i, c in enumerate(number)], keys)
    assert number in expected
    with closing(on_file(keys)) as conn:
        assert expected == found(conn, asked, near=False)
        held = near.numbers(conn)
        assert expected == set(held.matching(near.patterns(read(asked), None, load_tables_of_none())[-1]))


@given(lists, st.randoms(use_true_random=False))
def test_either_or(keys, chance):
    """A property: a set of two or three characters at any places stands for each of them."""
    number = chance.choice(sorted(keys))
    places = [c if chance.random() < 0.5 else "".join(sorted({c, *chance.sample("0178B3", 2)})) for c in number]
    asked = "".join(f"[{chars}]" if len(chars) > 1 else chars for chars in places)
    with closing(on_file(keys)) as conn:
        assert may_be(places, keys) == found(conn, asked, near=False)


@given(lists, st.randoms(use_true_random=False), st.sampled_from(SLIPS))
def test_one_slip_beside_characters_that_cannot_be_read(keys, chance, slip):
    """A property: open places and a slip besides: each number it may be, and each one slip aside of one that it may be."""
    number = slipped(chance, chance.choice(sorted(keys)), slip)
    if len(number) < near.SHORTEST:
        return
    gone = set(chance.sample(range(len(number)), chance.choice([1, 2])))
    asked = "".join("?" if i in gone else c for i, c in enumerate(number))
    patterns = [("" if i in gone else c) for i, c in enumerate(number)]
    expected = {other for other in keys if open_distance(patterns, other) <= 1}
    with closing(on_file(keys)) as conn:
        assert expected == found(conn, asked)


def open_distance(places: list[str], number: str) -> int:
    """The edit distance to the nearest number that the places may be; 2 stands for 2 and more."""

    def same(chars: str, c: str) -> bool:
        return not chars or c in chars

    def straight(asked: list[str], other: str) -> bool:
        return len(asked) == len(other) and all(map(same, asked, other))

    if straight(places, number):
        return 0
    n = len(places)
    tries = [[*places[:i], "", *places[i + 1 :]] for i in range(n)]
    tries += [places[:i] + places[i + 1 :] for i in range(n)]
    tries += [[*places[:i], "", *places[i:]] for i in range(n + 1)]
    tries += [[*places[:i], places[i + 1], places[i], *places[i + 2 :]] for i in range(n - 1)]
    return 1 if any(straight(each, number) for each in tries) else 2


@given(st.sets(st.text("0178", min_size=7, max_size=8), min_size=1, max_size=80), st.randoms(use_true_random=False))
def test_two_misread_characters_when_asked_for(keys, chance):
    """A property: further on, numbers of the same length with two wrong characters are found as well, and only then."""
    asked = slipped(chance, slipped(chance, chance.choice(sorted(keys)), "wrong", "0178"), "wrong", "0178")
    wrong = {other for other in keys if len(other) == len(asked) and sum(map(str.__ne__, asked, other)) <= 2}
    with closing(on_file(keys)) as conn:
        assert wrong | one_slip_apart(asked, keys) == found(conn, asked, further=True)
        assert one_slip_apart(asked, keys) | (keys & {asked}) == found(conn, asked)


def load_tables_of_none():
    from decoder.patterns import Tables

    return Tables({})


@pytest.fixture(scope="module")
def long_list() -> Iterator[tuple[sqlite3.Connection, list[str]]]:
    """A list of 10^5 numbers: nine figures, and letters with figures, drawn once."""
    chance = random.Random(1968)
    keys: set[str] = set()
    while len(keys) < 100_000:
        keys.add(
            f"{chance.randrange(10**9):09d}"
            if len(keys) % 3
            else f"{chance.choice('SCV')}{chance.randrange(10**7):07d}"
        )
    with closing(on_file(keys)) as conn:
        yield conn, sorted(keys)


@pytest.mark.parametrize("in_memory", [False, True])
@pytest.mark.parametrize("slip", SLIPS)
def test_on_a_list_of_a_hundred_thousand_nothing_is_missed(long_list, slip, in_memory):
    """Every slip made is found again; against every number on the list for some of them; false alarms are counted."""
    conn, keys = long_list
    chance = random.Random(slip)
    if in_memory:
        assert near.numbers(conn).rests is not None
    missed, alarms = [], 0
    tried = [(number, slipped(chance, number, slip)) for number in chance.sample(keys, 300)]
    for number, asked in tried:
        hits = found(conn, asked)
        missed += [] if number in hits else [(number, asked)]
        alarms += len(hits - {number})
    assert [] == missed
    # Nine figures have 190 numbers one slip aside, and one number in ten thousand is on the list: one alarm in fifty or fewer.
    assert alarms <= len(tried) / 25
    listed = set(keys)
    for _, asked in tried[:20]:
        # One slip in seven characters and more leaves the first three or the last three as they are.
        alike = {other for other in listed if other[:3] == asked[:3] or other[-3:] == asked[-3:]}
        assert one_slip_apart(asked, alike) | ({asked} & listed) == found(conn, asked)


@pytest.mark.parametrize("unread", [1, 2, 3, 4])
def test_on_a_list_of_a_hundred_thousand_open_places(long_list, unread):
    """Up to four characters that cannot be read: the number is among the answers, and they are all of that shape."""
    conn, keys = long_list
    chance = random.Random(unread)
    for number in chance.sample(keys, 100):
        gone = set(chance.sample(range(len(number)), unread))
        hits = found(conn, "".join("?" if i in gone else c for i, c in enumerate(number)), near=False)
        assert number in hits
        assert all(
            len(hit) == len(number) and all(hit[i] == c for i, c in enumerate(number) if i not in gone) for hit in hits
        )


def test_of_very_many_the_rest_is_counted(long_list):
    """Eight of nine figures open: a hundred are named, and all are counted."""
    conn, keys = long_list
    looked = near.look(conn, "7????????", near=False)
    assert len(looked.found) == near.MOST_FOUND
    assert len([key for key in keys if len(key) == 9 and key[0] == "7"]) == len(looked.found) + looked.more


def test_many_at_once_are_what_each_is_alone(long_list):
    """For an import: the same answers in the same order, from the neighbourhood that was laid ready once."""
    _conn, keys = long_list
    chance = random.Random(5)
    asked = [slipped(chance, number, chance.choice(SLIPS)) for number in chance.sample(keys, 50)]
    asked += ["?".join([number[:3], number[4:]]) for number in chance.sample(keys, 5)]
    with closing(on_file(keys)) as fresh:
        alone = [[(one.key, one.how) for one in near.look(fresh, reading).found] for reading in asked]
        together = [[(one.key, one.how) for one in each] for each in near.near_many(fresh, asked)]
    assert alone == together


# --- how likely -----------------------------------------------------------------------------------------------------


def test_alike_figures_come_before_unlike_ones(db):
    """A 3 is rather an 8 than a 4: KP 0148 before KP 0144."""
    for number, typed in (("E26-001", "KP 0144"), ("E26-002", "KP 0148")):
        visit(db, number, ("plate", typed))
    answer = lookup.find(db, "KP 0143")
    assert ["E26-002", "E26-001"] == [hit.car for hit in answer.near]
    assert answer.near[0].probability > 3 * answer.near[1].probability
    assert answer.not_on_list > 0.5  # a clean reading is rather a number that is not on the list


def test_own_rereadings_change_the_order():
    """A shop that has often read its own 4s as 3s has them first."""
    usual = channel("usual")
    own = Channel("usual", load_data("confusion"), {"4": {"3": 30, "4": 100}})
    assert near.weigh("KP0143", "KP0148", usual) > near.weigh("KP0143", "KP0144", usual)
    assert near.weigh("KP0143", "KP0148", own) < near.weigh("KP0143", "KP0144", own)


@pytest.mark.parametrize(
    ("likelier", "less"),
    [
        ("KP0147", "KP0148"),  # as it was read
        ("KP0141", "KP0149"),  # 1 and 7 wear alike
        ("KP0174", "KP2147"),  # two in each other's place, rather than unlike figures
    ],
)
def test_what_is_likelier(likelier, less):
    """Read as KP 0147."""
    assert near.weigh("KP0147", likelier) > near.weigh("KP0147", less) > 0


def test_a_doubled_character_before_a_stray_one_and_a_doubtful_one_before_a_clean_one():
    """118 for 18 is a doubling; 148 for 18 is a stray stroke. A ~ makes another figure likelier."""
    assert near.weigh("2118", "218") > near.weigh("2418", "218")
    assert near.weigh(read("KP014 3~").cells, "KP0148") > near.weigh("KP0143", "KP0148")
    assert near.weigh("KP0147", "KP01") == 0.0


def test_the_weights_are_the_decoders(db):
    """The candidates of ``decode`` and the weights of ``near`` stand in the same proportion."""
    tables = lookup.tables_of(db)
    (decoding,) = decode("KP 0143", on="plate", doubt="usual", tables=tables).decodings
    same_length = {c.number: c.probability for c in decoding.candidates if c.number.startswith("KP0")}
    assert len(same_length) > 10
    first = max(same_length, key=lambda number: same_length[number])
    for number, chance in same_length.items():
        if distance("KP0143", number) > 1:
            continue  # of a swap with a misreading besides, the decoder names only the likeliest
        expected = near.weigh("KP0143", number) / near.weigh("KP0143", first)
        assert chance / same_length[first] == pytest.approx(expected, rel=2e-3), number


@pytest.mark.parametrize(
    "asked", ["KP 0147", "KP 0148", "KP 014[17]", "KP 0??7", "KP 0747", "KP ????", "KP 9999", "S8 00123", "147 KP"]
)
def test_all_that_it_may_be_adds_up_to_one(db, asked):
    """The numbers on record and "not on the list" are all there is."""
    for number, typed in (("E26-001", "KP 0147"), ("E26-002", "KP 0141"), ("E26-003", "KP 0157")):
        visit(db, number, ("plate", typed))
    answer = lookup.find(db, asked)
    assert sum(answer.chances.values()) + answer.not_on_list == pytest.approx(1, abs=1e-5)
    assert all(0 <= hit.probability <= 1 for hit in answer.near)


def test_not_on_the_list_is_nearly_sure_where_nothing_is_near_and_a_number_never_issued_is_rather_a_misreading(db):
    """KP 0699 was issued and is simply not on the list; KP 0747 never was, and 0 1 4 7 reads like it."""
    visit(db, "E26-001", ("plate", "KP 0147"))
    visit(db, "E26-002", ("plate", "KP 0691"))
    nothing = lookup.find(db, "KP 0555")
    assert (nothing.status, nothing.not_on_list) == (1, 1.0)
    issued, never = lookup.find(db, "KP 0694"), lookup.find(db, "KP 0747")
    assert issued.not_on_list > 0.9
    assert never.near[0].probability > 0.5
    assert never.none_of_these.startswith("That it is none of these: about ")


def test_taken_as_read(db):
    """Without doubt only the number itself counts."""
    visit(db, "E26-001", ("plate", "KP 0147"))
    assert lookup.find(db, "KP 0148", doubt="none").near == []
    (hit,) = lookup.find(db, "KP 0147", doubt="none").near
    assert hit.probability > 0.98
    with pytest.raises(DecoderError, match="one of none, low, usual, high"):
        lookup.find(db, "KP 0147", doubt="some")


def test_numbers_never_issued_leave_the_mass_to_the_others(db):
    """P [38]1[38]...: where only one of the combinations was made, the record with it is it."""
    store.record_family_table(db, check(FamilyTableIn, text=FEW, name="few.yml"), at=AT)
    visit(db, "E26-001", ("body", "FW 318"))
    alone = lookup.find(db, "FW [38]1[38]")
    assert alone.near[0].probability > 0.75
    without = lookup.find(db, "ZX [38]1[38]")  # no table has ZX: any of the four
    visit(db, "E26-002", ("body", "ZX 318"))
    assert without.near == []
    assert lookup.find(db, "ZX [38]1[38]").near[0].probability < 0.6


# --- with families, in a registry -----------------------------------------------------------------------------------


def visit(db: Database, number: str, *readings: tuple[str, str], **more: object) -> None:
    store.record_entry(
        db,
        check(
            EntryIn,
            number=number,
            entry_date="2026-02-03",
            readings=tuple(check(ReadingIn, stamped_on=on, as_typed=typed) for on, typed in readings),
            **more,
        ),
        by="Orla Thrennick",
        at=AT,
    )


@pytest.mark.parametrize(
    "asked", ["1?7 KP", "KP O1?7", "KP ?147", "KP ?1??", "kp-0[13]47", "KP *47", "?? 0147", "K? ?14?"]
)
def test_spellings_and_open_places_together(db, asked):
    """The letters behind, O for 0, zeros left out, and characters that cannot be read: the same record."""
    visit(db, "E26-001", ("plate", "KP 0147"))
    visit(db, "E26-002", ("pan", "S8 00123"))
    assert {"E26-001"} == {hit.car for hit in lookup.find(db, asked).near if hit.how == "exact"}


def test_what_is_open_is_shown_as_it_was_read(db):
    """The reading keeps its marks beside the number found, for the two strips."""
    visit(db, "E26-001", ("plate", "KP 0147"))
    (hit,) = lookup.find(db, "KP O1?7").near
    assert (hit.asked_key, hit.key, hit.how, hit.differs) == ("KP01?7", "KP0147", "exact", [])
    (hit,) = lookup.find(db, "KP 01?8").near
    assert (hit.asked_key, hit.how) == ("KP01?8", "near")
    assert [{"at": 5, "asked": "8", "listed": "7", "change": "misread"}] == hit.differs


def test_a_report_of_theft_among_very_many_is_never_left_out(db):
    """So much is open that only some are named: the report is one of them."""
    store.record_list(db, check(ListIn, name="Loft Book"), at=AT)
    numbers = [check(ListNumberIn, list="Loft Book", as_typed=f"KP {n:04d}") for n in range(101, 712)]
    store.record_list_numbers(db, numbers, at=AT)
    store.record_theft(db, check(TheftIn, as_typed="KP 0711", source="police", ask="the police"), at=AT)
    answer = lookup.find(db, "KP 0???")
    assert answer.near[0].kind == "theft"
    assert answer.more > 400
    assert any("Read one more character" in problem for problem in answer.problems)
    shown, left_out = answer.shown
    assert len(shown) == lookup.MOST_OF_A_LIST
    assert left_out == [
        f"{len(answer.other_lists) - lookup.MOST_OF_A_LIST} more on the list Loft Book are not shown; --json has them."
    ]


def test_figures_read_from_the_wrong_side(db):
    """99 is 66 to whoever stands on the other side; 181 reads the same from both."""
    store.record_family_table(db, check(FamilyTableIn, text=TURNED, name="turned.yml"), at=AT)
    visit(db, "E26-001", ("body", "66"))
    visit(db, "E26-002", ("body", "181"))
    (hit,) = lookup.find(db, "99", on="body").near
    assert (hit.car, hit.how) == ("E26-001", "near")
    assert [{"at": 0, "asked": "99", "listed": "66", "change": "turned"}] == hit.differs
    assert "Read from the other side it is 66." in hit.says
    assert ["exact"] == [hit.how for hit in lookup.find(db, "181", on="body").near]


def test_two_misread_characters_are_looked_for_when_asked(db):
    """Not by themselves: two characters aside there is always something."""
    visit(db, "E26-001", ("pan", "S8 12345"))
    assert lookup.find(db, "S8 12845", further=True).near[0].differs == [
        {"at": 4, "asked": "8", "listed": "3", "change": "misread"}
    ]
    assert lookup.find(db, "S8 17845").near == []
    (hit,) = lookup.find(db, "S8 17845", further=True).near
    assert hit.car == "E26-001"
    assert (
        "Two characters differ: the 4th character is 2 there, 7 here, and the 5th character is 3 there, 8 here."
        in hit.says
    )


# --- what stands in memory is what stands in the file ---------------------------------------------------------------


def test_what_is_recorded_later_is_found(registry_path):
    """Through this connection or another: the numbers in memory are read again."""
    writer, reader = open_registry(registry_path, write=True), open_registry(registry_path)
    try:
        for connection in (writer, reader):
            assert lookup.find(connection, "KP 0??? A").near == []
        visit(writer, "E26-001", ("plate", "KP 0147 A"))
        for connection in (writer, reader):
            assert ["E26-001"] == [hit.car for hit in lookup.find(connection, "KP 0??? A").near]
    finally:
        reader.close()
        writer.close()


def test_what_was_taken_back_is_not_found(db):
    """Numbers seen in the middle of a transaction that is rolled back do not stay in memory."""
    with pytest.raises(RuntimeError), store.transaction(db):
        visit(db, "E26-001", ("plate", "KP 0147"))
        assert ["E26-001"] == [hit.car for hit in lookup.find(db, "KP ????").near]
        raise RuntimeError
    assert lookup.find(db, "KP ????").near == []


def test_a_certain_number_needs_nothing_in_memory(db):
    """One slip aside is asked by the index there is; nothing is read into memory for it."""
    visit(db, "E26-001", ("plate", "KP 0147"))
    assert ["E26-001"] == [hit.car for hit in lookup.find(db, "KP 0148").near]
    assert near.kept(db.conn) is None


# --- wrong input ----------------------------------------------------------------------------------------------------


@pytest.mark.parametrize("typed", ["", "KP [01", "'; DROP TABLE cars", "KP 01[]", "~", "?" * 65, "*"])
def test_what_is_no_reading_is_refused(db, typed):
    """With the sentence of the decoder, by one look-up and by many."""
    with pytest.raises(MalformedReading):
        lookup.find(db, typed)
    with pytest.raises(MalformedReading):
        list(near.near_many(db.conn, [typed]))


@pytest.mark.parametrize("asked", ["????", "?", "1?", "A", "9" * 64, "[0123456789]" * 6])
def test_odd_readings_are_answered(db, asked):
    """Open as a barn door, or as long as may be: an answer, if only that nothing is on file."""
    visit(db, "E26-001", ("plate", "KP 0147"))
    answer = lookup.find(db, asked)
    assert (answer.status == 0) == bool(answer.near)


# --- the stories ----------------------------------------------------------------------------------------------------


@pytest.fixture
def sample() -> Iterator[Database]:
    database = open_registry(SAMPLE)
    yield database
    database.close()


def test_lo_2_every_spelling_is_the_same_record(sample):
    """ "KP O147? KP147? 147 KP?" """
    answers = [lookup.find(sample, typed) for typed in ("KP 0147", "KP O147", "KP147", "147 KP", "kp-0147")]
    assert {"E21-003"} == {hit.car for hit in answers[0].cars}
    assert all(
        [hit.as_dict() | {"probability": 0} for hit in answers[0].near]
        == [hit.as_dict() | {"probability": 0} for hit in each.near]
        for each in answers
    )


def test_lo_3_near_a_theft_report_above_all(sample, capsys):
    """UF-0233C, and the report has one figure wrong: the stop comes first, with the two numbers one above the other."""
    answer = lookup.find(sample, "UF-0233C")
    assert [("theft", "near"), ("plate", "exact")] == [(hit.kind, hit.how) for hit in answer.near]
    assert ["E24-017"] == [hit.car for hit in answer.cars]
    assert run(["find", "UF-0233C", "-r", str(SAMPLE)]) == 0
    lines = capsys.readouterr().out.splitlines()
    assert lines[1] == "STOP: near a theft report."
    strip = next(n for n, line in enumerate(lines) if line.startswith("    U F 0 2 3 3 C    as you read it"))
    assert lines[strip + 1].startswith("    U F 0 2 3 8 C    in the report")
    assert lines[strip + 2] == "              ^"
    assert strip < lines.index("  U F 0 2 3 3 C")


@pytest.mark.parametrize(("asked", "car", "other"), [
    ("KB 2O34", "E24-021", "E23-014"), ("KB 2034", "E23-014", "E24-021"), ("S8 61077", "E24-021", "E23-014"), ("KB 203?", "E23-014", "E24-021"),
])  # fmt: skip
def test_in_5_have_we_had_this_one_before(sample, asked, car, other):
    """Either visit finds the other, by plate, by pan, with the O that was typed for a 0, and with a figure that cannot be read."""
    assert {car, other} <= {hit.car for hit in lookup.find(sample, asked).cars if hit.how == "exact"}


def test_double_issue_and_repeated_serial_show_all_that_have_it(sample):
    """LO-4 and LO-5: nobody is overwritten."""
    assert {"E22-001", "E22-009"} <= {hit.car for hit in lookup.find(sample, "KP 0555").cars}
    assert {"E22-015", "E22-016"} <= {hit.car for hit in lookup.find(sample, "73H024").cars}


def test_false_alarms_in_a_crowded_series(sample):
    """Six hundred Pantiles and a hundred and sixty on lists: beside a number that is not listed there are many neighbours.

    They are told to the program that asks; a person is shown the few that are worth a look.
    """
    asked = [f"KP {n:04d}" for n in range(110, 700, 10)]
    answers = [lookup.find(sample, number) for number in asked]
    fresh = [answer for answer in answers if not any(hit.how == "exact" for hit in answer.near)]
    assert len(fresh) > 20
    alarms = [len(answer.near) for answer in fresh]
    shown = [len(answer.shown[0]) for answer in fresh]
    assert 4 < sum(alarms) / len(fresh) < 20
    assert sum(shown) / len(fresh) < 4
    assert all(answer.not_on_list > 0.5 for answer in fresh)


def test_the_command(sample, capsys):
    """What is open is drawn above what is on file, with how likely it is; without a number there is a sentence."""
    assert run(["find", "P [38]1[38]204", "--on", "pan", "-r", str(SAMPLE)]) == 0
    out = capsys.readouterr().out
    assert "P [38] 1 [38] 2 0 4    as you read it" in out
    assert "That it is none of these: " in out
    assert run(["find", "KB 9999", "-r", str(SAMPLE)]) == 1
    capsys.readouterr()
    for words in ([], ["KP [01"], ["KP 0147", "--like", "grey"], ["KP 0147", "--doubt", "some"]):
        assert run(["find", *words, "-r", str(SAMPLE)]) == 2
        found_out, err = capsys.readouterr()
        assert (found_out, err.startswith(("Error: ", "Usage: "))) == ("", True)


FEW = """\
family: few
title: "A maker of a few bodies (invented)"
house: true
carried_by: [body, plate]
where: "on the scuttle"
sources: {sheet: {title: "Sheet", edition: "1st", supports: "all", standing: house, read: "2026-01-05"}}
schemes:
  - id: one
    parts: [{name: "letters", literal: "FW"}, {name: "running number", figures: 3}]
    print: "{letters} {running number}"
rows:
  - {id: "all", scheme: one, run: "a", basis: calendar, first: "310", last: "320", built: "1970", source: "sheet"}
"""

TURNED = """\
family: turned
title: "Serials raised in the mould (invented)"
house: true
carried_by: [body]
where: "on the flange"
turned: true
sources: {sheet: {title: "Sheet", edition: "1st", supports: "all", standing: house, read: "2026-01-05"}}
schemes:
  - id: one
    parts: [{name: "running number", figures: "1-3"}]
    print: "{running number}"
rows:
  - {id: "all", scheme: one, run: "a", basis: calendar, first: "1", last: "318", built: "1962/1967", source: "sheet"}
"""
