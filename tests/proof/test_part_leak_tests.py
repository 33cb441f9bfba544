"""Leak tests of plates and parts of the pile by themselves, and what ends them."""

from collections.abc import Callable
from dataclasses import dataclass, replace
from datetime import timedelta
from typing import Any

import pytest
from sqlalchemy import Engine, select, update
from sqlalchemy.exc import DBAPIError
from sqlalchemy.orm import Session

from service.life.arithmetic.failing_rules import Criterion, CriterionKind, FailingRule
from service.life.changes.failing_rules import propose_rule
from service.life.queries.failing import verdict_of
from service.life.tables import RuleAnswer
from service.limits.arithmetic.figures_form import from_form, to_form
from service.limits.arithmetic.leak_objects import LeakObject, ObjectLimit
from service.limits.arithmetic.leak_paths import Path
from service.people.tables import Role
from service.platform.arithmetic.errors import OutOfRange
from service.platform.arithmetic.verdicts import Verdict
from service.platform.arithmetic.vocabulary import End, Kind, Usability
from service.platform.database import reading
from service.platform.errors import Question, Refused
from service.platform.tables import AuditEntry
from service.proof.arithmetic.with_the_error import Still
from service.proof.changes.part_leak_tests import end_part_leak_test, record_part_leak_test
from service.proof.queries.instrument_uses import assessment
from service.proof.queries.part_leak_tests import MadePartTest, part_leak_test
from service.proof.queries.tested_objects import PartsTested
from service.proof.tables import Ending, PartLeakTest
from service.stacks.tables import Build, Stack
from service.store.arithmetic.acceptance import Acceptance, Basis
from service.store.arithmetic.calibrations import CalibrationResult
from service.store.changes.part_axes import judge_part
from service.store.queries.acceptances import acceptances_of
from service.store.queries.calibrations import calibration_on
from service.store.queries.instruments import instrument
from service.store.tables import Calibration, Instrument, Part, PartType
from tests import builders
from tests.bench.at_the_bench import Lab, a_lab, known
from tests.closing.closings import put_limits_in_force
from tests.proof.stack_testing import DECAY, FIGURES, LEAK, Tools, the_tools
from tests.proposing import put_in_force
from tests.stacks.test_parts_put_back import AIR_HALF, FUEL_HALF, laid_now

Calling = Callable[..., Any]
LIMITS = tuple(
    ObjectLimit(leak_object, path, most, "plate note 2")
    for leak_object, path, most in (
        (LeakObject.ANODE_HALF, Path.ANODE_COOLANT, 0.01),
        (LeakObject.PAIR, Path.COOLANT_OUTSIDE, 0.01),
        (LeakObject.PAIR, Path.ANODE_COOLANT, 0.01),
        (LeakObject.PAIR, Path.CATHODE_COOLANT, 0.01),
        *((LeakObject.PART_OF_PILE, path, 0.02) for path in Path),
    )
)
WITH_LIMITS = replace(FIGURES, leak=replace(LEAK, objects=LIMITS))
READ = DECAY | {"set_up": "4", "volume": "0.05 L", "arrived_coolant": "0"}
AIR = {"gas": "air"}
OWN = {"limit": "0.01 mbar·L/s", "limit_source": "order 77"}


@dataclass
class Store:
    """A laboratory with tools, two plates in store and limits of a design in force."""

    lab: Lab
    tools: Tools
    design_id: int
    anode: str
    cathode: str
    twin: str

    def test(self, *parts: str, typed: dict[str, str] | None = None, **facts: Any) -> int:
        """One pressure decay of the anode side, tight unless told otherwise."""
        of = {
            name: facts.pop(name)
            for name in ("stack", "from_layer", "to_layer", "fixture", "design_id")
            if name in facts
        }
        made: int = self.lab.do(
            record_part_leak_test,
            PartsTested(parts, **of),
            typed=READ | (typed or {}),
            instrument_id=self.tools.gauge,
            thermometer_id=self.tools.thermometer,
            meter_id=self.tools.meter,
            **facts,
        )
        return made

    def made(self, test_id: int) -> MadePartTest:
        """The test as it stands now."""
        with reading(self.lab.engine) as session:
            return part_leak_test(session, test_id)


def a_store(engine: Engine, cells: int = 2) -> Store:
    lab = a_lab(engine, cells)

    def make(session: Session) -> Store:
        tools = the_tools(session)
        design_id = session.get_one(Stack, lab.stack_id).design_id
        put_limits_in_force(session, design_id, WITH_LIMITS)
        types = builders.the_part_types(session)
        serials = []
        for serial, part_type in (
            ("A-901", types.fuel_plate),
            ("C-901", types.air_plate),
            ("C-902", types.air_plate),
        ):
            builders.a_part(session, part_type, serial=serial)
            serials.append(serial)
        return Store(lab, tools, design_id, *serials)

    made: Store = lab.rows(make)
    return made


