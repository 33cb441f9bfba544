"""Who decides on a record, what a signature holds, and what is taken back by making void."""

from dataclasses import dataclass
from datetime import timedelta
from typing import Any

import pytest
from sqlalchemy import Engine, select, text
from sqlalchemy.orm import Session

from service.bench.changes.approvals import approve, make_void, propose_void, send_back, take_up
from service.bench.changes.bench import undo_last
from service.bench.changes.corrections import propose
from service.bench.changes.layers import note_finding, put_on
from service.bench.tables import CorrectionOf
from service.operation.migrating import triggers
from service.people.changes.people import change_roles, deactivate
from service.people.tables import Role
from service.platform.arithmetic.vocabulary import End, Whereabouts
from service.platform.database import changing
from service.platform.errors import NotAllowed, NotFound, Refused, Stale
from service.platform.permissions import Person
from service.platform.tables import Attachment, AuditEntry
from service.records.changes.make_safe import record_make_safe
from service.records.changes.rebuild_records import begin_record
from service.records.queries.content import verify
from service.records.queries.records import people_on
from service.records.tables import (
    Decision,
    Involvement,
    MakeSafeLine,
    Meaning,
    RebuildRecord,
    RecordKind,
    RecordPersonRemoved,
    RecordState,
    Step,
    StepKind,
    TorqueReading,
)
from service.stacks.tables import BuildPeriod, Layer
from service.store.tables import Concession, Part
from tests import builders
from tests.bench.at_the_bench import WORK_BEGAN, Bench, Lab, a_lab, known, voided, where

SIGNED_AT = builders.FIRST_CLOSING + timedelta(days=40)


@dataclass
class Desk:
    """A laboratory with one record waiting, and somebody to decide on it."""

    lab: Lab
    number: int
    supervisor: Person

    @property
    def record(self) -> RebuildRecord:
        return self.lab.get(RebuildRecord, self.number)

    @property
    def hash(self) -> str:
        return self.record.content_sha256 or ""

    def do(self, change: Any, by: Person | None = None, **facts: Any) -> Any:
        with changing(self.lab.engine, by or self.supervisor, now=SIGNED_AT) as work:
            return change(work, self.number, **facts)

    def approve(self, by: Person | None = None, **facts: Any) -> Any:
        given = {"content_sha256": self.hash, "password": builders.PASSWORD}
        return self.do(approve, by, **(given | facts))

    def person(self, *roles: Role, name: str = "") -> Person:
        return self.lab.rows(lambda s: known(s, builders.a_person(s, *roles, name=name)))


OWNER = Person(0, "", "command line", frozenset({Role.ADMIN}))


@pytest.fixture
def desk(engine: Engine) -> Desk:
    """The second build of a stack of two cells is handed in and waits."""
    lab = a_lab(engine)
    lab.now = SIGNED_AT
    builds = lab.rows(
        lambda s: (
            builders.a_build(
                s, s.get_one(builders.Stack, lab.stack_id), cells=2, approved=False
            ).record_id
        )
    )
    supervisor = lab.rows(
        lambda s: known(s, builders.a_person(s, Role.SUPERVISOR, name="Ines Falk"))
    )
    return Desk(lab, builds, supervisor)


def test_a_supervisor_who_had_no_part_in_it_signs_the_content(desk: Desk) -> None:
    decision = desk.lab.get(Decision, desk.approve())

    assert desk.record.state is RecordState.APPROVED
    assert decision.content_sha256 == desk.hash
    assert (decision.meaning, decision.at) == (Meaning.APPROVED, SIGNED_AT)
    assert (decision.person_name, decision.person_roles) == ("Ines Falk", "supervisor")
    with Session(desk.lab.engine) as session:
        assert verify(session, [desk.number])[desk.number].holds


def test_case_30_the_role_of_an_approver_who_left_is_frozen_at_signing(desk: Desk) -> None:
    """What was signed keeps name and role; nobody signs with an account that was shut."""
    signed = desk.approve()
    with changing(desk.lab.engine, OWNER, now=SIGNED_AT) as work:
        change_roles(work, desk.supervisor.id, [Role.BUILDER])
        deactivate(work, desk.supervisor.id, reason="left the laboratory")

    decision = desk.lab.get(Decision, signed)
    assert (decision.person_name, decision.person_roles) == ("Ines Falk", "supervisor")
    assert desk.record.state is RecordState.APPROVED
    with Session(desk.lab.engine) as session:
        assert verify(session, [desk.number])[desk.number].holds


