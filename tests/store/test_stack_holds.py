"""A hold on a whole stack: not released, not run, its parts in no other stack without a word."""

from collections.abc import Callable
from datetime import timedelta
from typing import Any

import pytest
from sqlalchemy import Engine, insert, select
from sqlalchemy.exc import DBAPIError

from service.bench.changes.bench import undo_last
from service.bench.changes.layers import put_on
from service.designs.tables import Design
from service.people.tables import Role
from service.platform.arithmetic.vocabulary import End, Kind
from service.platform.database import now_utc, reading
from service.platform.errors import Refused
from service.proof.tables import BuildRelease
from service.stacks.queries.stacks import listed_stacks
from service.stacks.tables import Stack
from service.store.changes.holds import Subject, give_concession, lift_hold, place_hold
from service.store.queries.forbids import Cause, forbids_of_parts
from service.store.queries.holds import holds
from service.store.tables import Concession, Hold
from tests import builders
from tests.bench.at_the_bench import Bench, Lab, a_lab, known
from tests.proof.test_releases import at_the_gate, later, ready, released, state_of, the_build
from tests.stacks.test_restrictions import PAGES, restrictions
from tests.store.test_may_a_part_be_used import Opened

WHY = "coolant contaminated"


def another_stack(lab: Lab) -> Bench:
    """A second stack of the design, open down to where an MEA goes."""
    design_id = lab.get(Stack, lab.stack_id).design_id
    stack_id = lab.rows(
        lambda s: (
            builders.a_stack(
                s,
                cells=1,
                serial="TARN-002",
                design=s.get_one(Design, design_id),
                meter_hours=100.0,
            ).id
        )
    )
    bench = lab.begin(stack_id=stack_id)
    bench.open()
    while (layer := bench.pile.pile.outermost(End.FREE)) and layer.kind is not Kind.MEA:
        bench.lift()
    bench.lift()
    return bench


def against(lab: Lab, part_id: int, stack_id: int) -> list[Cause]:
    """What stands against a part in a stack."""
    with reading(lab.engine) as session:
        forbids = forbids_of_parts(session, [part_id], stack_id=stack_id)
    return [forbid.cause for forbid in forbids[part_id]]


@pytest.mark.both_engines
def test_case_33_a_stack_on_hold_is_not_released_until_the_hold_is_lifted(engine: Engine) -> None:
    """The release it has ends; lifted, it is signed anew."""
    stack = ready(engine)
    lab = stack.lab
    quality = lab.rows(lambda s: known(s, builders.a_person(s, Role.QUALITY)))
    released(stack)
    later(stack)

    hold_id = lab.do(place_hold, Subject(stack_id=lab.stack_id), reason=WHY)

    assert state_of(stack) == "not released"
    (sentence,) = at_the_gate(stack).shut
    assert sentence.startswith("Stack TARN-001 is on hold since ")
    assert sentence.endswith(f", by {lab.builder.name}: {WHY}")
    with pytest.raises(Refused, match=WHY):
        released(stack)
    row = {
        column.name: getattr(lab.get(BuildRelease, 1), column.key)
        for column in BuildRelease.__table__.columns
        if column.name != "id"
    }
    with pytest.raises(DBAPIError, match="the stack is on hold"), engine.begin() as connection:
        connection.execute(insert(BuildRelease).values(row | {"released_at": now_utc()}))
    later(stack)
    lab.do(lift_hold, hold_id, reason="flushed and clean", by=quality)
    assert at_the_gate(stack).shut == ()
    assert state_of(stack) == "not released"
    released(stack)
    assert state_of(stack) == "released"


