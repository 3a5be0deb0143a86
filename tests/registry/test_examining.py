"""From the registry to the evidence: which sheet, which number, whose findings, and counts that never feed on themselves."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path

import pytest
from evidence_registry import ALL_THERE, COPY, OT, SHEET, WQ, add_car, make, see, tell
from furnishing import AT
from sqlite_utils import Database

from decoder.evidence import JOINED, Change, Count, Hypothesis, Number, Observation, Sheet, Tell, weigh
from registry import knowing, store
from registry.body_number import NumberOnFile, number_of
from registry.errors import NoAnswer, WrongInput
from registry.examining import evidence_of, frozen_of, look_of
from registry.inspecting import (
    Finding,
    differences,
    finding_typed,
    findings_in,
    findings_of,
    record_inspection,
    state_meant,
)
from registry.models import (
    DecisionIn,
    EvidenceIn,
    ObservationIn,
    OddsIn,
    ReadingIn,
    StatementIn,
    StopIn,
    TellChangeIn,
    TellCountIn,
    TellIn,
    ThingIn,
    check,
)
from registry.opening import opened
from registry.other_bodies import papers_of_another_body
from registry.own_counts import counts_of
from registry.tells import sheet_for, tells_on_file


@pytest.fixture
def db(tmp_path: Path) -> Iterator[Database]:
    with opened(make(tmp_path), write=True) as database:
        yield database


def decide(
    db: Database,
    car: str,
    series: str,
    *,
    by: str = OT,
    opinion: str = "maker's series",
    rests_on: tuple[tuple[str, int], ...] = (),
) -> int:
    ids = rests_on or (("observation", knowing.observations_of(db, knowing.resolve_car(db, car)["id"])[0]["id"]),)
    evidence = tuple(check(EvidenceIn, kind=kind, ref=ref) for kind, ref in ids)
    return store.record_decision(
        db,
        check(
            DecisionIn,
            car=car,
            opinion=opinion,
            series=series,
            reason="as seen",
            by=by,
            at="2026-01-06",
            evidence=evidence,
        ),
        at=AT,
    )


class TestTheSheet:
    """What is on file becomes a sheet of the decoder's, count for count."""

    def test_it_is_what_one_would_build_by_hand(self, db: Database):
        kinds = [
            Hypothesis("KA", "maker", weight=20, maker="Kelderwick", title="Trial body"),
            Hypothesis("NC", "copy", copied_from="KA", weight=15, title="unnamed copy of the Trial body"),
            Hypothesis("OTH", "other", weight=5, title="any other body"),
        ]
        comma = Change("KA", "0288", Count(0, 14), Count(28, 32))
        by_hand = []
        for one in tells_on_file(db).values():
            counts = {c["series"]: Count(c["seen_on"], c["out_of"]) for c in one["counts"]}
            changes = (comma,) if one["code"] == "K03" else ()
            by_hand.append(
                Tell(
                    one["code"],
                    one["name"],
                    one["grp"],
                    one["minutes"],
                    counts,
                    place=one["place"] or "",
                    changes=changes,
                )
            )
        see(db, "E26-001", ALL_THERE)
        number = Number("KP 0400", {"KA": 20 / 21}, {"KA": {"0400": 1.0}}, on="K13")
        expected = weigh(Sheet(kinds, by_hand), [Observation(code, "present") for code in ALL_THERE], number)
        found = evidence_of(db, "E26-001").evidence
        assert found.posterior == pytest.approx(expected.posterior)
        assert found.strength.lr == pytest.approx(expected.strength.lr)

    def test_a_car_a_series_a_name(self, db: Database):
        """Asked for by the car, the series or its own name it is one sheet."""
        for asked in ("E26-001", "e26 1", "KA", "nc", "unnamed copy of the trial body", SHEET.lower()):
            assert sheet_for(db, asked).name == SHEET
        assert sheet_for(db, "KA").odds == 1

    def test_what_is_not_there_is_said_with_what_is(self, db: Database):
        with pytest.raises(NoAnswer, match=r"no series, sheet or car XX.*KA, NC, OTH.*Trial body"):
            sheet_for(db, "XX")
        with pytest.raises(NoAnswer, match="no car E99-001"):
            sheet_for(db, "E99-001")

    def test_the_latest_version_counts(self, db: Database):
        """A later version of a tell, and later odds, replace the earlier ones in use; both stay on file."""
        store.record_tells(db, [tell("K04", "lamination", "82/92", "1/23", version=2)], at=AT)
        store.record_odds(
            db,
            [check(OddsIn, sheet=SHEET, hypothesis=h, weight=1.0, source="even") for h in ("KA", "NC", "OTH")],
            at=AT,
        )
        sheet = sheet_for(db, "KA")
        assert (sheet.versions["K04"], sheet.versions["K05"], sheet.odds) == (2, 1, 2)
        assert sheet.sheet.tells["K04"].counts["KA"][:2] == (82, 92)
        assert {each.weight for each in sheet.sheet.hypotheses} == {1.0}
        assert len(knowing.rows(db, "SELECT 1 FROM tells WHERE code = 'K04'")) == 2
        assert list(sheet.sheet.tells)[3] == "K04"  # stands where it stood

    def test_another_sheet_counted_on_the_same_kinds_belongs_to_it(self, db: Database):
        """The tells of a named copyist are looked for on every car that is offered as the original; those of another maker not."""
        count = check(TellCountIn, series="NC", seen_on=3.0, out_of=4.0, kind="counted", source="x")
        more = {"name": "x", "looks_like": "x", "grp": "trim"}
        store.record_tells(db, [check(TellIn, code="T01", sheet="The copyist", counts=(count,), **more)], at=AT)
        from registry.models import SeriesIn

        store.record_series(db, check(SeriesIn, id="Z", name="Zed", kind="maker"), at=AT)
        other = check(TellCountIn, series="Z", seen_on=3.0, out_of=4.0, kind="counted", source="x")
        store.record_tells(db, [check(TellIn, code="Z01", sheet="Zed", counts=(other,), **more)], at=AT)
        assert "T01" in sheet_for(db, "KA").sheet.tells and "Z01" not in sheet_for(db, "KA").sheet.tells
        zed = sheet_for(db, "Z")
        assert (list(zed.sheet.tells), zed.odds) == (["Z01"], None)

    def test_without_any_tells(self, tmp_path: Path):
        """A registry without sheets says so, and a decision in it is kept without a weighing."""
        from registry.opening import create_registry

        path = create_registry(tmp_path / "none.db", name="None", origin="none", keeper=OT, at=AT, uid="0")
        with opened(path, write=True) as plain:
            add_car(plain, "E26-001")
            with pytest.raises(NoAnswer, match="No tell is on file yet.*tells import"):
                evidence_of(plain, "E26-001")
            assert frozen_of(plain, 1) is None

    def test_counts_that_cannot_be_are_refused(self, db: Database):
        before = knowing.counts(db)
        with pytest.raises(WrongInput, match=r"K99.*5 of 4 bodies of KA"):
            store.record_tells(db, [tell("K99", "trim", "5/4", "")], at=AT)
        with pytest.raises(WrongInput, match="K99 is counted twice on KA"):
            store.record_tells(
                db,
                [
                    tell("K99", "trim", "3/4", "").model_copy(
                        update={"counts": tell("K99", "trim", "3/4", "").counts * 2}
                    )
                ],
                at=AT,
            )
        backwards = check(
            TellChangeIn,
            series="KA",
            at="0288",
            before_seen=9.0,
            before_of=4.0,
            after_seen=1.0,
            after_of=2.0,
            source="x",
        )
        with pytest.raises(WrongInput, match="9 of 4"):
            store.record_tells(db, [tell("K99", "trim", "3/4", "", changes=(backwards,))], at=AT)
        for odds in ([("KA", 1.0), ("KA", 2.0)], [("XX", 1.0)], [("KA", 0.0)]):
            with pytest.raises(WrongInput):
                store.record_odds(
                    db, [check(OddsIn, sheet=SHEET, hypothesis=h, weight=w, source="x") for h, w in odds], at=AT
                )
        assert knowing.counts(db) == before

    def test_no_car_says_which_sheet(self, db: Database):
        """With two sheets on file and nothing that speaks for either, the answer is a question."""
        from registry.models import SeriesIn

        store.record_series(db, check(SeriesIn, id="Z", name="Zed", kind="maker"), at=AT)
        count = check(TellCountIn, series="Z", seen_on=3.0, out_of=4.0, kind="counted", source="x")
        store.record_tells(
            db, [check(TellIn, code="Z01", sheet="Zed", grp="trim", name="x", looks_like="x", counts=(count,))], at=AT
        )
        add_car(db, "E26-002", claimed_as=None, claim_words="no idea")
        with pytest.raises(NoAnswer, match="which sheet.*--sheet.*Trial body, Zed"):
            evidence_of(db, "E26-002")
        assert evidence_of(db, "E26-002", sheet="Zed").on_file.name == "Zed"
        add_car(db, "E26-003", claimed_as=None, claim_words="Dad's old Zed kit", plate="KP 0411")
        assert sheet_for(db, "E26-003").name == SHEET  # a number says more than a claim