def test_case_30_an_account_that_was_shut_signs_nothing(desk: Desk) -> None:
    """Not even in a session that was begun before."""
    with changing(desk.lab.engine, OWNER, now=SIGNED_AT) as work:
        deactivate(work, desk.supervisor.id, reason="left the laboratory")

    with pytest.raises((Refused, NotAllowed)):
        desk.approve()
    assert desk.record.state is RecordState.HANDED_IN


@pytest.mark.parametrize(
    "roles",
    [(), (Role.BUILDER,), (Role.QUALITY,), (Role.ADMIN,), (Role.BUILDER, Role.ADMIN)],
)
def test_only_a_supervisor_approves(desk: Desk, roles: tuple[Role, ...]) -> None:
    with pytest.raises(NotAllowed, match="supervisor"):
        desk.approve(desk.person(*roles))
    assert desk.record.state is RecordState.HANDED_IN


EVERYTHING = (Role.BUILDER, Role.QUALITY, Role.SUPERVISOR, Role.ADMIN)


def _wrote(_session: Session, record: RebuildRecord, somebody: Person) -> None:
    record.written_by_id = somebody.id


def _handed_in(_session: Session, record: RebuildRecord, somebody: Person) -> None:
    record.handed_in_by_id = somebody.id


def _worked(session: Session, record: RebuildRecord, somebody: Person) -> None:
    session.add(
        builders.RecordPerson(
            record_id=record.id, person_id=somebody.id, involvement=Involvement.WORKED
        )
    )


def _witnessed(session: Session, record: RebuildRecord, somebody: Person) -> None:
    session.add(
        builders.RecordPerson(
            record_id=record.id, person_id=somebody.id, involvement=Involvement.WITNESSED
        )
    )


def _was_named_once(session: Session, record: RebuildRecord, somebody: Person) -> None:
    session.add(
        RecordPersonRemoved(
            record_id=record.id,
            person_id=somebody.id,
            involvement=Involvement.WORKED,
            removed_by_id=record.written_by_id,
            removed_at=record.performed_from,
        )
    )


def _gave_a_concession(session: Session, record: RebuildRecord, somebody: Person) -> None:
    part = session.scalars(select(Layer.part_id)).first()
    session.add(
        Concession(
            part_id=part,
            reason="the mark is cosmetic",
            given_by_id=somebody.id,
            given_at=record.performed_from,
            used_in_record_id=record.id,
        )
    )


def _accepted_a_departure(session: Session, record: RebuildRecord, somebody: Person) -> None:
    session.add(
        Step(
            record_id=record.id,
            sequence=99,
            kind=StepKind.DEPARTURE,
            departs_from="A gasket is missing.",
            note="a thin one was used",
            standing=False,
            done_at=record.performed_from,
            written_at=record.performed_from,
            by_id=somebody.id,
        )
    )


def _made_an_entry(session: Session, record: RebuildRecord, somebody: Person) -> None:
    step = session.scalars(select(Step).where(Step.record_id == record.id)).first()
    assert step is not None
    step.by_id = somebody.id


def _undid_an_entry(session: Session, record: RebuildRecord, somebody: Person) -> None:
    step = session.scalars(select(Step).where(Step.record_id == record.id)).first()
    assert step is not None
    step.undone_by_id, step.undone_at = somebody.id, record.handed_in_at


def _read_torque(session: Session, record: RebuildRecord, somebody: Person) -> None:
    reading = session.scalars(
        select(TorqueReading).where(TorqueReading.record_id == record.id)
    ).first()
    assert reading is not None
    reading.by_id = somebody.id


def _read_hours(session: Session, record: RebuildRecord, somebody: Person) -> None:
    row = session.get_one(builders.Person, somebody.id)
    stack = session.get_one(builders.Stack, record.stack_id)
    builders.an_hour_reading(session, stack, 130.0, record.performed_from, record=record, by=row)


def _checked_make_safe(session: Session, record: RebuildRecord, somebody: Person) -> None:
    _make_safe(session, record, record.written_by_id, witness=None, person=somebody.id)


def _witnessed_make_safe(session: Session, record: RebuildRecord, somebody: Person) -> None:
    _make_safe(session, record, record.written_by_id, witness=somebody.id)


