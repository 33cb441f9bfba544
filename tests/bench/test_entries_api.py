"""Every kind of entry made by a machine, with the effect it has when hands make it."""

from collections.abc import Callable
from dataclasses import dataclass, field
from datetime import timedelta
from typing import Any

import pytest
from sqlalchemy import Engine, select
from sqlalchemy.orm import Session

from service.bench.changes.entries import ENTRIES
from service.closing.arithmetic.closing_checks import ClosingCheck
from service.designs.tables import ChecklistLine
from service.people.tables import Person
from service.platform.arithmetic.vocabulary import Facing, Kind
from service.records.queries.entries import entries_of
from service.records.tables import RecordKind, RecordState, Step, StepKind
from service.store.arithmetic.instruments import InstrumentKind
from service.store.tables import Instrument, PartType
from tests import builders
from tests.bench.at_the_bench import WORK_BEGAN, Bench, Lab, a_lab, what_is_missing
from tests.proof.stack_testing import DECAY, DRY, a_closed_stack
from tests.proof.test_leak_searches import a_monitor
from tests.records.test_pile_checks import closed, opened, put, renewed

Calling = Callable[..., Any]
TESTS = {"leak-test", "insulation-test", "short-check", "leak-search"}
CLICKS = {"tool-setting", "nut-pressed", "corner-heights", "held-closing"}
NONE_SEEN = [{"condition": "none seen"}]


@dataclass
class Machine:
    """A client that makes entries in one record, a minute after another."""

    client: Any
    record: Bench
    minutes: int = 0
    made: set[str] = field(default_factory=set)

    @property
    def lab(self) -> Lab:
        """The laboratory it stands in."""
        return self.record.lab

    def send(
        self, name: str, at: str = "done_at", *, version: int | None = None, **facts: Any
    ) -> Any:
        """Send an entry with the time in its field ``at``, none where that is empty."""
        self.minutes += 1
        time = {at: (WORK_BEGAN + timedelta(minutes=self.minutes)).isoformat()} if at else {}
        asked = f"?version={version}" if version else ""
        return self.client.post(
            f"/api/v1/records/{self.record.number}/entries/{name}{asked}", json=time | facts
        )

    def enter(self, name: str, at: str = "done_at", **facts: Any) -> int:
        """Make an entry that is taken; give its number."""
        answer = self.send(name, at, **facts)
        assert answer.status_code == 201, (name, answer.text)
        self.made.add(name)
        return int(answer.json()["id"])

    def mark(self, instrument_id: int) -> str:
        """The mark on an instrument."""
        return self.lab.get(Instrument, instrument_id).label  # type: ignore[no-any-return]

    def missing(self) -> dict[str, str]:
        """Severity by sentence of what the record lacks."""
        with Session(self.lab.engine) as session:
            lacking = what_is_missing(session, self.record.number)
        return {missing.sentence: missing.severity for missing in lacking}

    def kinds(self) -> list[StepKind]:
        """The kinds of the entries, those undone left out."""
        with Session(self.lab.engine) as session:
            steps = select(Step.kind).where(
                Step.record_id == self.record.number, Step.undone_at.is_(None)
            )
            return list(session.scalars(steps.order_by(Step.sequence)))


def _makes_safe(machine: Machine) -> None:
    lab = machine.lab
    witness = lab.get(Person, lab.witness.id).login
    with Session(lab.engine) as session:
        lines = session.scalars(select(ChecklistLine).order_by(ChecklistLine.number)).all()
    reads = {"V": lab.multimeter_id, "% vol": lab.detector_id}
    for line in lines:
        machine.enter(
            "make-safe",
            line_number=line.number,
            reading=None if line.unit is None else 0.1,
            instrument=machine.mark(reads[line.unit]) if line.needs_instrument else None,
            witness=witness if line.needs_witness else None,
        )


