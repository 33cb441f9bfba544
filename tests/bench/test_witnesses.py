"""A witness confirms with their own password; else the line says "named, not confirmed"."""

import json
from collections.abc import Callable
from typing import Any

import pytest
from sqlalchemy import Engine
from sqlalchemy.orm import Session

from service.bench.changes.bench import undo_last
from service.people.changes import badges
from service.people.tables import Role
from service.platform.database import reading
from service.platform.errors import NotAllowed, Refused
from service.records.changes.make_safe import record_make_safe
from service.records.changes.rebuild_records import confirm_witness
from service.records.queries.content import record_content
from service.records.queries.entries import entries_of
from service.records.queries.records import people_on, to_witness
from service.records.tables import Involvement, RebuildRecord, RecordState
from tests import builders
from tests.bench.at_the_bench import Bench, a_lab, known

Clients = Callable[..., Any]


def witnessed(engine: Engine) -> Bench:
    """A record whose third line of make-safe names a witness."""
    record = a_lab(engine).begin()
    record.make_safe()
    return record


def said(record: Bench) -> list[str]:
    with reading(record.lab.engine) as session:
        entries = entries_of(session, record.number)
        return [e.check.witness_in_words for e in entries if e.check and e.check.witness]


def in_content(record: Bench) -> list[Any]:
    with reading(record.lab.engine) as session:
        text = record_content(session, [record.number])[record.number].canonical
    return [line.get("witness_confirmed_at") for line in json.loads(text)["make_safe"]]


def confirm(record: Bench, password: str = builders.PASSWORD, **more: Any) -> Any:
    by = more.get("by", record.lab.witness)
    return record.lab.do(confirm_witness, record.number, password=password, by=by)


@pytest.mark.both_engines
def test_a_witness_is_named_until_they_confirm(engine: Engine) -> None:
    record = witnessed(engine)
    name = record.lab.witness.name
    assert said(record) == [f"{name} (named, not confirmed)"]
    assert in_content(record) == [None, None, None]

    confirm(record)

    assert said(record) == [name]
    assert in_content(record)[:2] == [None, None]
    assert in_content(record)[2].startswith("2026-")
    with pytest.raises(Refused, match="confirmed all of it already"):
        confirm(record)


def test_a_line_recorded_later_waits_for_its_own_word(engine: Engine) -> None:
    record = witnessed(engine)
    confirm(record)
    record.lab.now += builders.OPEN_FOR

    record.do(record_make_safe, line_number=1, witness_id=record.lab.witness.id)

    with reading(engine) as session:
        (waiting,) = to_witness(session, record.number)
    assert (waiting.lines, waiting.waits) == ((1,), True)


def test_only_a_witness_confirms_and_with_their_own_password(engine: Engine) -> None:
    record = witnessed(engine)
    stranger = record.lab.rows(lambda s: known(s, builders.a_person(s, *Role)))

    for somebody in (stranger, record.lab.builder):
        with pytest.raises(NotAllowed, match="not named as a witness"):
            confirm(record, by=somebody)
    with pytest.raises(Refused, match="not your password"):
        confirm(record, password="green")
    assert said(record)[0].endswith("(named, not confirmed)")


def test_a_witness_of_an_undone_line_had_a_part_all_the_same(engine: Engine) -> None:
    record = witnessed(engine)
    record.do(undo_last)

    with reading(engine) as session:
        assert record.lab.witness.id in people_on(session, [record.number])[record.number]


def test_nothing_is_confirmed_once_the_record_is_handed_in(engine: Engine) -> None:
    record = witnessed(engine)

    def hand_in(session: Session) -> None:
        row = session.get_one(RebuildRecord, record.number)
        row.state, row.content, row.content_sha256 = RecordState.HANDED_IN, "{}", "0" * 64

    record.lab.rows(hand_in)

    with pytest.raises(Refused, match="while the record is being written"):
        confirm(record)


def test_a_witness_types_their_password_on_the_page_of_whoever_works(
    app: Any, signed_in_client: Clients
) -> None:
    builder, witness = signed_in_client("builder"), signed_in_client("quality", name="Keiko Arden")
    with Session(app.state.engine) as session:
        record = builders.a_record(session, builders.a_stack(session, cells=2))
        session.add(
            builders.RecordPerson(
                record_id=record.id,
                person_id=witness.person_id,
                involvement=Involvement.WITNESSED,
            )
        )
        record_id = record.id
        session.commit()
    at = f"/records/{record_id}"
    field = f"witness_password_{witness.person_id}"
    form = {"witness_id": str(witness.person_id)}

    before = builder.get(at).text
    wrong = builder.post(f"{at}/witness", data=form | {field: "green"})
    right = builder.post(f"{at}/witness", data=form | {field: builders.PASSWORD})

    assert ", named, not confirmed</dd>" in before
    assert (wrong.status_code, right.status_code) == (422, 303)
    assert "not your password" in wrong.text
    assert "not confirmed" not in builder.get(at).text


def test_a_witness_confirms_by_pin_on_an_enrolled_tablet(engine: Engine) -> None:
    """A PIN elsewhere, or on a tablet withdrawn since, confirms nothing."""
    record = witnessed(engine)
    lab, witness, pin = record.lab, record.lab.witness, "271828"
    admin = lab.rows(lambda s: known(s, builders.a_person(s, "admin")))
    lab.do(badges.choose_pin, witness.id, pin, password=builders.PASSWORD, by=witness)
    tablet = lab.do(badges.enrol_tablet, "bench 2", password=builders.PASSWORD, by=admin)

    with pytest.raises(Refused, match="enrolled tablet only"):
        confirm(record, pin)
    with pytest.raises(Refused, match="not your PIN"):
        lab.do(confirm_witness, record.number, password="314159", tablet=tablet, by=witness)
    lab.do(confirm_witness, record.number, password=pin, tablet=tablet, by=witness)

    assert said(record) == [witness.name]
