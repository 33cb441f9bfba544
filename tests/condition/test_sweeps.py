"""A sweep's file brought in: its curves and open-circuit voltages, known by its content."""

import json
from datetime import timedelta
from typing import Any

import numpy as np
import pytest
from sqlalchemy import Engine, select
from sqlalchemy.orm import Session

from service.condition.arithmetic.found_sweeps import FoundSweep, SweepRows, found_sweep
from service.condition.changes import SweepTaken, import_sweep
from service.condition.queries.cell_histories import stack_voltages
from service.condition.queries.polarisation_curves import polarisation_curve
from service.platform.changes import Stored
from service.platform.errors import Refused
from service.runs.changes.runs import void_run
from service.runs.tables import CurveDirection, Run, RunKind, RunReading, Snapshot
from tests import builders
from tests.builders import FIRST_CLOSING
from tests.condition.curving import DAY, ReadStack, a_read_stack, volts

MAPPING = '{"form": "log columns 1"}'


def a_found_sweep(cells: int = 4, *, times: bool = True) -> FoundSweep:
    """Up to 1 A/cm² and back in 400 rows, then a minute without current."""
    up = np.linspace(0.01, 1.0, 200)
    density = np.concatenate([up, up[::-1], np.zeros(60)])
    cell_volts = np.array([[volts(float(d), c) for c in range(1, cells + 1)] for d in density])
    return found_sweep(
        SweepRows(
            np.arange(460.0) if times else None,
            density,
            cell_volts,
            tuple(f"U{number} (V)" for number in range(1, cells + 1)),
            64.0,
            cell_volts.sum(axis=1),
        ),
        100.0,
    )


def stored(name: str = "sweep.csv", content: str = "1") -> Stored:
    return Stored((content * 64)[:64], "text/csv", 1000, name)


def bring(stack: ReadStack, **given: Any) -> int:
    facts: dict[str, Any] = {
        "stored": stored(),
        "mapping": MAPPING,
        "sweep": a_found_sweep(),
        "conditions": SweepTaken(stack.before, "commissioning", meter_hours=100.0),
        **given,
    }
    with stack.lab.work(stack.lab.builder) as work:
        return import_sweep(work, stack.stack_id, **facts)


@pytest.mark.both_engines
def test_a_sweep_gives_a_curve_each_way_and_open_circuit(engine: Engine) -> None:
    stack = a_read_stack(engine)

    key = bring(stack)

    with Session(engine) as session:
        found = stack_voltages(session, stack.stack_id)
        run = session.scalars(select(Run)).one()
        reading = session.scalars(select(RunReading)).one()
    up, down = found.curves
    assert (up.id, up.direction, down.direction) == (
        key,
        CurveDirection.RISING,
        CurveDirection.FALLING,
    )
    assert down.taken_at - up.taken_at == timedelta(seconds=200)
    assert (up.run_id, up.run_name, up.temperature_c) == (run.id, "sweep.csv", 64.0)
    (rest,) = found.snapshots
    assert (rest.kind, rest.density_a_cm2, rest.row_count) == ("open circuit", 0.0, 30)
    assert rest.means_v == pytest.approx(tuple(volts(0.0, cell) for cell in (1, 2, 3, 4)))
    assert rest.until_at - rest.from_at == timedelta(seconds=29)
    assert tuple(up.by_part) == stack.first_meas
    assert (run.kind, run.size_bytes, reading.row_count) == (RunKind.SWEEP, 1000, 460)
    assert (reading.load_hours, reading.began_at) == (0.0, reading.ended_at)
    assert reading.not_released == "The build was never released to be run."
    entry = stack.lab.last_entry()
    assert (entry.act, entry.subject_kind, entry.subject_id) == ("run:imported", "run", run.id)


def test_the_same_content_is_taken_once(engine: Engine) -> None:
    stack = a_read_stack(engine)
    bring(stack)

    with pytest.raises(Refused, match="as run 1, “sweep") as refused:
        bring(stack, conditions=SweepTaken(stack.after), stored=stored("copy.csv"))

    assert refused.value.field == "file"


def test_a_sweep_made_void_is_taken_in_again_for_its_stack_only(engine: Engine) -> None:
    stack = a_read_stack(engine)
    bring(stack)
    with stack.lab.work(stack.lab.builder) as work:
        void_run(work, 1, reason="the wrong day")
    with Session(engine) as session:
        assert stack_voltages(session, stack.stack_id).curves == ()
        assert stack_voltages(session, stack.stack_id).heads == ()

    bring(stack, conditions=SweepTaken(stack.before + DAY))

    with Session(engine) as session:
        found = stack_voltages(session, stack.stack_id)
        assert [curve.run_id for curve in found.curves] == [1, 1]
        assert len(session.scalars(select(RunReading)).all()) == 2
    assert stack.lab.last_entry().act == "run:read again"
    other = stack.lab.rows(lambda session: builders.a_stack(session, cells=4).id)
    with pytest.raises(Refused, match="same content"), stack.lab.work() as work:
        import_sweep(
            work,
            other,
            stored=stored(),
            mapping=MAPPING,
            sweep=a_found_sweep(),
            conditions=SweepTaken(stack.before),
        )


def test_only_the_chosen_ways_become_curves(engine: Engine) -> None:
    stack = a_read_stack(engine)

    key = bring(stack, legs=[2])

    with Session(engine) as session:
        assert polarisation_curve(session, key).direction is CurveDirection.FALLING
    with pytest.raises(Refused, match="no way of the current"):
        bring(stack, stored=stored(content="2"), legs=[7])


def test_a_file_without_times_stands_at_the_time_that_was_told(engine: Engine) -> None:
    stack = a_read_stack(engine)

    bring(stack, sweep=a_found_sweep(times=False))

    with Session(engine) as session:
        found = stack_voltages(session, stack.stack_id)
    assert {curve.taken_at for curve in found.curves} == {stack.before}
    assert found.snapshots[0].from_at == stack.before


@pytest.mark.parametrize(
    ("given", "field"),
    [
        ({"conditions": SweepTaken(FIRST_CLOSING - DAY)}, "taken_at"),
        ({"sweep": a_found_sweep(5)}, "cells"),
        ({"sweep": a_found_sweep(3)}, "cells"),
        ({"conditions": SweepTaken(FIRST_CLOSING + DAY, temperature_c=900.0)}, "temperature_c"),
    ],
)
def test_a_sweep_that_does_not_fit_leaves_nothing(
    engine: Engine, given: dict[str, Any], field: str
) -> None:
    stack = a_read_stack(engine)

    with pytest.raises(Refused) as refused:
        bring(stack, **given)

    assert refused.value.field == field
    with Session(engine) as session:
        assert session.scalars(select(Run)).all() == []
        assert session.scalars(select(Snapshot)).all() == []


def test_doubts_are_kept_with_the_reading(engine: Engine) -> None:
    stack = a_read_stack(engine)
    found = a_found_sweep()

    bring(stack, sweep=FoundSweep(**{**as_fields(found), "doubts": ("odd: 3 rows",)}))

    with Session(engine) as session:
        kept = session.scalars(select(RunReading.doubts)).one()
    assert json.loads(kept) == ["odd: 3 rows"]


def as_fields(found: FoundSweep) -> dict[str, Any]:
    return {name: getattr(found, name) for name in FoundSweep.__dataclass_fields__}
