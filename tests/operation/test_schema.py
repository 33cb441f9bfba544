"""What the database refuses by itself, whatever program asks: on both engines."""

from datetime import timedelta
from typing import Any

import pytest
from sqlalchemy import Engine, delete, insert, select, text, update
from sqlalchemy.exc import DBAPIError, IntegrityError
from sqlalchemy.orm import Session

from service.bench.tables import Correction, CorrectionOf, CorrectionState
from service.designs.tables import ChecklistLine, Design, DesignRod
from service.people.tables import Person
from service.platform.arithmetic.vocabulary import Facing, Whereabouts
from service.platform.tables import AuditEntry
from service.records.tables import (
    Decision,
    RebuildRecord,
    RecordPerson,
    RecordState,
    Step,
    TorqueReading,
)
from service.stacks.tables import Build, BuildPeriod, Fixing, HourReading, Layer
from service.store.tables import Calibration, Part
from tests import builders
from tests.builders import FIRST_CLOSING

pytestmark = pytest.mark.both_engines

LATER = FIRST_CLOSING + timedelta(days=90)


def refused(session: Session, statement: Any, why: str = "") -> None:
    """Expect the database to refuse a statement, in its own words where they are ours."""
    session.flush()
    with pytest.raises(IntegrityError, match=why or None), session.begin_nested():
        session.execute(statement)


def test_a_part_cannot_be_present_in_two_layers(engine: Engine) -> None:
    """Two stacks, one MEA: the second place is refused."""
    with Session(engine) as session:
        here, there = builders.a_stack(session, cells=2), builders.a_stack(session, cells=2)
        part_id = session.scalar(
            select(Layer.part_id)
            .join(Build, Build.id == Layer.build_id)
            .where(Build.stack_id == here.id, Layer.position == 6)
        )
        build_id = session.scalar(select(Build.id).where(Build.stack_id == there.id))

        refused(
            session,
            insert(Layer).values(
                build_id=build_id,
                position=99,
                part_id=part_id,
                facing=Facing.EITHER,
                present=True,
                known_from=LATER,
            ),
        )


def test_a_fixing_cannot_be_present_in_two_builds(engine: Engine) -> None:
    """A tie rod holds one stack."""
    with Session(engine) as session:
        here, there = builders.a_stack(session, cells=1), builders.a_stack(session, cells=1)
        builds = session.scalars(
            select(Build.id).where(Build.stack_id.in_([here.id, there.id])).order_by(Build.id)
        ).all()
        rod = session.scalars(
            select(Fixing).where(Fixing.build_id == builds[0], Fixing.rod_number == 1)
        ).first()
        assert rod is not None

        refused(
            session,
            insert(Fixing).values(
                build_id=builds[1],
                kind=rod.kind,
                rod_number=1,
                part_id=rod.part_id,
                present=True,
                known_from=LATER,
            ),
        )


def test_one_position_of_a_build_holds_one_part(engine: Engine) -> None:
    """As far as the lab knows now."""
    with Session(engine) as session:
        stack = builders.a_stack(session, cells=1)
        spare = builders.a_part(session, builders.the_part_types(session).mea)
        build_id = session.scalar(select(Build.id).where(Build.stack_id == stack.id))

        refused(
            session,
            insert(Layer).values(
                build_id=build_id,
                position=3,
                part_id=spare.id,
                facing=Facing.EITHER,
                present=False,
                known_from=LATER,
            ),
        )


def test_a_stack_has_one_present_build(engine: Engine) -> None:
    """A second build without an opening is refused."""
    with Session(engine) as session:
        stack = builders.a_stack(session, cells=1)
        record = builders.a_record(session, stack)
        build = Build(stack_id=stack.id, number=2, record_id=record.id)
        session.add(build)
        session.flush()

        refused(
            session,
            insert(BuildPeriod).values(
                stack_id=stack.id, build_id=build.id, closed_at=LATER, known_from=LATER
            ),
        )


def test_a_stack_has_one_record_being_written(engine: Engine) -> None:
    """Open or sent back: the next event waits until this one is told."""
    with Session(engine) as session:
        stack = builders.a_stack(session, cells=1)
        record = builders.a_record(session, stack)

        with pytest.raises(IntegrityError), session.begin_nested():
            builders.a_record(session, stack)

        builders.hand_in(session, record, LATER)
        builders.a_record(session, stack)
        refused(
            session,
            update(RebuildRecord)
            .where(RebuildRecord.id == record.id)
            .values(state=RecordState.SENT_BACK),
        )


def test_a_fitted_part_names_its_stack_and_no_other_does(engine: Engine) -> None:
    """Fitted without a stack, or in store with one: both are refused."""
    with Session(engine) as session:
        stack = builders.a_stack(session, cells=1)
        spare = builders.a_part(session, builders.the_part_types(session).mea)
        of_spare = update(Part).where(Part.id == spare.id)

        refused(session, of_spare.values(whereabouts=Whereabouts.FITTED))
        refused(session, of_spare.values(stack_id=stack.id))
        session.execute(of_spare.values(whereabouts=Whereabouts.FITTED, stack_id=stack.id))


