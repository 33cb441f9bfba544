"""What the invented laboratory shows of running: logs, voltages, failing MEAs and their lives."""

import json
from collections.abc import Iterator
from datetime import timedelta
from pathlib import Path

import pytest
from sqlalchemy import Engine, func, select
from sqlalchemy.orm import Session

from service.condition.queries.polarisation_curves import curves_of_builds
from service.demo.building import demo_settings
from service.demo.failing import SOURCE
from service.demo.runs import BRIDGED, CROSSED, LOGS
from service.life.arithmetic.grounds import MeaWord
from service.life.arithmetic.recovery import Recovery
from service.life.queries.failing import judged, said_of_meas
from service.life.queries.life_rows import mea_types
from service.life.queries.lives_of_groups import GroupBy, lives_of_groups
from service.life.queries.mea_lives import mea_life
from service.life.tables import FailingRule, RuleAnswer
from service.platform.database import make_engine, now_utc, reading
from service.runs.files import run_files
from service.runs.tables import CurveDirection, Run, RunKind, RunReading
from service.stacks.queries.hour_kinds import stack_kinds
from service.stacks.queries.stacks import find_stack
from service.stacks.tables import Build, HourReport, Stack
from service.store.tables import Part
from service.taps.tables import TapMap
from tests.taps.tapping import voltages_of_build

pytestmark = pytest.mark.slow


@pytest.fixture(scope="module")
def engine(built: Path) -> Iterator[Engine]:
    """The database of the demo that nobody changes."""
    engine = make_engine(demo_settings(built).database_url)
    yield engine
    engine.dispose()


def _newest_build(session: Session, serial: str) -> int:
    return session.scalars(
        select(Build.id)
        .join(Stack, Stack.id == Build.stack_id)
        .where(Stack.serial == serial)
        .order_by(Build.number.desc())
        .limit(1)
    ).one()


def test_every_log_was_taken_in_and_its_file_is_kept(engine: Engine, built: Path) -> None:
    with reading(engine) as session:
        logs = session.execute(
            select(Run.name, Run.content_sha256, Run.size_bytes).where(Run.kind == RunKind.LOG)
        ).all()

    assert len(logs) == len(LOGS)
    for log in logs:
        assert run_files.path_of(built, log.content_sha256).stat().st_size == log.size_bytes
    assert {log.name.partition(".")[2] for log in logs} == {"csv", "csv.gz"}


def test_one_log_ran_unreleased_and_one_shows_hours_above_a_limit(engine: Engine) -> None:
    with reading(engine) as session:
        rows = session.execute(
            select(Stack.serial, RunReading.not_released, RunReading.above)
            .join(Stack, Stack.id == RunReading.stack_id)
            .where(RunReading.load_hours > 0)
        ).all()

    hot = [
        (row.serial, limit["hours"])
        for row in rows
        for limit in json.loads(row.above)
        if limit["quantity"] == "temperature" and limit["hours"] > 0
    ]
    assert [row.serial for row in rows if row.not_released] == ["HERON-02"]
    assert hot == [("WREN-02", pytest.approx(1.07, abs=0.02))]


def test_the_weak_cell_of_the_stork_is_the_one_the_corrected_leads_name(engine: Engine) -> None:
    first, second = CROSSED
    with reading(engine) as session:
        build_id = _newest_build(session, "STORK-01")
        newest = voltages_of_build(session, [build_id])[build_id][-1]
        weak = min(newest.by_cell.values(), key=lambda one: one.mean_v or 1.0)
        maps = session.scalars(select(TapMap.known_until)).all()

    assert weak.cell == second
    assert newest.means_v[first - 1] == weak.mean_v
    assert sorted(until is None for until in maps) == [False, True]


def test_a_bridged_cell_was_under_gas_longer_than_at_load(engine: Engine) -> None:
    with reading(engine) as session:
        build = stack_kinds(session, find_stack(session, "STORK-01"))[-1]
        now = session.scalars(select(func.max(RunReading.known_from))).one()
        bridged, beside = build.of(BRIDGED, now), build.of(BRIDGED + 1, now)

    assert bridged.at_load.hours < beside.at_load.hours - 9.0
    assert bridged.gas_exposed.hours == beside.gas_exposed.hours


def test_curves_of_two_times_can_be_set_beside_each_other(engine: Engine) -> None:
    with reading(engine) as session:
        herons = session.scalars(
            select(Build.id)
            .join(Stack, Stack.id == Build.stack_id)
            .where(Stack.serial.in_(("HERON-01", "HERON-03")))
        ).all()
        found = [curve for own in curves_of_builds(session, herons).values() for curve in own]

    assert {(curve.stack, curve.direction) for curve in found} == {
        ("HERON-01", CurveDirection.FALLING),
        ("HERON-01", CurveDirection.RISING),
        ("HERON-03", CurveDirection.TYPED),
    }
    assert len({(curve.stack, curve.taken_at.date()) for curve in found}) == 4


def test_after_long_days_most_of_the_loss_came_back_over_night(engine: Engine) -> None:
    with reading(engine) as session:
        part_id = session.scalars(select(Part.id).where(Part.serial == "HM-0123")).one()
        told = mea_life(session, part_id).recovery

    assert isinstance(told, Recovery)
    assert told.share_back is not None
    assert 0.5 < told.share_back < 1.0


def test_every_design_has_a_rule_and_it_is_marked_invented(engine: Engine) -> None:
    with reading(engine) as session:
        rules = session.execute(select(FailingRule.design_id, FailingRule.source)).all()

    assert len({rule.design_id for rule in rules}) == 3
    assert {rule.source for rule in rules} == {SOURCE}


def test_some_mea_are_confirmed_and_some_wait_for_a_word(engine: Engine) -> None:
    with reading(engine) as session:
        confirmed = {row.label: row for row in said_of_meas(session, MeaWord.FAILED).rows}
        waiting = {row.label for row in judged(session, RuleAnswer.MET).rows}

    assert {"HM-0117", "HM-0110"} <= set(confirmed)
    assert confirmed["HM-0117"].answer is RuleAnswer.MET
    assert {row.confirmed_by for row in confirmed.values()} == {"Keiko Brandt"}
    assert len(confirmed) == 8
    assert waiting == {"HM-0130", "SM-0522"}


def test_lives_differ_by_lot_and_some_still_run(engine: Engine) -> None:
    with reading(engine) as session:
        types = [one.id for one in mea_types(session)]
        heron = session.scalars(select(Stack.design_id).where(Stack.serial == "HERON-01")).one()
        found = lives_of_groups(session, GroupBy.LOT, types, heron)

    failed = {group.name.split()[0]: group.lives.failures for group in found.groups}
    assert failed == {"M-40": 1, "M-41": 6, "M-45": 1}
    assert all(group.lives.running for group in found.groups)


def test_a_bench_reports_its_hours_by_itself(engine: Engine) -> None:
    with reading(engine) as session:
        reports = session.execute(
            select(HourReport.last_hours, HourReport.last_at).order_by(HourReport.day)
        ).all()

    assert len(reports) >= 3
    assert [row.last_hours for row in reports] == sorted(row.last_hours for row in reports)
    assert now_utc() - reports[-1].last_at < timedelta(hours=2)
