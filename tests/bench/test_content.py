"""What a record says is hashed; whatever is changed underneath afterwards shows as broken."""

import json
import shutil
from collections.abc import Callable
from datetime import timedelta
from pathlib import Path
from typing import Any

import pytest
from sqlalchemy import Engine, select, text, update
from sqlalchemy.orm import Session

from service.operation.migrating import triggers
from service.people.tables import Person, Role
from service.platform.arithmetic.canonical import sha256_of
from service.platform.database import make_engine
from service.records.queries.content import record_content, verify
from service.records.tables import Finding, RebuildRecord, Step, StepKind
from service.stacks.tables import Layer, Stack
from tests import builders


def a_history(session: Session, cells: int = 2) -> tuple[int, int]:
    """A first build and a rebuild of one stack, approved; the ids of their records."""
    stack = builders.a_stack(session, cells=cells)
    builders.a_build(session, stack, cells=cells, hours=310.5)
    session.commit()
    first, second = session.scalars(select(RebuildRecord.id).order_by(RebuildRecord.id))
    return first, second


def tamper(engine: Engine, *statements: str) -> None:
    """Change rows behind the program's back, past the triggers."""
    with engine.begin() as connection:
        triggers().lift(connection)
        for statement in statements:
            connection.execute(text(statement))


def test_what_was_handed_in_holds(engine: Engine) -> None:
    with Session(engine) as session:
        first, second = a_history(session)

        checked = verify(session, [first, second])

    assert [checked[number].holds for number in (first, second)] == [True, True]
    assert checked[first].stored == checked[first].computed
    assert checked[first].why == ""


@pytest.mark.both_engines
def test_the_next_rebuild_leaves_the_content_before_as_it_was(engine: Engine) -> None:
    """Opening a build ends its period and its presence; what was signed stays."""
    with Session(engine) as session:
        stack = builders.a_stack(session, cells=2)
        session.commit()
        number = session.scalars(select(RebuildRecord.id)).one()
        before = record_content(session, [number])[number]

        builders.a_build(session, stack, cells=2)
        session.commit()

        assert record_content(session, [number])[number] == before


def test_the_document_tells_layers_torque_and_who(engine: Engine) -> None:
    with Session(engine) as session:
        _first, second = a_history(session)
        stored = session.get_one(RebuildRecord, second)
        layers = session.scalars(
            select(Layer.part_id).where(Layer.build_id == 2).order_by(Layer.position)
        ).all()

        content = record_content(session, [second])[second]
        document = json.loads(content.canonical)

    assert content.sha256 == sha256_of(content.canonical) == stored.content_sha256
    assert document["record"] == second
    assert document["began_from_build"] == 1
    assert [layer["part"] for layer in document["layers"]] == layers
    assert len(document["torque_readings"]) == 3 * 4
    assert document["torque_readings"][0]["torque_nm"] == 3
    assert document["hour_readings"][0]["hours"] == 310.5
    assert document["opened_build"][0]["opened_at"] == "2026-03-04T09:20:00.000000Z"
    assert document["made_build"][0]["closed_at"] == "2026-03-04T14:20:00.000000Z"
    assert document["persons"] == {str(document["written"]["by"]): "the-builder"}


def test_both_engines_write_the_same_document(
    sqlite_template: Path, postgres_databases: Any, tmp_path: Path
) -> None:
    """A record restored into the other database is still the record that was signed."""
    url = postgres_databases.lend()
    written = []
    for database in (f"sqlite:///{shutil.copyfile(sqlite_template, tmp_path / 'one')}", url):
        engine = make_engine(database)
        with Session(engine) as session:
            numbers = a_history(session)
            first = session.get_one(RebuildRecord, numbers[0])
            stack = session.get_one(Stack, first.stack_id)
            builders.an_hour_reading(session, stack, 1 / 3, first.performed_from, record=first)
            session.flush()
            written.append([record_content(session, [n])[n].canonical for n in numbers])
            session.rollback()
        engine.dispose()
    postgres_databases.take_back(url)

    assert written[0] == written[1]
    assert "0.3333333333333333" in written[0][0]


def test_any_number_of_records_takes_one_statement(
    engine: Engine, statements: Callable[[], Any]
) -> None:
    with Session(engine) as session:
        numbers = a_history(session)
        with statements() as one:
            verify(session, numbers[:1])
        with statements() as both:
            verify(session, numbers)

    assert len(one) == len(both) == 1


