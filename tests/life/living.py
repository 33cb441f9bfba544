"""An invented laboratory in which MEAs live, fail, are lifted off, move and get lost."""

from dataclasses import dataclass
from datetime import datetime, timedelta

from sqlalchemy import select
from sqlalchemy.orm import Session

from service.life.tables import FailingMark
from service.platform.arithmetic.vocabulary import Whereabouts
from service.stacks.tables import Build, Stack
from service.store.tables import Lot, Part
from tests import builders
from tests.builders import FIRST_CLOSING
from tests.ready import ready

DAY = timedelta(days=1)


def a_failing_mark(session: Session, part: Part, failed_at: datetime) -> FailingMark:
    """A person's word that an MEA is failing."""
    return builders.a_failing_mark(session, part.id, failed_at, confirmed_at=failed_at + DAY)


@dataclass(frozen=True)
class Living:
    """Two stacks of two designs with MEAs of two lots; ``meas`` by their serials."""

    first: Stack
    second: Stack
    lots: tuple[Lot, Lot]
    meas: dict[str, Part]
    failed_at: datetime


def a_living_lab(session: Session) -> Living:
    """What happened.

    TARN-L1 ran 400 h in build 1 and 300 h in build 2, which is still closed. In between A2 and A3
    were lifted off: A2 lies in store, A3 went into TARN-L2 and ran 150 h there. A1 failed halfway
    through build 1 and stayed. B1 came with 1 000 h and has been in TARN-L1 all the time. B2 was in
    build 1 of it and cannot be found. N1 was never fitted. C1 of TARN-L2 has no lot.
    """
    return ready(session, a_living_lab, lambda: _a_living_lab(session))


def _a_living_lab(session: Session) -> Living:
    types = builders.the_part_types(session)
    lots = (
        builders.a_lot(session, types.mea, label="M-A"),
        builders.a_lot(session, types.mea, label="M-B"),
    )
    lots[1].supplier = "Beckfoot Membranes (invented)"

    def mea(serial: str, lot: Lot | None, hours_before: float = 0.0) -> Part:
        return builders.a_part(
            session, types.mea, serial=serial, lot=lot, hours_before=hours_before
        )

    meas = {name: mea(name, lots[0]) for name in ("A1", "A2", "A3", "A4", "A5", "N1")}
    meas |= {"B1": mea("B1", lots[1], 1000.0), "B2": mea("B2", lots[1]), "C1": mea("C1", None)}

    first = builders.a_stack(session, serial="TARN-L1")
    of_first = [meas[name] for name in ("A1", "A2", "A3", "B1", "B2")]
    builders.a_build(session, first, laid=builders.a_pile(session, first, 5, meas=of_first))
    kept = [meas[name] for name in ("A1", "A4", "A5", "B1")]
    builders.a_build(
        session, first, hours=400.0, laid=builders.a_pile(session, first, 4, meas=kept)
    )
    builders.an_hour_reading(session, first, 700.0, FIRST_CLOSING + 60 * DAY)

    second = builders.a_stack(session, serial="TARN-L2")
    builders.a_build(
        session,
        second,
        closed_at=FIRST_CLOSING + 35 * DAY,
        laid=builders.a_pile(session, second, 2, meas=[meas["A3"], meas["C1"]]),
    )
    builders.an_hour_reading(session, second, 150.0, FIRST_CLOSING + 60 * DAY)

    for name, now in (("A2", Whereabouts.IN_STORE), ("B2", Whereabouts.MISSING)):
        meas[name].whereabouts, meas[name].stack_id = now, None
    closed, opened = FIRST_CLOSING, FIRST_CLOSING + 30 * DAY - builders.OPEN_FOR
    failed_at = closed + (opened - closed) / 2
    a_failing_mark(session, meas["A1"], failed_at)
    session.flush()
    return Living(first, second, lots, meas, failed_at)


def builds_of(session: Session, stack: Stack) -> list[Build]:
    """The builds of a stack in order."""
    return list(
        session.scalars(select(Build).where(Build.stack_id == stack.id).order_by(Build.number))
    )