@pytest.mark.both_engines
def test_a_half_plate_is_tested_alone_by_a_limit_of_its_own(engine: Engine) -> None:
    store = a_store(engine)

    made = store.made(store.test(store.anode, typed=OWN, fixture="fixture 2"))

    assert (made.leak_object, made.verdict) == (LeakObject.ANODE_HALF, Verdict.PASS)
    assert (made.limits, made.fixture) == ("a limit given with the test", "fixture 2")
    (path,) = made.result.paths
    assert (path.path, path.source) == (Path.ANODE_COOLANT, "order 77")
    assert [part.label for part in made.parts] == [store.anode]
    with Session(engine) as session:
        (entry,) = session.scalars(select(AuditEntry).where(AuditEntry.act == "leak test:made"))
        assert entry.subject_label == f"anode half plate {store.anode}"


def test_a_limit_of_its_own_holds_for_the_test_gas_beside_a_design_for_another(
    engine: Engine,
) -> None:
    """The design is tested with nitrogen; nobody is asked about the air, and it is judged."""
    store = a_store(engine)

    made = store.made(store.test(store.anode, typed=OWN | AIR, design_id=store.design_id))

    assert (made.verdict, made.deviation, made.result.remarks) == (Verdict.PASS, None, ())
    with pytest.raises(Question, match="the set-up asks for nitrogen"):
        store.test(store.anode, typed=AIR, design_id=store.design_id)


def test_a_pair_is_judged_by_the_limits_of_a_design_for_pairs(engine: Engine) -> None:
    """Only paths that a pair has are judged; the whole stack's limits are none of its."""
    store = a_store(engine)

    tight = store.made(store.test(store.anode, store.cathode, design_id=store.design_id))
    leaks = store.made(
        store.test(
            store.anode,
            store.cathode,
            design_id=store.design_id,
            typed={"set_up": "3", "end_pressure": "30", "duration": "10 min"}
            | {"arrived_anode": "9", "arrived_cathode": "0", "arrived_coolant": ""},
        )
    )

    assert (tight.leak_object, tight.verdict) == (LeakObject.PAIR, Verdict.PASS)
    assert [path.path for path in tight.result.paths] == [Path.ANODE_COOLANT]
    assert tight.result.paths[0].limit_mbar_l_s == 0.01
    assert tight.limit_version == 1
    assert leaks.verdict is Verdict.FAIL
    assert [path.path for path in leaks.result.paths] == [
        Path.COOLANT_OUTSIDE,
        Path.ANODE_COOLANT,
        Path.CATHODE_COOLANT,
    ]


def test_without_any_limit_a_test_is_kept_and_stays_undecided(engine: Engine) -> None:
    store = a_store(engine)

    made = store.made(store.test(store.anode))

    assert (made.verdict, made.limits) == (Verdict.UNDECIDED, "no limit")


def test_what_a_half_plate_has_not_is_refused_by_its_field(engine: Engine) -> None:
    """Its other gas side, the rig, and the volume of a stack."""
    store = a_store(engine)

    for typed, field in (
        ({"set_up": "5", "arrived_coolant": ""}, "set_up"),
        ({"set_up": "1"}, "set_up"),
        ({"arrived_cathode": "0"}, "arrived_cathode"),
        ({"volume": ""}, "volume"),
        ({"limit": "0.01", "limit_source": ""}, "limit_source"),
        ({"limit": "-1", "limit_source": "order"}, "limit"),
    ):
        with pytest.raises(Refused) as refused:
            store.test(store.anode, typed=typed)
        assert refused.value.field == field, typed


def test_parts_that_are_no_object_together_are_refused(engine: Engine) -> None:
    store = a_store(engine)

    for parts in ((store.cathode, store.twin), (), ("nothing",), (store.anode, store.anode)):
        with pytest.raises(Refused) as refused:
            store.test(*parts)
        assert refused.value.field == "parts", parts


def test_a_plate_in_a_closed_stack_is_not_tested_alone(engine: Engine) -> None:
    store = a_store(engine)
    fitted = store.lab.rows(
        lambda session: session.scalars(
            select(Part.serial)
            .join(PartType, PartType.id == Part.part_type_id)
            .where(PartType.kind == Kind.HALF_PLATE, Part.stack_id.is_not(None))
        ).first()
    )

    with pytest.raises(Refused, match="sits in a closed stack"):
        store.test(fitted)