@pytest.mark.both_engines
def test_a_rebuild_is_written_entry_by_entry(calling: Calling, engine: Engine) -> None:
    """From make-safe to hand-in by machine alone; undone entries count no more."""
    lab = a_lab(engine, has_pattern=True)
    machine = Machine(calling("builder"), lab.begin())
    driver = machine.mark(lab.driver_id)
    nut = {"rod_number": 1, "pass_number": 1, "instrument": driver}
    closing = nut | {"entered": "9"}
    gauge = lab.rows(
        lambda s: builders.a_torque_instrument(s, kind=InstrumentKind.HEIGHT_GAUGE, unit="mm").label
    )
    nuts = lab.rows(
        lambda s: (
            builders.a_lot(
                s, s.scalars(select(PartType).where(PartType.kind == Kind.NUT)).first(), quantity=8
            ).id
        )
    )

    machine.enter(
        "bump-test",
        instrument=machine.mark(lab.detector_id),
        gas="2 % hydrogen in nitrogen",
        passed=True,
    )
    _makes_safe(machine)
    machine.enter(
        "handover",
        from_person=lab.get(Person, lab.witness.id).login,
        to_person=lab.get(Person, lab.builder.id).login,
        pile="closed",
        covers="all ports",
    )
    machine.enter("exception", reason="line 3 is told by another tool")
    machine.enter("undo", "")
    machine.enter("torque", "taken_at", **nut, stage="as found", kind="residual", entered="7.9 N·m")
    machine.enter("open", "opened_at", hours=120)
    layers = list(machine.record.pile.layers)
    machine.enter("finding", part_id=layers[0].part, findings=[{"condition": "none seen"}])
    machine.enter("lift", end="free end", part_id=layers[-1].part, findings=NONE_SEEN)
    machine.enter("lift-several", end="free end", part_id=layers[-3].part, condition="none seen")
    assert len(machine.record.pile.layers) == len(layers) - 3
    for layer in layers[-3:]:
        part = renewed(lab, layer) if layer.kind is Kind.GASKET else layer.part
        facing = None if layer.facing is Facing.EITHER else layer.facing
        machine.enter("put-on", end="free end", part_id=part, facing=facing)
    sleeve = next(one for one in machine.record.pile.fixings if one.kind is Kind.SLEEVE)
    old = [
        one.part
        for one in machine.record.pile.fixings
        if one.kind is Kind.NUT and one.rod_number in {1, 2}
    ]
    machine.enter("remove-fixings", part_ids=[sleeve.part, *old])
    machine.enter("fit-fixing", rod_number=sleeve.rod_number, part_id=sleeve.part)
    machine.enter("fit-from-lot", lot_id=nuts, rod_numbers=[1, 2])
    for number in (1, 2, 3):
        for rod in (1, 2, 3, 4):
            read = closing | {"rod_number": rod, "pass_number": number, "entered": f"{3 * number}"}
            machine.enter("torque", "taken_at", **read)
    first = machine.enter("close", "closed_at", hours=120)
    machine.enter("undo", "")
    again = machine.enter("close", "closed_at", hours=120, note="after a second look")
    not_recorded = "Closing check not recorded: "
    checks = {one for one in machine.missing() if one.startswith(not_recorded)}
    machine.enter(
        "closing-check", check="closed height", reading_mm=40, instrument=gauge, note="as measured"
    )

    gone = checks - machine.missing().keys()
    assert gone == {f"{not_recorded}{ClosingCheck.HEIGHT}."}
    assert again != first
    assert [layer.kind for layer in machine.record.pile.layers] == [layer.kind for layer in layers]
    assert "blocks" not in machine.missing().values()
    assert machine.enter("hand-in", "", not_done=machine.record.reasons()) == machine.record.number
    assert machine.record.record.state is RecordState.HANDED_IN
    assert machine.made == ENTRIES.keys() - TESTS - {"departure", "fit-as-found", "donor"} - CLICKS
    assert StepKind.EXCEPTION not in machine.kinds()
    assert machine.kinds().count(StepKind.CLOSED) == 1


def test_the_closed_stack_is_tested_entry_by_entry(calling: Calling, engine: Engine) -> None:
    stack = a_closed_stack(engine, cells=3)
    machine = Machine(calling("builder"), stack.bench)
    tools = {name: machine.mark(number) for name, number in vars(stack.tools).items()}

    machine.enter(
        "leak-test",
        typed=DECAY | {"set_up": "1", "volume": "0.2 L"},
        instrument=tools["gauge"],
        thermometer=tools["thermometer"],
    )
    machine.enter("insulation-test", typed=DRY, instrument=tools["tester"])
    machine.enter(
        "short-check",
        typed={"way": "resistance of each cell"},
        values=["40", "40", "40"],
        instrument=tools["multimeter"],
    )
    machine.enter(
        "leak-search",
        typed={"way": "open-circuit voltage, hydrogen and nitrogen"},
        values=["0.1", "0.1", "0.1"],
        instrument=machine.mark(stack.lab.rows(a_monitor)),
    )

    assert machine.made == TESTS
    assert machine.kinds() == [
        StepKind.LEAK_TEST,
        StepKind.INSULATION_TEST,
        StepKind.SHORT_CHECK,
        StepKind.LEAK_SEARCH,
    ]


def test_a_departure_is_accepted_by_call(calling: Calling, engine: Engine) -> None:
    """By somebody who may give concessions, and undone like any entry."""
    lab = a_lab(engine, cells=3, has_pattern=True)
    record, layers = opened(lab, 3)
    put(record, layers, p21=layers[0].part)
    closed(record)
    builder = Machine(calling("builder"), record)
    found = builder.client.get(f"/api/v1/records/{record.number}/check").json()
    (sentence,) = [each["sentence"] for each in found if each["severity"] == "needs a concession"]
    facts = {"departs_from": sentence, "reason": "No others in house."}
    refused = builder.send("departure", **facts)
    machine = Machine(calling("builder", "quality"), record, minutes=120)

    machine.enter("departure", **facts)

    assert refused.status_code == 403
    with Session(engine) as session:
        assert entries_of(session, record.number)[-1].departs_from == sentence
    machine.enter("undo", "")
    assert StepKind.DEPARTURE not in machine.kinds()