def test_a_serial_is_unique_in_its_type_whatever_its_case(engine: Engine) -> None:
    """Two half plates may share a serial with an MEA, but not with each other."""
    with Session(engine) as session:
        types = builders.the_part_types(session)
        builders.a_part(session, types.mea, serial="TEL-7")
        builders.a_part(session, types.fuel_plate, serial="tel-7")

        with pytest.raises(IntegrityError), session.begin_nested():
            builders.a_part(session, types.mea, serial=" tel-7 ")


def test_logins_differ_in_more_than_case(engine: Engine) -> None:
    """Kim and kim are one login."""
    with Session(engine) as session:
        builders.a_person(session, login="kim")

        with pytest.raises(IntegrityError), session.begin_nested():
            builders.a_person(session, login="KIM")


@pytest.mark.parametrize(
    ("table", "column", "value"),
    [
        ("part", "whereabouts", "somewhere"),
        ("part", "usability", "fine"),
        ("rebuild_record", "state", "done"),
        ("layer", "facing", "up"),
        ("step", "kind", "guessed"),
        ("torque_reading", "kind", "felt"),
        ("person_role", "role", "king"),
    ],
)
def test_words_nobody_agreed_on_are_refused(
    engine: Engine, table: str, column: str, value: str
) -> None:
    """Each state is one of its words."""
    with Session(engine) as session:
        stack = builders.a_stack(session, cells=1)
        record = builders.a_record(session, stack)
        spare = builders.a_part(session, builders.the_part_types(session).mea)
        where = {"part": f"id = {spare.id}", "rebuild_record": f"id = {record.id}"}
        statement = f"UPDATE {table} SET {column} = '{value}' WHERE {where.get(table, 'true')}"  # noqa: S608

        refused(session, text(statement))


def test_the_trail_is_neither_changed_nor_deleted(engine: Engine) -> None:
    """Audit entries stay as written."""
    with Session(engine) as session:
        session.add(
            AuditEntry(
                at=LATER,
                person_name="Kim",
                act="part:added",
                subject_kind="part",
                subject_label="M-1",
                changes="[]",
                via="page",
            )
        )
        session.flush()

        refused(session, update(AuditEntry).values(person_name="Sam"), "never changed")
        refused(session, delete(AuditEntry), "never deleted")


@pytest.mark.parametrize("table", [Decision, Calibration])
def test_signatures_and_calibrations_stay(engine: Engine, table: Any) -> None:
    """What was signed or certified is neither changed nor deleted."""
    with Session(engine) as session:
        builders.a_stack(session, cells=1)

        column = "reason" if table is Decision else "certificate"
        refused(session, update(table).values({column: "other"}), "(never|not) changed")
        refused(session, delete(table), "never deleted")


FACTS = [
    (Layer, {"position": Layer.position + 500}),
    (Layer, {"facing": Facing.FREE_END}),
    (Fixing, {"rod_number": 7}),
    (BuildPeriod, {"closed_at": LATER}),
    (BuildPeriod, {"opened_at": LATER}),
    (TorqueReading, {"torque_nm": 1.0}),
    (TorqueReading, {"known_from": LATER}),
    (HourReading, {"hours": 1.0}),
]


@pytest.mark.parametrize(("table", "values"), FACTS)
def test_a_fact_is_closed_out_and_written_anew_never_changed(
    engine: Engine, table: Any, values: dict[str, Any]
) -> None:
    """No column but known_until (and present) of a fact may be set; no fact may be deleted."""
    with Session(engine) as session:
        builders.a_stack(session, cells=1)
        one = table.id == session.scalar(select(table.id).order_by(table.id.desc()))

        refused(session, update(table).where(one).values(values), "written anew")
        refused(session, delete(table).where(one), "never deleted")


@pytest.mark.parametrize("table", [Layer, Fixing, BuildPeriod, TorqueReading, HourReading])
def test_a_fact_is_closed_out_once(engine: Engine, table: Any) -> None:
    """When the lab stopped knowing something so is itself never rewritten."""
    with Session(engine) as session:
        builders.a_stack(session, cells=1)
        one = table.id == session.scalar(select(table.id).order_by(table.id.desc()))
        out = {"present": False} if hasattr(table, "present") else {}

        session.execute(update(table).where(one).values(known_until=LATER, **out))

        later = LATER + timedelta(days=1)
        refused(session, update(table).where(one).values(known_until=later), "closed out before")
        refused(session, update(table).where(one).values(known_until=None), "closed out before")


def test_a_record_handed_in_is_frozen(engine: Engine) -> None:
    """Its content, times and reason stay; only its state and version move on."""
    with Session(engine) as session:
        stack = builders.a_stack(session)
        build = builders.a_build(session, stack, cells=1, approved=False)
        of_record = update(RebuildRecord).where(RebuildRecord.id == build.record_id)

        for values in (
            {"content": "{}"},
            {"content_sha256": "0" * 64},
            {"reason": "other"},
            {"closed_at": LATER},
            {"performed_from": LATER},
            {"stack_id": stack.id},
        ):
            refused(session, of_record.values(values), "frozen")

        session.execute(of_record.values(state=RecordState.SENT_BACK, version=9))
        session.execute(of_record.values(state=RecordState.OPEN, content_sha256=None))
        session.execute(of_record.values(reason="told better"))