def test_a_gauge_that_is_withdrawn_is_refused(engine: Engine) -> None:
    store = a_store(engine)

    def withdraw(session: Session) -> None:
        session.get_one(Instrument, store.tools.gauge).in_use = False

    store.lab.rows(withdraw)

    with pytest.raises(Refused) as refused:
        store.test(store.anode)

    assert refused.value.field == "instrument_id"


def test_a_pressure_away_from_the_designs_is_asked_about(engine: Engine) -> None:
    store = a_store(engine)
    high = {"start_pressure": "70", "end_pressure": "70"}

    with pytest.raises(Question, match="the set-up asks for 50 kPa"):
        store.test(store.anode, design_id=store.design_id, typed=high)


def a_half_stack(store: Store) -> tuple[Any, int, int]:
    """An opened stack, and the layers of its first cell and the plate beyond."""
    bench = store.lab.begin()
    bench.open()
    layers = bench.pile.layers
    meas = [layer.position for layer in layers if layer.kind is Kind.MEA]
    return bench, 1, meas[0] + 4


HALF_STACK = {
    "state": "dry",
    "arrived_cathode": "0",
}


@pytest.mark.both_engines
def test_a_part_of_the_pile_is_judged_for_each_cell_and_ends_with_an_opening_inside(
    engine: Engine,
) -> None:
    store = a_store(engine)
    bench, first, last = a_half_stack(store)

    test_id = store.test(
        stack="tarn-001", from_layer=first, to_layer=last, typed=HALF_STACK, fixture="press 1"
    )

    made = store.made(test_id)
    assert (made.leak_object, made.verdict) == (LeakObject.PART_OF_PILE, Verdict.PASS)
    assert len(made.parts) == last
    assert (made.record_id, made.result.cells) == (bench.number, 1)
    assert {path.limit_mbar_l_s for path in made.result.paths} == {0.02}

    store.lab.now += timedelta(minutes=5)
    while (outermost := bench.pile.pile.outermost(End.FREE)) and (outermost.position > last):
        bench.lift()
    assert store.made(test_id).outdated == "", "what lies outside it was lifted off"
    bench.lift()
    bench.lift()
    assert store.made(test_id).outdated == f"separated in record {bench.number}"
    assert store.made(test_id).now is Verdict.TEST_AGAIN


@pytest.mark.both_engines
def test_the_crossover_of_one_cell_tested_alone_meets_the_rule_until_the_test_is_wrong(
    engine: Engine,
) -> None:
    store = a_store(engine)
    _bench, first, last = a_half_stack(store)
    quality = store.lab.rows(lambda s: known(s, builders.a_person(s, Role.QUALITY)))
    rule = FailingRule((Criterion(CriterionKind.CROSSOVER, 0.001),))
    said = {"source": "design note 9", "reason": "gas crosses over", "by": quality}
    put_in_force(engine, store.lab.do(propose_rule, store.design_id, rule, **said))

    test_id = store.test(
        stack="tarn-001",
        from_layer=first,
        to_layer=last,
        typed=HALF_STACK | {"arrived_cathode": "5"},
        fixture="press 1",
        stands=True,
        outside_because="a trial",
    )

    mea = next(part.part_id for part in store.made(test_id).parts if part.kind is Kind.MEA)
    with Session(engine) as session:
        verdict = verdict_of(session, mea)
    assert verdict is not None
    assert verdict.answer is RuleAnswer.MET
    assert verdict.reasons[0].address == f"/leak-tests/{test_id}"
    store.lab.do(end_part_leak_test, test_id, ended_as=Ending.WRONG, because="meter not opened")
    with Session(engine) as session:
        assert verdict_of(session, mea) is None, "nothing is left to judge by"


@pytest.mark.parametrize("keeps", [True, False])
def test_case_03_the_leak_result_of_a_pair_ends_with_the_pair(engine: Engine, keeps: bool) -> None:
    """Both fitted beside each other again it stands; with a new twin it does not."""
    store = a_store(engine)
    lab = store.lab
    test_id = store.test(store.anode, store.cathode, typed=OWN)

    def build(session: Session) -> None:
        first = session.scalars(select(Build)).one()
        laid = list(laid_now(session, first))
        named = {part.serial: part for part in session.scalars(select(Part)) if part.serial}
        twin = store.cathode if keeps else store.twin
        laid[FUEL_HALF - 1] = (named[store.anode], laid[FUEL_HALF - 1][1])
        laid[AIR_HALF - 1] = (named[twin], laid[AIR_HALF - 1][1])
        builders.a_build(
            session,
            session.get_one(Stack, lab.stack_id),
            cells=2,
            laid=laid,
            closed_at=lab.now + timedelta(hours=3),
        )

    lab.rows(build)

    outdated = "" if keeps else "fitted otherwise in build 2 of TARN-001"
    assert store.made(test_id).outdated == outdated