class TestTheNumber:
    def number(self, db: Database, **car: str) -> NumberOnFile:
        add_car(db, "E26-009", **car)
        row = knowing.resolve_car(db, "E26-009")["id"]
        return number_of(db, row, sheet_for(db, "KA"))

    def test_what_it_stands_on(self, db: Database):
        """A plate's number stands on the plate tell, one on the body on the crayon's."""
        assert self.number(db, plate="KP 0400").number.on == "K12"

    def test_the_bodys_own_goes_before_the_plate(self, db: Database):
        found = self.number(db, body="KP 0147", plate="KP 0400")
        assert (found.number.text, found.number.on) == ("KP 0147", "K13")
        assert "The body says KP 0147 and the plate says KP 0400" in found.notes[0]

    def test_a_doubtful_one_keeps_its_serials(self, db: Database):
        found = self.number(db, plate="KP 0[14]00").number
        assert {
            serial: round(p / sum(found.running["KA"].values()), 3) for serial, p in found.running["KA"].items()
        } == {"0100": 0.5, "0400": 0.5}

    def test_one_of_no_numbering(self, db: Database):
        found = self.number(db, plate="QQ 99")
        assert found.number is None and "of no numbering on file" in found.notes[0]

    def test_one_on_ground_metal_is_not_weighed(self, db: Database):
        add_car(db, "E26-010")
        store.record_reading(
            db, check(ReadingIn, stamped_on="plate", as_typed="KP 0400", car="E26-010", surface="ground"), at=AT
        )
        see(db, "E26-010", ALL_THERE)
        found = evidence_of(db, "E26-010")
        assert found.number.number is None and "looks altered" in found.notes[0]
        assert [stop["kind"] for stop in found.stops] == ["number looks altered"]
        assert list(found.as_dict())[:2] == ["car", "stops"]

    def test_a_tell_that_depends_on_the_serial(self, db: Database):
        """No comma on KP 0147 is as it should be; no comma on KP 0400 speaks against it."""
        add_car(db, "E26-020", plate="KP 0147")
        add_car(db, "E26-021", plate="KP 0400")
        for car in ("E26-020", "E26-021"):
            see(db, car, {"K03": "absent"})
        weights = [
            next(t for t in evidence_of(db, car, pair=("KA", "NC")).evidence.tells if t.tell == "K03").given_the_rest
            for car in ("E26-020", "E26-021")
        ]
        assert weights[0] > 0 > weights[1]

    def test_two_series_of_one_numbering_part_by_their_dates(self, db: Database):
        """A number of the years of one series is not one of the other."""
        from registry.models import SeriesIn

        store.record_series(
            db,
            check(
                SeriesIn, id="KL", name="late", kind="maker", maker="K", serial_family="try-body", made_edtf="1971/1972"
            ),
            at=AT,
        )
        assert set(self.number(db, plate="KP 0400").number.series) == {"KA"}


