"""How long does it take to judge a stack anew, and to follow one of its MEAs?

A hundred cells, five builds, a thousand snapshots each: half a million voltages. Best of several
runs: other work on the machine must not decide.
"""

import json
import shutil
from collections.abc import Callable
from datetime import timedelta
from pathlib import Path
from random import Random
from time import perf_counter

import pytest
from sqlalchemy import insert, select
from sqlalchemy.orm import Session

from service.condition.queries.cell_voltages import mea_of_cells
from service.life.arithmetic.failing_rules import (
    Criterion,
    CriterionKind,
    FailingRule,
    rule_as_data,
)
from service.life.queries.mea_lives import mea_life
from service.life.tables import FailingRule as Row
from service.platform.arithmetic.canonical import canonical_json
from service.platform.database import make_engine
from service.runs.tables import Snapshot, SnapshotKind
from service.stacks.changes.rule_verdicts import judge_stacks
from service.stacks.tables import Build
from tests import builders
from tests.builders import FIRST_CLOSING

CELLS, BUILDS, SNAPSHOTS, EVERY_H = 100, 5, 1000, 0.6
JUDGED_S, LIFE_S = 4.0, 1.5
RULE = FailingRule(
    (Criterion(CriterionKind.VOLTAGE, 0.6), Criterion(CriterionKind.RATE, 60.0, readings=8)), 0.7
)


def best_s(work: Callable[[], object], runs: int = 4) -> float:
    """The least time of several runs, in s."""
    times = []
    for _ in range(runs):
        start = perf_counter()
        work()
        times.append(perf_counter() - start)
    return min(times)


def filled(session: Session) -> tuple[int, int]:
    """A stack with all its snapshots and a rule; gives its id and that of an MEA."""
    stack = builders.a_stack(session, cells=CELLS)
    for number in range(1, BUILDS):
        builders.a_build(session, stack, cells=CELLS, hours=SNAPSHOTS * EVERY_H * number)
    builds = session.scalars(
        select(Build).where(Build.stack_id == stack.id).order_by(Build.number)
    ).all()
    by_id = session.scalars(select(builders.Person.id)).first()
    session.execute(insert(Snapshot), [*_snapshots(stack.id, builds, by_id or 0)])
    content = canonical_json(rule_as_data(RULE))
    session.add(
        Row(
            design_id=stack.design_id,
            version=1,
            content=content,
            source="note 7, invented",
            reason="first rule",
            by_id=by_id,
            made_at=FIRST_CLOSING,
        )
    )
    session.commit()
    return stack.id, mea_of_cells(session, [builds[0].id])[builds[0].id][CELLS // 2]


def _snapshots(stack_id: int, builds: list[Build], by_id: int) -> list[dict[str, object]]:
    dice = Random(1)
    names = json.dumps([f"U{cell + 1} (V)" for cell in range(CELLS)])
    found: list[dict[str, object]] = []
    for number, build in enumerate(builds):
        begun_at = FIRST_CLOSING + timedelta(days=30 * number, hours=1)
        for step in range(SNAPSHOTS):
            at = begun_at + timedelta(hours=EVERY_H * step)
            hours = EVERY_H * (SNAPSHOTS * number + step)
            volts = [round(0.68 - 3e-5 * hours + dice.gauss(0, 0.001), 4) for _ in range(CELLS)]
            found.append(
                {
                    "reading_id": None,
                    "stack_id": stack_id,
                    "build_id": build.id,
                    "kind": SnapshotKind.STEADY,
                    "from_at": at,
                    "until_at": at + timedelta(minutes=10),
                    "row_count": 600,
                    "current_a": 70.0,
                    "density_a_cm2": 0.7,
                    "temperature_c": 65.0,
                    "stack_voltage_v": sum(volts),
                    "meter_hours": hours,
                    "channels": names,
                    "means_v": json.dumps(volts),
                    "spreads_v": json.dumps([0.001] * CELLS),
                    "by_id": by_id,
                    "known_from": at,
                    "known_until": None,
                }
            )
    return found


@pytest.mark.slow
def test_half_a_million_voltages_are_judged_in_seconds(
    sqlite_template: Path, tmp_path: Path
) -> None:
    engine = make_engine(f"sqlite:///{shutil.copyfile(sqlite_template, tmp_path / 'l.sqlite')}")
    with Session(engine) as session:
        stack_id, part_id = filled(session)

        judged = best_s(lambda: judge_stacks(session, [stack_id], FIRST_CLOSING))
        life = best_s(lambda: mea_life(session, part_id))
    engine.dispose()

    print(f"\n{CELLS} MEAs judged over {BUILDS * SNAPSHOTS} snapshots: {judged:.2f} s")
    print(f"one MEA followed through them: {life:.2f} s")
    assert judged <= JUDGED_S
    assert life <= LIFE_S
