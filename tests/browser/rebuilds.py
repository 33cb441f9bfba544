"""Rebuilds done before the day begins, through the same functions the pages call."""

from collections.abc import Mapping
from dataclasses import dataclass
from datetime import timedelta

from sqlalchemy import Engine, select
from sqlalchemy.orm import Session

from service.bench.changes.corrections import decide, propose
from service.bench.changes.handing_in import hand_in
from service.bench.changes.layers import lift_off, put_on
from service.bench.queries.corrections import correctable
from service.bench.tables import Correction, CorrectionOf
from service.closing.changes.torque import read_torque
from service.life.queries.grounds import findings_to_rest_on
from service.limits.arithmetic.figures import DesignFigures
from service.people.tables import Person
from service.physics.arithmetic.conditions import FindingEntry
from service.platform.arithmetic.vocabulary import (
    End,
    Facing,
    Kind,
    ReadingKind,
    Stage,
    Usability,
    Whereabouts,
)
from service.records.changes.bench_fixings import fit_from_lot
from service.records.changes.bench_opening import close_stack
from service.records.changes.deviations import Stands, Unloaded
from service.stacks.tables import Layer
from service.store.arithmetic.acceptance import Acceptance, Basis
from service.store.changes.part_axes import judge_part
from tests import builders
from tests.bench.at_the_bench import SEEN_NOTHING, Lab, known
from tests.browser.at_the_bench import the_tools
from tests.closing.closings import put_limits_in_force

TORQUES_NM = {1: 9.0, 2: 9.1, 3: 10.2, 4: 8.9}
"""Of the last pass; rod 3 is outside 9 N·m ± 5 %."""


@dataclass(frozen=True)
class Rebuilt:
    """A record handed in: the last cell got a new MEA, a half plate of it is cracked."""

    lab: Lab

    number: int
    serial: str
    builder: Person
    witness: Person
    new_mea: str
    old_mea: str
    old_mea_id: int
    cracked: str


def a_rebuild(
    engine: Engine,
    serial: str,
    *,
    cells: int = 2,
    builder: Person | None = None,
    lot: str = "",
    driver: str = "TD-9",
    torques_nm: Mapping[int, float] = TORQUES_NM,
    figures: DesignFigures | None = None,
    nuts: str = "",
) -> Rebuilt:
    """Open a new stack's first build, exchange the MEA of the last cell, close and hand in.

    ``lot`` is what the MEAs of the first build came in; ``driver`` what the nuts are read with.
    ``torques_nm`` are those of the last pass, by rod; ``figures`` hold limits, in force before.
    ``nuts`` is the lot of nuts fitted.
    """
    with Session(engine, expire_on_commit=False) as session:
        by = builder or builders.a_person(session, "builder", name=f"Mara Ilves {serial}")
        witness = builders.a_person(session, "builder", name=f"Ben Orr {serial}")
        quality = known(session, builders.a_person(session, "quality", name=f"Qi Reyes {serial}"))
        tools = the_tools(session, driver)
        type_of_mea = builders.the_part_types(session).mea
        new_mea = builders.a_part(session, type_of_mea, serial=f"{serial}-NEW")
        stack = builders.a_stack(session, serial=serial, meter_hours=100.0)
        if figures is not None:
            put_limits_in_force(session, stack.design_id, figures)
        nut = builders.the_part_types(session).nut
        nuts_id = builders.a_lot(session, nut, label=nuts).id if nuts else None
        of_lot = builders.a_lot(session, type_of_mea, label=lot) if lot else None
        meas = [
            builders.a_part(session, type_of_mea, serial=f"{serial}-M{cell}", lot=of_lot)
            for cell in range(1, cells + 1)
        ]
        for mea in meas:
            mea.whereabouts, mea.stack_id = Whereabouts.FITTED, stack.id
        builders.a_build(session, stack, laid=builders.a_pile(session, stack, cells, meas=meas))
        lab = Lab(
            engine,
            known(session, by),
            known(session, witness),
            stack.id,
            tools["MM-1"],
            tools["GD-1"],
            tools[driver],
        )
        session.commit()
    record = lab.begin(reason="the last cell is weak")
    record.open(hours=320.0)
    layers = record.pile.layers
    facings = _facings(lab)
    old_mea = next(one for one in reversed(layers) if one.kind is Kind.MEA)
    lifted = []
    cracked = ""
    while not lifted or lifted[-1] != old_mea.part:
        layer = record.pile.pile.outermost(End.FREE)
        assert layer is not None
        seen = SEEN_NOTHING
        if layer.kind is Kind.HALF_PLATE:
            seen, cracked = (FindingEntry("hairline crack", 2, "at the air inlet"),), layer.label
        record.do(lift_off, end=End.FREE, findings=seen)
        lifted.append(layer.part)
        if layer.kind is Kind.HALF_PLATE:
            plate = layer.part
            finding = lab.rows(lambda s: findings_to_rest_on(s, plate)[0].finding_id)  # noqa: B023 - called at once
            lab.do(
                judge_part,
                layer.part,
                usability=Usability.ACCEPTED_USED,
                reason="the crack does not reach a channel",
                acceptance=Acceptance(Basis.FINDING, finding_id=finding),
                by=quality,
            )
    for part in reversed(lifted):
        put = new_mea.id if part == old_mea.part else part
        record.do(put_on, end=End.FREE, part_id=put, facing=facings[part])
    if nuts_id:
        record.do(fit_from_lot, lot_id=nuts_id, rod_numbers=tuple(torques_nm))
    for pass_number, share in ((1, 0.33), (2, 0.66), (3, 1.0)):
        for rod, torque_nm in torques_nm.items():
            record.do(
                read_torque,
                rod_number=rod,
                pass_number=pass_number,
                stage=Stage.CLOSING,
                kind=ReadingKind.SET,
                torque_nm=round(torque_nm * share, 1),
                instrument_id=lab.driver_id,
                stands=Stands.STANDS,
                outside_because="rod 3 was at its stop",
                unloaded_first=Unloaded.NO,
            )
    record.do(close_stack, hours=320.0)
    record.do(hand_in)
    return Rebuilt(
        lab=lab,
        number=record.number,
        serial=serial,
        builder=by,
        witness=witness,
        new_mea=new_mea.serial or "",
        old_mea=old_mea.label,
        old_mea_id=old_mea.part,
        cracked=cracked,
    )


def misread(record: Rebuilt) -> str:
    """A day later somebody finds that another MEA was put on: corrected, and approved; its serial.

    Until then it was thought to be the one scanned.
    """
    lab = record.lab
    lab.now += timedelta(days=1)
    really = f"{record.serial}-REALLY"
    quality = lab.rows(
        lambda s: (
            builders.a_part(s, builders.the_part_types(s).mea, serial=really),
            known(s, builders.a_person(s, "quality")),
        )
    )[1]
    with Session(lab.engine) as session:
        fact = next(
            one
            for one in correctable(session, record.number).facts
            if one.of is CorrectionOf.LAYER_PART and one.old_value == record.new_mea
        )
    number = lab.do(
        propose,
        record.number,
        of=fact.of,
        subject_id=fact.subject_id,
        new_value=really,
        reason="the label was read from the bag",
    )
    seen = lab.get(Correction, number).content_sha256
    lab.do(
        decide, number, approve=True, content_sha256=seen, password=builders.PASSWORD, by=quality
    )
    return really


def _facings(lab: Lab) -> dict[int, Facing]:
    with Session(lab.engine) as session:
        rows = session.scalars(select(Layer).where(Layer.present))
        return {row.part_id: row.facing for row in rows}