class TestWhoseFindings:
    def test_the_last_look_of_one_person_counts(self, db: Database):
        see(db, "E26-001", {"K04": "absent"})
        see(db, "E26-001", {"K04": "present"})
        assert [row["state"] for row in findings_of(db, 1)] == ["present"]

    def test_what_was_seen_once_stays_seen_under_paint(self, db: Database):
        see(db, "E26-001", {"K04": "present"})
        see(db, "E26-001", {"K04": "not visible"})
        assert [row["state"] for row in findings_of(db, 1)] == ["present"]

    def test_a_slip_of_the_pen_is_gone(self, db: Database):
        (slip,) = see(db, "E26-001", {"K04": "present"})
        store.record_observations(
            db, [check(ObservationIn, tell="K04", state="absent", slip_of=slip)], car="E26-001", by=OT, at=AT
        )
        assert [row["state"] for row in findings_of(db, 1)] == ["absent"]

    def test_two_people_who_differ_weigh_nothing(self, db: Database):
        see(db, "E26-001", {"K04": "present", "K05": "present"})
        see(db, "E26-001", {"K04": "absent", "K05": "present", "K10": "present"}, by=WQ, blind=True)
        found = evidence_of(db, "E26-001")
        line = next(each for each in found.evidence.tells if each.tell == "K04")
        assert (line.log10_lr, line.note) == (None, "two records differ")
        (told,) = differences(db, 1)
        assert (
            told["differ"] == [{"tell": "K04", "name": "tell K04", "states": ["present", "absent"]}]
            and told["agree"] == 1
        )

    def test_not_examined_is_no_finding(self, db: Database):
        see(db, "E26-001", dict.fromkeys(ALL_THERE, "not examined"))
        add_car(db, "E26-002", body="KP 0401")
        nothing, untouched = (evidence_of(db, car).evidence.posterior for car in ("E26-001", "E26-002"))
        assert nothing == pytest.approx(untouched)

    def test_an_examiners_doubt_weighs_less(self, db: Database):
        add_car(db, "E26-002")
        add_car(db, "E26-003")
        see(db, "E26-002", {"K04": "present"})
        see(db, "E26-003", {"K04": "present"}, doubt=0.3)
        sure, unsure = (evidence_of(db, car, pair=("KA", "NC")).evidence.strength.lr for car in ("E26-002", "E26-003"))
        assert sure > unsure > 1


