"""Attachments: at a record while it is written, at a part at any time."""

from dataclasses import replace

import pytest
from sqlalchemy import Engine, select
from sqlalchemy.orm import Session

from service.platform.changes import Stored
from service.platform.errors import NotAllowed, NotFound, Refused, Stale
from service.records.changes.attachments import (
    add_attachment,
    add_attachments,
    remove_attachment,
)
from service.records.queries.attachments import (
    attachment,
    attachments_of_part,
    attachments_of_record,
)
from service.records.tables import RebuildRecord
from tests import builders
from tests.operation.keeping import Lab, a_lab

PHOTO = Stored("a" * 64, "image/jpeg", 1200, "seal.jpg")


@pytest.fixture
def lab(engine: Engine) -> Lab:
    return a_lab(engine)


def an_open_record(lab: Lab) -> int:
    made: int = lab.rows(lambda s: builders.a_record(s, builders.a_stack(s)).id)
    return made


def a_part(lab: Lab) -> int:
    made: int = lab.rows(
        lambda s: builders.a_part(s, builders.the_part_types(s).mea, serial="N-1").id
    )
    return made


def test_a_photo_hangs_at_the_record_and_the_part_it_shows(lab: Lab) -> None:
    record_id, part_id = an_open_record(lab), a_part(lab)
    version = lab.get(RebuildRecord, record_id).version

    with lab.work(lab.builder) as work:
        key = add_attachment(work, PHOTO, record_id=record_id, part_id=part_id, version=version)

    assert lab.get(RebuildRecord, record_id).version == version + 1
    with Session(lab.engine) as session:
        of_record = attachments_of_record(session, record_id)
        assert of_record == attachments_of_part(session, part_id)
        assert [(file.id, file.part_label, file.is_photo) for file in of_record] == [
            (key, "N-1", True)
        ]
    assert PHOTO.content_sha256 in lab.last_entry().changes


def test_several_files_are_one_change(lab: Lab) -> None:
    part_id = a_part(lab)

    with lab.work(lab.builder) as work:
        keys = add_attachments(
            work, [PHOTO, replace(PHOTO, content_sha256="b" * 64)], part_id=part_id
        )

    assert len(keys) == 2
    assert work.notes == 1


def test_the_same_content_hangs_at_one_place_once(lab: Lab) -> None:
    part_id, record_id = a_part(lab), an_open_record(lab)
    with lab.work() as work:
        add_attachment(work, PHOTO, part_id=part_id)

    with pytest.raises(Refused, match=r"seal\.jpg"), lab.work() as work:
        add_attachment(work, replace(PHOTO, name="again.jpg"), part_id=part_id)
    with lab.work() as work:
        add_attachment(work, PHOTO, record_id=record_id)


def test_a_record_handed_in_takes_and_gives_no_file(lab: Lab) -> None:
    def make(session: Session) -> int:
        builders.a_stack(session, cells=1)
        return session.scalars(select(RebuildRecord.id)).one()

    handed_in, open_record = lab.rows(make), an_open_record(lab)
    with pytest.raises(Refused, match="correction"), lab.work() as work:
        add_attachment(work, PHOTO, record_id=handed_in)
    with pytest.raises(Stale), lab.work() as work:
        add_attachment(work, PHOTO, record_id=open_record, version=77)
    with pytest.raises(NotFound), lab.work() as work:
        add_attachment(work, PHOTO, record_id=999)
    with pytest.raises(NotAllowed), lab.work(lab.admin) as work:
        add_attachment(work, PHOTO, record_id=open_record)
    with pytest.raises(Refused), lab.work() as work:
        add_attachment(work, PHOTO)


@pytest.mark.both_engines
def test_a_file_is_taken_off_with_the_reason_and_its_content_stays(lab: Lab) -> None:
    part_id = a_part(lab)
    with lab.work() as work:
        key = add_attachment(work, PHOTO, part_id=part_id)

    with pytest.raises(Refused), lab.work() as work:
        remove_attachment(work, key, reason="")
    with lab.work() as work:
        remove_attachment(work, key, reason="another part")
    with pytest.raises(NotFound), lab.work() as work:
        remove_attachment(work, key, reason="again")

    with Session(lab.engine) as session:
        assert attachments_of_part(session, part_id) == ()
        assert attachment(session, key).content_sha256 == PHOTO.content_sha256