@pytest.mark.both_engines
def test_case_33_a_part_of_a_stack_on_hold_goes_into_no_other_without_a_word_for_it(
    engine: Engine,
) -> None:
    """Its own stack takes it back; another with a concession for that part alone."""
    opened = Opened(engine)
    lab = opened.lab
    other = another_stack(lab)
    hold_id = opened.by_quality(place_hold, Subject(stack_id=lab.stack_id), reason=WHY)

    assert against(lab, opened.mea, lab.stack_id) == []
    assert against(lab, opened.mea, other.record.stack_id) == [Cause.STACK_HOLD]
    with pytest.raises(Refused, match=f"The stack it was in, TARN-001, is on hold.*{WHY}"):
        other.do(put_on, end=End.FREE, part_id=opened.mea, facing="free end")
    opened.by_quality(give_concession, Subject(opened.mea), reason="rinsed and measured")
    other.do(put_on, end=End.FREE, part_id=opened.mea, facing="free end")
    assert lab.get(Concession, 1).used_in_record_id == other.number
    other.do(undo_last)

    opened.by_quality(lift_hold, hold_id, reason="flushed and clean")
    assert against(lab, opened.mea, other.record.stack_id) == []


def test_case_33_what_another_stack_took_before_the_hold_is_free(engine: Engine) -> None:
    opened = Opened(engine)
    lab = opened.lab
    other = another_stack(lab)
    other.do(put_on, end=End.FREE, part_id=opened.mea, facing="free end")
    opened.by_quality(place_hold, Subject(stack_id=lab.stack_id), reason=WHY)
    lab.now += timedelta(minutes=1)
    other.lift()

    assert against(lab, opened.mea, other.record.stack_id) == []


def test_case_33_every_page_of_the_stack_and_the_overview_say_that_it_is_on_hold(
    engine: Engine, signed_in_client: Callable[..., Any], calling: Callable[..., Any]
) -> None:
    stack = ready(engine)
    lab = stack.lab
    client = signed_in_client(Role.BUILDER)
    serial = lab.get(Stack, lab.stack_id).serial
    form = client.get(f"/stacks/{serial}").text
    assert f'href="/holds/new?stack={lab.stack_id}"' in form
    placed = client.post(f"/holds/new?stack={lab.stack_id}", data={"reason": WHY})
    assert placed.status_code in (200, 303)
    assert f"/stacks/{serial}" in client.get("/holds").text
    facts = {
        "serial": serial,
        "build": the_build(stack),
        "record": stack.bench.number,
        "writing": lab.begin().number,
    }

    silent = [
        address
        for address in PAGES.format(**facts).split()
        if f"On hold: {WHY}" not in client.get(address).text.replace("</b>", "")
    ]

    assert silent == []
    assert (
        "Do not run: the stack is on hold." in client.get(f"/builds/{facts['build']}/release").text
    )
    (restriction,) = restrictions(lab)
    assert (restriction.reason, restriction.hold_id) == (WHY, 1)
    api = calling(Role.BUILDER)
    (row,) = api.get("/api/v1/holds").json()["rows"]
    assert (row["subject"]["kind"], row["subject"]["label"]) == ("stack", serial)
    (told,) = api.get(f"/api/v1/stacks/{serial}/layers").json()["restrictions"]
    assert told["hold_id"] == 1
    with reading(engine) as session:
        assert listed_stacks(session, [lab.stack_id])[lab.stack_id].holds == 1
    assert "The stack is on hold: coolant contaminated." in client.get("/floor").text


def test_case_33_a_stack_is_held_and_lifted_by_machine_but_never_conceded(
    app: Any, calling: Callable[..., Any]
) -> None:
    lab = a_lab(app.state.engine)
    asked = {"on": "stack", "id": lab.stack_id, "reason": WHY}

    placed = calling("builder").post("/api/v1/holds", json=asked)
    refused = calling("supervisor").post("/api/v1/concessions", json=asked)
    lifted = calling("quality").post(
        f"/api/v1/holds/{placed.json()['id']}/lifting", json={"reason": "clean"}
    )

    assert (placed.status_code, lifted.status_code) == (201, 201)
    assert refused.status_code == 422
    assert "a stack is not used by concession" in refused.text
    with reading(app.state.engine) as session:
        assert holds(session).rows == ()
        assert session.scalar(select(Hold.lifted_at)) is not None