class TestWhatItBears:
    def test_the_answer_has_the_fields_of_the_contract(self, db: Database):
        see(db, "E26-001", ALL_THERE)
        said = evidence_of(db, "E26-001").as_dict()
        assert {"car", "hypotheses", "tells", "strength", "decidable", "stops"} <= set(said)
        assert {"name", "prior", "posterior"} <= set(said["hypotheses"][0])
        assert {"tell", "state", "group", "log10_lr"} <= set(said["tells"][0])
        assert {"lr", "word", "scale"} <= set(said["strength"])
        look = look_of(db, "E26-001").as_dict()
        assert {"car", "look", "stops"} <= set(look) and {"tell", "minutes", "gain"} <= set(look["look"][0])

    def test_prior_pair_and_setting_aside(self, db: Database):
        """By id, by name, in any case; the odds given are said to be given."""
        see(db, "E26-001", ALL_THERE)
        plain = evidence_of(db, "E26-001")
        other = evidence_of(
            db, "E26-001", prior={"trial BODY": 1, "none": 0.2}, set_aside=["Mould"], pair=("KA", ("NC", "OTH"))
        )
        assert other.evidence.prior["none of these"] == 0.2 and "given" in other.prior_says
        assert "the last forty (version 1)" in plain.prior_says
        assert "mould" not in {group.group for group in other.evidence.groups}
        assert other.evidence.pair.other == ("NC", "OTH")

    @pytest.mark.parametrize(
        "wrong", [{"prior": {"XX": 1}}, {"set_aside": ["paint"]}, {"pair": ("KA", "XX")}, {"prior": {"none": 2}}]
    )
    def test_a_name_that_is_no_answer(self, db: Database, wrong: dict):
        see(db, "E26-001", ALL_THERE)
        with pytest.raises(WrongInput):
            evidence_of(db, "E26-001", **wrong)

    def test_nothing_yet(self, db: Database):
        """A car of which nothing was seen or read is no answer; one with a stop is."""
        add_car(db, "E26-002")
        assert evidence_of(db, "E26-002").status == 1
        store.record_stop(
            db, check(StopIn, kind="lien", says="A lien.", ask="Ask the bank.", car="E26-002", by=OT), at=AT
        )
        assert evidence_of(db, "E26-002").status == 0

    def test_two_bodies_on_file_are_a_seam(self, db: Database):
        """Somebody told a front and a rear apart; then two bodies joined starts higher, and it is said."""
        halves = tuple(check(ThingIn, kind="body", note=note) for note in ("front half", "rear half"))
        add_car(db, "E26-002", things=halves)
        see(db, "E26-002", {"K04": "present", "K03": "present"}, place="front")
        see(db, "E26-002", {"K07": "absent"}, place="rear")
        found = evidence_of(db, "E26-002")
        assert found.evidence.prior[JOINED] == 0.2 and "starts at 0.2" in found.notes[-1]
        assert evidence_of(db, "E26-002", prior={"joined": 0.01}).evidence.prior[JOINED] == 0.01

    def test_a_joined_record_is_no_seam(self, db: Database):
        """Two records that are one car have a body each on file; that is bookkeeping."""
        from registry.models import JoinIn

        for number in ("E26-002", "E26-003"):
            add_car(db, number, body="KP 0410")
        see(db, "E26-002", {"K04": "present"})
        store.record_join(
            db,
            check(JoinIn, car="E26-003", into_car="E26-002", kind="merge", reason="one", at="2026-01-06", by=OT),
            at=AT,
        )
        assert not evidence_of(db, "E26-003").seam

    def test_looking_goes_by_what_is_known(self, db: Database):
        """What was seen is not looked at again; what was hidden costs its uncovering; blind goes by one's own."""
        see(db, "E26-001", {"K04": "present", "K05": "not visible"})
        looks = {each.tell: each for each in look_of(db, "E26-001").looks}
        assert "K04" not in looks and looks["K05"].hidden and looks["K05"].minutes == 32
        assert look_of(db, "E26-001").cautions(looks["K05"]) == "Wet glass cuts."
        wim = knowing.people_named(db, WQ)[0]["id"]
        assert "K04" in {each.tell for each in look_of(db, "E26-001", by=wim).looks}


