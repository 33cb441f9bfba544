"""Beginning a rebuild record, its head, and two people writing in it."""

from datetime import timedelta

import pytest
from sqlalchemy import Engine, select
from sqlalchemy.orm import Session

from service.bench.changes.bench import undo_last
from service.people.tables import Person as PersonRow
from service.people.tables import Role
from service.platform.database import SentOnce, changing
from service.platform.errors import NotAllowed, NotFound, Refused, Repeated, Stale
from service.platform.permissions import Person
from service.platform.tables import AuditEntry
from service.records.changes.make_safe import record_make_safe
from service.records.changes.rebuild_records import change_record
from service.records.queries.records import people_on, removed_from
from service.records.tables import Involvement, RecordKind, RecordPerson, RecordState, Step
from tests import builders
from tests.bench.at_the_bench import NOW, WORK_BEGAN, a_lab


def test_a_record_begins_from_the_present_build_and_names_its_writer(engine: Engine) -> None:
    lab = a_lab(engine)

    record = lab.begin(people=[(lab.witness.id, Involvement.WITNESSED)]).record

    assert (record.state, record.version, record.kind) == (
        RecordState.OPEN,
        1,
        RecordKind.REBUILD,
    )
    assert record.base_build_id is not None
    assert (record.performed_from, record.written_at) == (WORK_BEGAN, NOW)
    with Session(engine) as session:
        named = session.execute(
            select(RecordPerson.person_id, RecordPerson.involvement).where(
                RecordPerson.record_id == record.id
            )
        ).all()
        entry = session.scalars(select(AuditEntry)).one()
    assert set(named) == {
        (lab.builder.id, Involvement.WORKED),
        (lab.witness.id, Involvement.WITNESSED),
    }
    assert (entry.act, entry.record_id, entry.reason) == (
        "record:begun",
        record.id,
        "cell 2 is weak",
    )
    assert entry.subject_label == "record 2: rebuild of TARN-001 begun, from build 1"


def test_a_writer_who_took_no_part_is_not_named_as_one_who_did(engine: Engine) -> None:
    lab = a_lab(engine)

    record = lab.begin(people=[(lab.witness.id, Involvement.WORKED)], writer_took_part=False).record

    with Session(engine) as session:
        named = session.scalars(
            select(RecordPerson.person_id).where(RecordPerson.record_id == record.id)
        ).all()
    assert named == [lab.witness.id]
    other = lab.rows(lambda s: builders.a_stack(s, cells=1)).id
    only_witness = [(lab.witness.id, Involvement.WITNESSED)]
    with pytest.raises(Refused, match="nobody is named who worked on it"):
        lab.begin(stack_id=other, people=only_witness, writer_took_part=False)


def test_who_is_taken_out_of_the_head_had_a_part_all_the_same(engine: Engine) -> None:
    lab = a_lab(engine)
    record = lab.begin(people=[(lab.witness.id, Involvement.WORKED)])
    head = {"reason": "cell 2 is weak", "performed_from": WORK_BEGAN, "notes": ""}

    record.do(change_record, **head, people=[(lab.builder.id, Involvement.WORKED)])
    record.do(change_record, **head, people=[(lab.builder.id, Involvement.WORKED)])

    with Session(engine) as session:
        (removed,) = removed_from(session, record.number)
        involved = people_on(session, [record.number])[record.number]
    assert (removed.login, removed.involvement) == (lab.witness.login, Involvement.WORKED)
    assert (removed.removed_by_login, removed.removed_at) == (lab.builder.login, NOW)
    assert involved == {lab.builder.id, lab.witness.id}


def test_a_second_record_of_the_stack_is_refused_by_the_number_of_the_first(
    engine: Engine,
) -> None:
    lab = a_lab(engine)
    first = lab.begin()

    with pytest.raises(Refused, match=rf"record {first.number} \(rebuild, open\)") as refused:
        lab.begin(RecordKind.INSPECTION)
    assert refused.value.field == "stack_id"


def test_work_cannot_begin_in_the_future_or_before_the_present_build_was_closed(
    engine: Engine,
) -> None:
    lab = a_lab(engine)

    with pytest.raises(Refused, match="it lies ahead"):
        lab.begin(performed_from=NOW + timedelta(hours=1))
    with pytest.raises(Refused, match=r"build 1 of TARN-001 was closed later.*correct it first"):
        lab.begin(performed_from=builders.FIRST_CLOSING - timedelta(minutes=1))


@pytest.mark.parametrize(
    ("cells", "kind", "right"),
    [
        (2, RecordKind.FIRST_BUILD, "“rebuild” would be right"),
        (2, RecordKind.TAKEN_OVER, "“rebuild” would be right"),
        (0, RecordKind.REBUILD, "“first build” would be right"),
        (0, RecordKind.TEARDOWN, "A build has to come first"),
        (0, RecordKind.INSPECTION, "A build has to come first"),
        (0, RecordKind.RE_TORQUE, "A build has to come first"),
    ],
)
def test_the_kind_of_a_record_fits_the_stack(
    engine: Engine, cells: int, kind: RecordKind, right: str
) -> None:
    lab = a_lab(engine, cells)

    with pytest.raises(Refused, match=right):
        lab.begin(kind)


