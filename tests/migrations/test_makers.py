"""Parts of before get the supplier of their lot as their maker, and are not temporary."""

from sqlalchemy.orm import Session

from service.operation.migrating import migrate
from service.platform.database import make_engine
from service.store.tables import Part
from tests import builders

BEFORE = "b9d3"


def test_parts_of_before_are_of_the_supplier_of_their_lot(newest_url: str) -> None:
    engine = make_engine(newest_url)
    with Session(engine) as session:
        types = builders.the_part_types(session)
        lot = builders.a_lot(session, types.mea, label="M-9")
        lot.supplier = "Ostrand  Films"
        ids = [
            builders.a_part(session, types.mea, serial="N-9", lot=lot).id,
            builders.a_part(session, types.mea, serial="N-10").id,
        ]
        session.commit()
    engine.dispose()
    migrate(newest_url, BEFORE)

    migrate(newest_url)

    with Session(engine) as session:
        first, second = (session.get_one(Part, part_id) for part_id in ids)
        assert (first.serial, first.maker, first.maker_key) == (
            "N-9",
            "Ostrand Films",
            "ostrand films",
        )
        assert (second.maker, second.maker_key, second.temporary_number) == ("", "", None)
    engine.dispose()
