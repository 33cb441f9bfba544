"""A release that a correction of before outlived ends with an entry of the trail after the step."""

import json

from sqlalchemy import select, text
from sqlalchemy.orm import Session

from service.bench.tables import CorrectionOf
from service.operation.migrating import migrate, triggers
from service.platform.database import make_engine
from service.platform.tables import AuditEntry
from tests.proof.test_releases_corrected import Released

BEFORE = "d4e7"
NOBODY_WAS_ASKED = "DELETE FROM step WHERE kind = 'not done'"  # else there is no way back


def test_releases_of_before_that_a_correction_ended_are_told(newest_url: str) -> None:
    engine = make_engine(newest_url)
    stack = Released(engine)
    number = stack.correction_of(CorrectionOf.TORQUE)
    stack.decide(number)
    engine.dispose()
    as_it_was_before(newest_url)

    migrate(newest_url)

    with Session(engine) as session:
        (entry,) = session.scalars(
            select(AuditEntry).where(AuditEntry.act == "build:release ended")
        ).all()
    assert entry.subject_label == "build 2 of TARN-001"
    assert entry.via == "command"
    assert str(number) in entry.reason
    ((_what, was, now),) = json.loads(entry.changes)
    assert was == "released"
    assert now == f"ended by correction {number}, closing not computed anew"
    why = f"correction {number} of record {stack.bench.number}"
    assert stack.gate.shut == (
        f"Limits of the closed clamp: test again ({why} since).",
        f"The content of record {stack.bench.number} is no longer what was handed in.",
    )
    engine.dispose()


def test_releases_ended_since_are_not_told_again(newest_url: str) -> None:
    engine = make_engine(newest_url)
    stack = Released(engine)
    stack.decide(stack.correction_of(CorrectionOf.TORQUE))
    engine.dispose()
    change(newest_url, NOBODY_WAS_ASKED)
    migrate(newest_url, BEFORE)

    migrate(newest_url)

    with Session(engine) as session:
        acts = session.scalars(select(AuditEntry.act)).all()
    assert "build:release ended" not in acts
    engine.dispose()


def as_it_was_before(url: str) -> None:
    """Go back to the step before; nothing was computed anew there, and no trail told of the end."""
    change(url, NOBODY_WAS_ASKED)
    migrate(url, BEFORE)
    newest = "SELECT max(id) FROM closing_result"
    change(
        url,
        f"DELETE FROM closing_result WHERE id = ({newest})",  # noqa: S608
        "UPDATE audit_entry SET changes = '[]' WHERE act = 'correction:approved'",
    )


def change(url: str, *statements: str) -> None:
    """Write what the triggers forbid."""
    engine = make_engine(url)
    with engine.begin() as connection:
        triggers().lift(connection)
        for statement in statements:
            connection.execute(text(statement))
        triggers().lay(connection)
    engine.dispose()
