"""Used parts accepted before it was kept on what: nothing of it is recorded, and no limit."""

from sqlalchemy import select
from sqlalchemy.orm import Session

from service.operation.migrating import migrate
from service.platform.arithmetic.vocabulary import Usability
from service.platform.database import make_engine
from service.store.arithmetic.acceptance import Basis
from service.store.queries.acceptances import acceptances_of
from service.store.tables import AcceptedUsed
from tests import builders

BEFORE = "d3f8"


def test_used_parts_accepted_before_have_no_basis_and_no_limit(newest_url: str) -> None:
    engine = make_engine(newest_url)
    with Session(engine) as session:
        mea = builders.the_part_types(session).mea
        used = builders.a_part(session, mea, usability=Usability.ACCEPTED_USED).id
        builders.a_part(session, mea, usability=Usability.ACCEPTED)
        session.commit()
    engine.dispose()
    migrate(newest_url, BEFORE)

    migrate(newest_url)

    with Session(engine) as session:
        (row,) = session.scalars(select(AcceptedUsed)).all()
        assert (row.part_id, row.basis, row.by_id) == (used, Basis.NOT_RECORDED, None)
        kept = acceptances_of(session, [used])[used]
        assert (kept.rests_on, kept.limits) == ("basis not recorded", ())
    engine.dispose()