class TestCounting:
    """An opinion that rests on the tells alone must not come back as knowledge of the tells."""

    def cars(self, db: Database) -> None:
        for number in ("E26-002", "E26-003", "E26-004"):
            add_car(db, number)
            see(db, number, ALL_THERE)
            decide(db, number, "KA")

    def test_three_columns(self, db: Database):
        self.cars(db)
        paper = store.record_statement(
            db,
            check(StatementIn, about="body_moulded", kind="receipt", car="E26-004", when="21 May 1966", relation="not after", nature="document made at the time", seen="original"),
            at=AT,
        )  # fmt: skip
        decide(db, "E26-004", "KA", rests_on=(("statement", paper),))
        one = next(each for each in counts_of(db, codes=["K04"]) if each.series == "KA")
        assert (one.on_file, one.grounded, one.own) == ((41, 46), (1, 1), (3, 3))
        assert one.cars == ["E26-002", "E26-003", "E26-004"]

    def test_a_second_examiner_is_a_ground(self, db: Database):
        self.cars(db)
        decide(db, "E26-002", "KA", by=WQ)
        one = next(each for each in counts_of(db, codes=["K04"]) if each.series == "KA")
        assert one.grounded == (1, 1)

    def test_two_who_disagree_count_nowhere(self, db: Database):
        self.cars(db)
        decide(db, "E26-002", "NC", by=WQ, opinion="copy taken from a body")
        one = next(each for each in counts_of(db, codes=["K04"]) if each.series == "KA")
        assert one.own == (2, 2)

    def test_what_is_weighed_with_does_not_move(self, db: Database):
        """Deciding a hundred times over changes no weight; the column beside moves."""
        see(db, "E26-001", COPY)
        before = evidence_of(db, "E26-001")
        assert before.own == {}
        self.cars(db)
        after = evidence_of(db, "E26-001")
        assert after.evidence.posterior == before.evidence.posterior
        assert after.own_cars == 3 and after.own != after.evidence.posterior

    def test_a_car_is_never_among_those_it_is_judged_by(self, db: Database):
        see(db, "E26-001", ALL_THERE)
        decide(db, "E26-001", "KA")
        assert evidence_of(db, "E26-001").own_cars == 0
        self.cars(db)
        assert evidence_of(db, "E26-001").own_cars == 3
        assert evidence_of(db, "E26-002").own_cars == 3


