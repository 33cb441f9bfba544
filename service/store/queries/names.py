"""From the names a call uses to the rows they mean: one statement for any number of names."""

from collections.abc import Collection

from sqlalchemy import func, select
from sqlalchemy.orm import Session

from service.people.tables import Person
from service.platform.errors import NotFound, Refused
from service.store.arithmetic.identifiers import maker_key, serial_key
from service.store.queries.scans import A_PART, resolve
from service.store.tables import Instrument


def people_by_login(session: Session, logins: Collection[str]) -> dict[str, int]:
    """Return the person of each login, without regard to case. Raises Refused for none."""
    logins_by_key = {login.strip().lower(): login for login in logins}
    rows = session.execute(
        select(func.lower(Person.login), Person.id).where(
            func.lower(Person.login).in_(logins_by_key), Person.active
        )
    )
    person_ids = {logins_by_key[key]: person_id for key, person_id in rows}
    for login in logins:
        if login not in person_ids:
            raise Refused("login", login, "nobody active signs in by that name.")
    return person_ids


def instruments_by_mark(session: Session, marks: Collection[str]) -> dict[str, int]:
    """Return the instrument that bears each mark. Raises Refused for none."""
    marks_by_key = {serial_key(mark): mark for mark in marks}
    rows = session.execute(
        select(Instrument.label_key, Instrument.id).where(Instrument.label_key.in_(marks_by_key))
    )
    instrument_ids = {marks_by_key[key]: instrument_id for key, instrument_id in rows}
    for mark in marks:
        if mark not in instrument_ids:
            raise Refused("instrument", mark, "no instrument bears that mark.")
    return instrument_ids


def part_by_text(session: Session, text: str, drawing: str = "", maker: str = "") -> int:
    """Return the part meant by a serial or the text of its code.

    Serials are unique within a part type and maker only: where several parts bear it, ``drawing``
    (the drawing number) and ``maker`` choose. Raises NotFound, and Refused where the choice is
    open.
    """
    hits = tuple(
        hit
        for hit in resolve(session, text, among=A_PART).hits
        if drawing in ("", hit.drawing_number) and maker_key(maker) in ("", maker_key(hit.maker))
    )
    if not hits:
        raise NotFound("part", text)
    if len(hits) > 1:
        choice = "; ".join(hit.detail for hit in hits)
        raise Refused(
            "serial", text, "several parts bear it.", f"Add the drawing number or maker: {choice}."
        )
    return hits[0].id
