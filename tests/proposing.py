"""What one proposes, put in force by another: as tests begin with it."""

from datetime import datetime

from sqlalchemy import Engine
from sqlalchemy.orm import Session

from service.bench.changes.proposals import approve_proposal
from service.people.tables import Role
from service.platform.database import changing
from service.store.tables import ProposedChange
from tests import builders
from tests.bench.at_the_bench import known


def put_in_force(engine: Engine, proposal_id: int, now: datetime | None = None) -> int:
    """Let somebody of quality who was not there before approve it; give what it is about."""
    with Session(engine) as session:
        other = known(session, builders.a_person(session, Role.QUALITY))
        content = session.get_one(ProposedChange, proposal_id).content_sha256
        session.commit()
    with changing(engine, other, now=now) as work:
        return approve_proposal(
            work, proposal_id, content_sha256=content, password=builders.PASSWORD
        )