def test_people_of_a_record_are_known_and_active(engine: Engine) -> None:
    lab = a_lab(engine)

    def shut_out(session: Session) -> None:
        session.get_one(PersonRow, lab.witness.id).active = False

    lab.rows(shut_out)
    with pytest.raises(Refused, match=r"Ben Orr.*shut out"):
        lab.begin(people=[(lab.witness.id, Involvement.WORKED)])
    with pytest.raises(Refused, match="nobody of that number is known"):
        lab.begin(people=[(9_999, Involvement.WORKED)])
    with pytest.raises(NotFound):
        lab.begin(stack_id=9_999)


def test_a_record_says_why_and_is_written_by_somebody_who_may(engine: Engine) -> None:
    lab = a_lab(engine)

    with pytest.raises(Refused, match="reason"):
        lab.begin(reason="  ")
    admin = lab.rows(lambda s: builders.a_person(s, Role.ADMIN))
    with pytest.raises(NotAllowed):
        lab.begin(by=Person(admin.id, admin.login, admin.name, frozenset({Role.ADMIN})))


@pytest.mark.both_engines
def test_the_head_can_be_changed_and_the_trail_keeps_what_it_said(engine: Engine) -> None:
    lab = a_lab(engine)
    bench_ = lab.begin()

    bench_.do(
        change_record,
        1,
        reason="cell 2 leaks",
        performed_from=WORK_BEGAN - timedelta(hours=1),
        notes="room 4",
        people=[(lab.witness.id, Involvement.WORKED)],
    )

    record = bench_.record
    assert (record.reason, record.notes, record.version) == ("cell 2 leaks", "room 4", 2)
    with Session(engine) as session:
        entry = session.scalars(select(AuditEntry).order_by(AuditEntry.id.desc())).first()
    assert entry is not None
    assert '["reason", "cell 2 is weak", "cell 2 leaks"]' in entry.changes
    assert "Ben Orr worked on it" in entry.changes


def test_the_beginning_cannot_be_moved_behind_the_first_entry(engine: Engine) -> None:
    lab = a_lab(engine)
    bench_ = lab.begin()
    bench_.make_safe()

    with pytest.raises(Refused, match="the first entry of this record was done before that"):
        bench_.do(
            change_record,
            reason="cell 2 leaks",
            performed_from=WORK_BEGAN + timedelta(hours=1),
            notes="",
            people=(),
        )


def test_the_second_to_save_over_a_stale_page_is_told_what_changed(engine: Engine) -> None:
    lab = a_lab(engine)
    bench_ = lab.begin()
    seen_by_both = bench_.record.version
    bench_.do(record_make_safe, seen_by_both, line_number=1)

    with pytest.raises(Stale) as stale:
        bench_.do(record_make_safe, seen_by_both, line_number=1, by=lab.witness)

    assert stale.value.changes == ("Mara Ilves: make-safe line 1 recorded, done",)
    assert (stale.value.yours, stale.value.now) == (1, 2)
    with Session(engine) as session:
        assert len(session.scalars(select(Step).where(Step.record_id == bench_.number)).all()) == 1


def test_the_same_entry_sent_twice_is_made_once(engine: Engine) -> None:
    lab = a_lab(engine)
    bench_ = lab.begin()

    key = SentOnce("k-1", "POST /records/1/bench", "0" * 64, "entry_key")
    with changing(engine, lab.builder, key=key, now=NOW) as work:
        step_id = record_make_safe(work, bench_.number, 1, line_number=1)
        work.answer = str(step_id)
    with (
        pytest.raises(Repeated) as repeated,
        changing(engine, lab.builder, key=key, now=NOW) as work,
    ):
        record_make_safe(work, bench_.number, 1, line_number=1)

    assert repeated.value.answer == str(step_id)
    assert bench_.record.version == 2


def test_a_record_that_is_not_open_takes_no_entry(engine: Engine) -> None:
    lab = a_lab(engine)

    with pytest.raises(Refused, match="it is approved; what is wrong in it needs a correction"):
        lab.do(record_make_safe, 1, None, line_number=1)
    with pytest.raises(NotFound):
        lab.do(undo_last, 9_999, None)


def test_an_event_entered_days_later_keeps_both_dates(engine: Engine) -> None:
    lab = a_lab(engine)
    bench_ = lab.begin(performed_from=NOW - timedelta(days=5))

    step_id = bench_.do(
        record_make_safe, line_number=1, done_at=NOW - timedelta(days=5, minutes=-3)
    )

    step = lab.get(Step, step_id)
    assert (step.done_at, step.written_at) == (NOW - timedelta(days=5, minutes=-3), NOW)