def test_case_03_a_pair_tested_with_another_twin_ends_the_test_before(engine: Engine) -> None:
    store = a_store(engine)
    before = store.test(store.anode, store.cathode, typed=OWN)
    alone = store.test(store.anode, typed=OWN)
    store.lab.now += timedelta(minutes=10)

    later = store.test(store.anode, store.twin, typed=OWN)

    assert store.made(before).outdated == f"tested with another plate in leak test {later}"
    assert store.made(later).outdated == store.made(alone).outdated == ""


@pytest.mark.both_engines
def test_a_test_ends_by_hand_once_and_keeps_what_it_says(engine: Engine) -> None:
    store = a_store(engine)
    test_id = store.test(store.anode, store.cathode, typed=OWN)
    facts = {"ended_as": Ending.TAKEN_APART, "because": "gasket renewed"}
    store.lab.do(end_part_leak_test, test_id, **facts)

    made = store.made(test_id)
    assert (made.outdated, made.verdict) == ("taken apart: gasket renewed", Verdict.PASS)
    with pytest.raises(Refused, match="it ended before"):
        store.lab.do(end_part_leak_test, test_id, **facts)
    for values in ({"verdict": Verdict.FAIL}, {"ended_because": "other"}):
        with pytest.raises(DBAPIError), engine.begin() as connection:
            connection.execute(update(PartLeakTest).values(**values))


@pytest.mark.both_engines
def test_a_gauge_found_out_of_tolerance_afterwards_outdates_the_test(engine: Engine) -> None:
    """The test counts among its operations, and is listed of the finding; a wrong one is not."""
    store = a_store(engine)
    test_id = store.test(store.anode, typed=OWN)
    of_design = store.test(store.anode, store.cathode, design_id=store.design_id)
    wrong = store.test(store.anode, typed=OWN)
    store.lab.do(end_part_leak_test, wrong, ended_as=Ending.WRONG, because="another plate")
    found = store.lab.now + timedelta(days=2)
    gauge = store.tools.gauge

    def calibrate(session: Session) -> str:
        calibration = session.scalars(
            select(Calibration).where(Calibration.instrument_id == store.tools.gauge)
        ).one()
        values = {
            column.key: getattr(calibration, column.key)
            for column in Calibration.__table__.columns
            if column.key != "id"
        }
        out = {"done_at": found, "result": CalibrationResult.OUT_OF_TOLERANCE}
        out |= {"error_offset": 0.0}
        after = {"done_at": calibration.done_at + timedelta(hours=1), "due_operations": 2}
        session.add(Calibration(**values | after))
        session.flush()
        assert instrument(session, gauge).row.operations == 2
        assert calibration_on(session, gauge, found - timedelta(days=1)).state == "overdue"
        session.add(Calibration(**values | out))
        return session.get_one(Instrument, store.tools.gauge).label

    label = store.lab.rows(calibrate)

    assert store.made(test_id).outdated == f"{label} found out of tolerance since"
    with reading(engine) as session:
        listed = instrument(session, gauge)
        (alone,) = assessment(session, gauge, listed.calibrations[0].id).builds
    assert listed.readings == 2
    assert (alone.build_id, alone.stack_serial) == (None, "")
    assert [(use.part_test_id, use.shown, use.still) for use in alone.uses] == [
        (test_id, "pass", Still.PASSES),
        (of_design, "pass", Still.PASSES),
    ]


def test_an_acceptance_rests_on_a_leak_test_of_the_part_that_still_passes(engine: Engine) -> None:
    store = a_store(engine)
    lab = store.lab
    quality = lab.rows(lambda session: known(session, builders.a_person(session, Role.QUALITY)))
    part_id = lab.rows(
        lambda session: session.scalar(select(Part.id).where(Part.serial == store.anode))
    )
    passed = store.test(store.anode, typed=OWN)
    other = store.test(store.cathode, typed=OWN | {"set_up": "5"})
    undecided = store.test(store.anode)

    def accept(test_id: int) -> None:
        rests = Acceptance(Basis.MEASUREMENT, leak_test_id=test_id)
        facts = {"usability": Usability.ACCEPTED_USED, "reason": "tight", "acceptance": rests}
        lab.do(judge_part, part_id, by=quality, **facts)

    for test_id, why in ((other, "of other parts"), (undecided, "undecided"), (999, "other parts")):
        with pytest.raises(Refused, match=why) as refused:
            accept(test_id)
        assert refused.value.field == "leak_test_id"
    accept(passed)
    with reading(engine) as session:
        kept = acceptances_of(session, [part_id])[part_id]
    assert kept.rests_on == f"rests on measurement, leak test {passed}"


