"""No witness at hand: quality gives leave for a record or until a time, and nothing more."""

import json
import re
from collections.abc import Callable
from datetime import timedelta
from typing import Any

import pytest
from sqlalchemy import Engine, select, text
from sqlalchemy.exc import DBAPIError
from sqlalchemy.orm import Session

from service.people.tables import Role
from service.platform.database import reading
from service.platform.errors import NotAllowed, Refused
from service.records.changes.make_safe import record_make_safe
from service.records.changes.waivers import waive_witness
from service.records.queries.content import record_content
from service.records.queries.records import people_on
from service.records.queries.waivers import waivers_of
from service.records.tables import MakeSafeLine, RecordState, WaiverWhy, WitnessWaiver
from service.stacks.tables import Build
from tests import builders
from tests.bench.at_the_bench import WORK_BEGAN, Bench, a_lab, known
from tests.bench.test_bench_pages import rows

ALONE = {"why": WaiverWhy.ALONE, "reason": "second person starts in May"}


@pytest.fixture
def bench(engine: Engine) -> Bench:
    return a_lab(engine).begin()


@pytest.fixture
def quality(bench: Bench) -> Any:
    return bench.lab.rows(lambda s: known(s, builders.a_person(s, Role.QUALITY, name="Ines Falk")))


def line_three(bench: Bench, **more: Any) -> int:
    """The line that asks for a witness."""
    step: int = bench.do(
        record_make_safe,
        line_number=3,
        reading=0.1,
        instrument_id=bench.lab.multimeter_id,
        done_at=WORK_BEGAN + timedelta(minutes=10),
        **more,
    )
    return step


@pytest.mark.both_engines
def test_case_41_quality_waives_the_witness_of_one_record(bench: Bench, quality: Any) -> None:
    with pytest.raises(Refused, match="asks for a witness"):
        line_three(bench)
    number = bench.lab.do(waive_witness, bench.number, by=quality, **ALONE)

    line_three(bench)

    with reading(bench.lab.engine) as session:
        (waiver,) = waivers_of(session, bench.number)
        line = session.execute(select(MakeSafeLine.witness_id, MakeSafeLine.waiver_id)).one()
        content = json.loads(record_content(session, [bench.number])[bench.number].canonical)
        assert quality.id in people_on(session, [bench.number])[bench.number]
    assert tuple(line) == (None, number)
    assert (waiver.why, waiver.reason) == (ALONE["why"], ALONE["reason"])
    assert content["make_safe"][0]["waiver"] == {
        "number": number,
        "why": "one person in the laboratory",
        "reason": ALONE["reason"],
        "given_by": quality.id,
    }
    with Session(bench.lab.engine) as session, pytest.raises(DBAPIError, match="never changed"):
        session.execute(text("UPDATE witness_waiver SET reason = 'x'"))


@pytest.mark.both_engines
def test_case_41_until_a_time_it_is_of_one_person(bench: Bench, quality: Any) -> None:
    lab = bench.lab
    lab.now = WORK_BEGAN
    lab.do(
        waive_witness,
        bench.number,
        until=WORK_BEGAN + timedelta(minutes=11),
        by=quality,
        **ALONE,
    )
    lab.now = WORK_BEGAN + timedelta(hours=1)

    line_three(bench)
    with pytest.raises(Refused, match="asks for a witness"):
        line_three(bench, person_id=lab.witness.id)
    with pytest.raises(Refused, match="asks for a witness"):
        bench.do(
            record_make_safe,
            line_number=3,
            reading=0.1,
            instrument_id=lab.multimeter_id,
            done_at=WORK_BEGAN + timedelta(minutes=12),
        )


def test_case_41_whoever_gives_it_does_not_work_by_it(bench: Bench, quality: Any) -> None:
    bench.lab.do(waive_witness, bench.number, by=quality, **ALONE)

    with pytest.raises(Refused, match="asks for a witness"):
        line_three(bench, person_id=quality.id)


def test_case_41_nobody_gives_it_to_themselves(bench: Bench, quality: Any) -> None:
    def also_quality(session: Session) -> Any:
        person = builders.a_person(session, Role.BUILDER, Role.QUALITY, name="Jo Hale")
        return known(session, person)

    both = bench.lab.rows(also_quality)
    own = Bench(bench.lab, bench.number)
    own.do(record_make_safe, line_number=1, by=both, done_at=WORK_BEGAN + timedelta(minutes=5))
    with pytest.raises(NotAllowed, match="worked on this"):
        bench.lab.do(waive_witness, bench.number, by=both, **ALONE)
    with pytest.raises(NotAllowed, match="needs the role quality"):
        bench.lab.do(waive_witness, bench.number, by=bench.lab.witness, **ALONE)
    with pytest.raises(Refused, match="it is past"):
        bench.lab.do(waive_witness, bench.number, by=quality, until=WORK_BEGAN, **ALONE)
    with Session(bench.lab.engine) as session:
        session.add(
            WitnessWaiver(
                person_id=quality.id,
                until_at=bench.lab.now + timedelta(days=1),
                given_by_id=quality.id,
                given_at=bench.lab.now,
                **ALONE,
            )
        )
        with pytest.raises(DBAPIError, match="given_by_another"):
            session.commit()


def test_case_41_after_hand_in_none_is_given(bench: Bench, quality: Any) -> None:
    bench.lab.rows(lambda s: handed_in(s, bench.number))
    with pytest.raises(Refused, match="the record is"):
        bench.lab.do(waive_witness, bench.number, by=quality, **ALONE)


def handed_in(session: Session, number: int) -> None:
    session.execute(
        text("UPDATE rebuild_record SET state = :state WHERE id = :id"),
        {"state": RecordState.VOID.value, "id": number},
    )


def test_case_41_each_page_of_the_record_says_it(
    app: Any, signed_in_client: Callable[..., Any], calling: Callable[..., Any]
) -> None:
    def make(session: Session) -> int:
        stack = builders.a_stack(session, cells=2)
        return builders.a_record(session, stack, base=session.scalars(select(Build)).one()).id

    number = rows(app, make)
    client = signed_in_client("quality")
    at = f"/records/{number}"
    builder = signed_in_client("builder")

    def needs_witness() -> bool:
        line = builder.get(f"{at}/bench", params={"at": "make-safe", "line": "3"}).text
        return bool(re.search(r'<select[^>]*name="witness_id"[^>]* required', line))

    assert needs_witness()
    assert "Do without a witness" in client.get(at).text
    assert client.post(f"{at}/waiver", data={"why": "", "reason": ""}).status_code == 422

    given = client.post(
        f"{at}/waiver", data={"why": "witness ill or away", "reason": "flu, nobody else in"}
    )

    assert given.headers["location"] == at
    assert not needs_witness(), "a browser lets the form go without one"
    pages = ("", "/bench", "/paper", "/paper/enter", "/waiver", "/check", "/head", "/attachments")
    for page in (f"{at}{page}" for page in pages):
        assert "flu, nobody else in" in client.get(page).text, page
    refused = calling("builder").post(
        f"/api/v1{at}/waivers", json={"why": "another reason", "reason": "mine"}
    )
    assert refused.status_code == 403
    made = calling("quality").post(
        f"/api/v1{at}/waivers", json={"why": "another reason", "reason": "shift of one"}
    )
    assert made.status_code == 201
