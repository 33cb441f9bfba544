"""Designs: made in revisions, changed until a stack is made to one, frozen from then on."""

from dataclasses import replace

import pytest
from sqlalchemy import Engine
from sqlalchemy.orm import Session

from service.designs.changes import change_design, make_design
from service.designs.queries import (
    DesignEntry,
    LineEntry,
    PortEntry,
    RodEntry,
    design,
    designs,
)
from service.platform.arithmetic.vocabulary import End
from service.platform.errors import NotAllowed, Refused, RefusedTogether
from service.stacks.changes.stacks import add_stack
from tests.operation.keeping import Lab, a_lab

FOUR_RODS = (
    RodEntry(1, -60, 40, 1),
    RodEntry(2, 60, 40, 3),
    RodEntry(3, 60, -40, 2),
    RodEntry(4, -60, -40, 4),
)
TARN = DesignEntry(
    name="Tarn 100",
    revision="A",
    active_area_cm2=100,
    least_cells=1,
    most_cells=40,
    cooling="every cell, both ends",
    plate_width_mm=160,
    plate_height_mm=120,
    rod_length_mm=300,
    target_torque_nm=9,
    torque_tolerance_percent=6,
    tightening_passes=3,
    rods=FOUR_RODS,
    ports=(PortEntry(End.FIXED, "fuel", "fuel in"), PortEntry(End.FREE, "fuel", "fuel in")),
    checklist=(LineEntry("Load off."), LineEntry("Stack voltage", "V", 1.0, True, True)),
)


@pytest.fixture
def lab(engine: Engine) -> Lab:
    return a_lab(engine)


def made(lab: Lab, entry: DesignEntry = TARN) -> int:
    with lab.work() as work:
        return make_design(work, entry)


def test_a_design_needs_no_checklist_of_its_own(lab: Lab) -> None:
    """What is recorded before an opening, the lists of the site say."""
    design_id = made(lab, replace(TARN, checklist=()))

    with Session(lab.engine) as session:
        assert design(session, design_id).checklist == ()


def test_a_design_keeps_its_rods_ports_and_checklist_in_order(lab: Lab) -> None:
    key = made(lab)

    with Session(lab.engine) as session:
        seen = design(session, key)
        (row,) = designs(session)

    assert [(rod.number, rod.turn) for rod in seen.rods] == [(1, 1), (2, 3), (3, 2), (4, 4)]
    assert [port.end for port in seen.ports] == ["fixed end", "free end"]
    assert [line.number for line in seen.checklist] == [1, 2]
    assert not seen.is_frozen
    assert (row.rods, row.stacks) == (4, 0)


@pytest.mark.both_engines
def test_a_design_changes_until_a_stack_is_made_to_it(lab: Lab) -> None:
    key = made(lab)
    with lab.work() as work:
        two_rods = (FOUR_RODS[0], replace(FOUR_RODS[1], turn=2))
        changed = replace(TARN, most_cells=50, rods=two_rods)
        change_design(work, key, changed, reason="two rods do")
    with Session(lab.engine) as session:
        assert (design(session, key).most_cells, len(design(session, key).rods)) == (50, 2)
    entry = lab.last_entry()
    assert (entry.act, entry.reason) == ("design:changed", "two rods do")
    assert '"most_cells", 40, 50' in entry.changes

    with lab.work(lab.builder) as work:
        add_stack(work, serial="TARN-1", design_id=key)
    with pytest.raises(Refused, match=r"frozen.*TARN-1"), lab.work() as work:
        change_design(work, key, TARN, reason="no")
    with Session(lab.engine) as session:
        assert design(session, key).is_frozen
        assert design(session, key).stacks == ("TARN-1",)


def test_a_new_revision_stands_beside_the_old_one(lab: Lab) -> None:
    first = made(lab)
    second = made(lab, replace(TARN, revision="B"))

    with pytest.raises(Refused) as refused:
        made(lab, replace(TARN, name=" tarn 100 ", revision="b"))
    assert refused.value.field == "revision"
    with Session(lab.engine) as session:
        assert design(session, first).revisions == ((second, "B"),)


@pytest.mark.parametrize(
    ("wrong", "fields"),
    [
        ({"active_area_cm2": 0, "rod_length_mm": -1}, {"active_area_cm2", "rod_length_mm"}),
        ({"least_cells": 5, "most_cells": 4}, {"most_cells"}),
        ({"tightening_passes": 0}, {"tightening_passes"}),
        ({"torque_tolerance_percent": -1}, {"torque_tolerance_percent"}),
        ({"rods": FOUR_RODS[:1]}, {"rods"}),
        ({"rods": (RodEntry(1, -81, 40, 1), RodEntry(2, 60, 61, 2))}, {"rod_1_x_mm", "rod_2_y_mm"}),
        ({"rods": (RodEntry(1, 1, 1, 1), RodEntry(2, 1, 1, 2))}, {"rod_2_x_mm"}),
        ({"rods": (RodEntry(1, 1, 1, 1), RodEntry(2, 2, 1, 1))}, {"rod_2_turn"}),
        ({"rods": (RodEntry(1, 1, 1, 1), RodEntry(2, 2, 1, 3))}, {"rod_2_turn"}),
        ({"ports": (PortEntry(End.FIXED, "steam", "in"),)}, {"port_1_fluid"}),
        ({"ports": (PortEntry(End.FIXED, "air", " "),)}, {"port_1_label"}),
        ({"ports": TARN.ports[:1] * 2}, {"port_2_label"}),
        ({"checklist": (LineEntry(" "),)}, {"line_1_wording"}),
        ({"checklist": (LineEntry("p", None, 1.0),)}, {"line_1_unit"}),
        ({"checklist": (LineEntry("p", None, None, True),)}, {"line_1_unit"}),
    ],
)
def test_everything_wrong_is_named_at_its_field_at_once(
    lab: Lab, wrong: dict[str, object], fields: set[str]
) -> None:
    with pytest.raises(RefusedTogether) as refused:
        made(lab, replace(TARN, **wrong))  # type: ignore[arg-type]

    assert {refusal.field for refusal in refused.value.refusals} == fields


def test_builders_make_no_designs(lab: Lab) -> None:
    with pytest.raises(NotAllowed), lab.work(lab.builder) as work:
        make_design(work, TARN)