@pytest.mark.parametrize("state", [RecordState.OPEN, RecordState.SENT_BACK, RecordState.HANDED_IN])
def test_an_approved_record_is_never_taken_back(engine: Engine, state: RecordState) -> None:
    """It can be made void, and void is for good."""
    with Session(engine) as session:
        stack = builders.a_stack(session, cells=1)
        of_record = update(RebuildRecord).where(RebuildRecord.stack_id == stack.id)

        refused(session, of_record.values(state=state), "change its state")
        session.execute(of_record.values(state=RecordState.VOID))
        refused(session, of_record.values(state=RecordState.APPROVED), "change its state")


def test_entries_of_a_record_handed_in_are_frozen(engine: Engine) -> None:
    """Steps and who was there; an entry lets go of its part, that is all."""
    with Session(engine) as session:
        builders.a_stack(session, cells=1)

        refused(session, update(Step).values(note="other"), "frozen")
        refused(session, delete(Step), "never deleted")
        refused(session, update(RecordPerson).values(involvement="witnessed"), "frozen")
        refused(session, delete(RecordPerson), "frozen")
        session.execute(update(Step).values(standing=False))


def test_entries_of_an_open_record_can_be_undone_but_not_deleted(engine: Engine) -> None:
    """Undoing strikes out."""
    with Session(engine) as session:
        stack = builders.a_stack(session)
        record = builders.a_record(session, stack)
        writer = builders.Journal(session, record, builders.a_person(session), LATER)
        step = writer.step(builders.StepKind.OPENED)

        step.undone_at, step.undone_by_id = LATER, record.written_by_id
        session.flush()

        refused(session, delete(Step), "never deleted")
        session.execute(delete(RecordPerson).where(RecordPerson.record_id == record.id))


def test_two_open_records_cannot_hold_one_part(engine: Engine) -> None:
    """One standing entry a part."""
    with Session(engine) as session:
        part = builders.a_part(session, builders.the_part_types(session).mea)
        person = builders.a_person(session)
        one, other = (
            builders.Journal(
                session, builders.a_record(session, builders.a_stack(session)), person, LATER
            )
            for _ in range(2)
        )
        one.step(builders.StepKind.PUT_ON, part_id=part.id).standing = True
        session.flush()

        step = other.step(builders.StepKind.PUT_ON, part_id=part.id)
        session.flush()
        refused(session, update(Step).where(Step.id == step.id).values(standing=True))


def test_a_design_in_use_is_frozen(engine: Engine) -> None:
    """Until a stack uses it, it may change; then neither it nor its rods and checklist."""
    with Session(engine) as session:
        design = builders.a_design(session)
        design.target_torque_nm = 8.5
        session.flush()

        builders.a_stack(session, design=design)

        refused(session, update(Design).values(target_torque_nm=7.0), "frozen")
        refused(session, update(DesignRod).values(x_mm=0.0), "frozen")
        refused(session, delete(ChecklistLine), "frozen")


def test_a_correction_decided_stays_decided(engine: Engine) -> None:
    """Its values never change, its state once."""
    with Session(engine) as session:
        stack = builders.a_stack(session, cells=1)
        record_id = session.scalar(
            select(RebuildRecord.id).where(RebuildRecord.stack_id == stack.id)
        )
        session.add(
            Correction(
                record_id=record_id,
                of=CorrectionOf.TORQUE,
                subject_label="rod 1 pass 3",
                old_value="9 N·m",
                new_value="8 N·m",
                new_number=8.0,
                reason="mistyped",
                state=CorrectionState.WAITING,
                written_by_id=builders.a_person(session).id,
                written_at=LATER,
                content_sha256="0" * 64,
            )
        )
        session.flush()

        refused(session, update(Correction).values(new_number=7.0), "never changed")
        session.execute(update(Correction).values(state=CorrectionState.APPROVED))
        refused(session, update(Correction).values(state=CorrectionState.REFUSED), "decided")
        refused(session, delete(Correction), "never deleted")


@pytest.mark.parametrize("table", [Person, Part, Build, RebuildRecord])
def test_what_history_names_is_never_deleted(engine: Engine, table: Any) -> None:
    """Even where no foreign key would hold it."""
    with Session(engine) as session:
        builders.a_part(session, builders.the_part_types(session).mea)
        builders.a_stack(session, cells=1)

        one = table.id == session.scalar(select(table.id).order_by(table.id.desc()))
        refused(session, delete(table).where(one), "never deleted")


def test_postgresql_never_empties_a_guarded_table(engine: Engine) -> None:
    """TRUNCATE passes by row triggers: it has its own. SQLite has no TRUNCATE at all."""
    with Session(engine) as session, pytest.raises(DBAPIError, match=r"never emptied|syntax error"):
        session.execute(text("TRUNCATE audit_entry"))