def test_limits_of_plates_are_typed_as_they_are_shown_and_only_where_the_path_exists() -> None:
    form = to_form(WITH_LIMITS)

    assert form["leak_alone_pair_coolant_outside"] == "0.01"
    assert from_form(form).leak == WITH_LIMITS.leak
    with pytest.raises(OutOfRange, match="anode half plate"):
        ObjectLimit(LeakObject.ANODE_HALF, Path.CATHODE_COOLANT, 0.1, "note")


def test_machines_make_read_and_end_a_leak_test_of_parts(calling: Calling, engine: Engine) -> None:
    store = a_store(engine)
    client = calling("builder")
    with Session(engine) as session:
        mark = {tool.id: tool.label for tool in session.scalars(select(Instrument))}
    sent = {
        "parts": [store.anode, store.cathode],
        "typed": READ | OWN,
        "instrument": mark[store.tools.gauge],
        "thermometer": mark[store.tools.thermometer],
        "meter": mark[store.tools.meter],
    }

    answer = client.post("/api/v1/leak-tests", json=sent)
    wrong = client.post("/api/v1/leak-tests", json=sent | {"parts": ["none"]})

    assert answer.status_code == 201, answer.text
    assert (wrong.status_code, "no part goes by it" in wrong.text) == (422, True)
    number = answer.json()["id"]
    (listed,) = client.get(f"/api/v1/parts/{store.cathode}/leak-tests").json()
    assert listed == client.get(f"/api/v1/leak-tests/{number}").json()
    assert (listed["leak_object"], listed["now"]) == ("pair of half plates", "pass")
    assert [part["label"] for part in listed["parts"]] == [store.anode, store.cathode]
    ended = client.post(
        f"/api/v1/leak-tests/{number}/end", json={"ended_as": "entered wrongly", "because": "slip"}
    )
    assert ended.status_code == 201, ended.text
    (listed,) = client.get(f"/api/v1/parts/{store.anode}/leak-tests").json()
    assert (listed["now"], listed["outdated"]) == ("test again", "entered wrongly: slip")


def test_the_page_leads_from_the_parts_to_their_test_and_the_part_keeps_it(
    engine: Engine, signed_in_client: Calling
) -> None:
    store = a_store(engine)
    client = signed_in_client("builder")
    part_id = store.lab.rows(
        lambda session: session.scalar(select(Part.id).where(Part.serial == store.anode))
    )
    page = client.get(f"/parts/{part_id}").text
    assert f"/leak-tests/new?parts={store.anode}" in page
    asked = client.get("/leak-tests/new", params={"parts": store.anode})
    for address in ("/leak-tests/new?parts=", "/leak-tests/new?parts=&stack=&from_layer="):
        empty = client.get(address)
        assert (empty.status_code, "no part is named" in empty.text.lower()) == (422, True)
    assert client.get("/leak-tests/new").status_code == 200
    assert "between anode and coolant" in asked.text
    assert "arrived_cathode" not in asked.text
    assert (
        "these parts are not tested together"
        in client.get(
            "/leak-tests/new", params={"parts": f"{store.cathode}\n{store.twin}"}
        ).text.lower()
    )
    typed = (
        READ
        | OWN
        | {
            "parts": store.anode,
            "instrument_id": store.tools.gauge,
            "thermometer_id": store.tools.thermometer,
            "meter_id": store.tools.meter,
        }
    )

    refused = client.post("/leak-tests/new", data=typed | {"volume": ""})
    made = client.post("/leak-tests/new", data=typed)

    assert refused.status_code == 422
    assert 'value="order 77"' in refused.text, "nothing typed is lost"
    assert made.status_code == 303, made.text
    shown = client.get(made.headers["location"]).text
    assert "anode half plate" in shown
    assert "order 77" in shown
    for address in (f"/parts/{part_id}", f"/parts/{part_id}/trace"):
        assert made.headers["location"] in client.get(address).text
    ended = client.post(
        f"{made.headers['location']}/end", data={"ended_as": "taken apart", "because": "bent"}
    )
    assert ended.status_code == 303
    assert "taken apart: bent" in client.get(f"/parts/{part_id}").text
