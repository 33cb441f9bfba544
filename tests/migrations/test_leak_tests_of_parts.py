"""Leak tests of parts: acceptances and entries from before stay as they were, up and down."""

from sqlalchemy import select
from sqlalchemy.orm import Session

from service.operation.migrating import migrate
from service.platform.arithmetic.vocabulary import Usability
from service.platform.database import make_engine
from service.records.tables import Step
from service.store.queries.acceptances import acceptances_of
from service.store.tables import AcceptedUsed
from tests import builders

BEFORE = "c4a6"


def test_acceptances_and_entries_from_before_outlive_the_step(newest_url: str) -> None:
    engine = make_engine(newest_url)
    with Session(engine) as session:
        stack = builders.a_stack(session, cells=2)
        part = builders.a_part(
            session, builders.the_part_types(session).mea, usability=Usability.ACCEPTED_USED
        )
        session.add(
            AcceptedUsed(
                part_id=part.id,
                basis="papers",
                leak="0.2 mL/min",
                same_anode_side=False,
                at=stack.added_at,
            )
        )
        session.commit()
        used = part.id
        entries = session.execute(select(Step.id, Step.kind).order_by(Step.id)).all()
    engine.dispose()
    migrate(newest_url, BEFORE)

    migrate(newest_url)

    with Session(engine) as session:
        kept = acceptances_of(session, [used])[used]
        assert (kept.rests_on, kept.leak_test_id) == ("rests on papers, 0.2 mL/min", None)
        assert session.execute(select(Step.id, Step.kind).order_by(Step.id)).all() == entries
    engine.dispose()
