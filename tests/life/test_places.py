"""Findings by place: parts counted square by square, beside those inspected."""

import re
from collections.abc import Callable
from datetime import timedelta
from typing import Any

import pytest
from sqlalchemy import Engine, select
from sqlalchemy.orm import Session

from service.bench.changes.bench import undo_last
from service.bench.changes.layers import lift_off
from service.life.queries.places import FindingFilter, findings_by_place
from service.physics.arithmetic.conditions import NONE_SEEN, NOT_INSPECTED, FindingEntry
from service.platform.arithmetic.vocabulary import End, Kind
from service.platform.errors import Refused
from service.records.tables import Finding, RebuildRecord, RecordState, Step
from service.store.tables import Lot
from tests import builders
from tests.bench.at_the_bench import a_lab
from tests.found_by_index import read_whole
from tests.life.suspecting import FailingLab, failing_lab

ANODE, CATHODE = "anode face", "cathode face"
MEAS = FindingFilter(Kind.MEA)


def see(
    session: Session, lab: FailingLab, at: tuple[int, int], word: str, where: str = "", **given: Any
) -> Finding:
    """Something seen on an MEA at the opening of its stack: ``where`` "anode face A1 B2"."""
    stack, place = at
    steps = select(Step).join(RebuildRecord, RebuildRecord.id == Step.record_id)
    step = session.scalars(
        steps.where(RebuildRecord.stack_id == lab.stacks[stack].id).order_by(Step.id)
    ).first()
    assert step is not None
    alone = word in (NONE_SEEN, NOT_INSPECTED)
    face = re.match(r"\w+ face", where)
    facts = {
        "record_id": step.record_id,
        "step_id": step.id,
        "part_id": lab.meas[stack][place].id,
        "condition": word,
        "code": None if alone else word.upper().replace(" ", "-"),
        "face": face and face[0],
        "places": (where[face.end() :].strip() or None) if face else None,
    }
    row = Finding(**facts | given)
    session.add(row)
    session.flush()
    return row


def a_seen_lab(session: Session) -> FailingLab:
    """Two stacks of four MEAs: pinholes, a burn mark, nothing, one not inspected."""
    lab = failing_lab(session, stacks=2, cells=4, failing=())
    lot = session.get_one(Lot, lab.lots[0].id)
    lot.supplier = "Tarnfield Coating"
    see(session, lab, (0, 0), "pinhole", f"{ANODE} A1 B1")
    see(session, lab, (0, 0), "pinhole", f"{ANODE} A1")  # at a later opening: the same part
    see(session, lab, (0, 1), "pinhole", f"{ANODE} A1 C3")
    see(session, lab, (0, 2), "pinhole", f"{CATHODE} F6")
    see(session, lab, (0, 3), "pinhole")
    see(session, lab, (1, 0), "burn mark", f"{ANODE} A1")
    see(session, lab, (1, 1), NONE_SEEN)
    see(session, lab, (1, 2), NOT_INSPECTED)
    late = builders.FIRST_CLOSING + timedelta(days=9)
    see(
        session, lab, (1, 3), "pinhole", f"{ANODE} D4", known_until=late
    )  # a correction withdrew it
    return lab


@pytest.mark.both_engines
def test_parts_are_counted_by_square_beside_those_inspected(
    engine: Engine, statements: Callable[[], Any]
) -> None:
    with Session(engine) as session:
        lab = a_seen_lab(session)
        other = builders.a_design(session)

        with statements() as seen:
            counted = findings_by_place(session, MEAS, "Pinhole")
        by_lot = findings_by_place(session, FindingFilter(Kind.MEA, lot="a-1"), "pinhole")
        supplied = FindingFilter(Kind.MEA, lab.design.id, "Tarnfield Coating")
        by_supplier = findings_by_place(session, supplied, "pinhole")
        elsewhere = findings_by_place(session, FindingFilter(Kind.MEA, other.id), "pinhole")
        with pytest.raises(Refused, match=r"“pinholes”.*nothing seen on.*pinhole, tear"):
            findings_by_place(session, MEAS, "pinholes")

        parts = counted.inspected
        assert (parts.inspected, parts.nothing_found, parts.not_inspected) == (6, 1, 1)
        assert [(w.word, w.parts, w.without_square) for w in counted.seen] == [
            ("pinhole", 4, 1),
            ("burn mark", 1, 0),
        ]
        assert counted.chosen == counted.seen[0]
        anode, cathode = counted.faces
        assert (anode.face, anode.parts, dict(anode.counts)) == (
            ANODE, 2, {"A1": 2, "B1": 1, "C3": 1},
        )  # fmt: skip
        assert dict(cathode.counts) == {"F6": 1}
        assert [counted.shade(anode, square) for square in ("A1", "B1", "F6")] == [4, 2, 0]
        assert counted.shade(cathode, "F6") == 2, "one scale for both faces"
        assert by_lot == by_supplier
        assert dict(by_lot.faces[0].counts) == {"A1": 1, "B1": 1}
        assert by_lot.inspected.inspected == 3
        assert elsewhere.inspected.inspected == 0
        assert elsewhere.chosen is not None
        assert elsewhere.chosen.parts == 0
        assert len(seen) == 4
        if engine.dialect.name == "sqlite":
            of_the_word = [each for each in seen if "DISTINCT" in each]
            assert len(of_the_word) == 1
            assert read_whole(engine, of_the_word) == []


def test_void_records_and_entries_taken_back_count_nowhere(engine: Engine) -> None:
    plates = FindingFilter(Kind.INSULATOR_PLATE)
    record = a_lab(engine).begin()
    record.open()

    def discoloured() -> int:
        with Session(engine) as session:
            return findings_by_place(session, plates, "discoloured").inspected.inspected

    record.do(lift_off, end=End.FREE, findings=[FindingEntry("discoloured", 1)])
    assert discoloured() == 1
    record.do(undo_last)
    assert discoloured() == 0
    record.do(lift_off, end=End.FREE, findings=[FindingEntry("discoloured", 1)])
    with Session(engine) as session:
        session.get_one(RebuildRecord, record.number).state = RecordState.VOID
        session.flush()
        assert findings_by_place(session, plates).seen == ()


def test_the_page_and_the_api_count_the_same(
    app: Any, signed_in_client: Callable[..., Any], calling: Callable[..., Any]
) -> None:
    with Session(app.state.engine) as session:
        a_seen_lab(session)
        session.commit()
    client = signed_in_client("quality")

    first = client.get("/failing/findings").text
    page = client.get("/failing/findings?kind=MEA&word=PINHOLE").text
    by_word = client.get("/failing/findings?word=pinhole").text
    wrong = client.get("/failing/findings?word=hairline crack")
    answer = calling("builder").get("/api/v1/failing/findings", params={"word": "pinhole"})
    refused = calling("builder").get("/api/v1/failing/findings", params={"word": "pin"})

    assert "/failing/findings?kind=MEA&amp;word=PINHOLE" in first
    assert re.search(r'<td class="shade-4">2</td><td class="shade-2">1</td>', page)
    assert "Anode face: 2 parts" in page
    assert '<option value="PINHOLE" selected>' in by_word
    assert (wrong.status_code, refused.status_code) == (422, 422)
    assert "nothing seen on parts of the kind MEA" in wrong.text
    assert answer.json()["faces"][0] == {
        "face": ANODE, "parts": 2, "counts": {"A1": 2, "B1": 1, "C3": 1},
    }  # fmt: skip
    assert (answer.json()["inspected"], answer.json()["chosen"]["parts"]) == (6, 4)