class TestPapersOfAnotherBody:
    def papers(self, db: Database, **paper: object) -> list[dict]:
        values = {
            "about": "body_moulded",
            "kind": "certificate",
            "car": "E26-001",
            "relation": "equals",
            "source": "seller",
            "seen": "copy",
            "nature": "inference",
        }
        store.record_statement(db, check(StatementIn, **(values | paper)), at=AT)
        found = evidence_of(db, "E26-001")
        return papers_of_another_body(db, 1, found.on_file, found.evidence)

    def test_say_so_that_goes_with_an_excluded_claim(self, db: Database):
        see(db, "E26-001", COPY)
        (told,) = self.papers(db, edtf="1968", as_written="1968")
        assert (
            told["statement"] == 1 and "Certificate (seller): “1968”" in told["says"] and "not this one" in told["says"]
        )

    def test_a_copy_is_not_older_than_the_first_original(self, db: Database):
        see(db, "E26-001", COPY)
        decide(db, "E26-001", "NC", opinion="copy taken from a body")
        (told,) = self.papers(db, edtf="1963-05", nature="document made at the time", seen="original")
        assert "not older than the first Trial body" in told["says"]

    def test_a_document_of_its_time_stands_by_itself(self, db: Database):
        see(db, "E26-001", COPY)
        assert self.papers(db, edtf="1968-05", nature="document made at the time", seen="original") == []

    def test_on_a_body_that_is_what_is_claimed_none_is_named(self, db: Database):
        see(db, "E26-001", ALL_THERE)
        assert self.papers(db, edtf="1966~") == []


class TestRecording:
    def test_a_filled_sheet(self, db: Database):
        """By a column of states or by marks in boxes, with commas or semicolons; lines without a state are left out."""
        by_state = "tell,state,doubt,note,name\nK01,present,,,x\nK02,p,0.3,hard to see,x\nK03,,,,x\nK04,nv,,,x\n"
        boxes = "\ufeffTell;Present;Absent;Not visible\nK01;x;;\nK02;x;;\nK03;;;\nK04;;;1\n"
        states = [(each.tell, state_meant(each.state)) for each in findings_in(by_state, "a.csv")]
        assert (
            states
            == [(each.tell, each.state) for each in findings_in(boxes, "b.csv")]
            == [("K01", "present"), ("K02", "present"), ("K04", "not visible")]
        )
        done = record_inspection(db, "E26-001", findings_in(by_state, "a.csv"), by=OT, at=AT)
        assert (len(done.ids), done.findings) == (3, 2)
        kept = knowing.observations_of(db, 1)
        assert (kept[1]["doubt"], kept[1]["note"], kept[1]["entry"]) == (0.3, "hard to see", 1)

    @pytest.mark.parametrize(
        ("text", "says"),
        [
            ("", "no columns 'tell' and 'state'"),
            ("code,found\nK01,yes\n", "no columns"),
            ("tell,present,absent\nK01,x,x\n", "line 2: K01 has a mark under present and under absent"),
            ("tell,state\n,present\n", "line 2: a state without a tell"),
            ("tell,state\nK01,\n", "no state filled in"),
        ],
    )
    def test_a_sheet_that_cannot_be_read(self, text: str, says: str):
        with pytest.raises(WrongInput, match=says):
            findings_in(text, "sheet.csv")

    @pytest.mark.parametrize("text", ["K01", "=present", "", "K01:present"])
    def test_what_is_no_finding(self, text: str):
        with pytest.raises(WrongInput, match="K01=present"):
            finding_typed(text)

    def test_all_or_nothing_with_every_line_told(self, db: Database):
        """Three wrong lines are told at once, the good one is not kept alone."""
        before = knowing.counts(db)
        lines = [
            Finding("K01", "present"),
            Finding("K99", "present", where="line 3"),
            Finding("K02", "maybe", where="line 4"),
            Finding("K04", "present", 0.9),
        ]
        with pytest.raises(WrongInput) as told:
            record_inspection(db, "E26-001", lines, by=OT)
        text = str(told.value)
        assert "line 3: No sheet on file has a tell K99" in text and "K01, K02" in text
        assert "line 4: 'maybe' is no state" in text and "present, absent, altered" in text
        assert "0 (sure) to 0.5" in text and text.endswith("Nothing was recorded.")
        assert knowing.counts(db) == before

    def test_who_looked_is_asked(self, db: Database):
        for nobody in (None, "", "  "):
            with pytest.raises(WrongInput, match="Who looked"):
                record_inspection(db, "E26-001", [Finding("K01", "present")], by=nobody)

    def test_a_tell_in_two_states_is_refused(self, db: Database):
        with pytest.raises(WrongInput, match="as present and as absent"):
            record_inspection(db, "E26-001", [Finding("K01", "present"), Finding("k01", "a")], by=OT)

    def test_no_such_car(self, db: Database):
        with pytest.raises(NoAnswer, match="no car E99-001"):
            record_inspection(db, "E99-001", [Finding("K01", "present")], by=OT)

    def test_one_action_is_one_event(self, db: Database):
        before = knowing.counts(db)["events"]
        record_inspection(db, "E26-001", [Finding("K01", "present"), Finding("K02", "absent")], by=OT, place="rear")
        assert knowing.counts(db)["events"] == before + 1
        assert {row["place"] for row in knowing.observations_of(db, 1)} == {"rear"}

    def test_blind(self, db: Database):
        """A second examiner, then on which three the two differ. Somebody who has looked already cannot look blind."""
        record_inspection(
            db, "E26-001", [Finding(code, "present") for code in ("K01", "K02", "K03", "K04", "K05")], by=OT
        )
        mine = [Finding(code, "absent") for code in ("K01", "K02", "K03")] + [
            Finding("K04", "present"),
            Finding("K05", "not visible"),
        ]
        done = record_inspection(db, "E26-001", mine, by=WQ, blind=True)
        (told,) = done.differences
        assert [each["tell"] for each in told["differ"]] == ["K01", "K02", "K03"] and told["agree"] == 1
        assert {row["blind"] for row in knowing.observations_of(db, 1) if row["by_person"] == told["people"][1]} == {1}
        with pytest.raises(WrongInput, match="Orla Thrennick has looked at this car already"):
            record_inspection(db, "E26-001", [Finding("K07", "present")], by=OT, blind=True)