def _make_safe(
    session: Session, record: RebuildRecord, by: int, witness: int | None, person: int = 0
) -> None:
    step = session.scalars(select(Step).where(Step.record_id == record.id)).first()
    assert step is not None
    session.add(
        MakeSafeLine(
            record_id=record.id,
            step_id=step.id,
            line_number=1,
            wording="x",
            person_id=person or by,
            witness_id=witness,
        )
    )


def _added_a_photo(session: Session, record: RebuildRecord, somebody: Person) -> None:
    session.add(
        Attachment(
            content_sha256="0" * 64,
            media_type="image/png",
            size_bytes=10,
            name="a.png",
            record_id=record.id,
            added_by_id=somebody.id,
            added_at=record.performed_from,
        )
    )


def _changed_its_head(session: Session, record: RebuildRecord, somebody: Person) -> None:
    session.add(
        AuditEntry(
            at=record.performed_from,
            person_id=somebody.id,
            person_name=somebody.name,
            act="record:changed",
            subject_kind="record",
            subject_id=record.id,
            subject_label="record",
            record_id=record.id,
            changes="[]",
            via="page",
        )
    )


@pytest.mark.parametrize(
    "part_in_it",
    [
        _wrote,
        _handed_in,
        _worked,
        _witnessed,
        _was_named_once,
        _gave_a_concession,
        _accepted_a_departure,
        _made_an_entry,
        _undid_an_entry,
        _read_torque,
        _read_hours,
        _checked_make_safe,
        _witnessed_make_safe,
        _added_a_photo,
        _changed_its_head,
    ],
)
def test_nobody_decides_on_what_they_had_a_part_in(desk: Desk, part_in_it: Any) -> None:
    """Whatever roles somebody has, admin included, refused in the domain function itself."""
    somebody = desk.person(*EVERYTHING)
    with desk.lab.engine.begin() as connection:
        triggers().lift(connection)
    desk.lab.rows(lambda s: part_in_it(s, s.get_one(RebuildRecord, desk.number), somebody))

    with pytest.raises(NotAllowed, match="somebody else has to decide"):
        desk.approve(somebody)
    with pytest.raises(NotAllowed, match="somebody else has to decide"):
        desk.do(send_back, somebody, reason="no")
    assert desk.record.state is RecordState.HANDED_IN


def test_whoever_proposed_a_correction_does_not_approve_the_record(desk: Desk) -> None:
    somebody = desk.person(*EVERYTHING)
    with Session(desk.lab.engine) as session:
        reading = session.scalars(
            select(TorqueReading.id).where(TorqueReading.record_id == desk.number)
        ).first()
    desk.do(
        propose,
        somebody,
        of=CorrectionOf.TORQUE,
        subject_id=reading,
        new_value="3.1",
        reason="misread",
    )

    with pytest.raises(NotAllowed, match="somebody else"):
        desk.approve(somebody)


def test_who_had_a_part_is_one_statement_for_any_number_of_records(
    desk: Desk, statements: Any
) -> None:
    with Session(desk.lab.engine) as session, statements() as seen:
        people = people_on(session, [1, desk.number])

    assert len(seen) == 1
    assert people[desk.number] == {desk.record.written_by_id}


def test_a_wrong_password_signs_nothing(desk: Desk) -> None:
    with pytest.raises(Refused, match="not your password") as refused:
        desk.approve(password="something else")

    assert refused.value.field == "password"
    assert desk.record.state is RecordState.HANDED_IN
    with pytest.raises(Refused, match="asks for your password"):
        desk.approve(password="")


def test_another_hash_than_the_one_shown_is_stale(desk: Desk) -> None:
    with pytest.raises(Stale):
        desk.approve(content_sha256="0" * 64)


def test_a_content_changed_underneath_cannot_be_signed(desk: Desk) -> None:
    with desk.lab.engine.begin() as connection:
        triggers().lift(connection)
        connection.execute(
            text("UPDATE torque_reading SET torque_nm = 99 WHERE record_id = :id"),
            {"id": desk.number},
        )

    with pytest.raises(Refused, match="no longer those that were handed in"):
        desk.approve()
    assert desk.record.state is RecordState.HANDED_IN


def test_the_command_line_signs_nothing(desk: Desk) -> None:
    owner = Person(0, "owner", "the machine's owner", frozenset(EVERYTHING))

    with pytest.raises(Refused, match="signed by a person"):
        desk.approve(owner)