def test_a_part_against_the_design_asks_why(calling: Calling, engine: Engine) -> None:
    """As at the bench: refused without a reason, kept with it."""
    lab = a_lab(engine, cells=3, has_pattern=True)
    record, layers = opened(lab, 3)
    machine = Machine(calling("builder"), record, minutes=60)
    wrong = {"end": "free end", "part_id": layers[-1].part}

    refused = machine.send("put-on", **wrong)
    machine.enter("put-on", **wrong, departs_because="only a trial of the clamp")

    assert refused.status_code == 422
    assert "only a trial of the clamp" in _last_note(lab, record)


def _last_note(lab: Lab, record: Bench) -> str:
    with Session(lab.engine) as session:
        return entries_of(session, record.number)[-1].note


def test_a_record_begun_on_a_page_is_ended_by_a_machine(
    calling: Calling, signed_in_client: Calling, engine: Engine
) -> None:
    """The page shows what the machine entered; a call that has not seen it is refused."""
    lab = a_lab(engine)
    pages = signed_in_client("builder")
    begun = pages.post(
        "/records/new",
        data={
            "stack": "TARN-001",
            "kind": RecordKind.RE_TORQUE.value,
            "reason": "settled",
            "performed_from": f"{WORK_BEGAN:%Y-%m-%d %H:%M}",
            "worked": str(pages.person_id),
            "entry_key": "begun-on-a-page",
        },
    )
    record = Bench(lab, int(begun.headers["location"].split("/")[2]))
    machine = Machine(calling("builder"), record)
    nut = {"pass_number": 1, "stage": "closing", "kind": "set", "entered": "9"}
    driver = {"instrument": machine.mark(lab.driver_id)}
    for rod in (1, 2, 3, 4):
        machine.enter("torque", "taken_at", rod_number=rod, **nut, **driver)
    shown = pages.get(f"/records/{record.number}/bench?at=torque")

    stale = machine.send("undo", "", version=1)
    machine.enter("hand-in", "", not_done=machine.record.reasons())

    assert "9.00" in shown.text
    assert (stale.status_code, len(stale.json()["changes_since"])) == (409, 4)
    assert record.record.state is RecordState.HANDED_IN
    closed_door = machine.send("torque", "taken_at", rod_number=1, **nut, **driver)
    assert closed_door.status_code == 422


def test_a_refusal_names_the_field_of_the_call(calling: Calling, engine: Engine) -> None:
    """Not the name it bears on a form: with value, reason and what would be right."""
    lab = a_lab(engine)
    machine = Machine(calling("builder"), lab.begin(RecordKind.RE_TORQUE))

    answer = machine.send(
        "torque",
        "taken_at",
        rod_number=1,
        pass_number=1,
        entered="9",
        instrument=machine.mark(lab.multimeter_id),
    )

    assert answer.status_code == 422
    assert answer.json()["fields"][0]["field"] == "instrument"


def test_a_whole_record_may_hold_checks_findings_and_reasons(
    calling: Calling, engine: Engine
) -> None:
    """An inspection sent at once: what was seen, and a nut outside the tolerance with why."""
    lab = a_lab(engine)
    client = calling("builder")
    (layer, *_) = client.get("/api/v1/stacks/TARN-001/layers").json()["layers"]
    at = (WORK_BEGAN + timedelta(minutes=5)).isoformat()
    seen = {"condition": "BOWED", "face": "face to the free end", "places": ["F6", "A1"]}
    whole = {
        "stack": "TARN-001",
        "kind": "inspection",
        "reason": "looked at",
        "performed_from": WORK_BEGAN.isoformat(),
        "findings": [{"part_id": layer["part"], "findings": [seen], "done_at": at}],
        "torque_at_closing": [
            {
                "rod_number": 1,
                "pass_number": 3,
                "torque_nm": 11,
                "instrument": lab.get(Instrument, lab.driver_id).label,
                "taken_at": at,
                "stands": "stands",
                "outside_because": "at its stop",
                "unloaded_first": "no",
            }
        ],
        "closing_checks": [{"check": "sleeves", "reading_mm": 3, "done_at": at}],
    }

    refused = client.post("/api/v1/records", json=whole)
    whole["closing_checks"] = [{"check": "sleeves", "done_at": at, "note": "all on"}]
    made = client.post("/api/v1/records", json=whole)

    assert refused.status_code == 422
    assert refused.json()["fields"][0]["field"] == "closing_checks.0.reading_mm"
    assert made.status_code == 201, made.text
    with Session(engine) as session:
        entries = entries_of(session, made.json()["id"])
    (finding,) = entries[0].findings
    assert (finding.condition, finding.at) == ("bowed", "face to the free end A1 F6")
    assert (entries[1].deviation_because, entries[1].unloaded_first) == ("at its stop", False)
    assert [(entry.kind, entry.note) for entry in entries] == [
        (StepKind.FINDING, ""),
        (StepKind.TORQUE, ""),
        (StepKind.CLOSING_CHECK, "all on"),
    ]