class TestWhatADecisionKeeps:
    def test_the_evidence_as_it_stood(self, db: Database):
        see(db, "E26-001", ALL_THERE)
        expected = evidence_of(db, "E26-001").evidence
        decide(db, "E26-001", "KA")
        (kept,) = knowing.decisions_of(db, 1)
        frozen = kept["weighed"]
        assert frozen["leading"] == "KA" and frozen["strength"]["word"] == expected.strength.word
        assert frozen["posterior"]["KA"] == pytest.approx(expected.posterior["KA"], rel=1e-3)
        assert (
            frozen["tells"] == dict.fromkeys(ALL_THERE, 1)
            and frozen["odds"] == 1
            and set(frozen["families"]) == {"try-body"}
        )
        assert kept["evidence"][0]["weight"] == frozen["weights"]["K01"]

    def test_a_later_table_changes_nothing_in_it(self, db: Database):
        see(db, "E26-001", ALL_THERE)
        decide(db, "E26-001", "KA")
        before = knowing.decisions_of(db, 1)
        store.record_tells(db, [tell("K04", "lamination", "1/92", "20/23", version=2)], at=AT)
        assert knowing.decisions_of(db, 1) == before
        assert evidence_of(db, "E26-001").evidence.posterior["KA"] != pytest.approx(
            before[0]["weighed"]["posterior"]["KA"], abs=1e-6
        )

    def test_nothing_can_be_weighed(self, db: Database):
        """A decision on papers alone is kept all the same."""
        add_car(db, "E26-002")
        paper = store.record_statement(
            db, check(StatementIn, about="lien", kind="letter", car="E26-002", as_written="paid"), at=AT
        )
        decide(db, "E26-002", "OTH", opinion="other", rests_on=(("statement", paper),))
        assert knowing.decisions_of(db, 2)[0]["weighed"] is None

    def test_the_file_is_whole_with_it(self, db: Database, tmp_path: Path):
        from registry.backup import check_file

        see(db, "E26-001", ALL_THERE)
        decide(db, "E26-001", "KA")
        db.conn.commit()
        assert check_file(tmp_path / "try.db") == []

    def test_an_open_opinion_may_rest_on_what_could_not_be_seen(self, db: Database):
        """Paint hides what would decide: that is why it is open. For any other opinion it is no evidence."""
        (hidden,) = see(db, "E26-001", {"K04": "not visible"})
        with pytest.raises(WrongInput, match="that is no evidence"):
            decide(db, "E26-001", "KA", rests_on=(("observation", hidden),))
        evidence = (check(EvidenceIn, kind="observation", ref=hidden),)
        decision = check(
            DecisionIn, car="E26-001", opinion="open", reason="paint", by=OT, at="2026-01-06", evidence=evidence
        )
        store.record_decision(db, decision, at=AT)
        assert [one["opinion"] for one in knowing.standing_decisions(db, 1)] == ["open"]