def test_approving_twice_is_refused(desk: Desk) -> None:
    desk.approve()

    with pytest.raises(Refused, match="approved already"):
        desk.approve()
    with pytest.raises(Refused, match="needs a correction"):
        desk.do(send_back, reason="second thoughts")


def test_there_is_no_such_record(desk: Desk) -> None:
    with pytest.raises(NotFound):
        Desk(desk.lab, 999, desk.supervisor).do(send_back, reason="x")


def test_a_record_goes_back_with_the_reason_and_is_taken_up_again(desk: Desk) -> None:
    signed = desk.hash
    decision = desk.lab.get(Decision, desk.do(send_back, reason="rod 2 reads low"))

    assert desk.record.state is RecordState.SENT_BACK
    assert (decision.meaning, decision.reason) == (Meaning.SENT_BACK, "rod 2 reads low")
    assert decision.content_sha256 == signed
    with pytest.raises(Refused, match="sent back"):
        desk.approve()

    desk.do(take_up, desk.lab.builder)

    assert desk.record.state is RecordState.OPEN
    assert desk.record.content_sha256 is None
    with pytest.raises(Refused, match="Only a record that was sent back"):
        desk.do(take_up, desk.lab.builder)


def test_sending_back_needs_a_reason(desk: Desk) -> None:
    with pytest.raises(Refused) as refused:
        desk.do(send_back, reason="  ")
    assert refused.value.field == "reason"


def test_a_record_with_a_later_one_is_not_sent_back(desk: Desk) -> None:
    later = desk.lab.begin(performed_from=SIGNED_AT - timedelta(days=1))

    with pytest.raises(Refused, match=f"record {later.number} of the same stack"):
        desk.do(send_back, reason="too late")


def test_a_record_handed_in_is_not_made_void(desk: Desk) -> None:
    with pytest.raises(Refused, match="Send it back first"):
        desk.do(make_void, reason="begun by mistake")
    with pytest.raises(Refused, match="Send it back first"):
        desk.do(propose_void, reason="begun by mistake")


def test_confirming_a_void_is_the_supervisors(desk: Desk) -> None:
    with pytest.raises(NotAllowed, match="needs the role supervisor"):
        desk.do(make_void, desk.lab.builder, reason="x")


@pytest.mark.both_engines
def test_a_record_with_entries_is_made_void_by_two(engine: Engine) -> None:
    """Neither whoever proposed it, nor its author, nor anybody who had a part in it confirms it."""
    lab = a_lab(engine)
    author, proposer, other = (
        lab.rows(lambda s: known(s, builders.a_person(s, *EVERYTHING))) for _ in range(3)
    )
    number = lab.do(
        begin_record,
        stack_id=lab.stack_id,
        kind=RecordKind.REBUILD,
        reason="cell 2 is weak",
        performed_from=WORK_BEGAN,
        by=author,
    )
    record = Bench(lab, number)
    record.open()
    signed = {"password": builders.PASSWORD, "by": other}

    with pytest.raises(Refused, match="nobody proposed"):
        lab.do(make_void, number, **signed)
    lab.do(propose_void, number, reason="wrong stack", by=proposer)
    for somebody in (author, proposer, lab.builder):
        with pytest.raises(NotAllowed):
            lab.do(make_void, number, **(signed | {"by": somebody}))
    with pytest.raises(Refused, match="not your password"):
        lab.do(make_void, number, **(signed | {"password": "green"}))
    record.lift()
    with pytest.raises(Refused, match="nobody proposed to make it void as it stands now"):
        lab.do(make_void, number, **signed)
    lab.do(propose_void, number, reason="wrong stack", by=proposer)
    decision = lab.get(Decision, lab.do(make_void, number, **signed))

    assert record.record.state is RecordState.VOID
    assert decision.person_id == other.id
    assert decision.reason == f"wrong stack (proposed by {proposer.name} ({proposer.login}))"


def test_an_author_makes_a_record_without_entries_void_alone(engine: Engine) -> None:
    lab = a_lab(engine)
    record = lab.begin()

    with pytest.raises(NotAllowed, match="needs the role supervisor"):
        lab.do(make_void, record.number, reason="wrong stack", by=lab.witness)
    lab.do(make_void, record.number, reason="wrong stack")

    assert record.record.state is RecordState.VOID
    second = lab.begin()
    second.do(record_make_safe, line_number=1)
    second.do(undo_last)
    with pytest.raises(NotAllowed):
        lab.do(make_void, second.number, reason="wrong stack")


