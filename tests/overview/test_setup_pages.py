"""Set up your lab: each step says who may do it and is done once the lab has what it asks for."""

from collections.abc import Callable
from typing import Any

import pytest
from sqlalchemy import Engine
from sqlalchemy.orm import Session

from service.overview.queries.setup import SetUp, set_up, steps_open
from service.people.tables import Role
from service.store.tables import Lot
from tests import builders
from tests.closing.closings import put_limits_in_force

ALL = [
    "people",
    "design",
    "part-types",
    "pattern",
    "limits",
    "parts",
    "instruments",
    "stack",
    "record",
]


def seen(engine: Engine) -> SetUp:
    """The steps as they stand."""
    with Session(engine) as session:
        return set_up(session)


def done(engine: Engine) -> list[str]:
    """The keys of the steps done."""
    return [step.key for step in seen(engine).steps if step.done]


def make(engine: Engine, build: Callable[[Session], Any]) -> Any:
    """Keep what a builder makes."""
    with Session(engine, expire_on_commit=False) as session:
        made = build(session)
        session.commit()
        return made


@pytest.mark.both_engines
def test_each_step_is_done_by_what_it_asks_for(engine: Engine) -> None:
    """One after the other, and none by anything else."""
    assert [step.key for step in seen(engine).steps] == ALL
    assert done(engine) == []

    make(engine, lambda session: builders.a_person(session, Role.SUPERVISOR, name="Sam"))
    assert done(engine) == []  # two are needed
    make(engine, lambda session: builders.a_person(session, Role.BUILDER, name="Berta"))
    assert done(engine) == ["people"]

    design = make(engine, builders.a_design)
    assert done(engine) == ["people", "design"]
    types = make(engine, builders.the_part_types)
    assert "part-types" in done(engine)
    make(engine, lambda s: builders.a_design(s, pattern=builders.the_pattern(s)))
    assert "pattern" in done(engine)

    make(engine, lambda session: put_limits_in_force(session, design.id))
    assert "limits" in done(engine)

    make(engine, lambda session: builders.a_part(session, types.mea))
    assert "parts" not in done(engine)
    for each in (types.fuel_plate, types.gas_gasket):
        make(engine, lambda session, each=each: builders.a_lot(session, each))
    assert "parts" in done(engine)
    assert make(engine, lambda session: session.query(Lot).count()) == 2

    make(engine, builders.a_torque_instrument)
    stack = make(engine, lambda session: builders.a_stack(session, cells=0))
    assert done(engine) == ALL[:-1]
    make(engine, lambda session: builders.a_record(session, stack))
    assert done(engine) == ALL
    with Session(engine) as session:
        assert steps_open(session) == (0, len(ALL))


def test_a_step_names_roles_and_people(engine: Engine) -> None:
    """Whoever may do it, and nobody who left."""
    make(engine, lambda session: builders.a_person(session, Role.QUALITY, name="Qi Quality"))
    make(engine, lambda session: builders.a_person(session, Role.ADMIN, name="Anna Admin"))

    said = {step.key: (step.roles, step.names) for step in seen(engine).steps}

    assert said["people"] == ("admin", "Anna Admin")
    assert said["design"] == ("quality or supervisor", "Qi Quality")
    assert said["record"] == ("builder or quality or supervisor", "Qi Quality")


def test_the_reads_do_not_grow_with_the_lab(engine: Engine, statements: Any) -> None:
    """As many for a lab that is set up as for an empty one."""
    with statements() as of_none:
        seen(engine)
    make(engine, lambda session: builders.a_stack(session, cells=3))
    make(engine, lambda session: [builders.a_person(session, Role.BUILDER) for _ in range(5)])
    with statements() as of_some:
        seen(engine)

    assert len(of_none) == len(of_some) <= 5


@pytest.mark.parametrize("role", Role)
def test_every_way_on_is_open_to_whom_it_is_shown(
    new_client: Any, signed_in_client: Any, role: Role
) -> None:
    """Of an empty lab and of one with a design; the main button is that of the first open step."""
    client = signed_in_client(role.value)
    for _ in range(2):
        shown = client.get("/setup").text
        for step in seen(client.app.state.engine).steps:
            for address, words in step.ways:
                if f">{words}</a>" in shown and address.startswith("/"):
                    assert client.get(address).status_code == 200, (role, address)
        with Session(client.app.state.engine) as session:
            builders.a_design(session)
            session.commit()


def test_the_floor_leads_there_while_steps_are_open(signed_in_client: Any) -> None:
    """With how many; on the wall nobody is told."""
    client = signed_in_client("builder")
    assert 'href="/setup"' in client.get("/floor").text
    with Session(client.app.state.engine) as session:
        builders.a_stack(session, cells=2)
        session.commit()

    assert "of 9 steps open" in client.get("/floor").text
    assert 'href="/setup"' not in client.get("/floor?wall=1").text


def test_the_record_of_a_stack_with_any_serial_is_begun_from_there(signed_in_client: Any) -> None:
    """Signs that mean something in an address are written out."""
    client = signed_in_client("builder")
    with Session(client.app.state.engine) as session:
        builders.a_stack(session, serial="R&D #4", cells=0)
        session.commit()

    (address, words), *_ = seen(client.app.state.engine).steps[-1].ways

    assert words == "Begin the record of R&D #4"
    assert 'value="R&amp;D #4"' in client.get(address).text