CHANGES = {
    "a torque": "UPDATE torque_reading SET torque_nm = torque_nm + 0.000001 WHERE id = 1",
    "what was typed": "UPDATE torque_reading SET entered = '30 N·m' WHERE id = 1",
    "an instrument's mark": "UPDATE instrument SET label = 'TD-99'",
    "a certificate": "UPDATE calibration SET certificate = 'C-9'",
    "a facing": "UPDATE layer SET facing = 'free end' WHERE build_id = 1 AND facing = 'fixed end'",
    "a part in a layer": "UPDATE layer SET part_id = (SELECT MIN(id) FROM part)"
    " WHERE build_id = 1 AND position = 2",
    "a cell's number": "UPDATE layer SET cell = 7 WHERE build_id = 1 AND position = 4",
    "a layer less": "DELETE FROM layer WHERE build_id = 1 AND position = 3",
    "a fixing": "UPDATE fixing SET rod_number = 3 WHERE build_id = 1 AND rod_number = 1",
    "a closing": "UPDATE build_period SET closed_at = '2026-02-02 14:21:00.000000'"
    " WHERE build_id = 1",
    "when it was known": "UPDATE layer SET known_until = known_from, present = false"
    " WHERE build_id = 1 AND position = 3",
    "an entry's note": "UPDATE step SET note = 'x' WHERE record_id = 1 AND sequence = 3",
    "an entry's time": "UPDATE step SET done_at = written_at, written_at = '2026-02-01 00:00:00'"
    " WHERE record_id = 1 AND sequence = 3",
    "who did it": "UPDATE step SET by_id = 2 WHERE record_id = 1 AND sequence = 3",
    "an entry less": "DELETE FROM step WHERE record_id = 1 AND sequence = 3",
    "a finding": "UPDATE finding SET severity = 0",
    "a serial": "UPDATE part SET serial = 'X-1', serial_key = 'x-1'"
    " WHERE id = (SELECT part_id FROM layer WHERE build_id = 1 AND position = 1)",
    "a lot": "UPDATE lot SET label = 'L-9999'",
    "the reason": "UPDATE rebuild_record SET reason = 'another' WHERE id = 1",
    "who handed it in": "UPDATE rebuild_record SET handed_in_by_id = 2 WHERE id = 1",
    "the kept document": "UPDATE rebuild_record SET content = content || ' ' WHERE id = 1",
    "the kept hash": "UPDATE rebuild_record SET content_sha256 = '" + "0" * 64 + "' WHERE id = 1",
    "what was signed": "UPDATE decision SET content_sha256 = '" + "0" * 64 + "'",
    "the signature": "DELETE FROM decision",
    "somebody's login": "UPDATE person SET login = 'nobody' WHERE login = 'the-builder'",
    "somebody less": "DELETE FROM record_person WHERE record_id = 1",
    "the stack": "UPDATE stack SET serial = 'OTHER'",
}


@pytest.mark.parametrize("change", CHANGES.values(), ids=CHANGES.keys())
def test_a_change_underneath_shows_as_broken(engine: Engine, change: str) -> None:
    with Session(engine) as session:
        stack = builders.a_stack(session)
        build = builders.a_build(session, stack, cells=1, approved=False)
        record = session.get_one(RebuildRecord, build.record_id)
        step = session.scalars(select(Step).where(Step.kind == StepKind.PUT_ON)).first()
        assert step is not None
        session.execute(
            update(RebuildRecord).values(state="sent back", content_sha256=None, content=None)
        )
        session.add(
            Finding(
                record_id=record.id,
                step_id=step.id,
                part_id=step.part_id,
                condition="scratch",
                severity=1,
            )
        )
        session.flush()
        session.refresh(record)
        builders.hand_in(session, record, record.handed_in_at or builders.FIRST_CLOSING)
        builders.approve(session, record, builders.FIRST_CLOSING + timedelta(hours=3))
        session.commit()
        assert session.scalar(select(Person.id).where(Person.id == 2)) is not None
        assert verify(session, [1])[1].holds

    tamper(engine, change)

    with Session(engine) as session:
        checked = verify(session, [1])[1]
    assert not checked.holds
    assert checked.why


def test_rows_that_make_no_record_any_more_are_broken_too(engine: Engine) -> None:
    with Session(engine) as session:
        first, _second = a_history(session)
    with engine.begin() as connection:
        triggers().lift(connection)
        if engine.dialect.name == "sqlite":
            connection.execute(text("UPDATE step SET done_at = 'never' WHERE sequence = 1"))
        else:
            connection.execute(text("UPDATE step SET done_at = 'infinity' WHERE sequence = 1"))

    with Session(engine) as session:
        assert not verify(session, [first])[first].holds


def test_a_record_being_written_has_nothing_to_compare(engine: Engine) -> None:
    with Session(engine) as session:
        stack = builders.a_stack(session)
        record = builders.a_record(session, stack)
        builders.a_person(session, Role.BUILDER)

        assert verify(session, [record.id]) == {}
        assert '"handed_in":{"at":null' in record_content(session, [record.id])[record.id].canonical
