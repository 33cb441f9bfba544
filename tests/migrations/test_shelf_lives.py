"""Lots and parts of before keep their expiry; no bag of theirs is known to be opened."""

from sqlalchemy.orm import Session

from service.operation.migrating import migrate
from service.platform.database import make_engine
from service.store.tables import Lot, Part
from tests import builders

BEFORE = "d2b7"


def test_lots_and_parts_of_before_keep_what_they_had(newest_url: str) -> None:
    engine = make_engine(newest_url)
    with Session(engine) as session:
        mea = builders.the_part_types(session).mea
        lot = builders.a_lot(session, mea, label="M-9")
        lot.expires_at = builders.START
        part = builders.a_part(session, mea, serial="N-9", lot=lot)
        session.commit()
        ids = lot.id, part.id
    engine.dispose()
    migrate(newest_url, BEFORE)

    migrate(newest_url)

    with Session(engine) as session:
        lot, part = session.get_one(Lot, ids[0]), session.get_one(Part, ids[1])
        assert (lot.expires_at, lot.bag_opened_at, lot.extended_to) == (builders.START, None, None)
        assert (part.serial, part.lot_id, part.bag_opened_at) == ("N-9", lot.id, None)
    engine.dispose()