@pytest.mark.both_engines
def test_a_void_record_puts_everything_back_where_it_was(engine: Engine) -> None:
    """Parts lifted off are fitted again, parts put on are back in store; entries stay readable."""
    lab = a_lab(engine)
    supervisor = lab.rows(lambda s: known(s, builders.a_person(s, Role.SUPERVISOR)))
    record = lab.begin()
    record.open()
    insulator, collector, gasket = record.lift(count=3)
    record.do(put_on, end=End.FREE, part_id=collector)
    spare = lab.rows(lambda s: builders.a_part(s, builders.the_part_types(s).insulator_plate).id)
    record.do(put_on, end=End.FREE, part_id=spare)
    concession = lab.rows(lambda s: _a_used_concession(s, record.number))

    voided(lab, record.number, supervisor)

    assert record.record.state is RecordState.VOID
    for part in (insulator, collector, gasket):
        assert where(lab, part) == ("fitted", lab.stack_id)
    assert where(lab, spare) == ("in store", None)
    assert lab.get(Concession, concession).used_in_record_id is None
    with Session(engine) as session:
        steps = session.scalars(select(Step).where(Step.record_id == record.number)).all()
        assert all(step.undone_by_id == supervisor.id and not step.standing for step in steps)
        present = session.scalars(
            select(Layer.part_id).where(Layer.present, Layer.build_id == 1)
        ).all()
        assert {insulator, collector, gasket} <= set(present)
    with pytest.raises(Refused, match="it is void"):
        record.do(note_finding, part_id=collector, findings=())


def _a_used_concession(session: Session, record_id: int) -> int:
    concession = Concession(
        lot_id=builders.a_lot(session, builders.the_part_types(session).gas_gasket).id,
        reason="x",
        given_by_id=1,
        given_at=builders.START,
        used_in_record_id=record_id,
    )
    session.add(concession)
    session.flush()
    return concession.id


@pytest.mark.both_engines
def test_a_sent_back_record_made_void_gives_the_stack_its_build_before(desk: Desk) -> None:
    desk.do(send_back, reason="wrong stack")
    signed = desk.hash

    voided(desk.lab, desk.number, desk.supervisor)

    with Session(desk.lab.engine) as session:
        present = session.scalars(
            select(BuildPeriod.build_id).where(
                BuildPeriod.opened_at.is_(None),
                BuildPeriod.known_until.is_(None),
                BuildPeriod.stack_id == desk.lab.stack_id,
            )
        ).one()
        layers = session.scalars(select(Layer).where(Layer.present)).all()
        fitted = session.scalars(select(Part.id).where(Part.stack_id == desk.lab.stack_id)).all()
        assert present == 1
        assert {layer.build_id for layer in layers} == {1}
        assert {layer.part_id for layer in layers} <= set(fitted)
        assert verify(session, [desk.number])[desk.number].holds
    assert desk.hash == signed


def test_a_record_is_not_made_void_once_its_parts_have_gone_on(desk: Desk) -> None:
    desk.do(send_back, reason="x")

    def scrap(session: Session) -> None:
        lifted = session.scalars(
            select(Part).where(Part.whereabouts == Whereabouts.LIFTED_OFF).order_by(Part.id)
        ).first()
        assert lifted is not None
        lifted.whereabouts = Whereabouts.SCRAPPED

    desk.lab.rows(scrap)

    with pytest.raises(Refused, match="is scrapped by now"):
        voided(desk.lab, desk.number, desk.supervisor)


def test_each_decision_is_told_in_the_trail_with_its_reason(desk: Desk) -> None:
    desk.do(send_back, reason="rod 2 reads low")
    desk.do(take_up, desk.lab.builder)

    with Session(desk.lab.engine) as session:
        told = session.execute(
            select(AuditEntry.act, AuditEntry.person_name, AuditEntry.reason)
            .where(AuditEntry.record_id == desk.number)
            .order_by(AuditEntry.id)
        ).all()
    assert [tuple(row) for row in told] == [
        ("record:sent back", "Ines Falk", "rod 2 reads low"),
        ("record:taken up again", "Mara Ilves", ""),
    ]
