"""What keeps a record from being handed in, and what its approver should look at."""

import pytest
from sqlalchemy import Engine

from service.bench.changes.handing_in import hand_in
from service.bench.changes.layers import put_on
from service.bench.queries.missing import BLOCKS
from service.closing.changes.torque import read_torque
from service.platform.arithmetic.vocabulary import End, Kind, ReadingKind, Stage
from service.platform.database import reading
from service.platform.errors import Refused, RefusedTogether
from service.records.changes.bench_fixings import remove_fixing
from service.records.changes.bench_opening import close_stack, open_stack
from service.records.changes.make_safe import record_exception
from service.records.tables import RecordKind
from tests import builders
from tests.bench.at_the_bench import Bench, a_lab, what_is_missing
from tests.bench.test_bench import opened
from tests.bench.test_bench import reading as torque

UNCHECKED = "The layers are not checked: Tarn 1 A has no pattern in force."
"""Of a pile that nothing was compared with, “nothing is missing” would be a claim."""


def said(written: Bench) -> tuple[list[str], list[str]]:
    """Sentences that block, and remarks."""
    with reading(written.lab.engine) as session:
        found = what_is_missing(session, written.number)
    blocks = [one.sentence for one in found if one.severity == BLOCKS]
    return blocks, [one.sentence for one in found if one.severity != BLOCKS]


def test_a_rebuild_just_begun_lacks_everything(engine: Engine) -> None:
    blocks, remarks = said(a_lab(engine).begin())

    assert blocks == [
        "Make-safe is not recorded complete: lines 1, 2, 3.",
        "The opening is not recorded.",
        "The closing is not recorded.",
    ]
    assert remarks == [UNCHECKED]


def test_a_complete_rebuild_lacks_nothing(engine: Engine) -> None:
    written = opened(engine)
    lab = written.lab
    (part_id,) = written.lift()
    written.do(put_on, end=End.FREE, part_id=part_id)
    for number in (1, 2, 3):
        for rod in (1, 2, 3, 4):
            written.do(
                read_torque,
                **torque(lab, rod_number=rod, pass_number=number, entered=f"{3 * number}"),
            )
    written.do(close_stack)

    assert said(written) == ([], [UNCHECKED])
    written.do(hand_in, not_done={})


def test_a_pass_that_was_skipped_is_named_with_its_nuts(engine: Engine) -> None:
    """All at once from hand-tight to the last target, but for two nuts."""
    written = opened(engine)
    lab = written.lab
    for rod in (1, 2):
        written.do(read_torque, **torque(lab, rod_number=rod, pass_number=1, entered="3"))
    for rod in (1, 2, 3, 4):
        written.do(read_torque, **torque(lab, rod_number=rod, pass_number=3, entered="9"))

    _blocks, remarks = said(written)

    assert [one for one in remarks if "skipped" in one] == [
        "Pass 1 was skipped at rods 3, 4.",
        "Pass 2 was skipped at rods 1, 2, 3, 4.",
    ]


def test_remarks_name_what_is_odd_and_do_not_keep_anybody(engine: Engine) -> None:
    written = opened(engine)
    lab = written.lab
    lifted = written.lift(count=3)
    written.do(put_on, end=End.FREE, part_id=lifted[2])  # a gasket to be renewed
    sleeve = next(f for f in written.pile.fixings if f.kind is Kind.SLEEVE and f.rod_number == 3)
    written.do(remove_fixing, part_id=sleeve.part)
    for rod, value in ((1, "3"), (2, "3.2")):
        written.do(read_torque, **torque(lab, rod_number=rod, pass_number=1, entered=value))
    written.do(read_torque, **torque(lab, rod_number=1, pass_number=2, entered="6"))
    written.do(close_stack)

    blocks, remarks = said(written)

    assert blocks == []
    text = "\n".join(remarks)
    gasket = written.pile.layers[-1].label
    assert f"To be renewed at each opening, but put back: {gasket}." in text
    assert f"Lifted off and not put back: {', '.join(_labels(written, lifted[:2]))}, " in text
    assert sleeve.label in text
    assert "No sleeve is entered at rod 3." in text
    assert "No closing torque reading at rods 3, 4." in text
    assert "No reading in pass 2 at rod 2." in text
    assert "The design asks for 3 passes; 2 are entered." in text
    where = "The last reading at rods 1, 2 is further than 5\u2009% from the target of 9\u2009N·m."
    assert where in text
    written.do(hand_in)


def _labels(written: Bench, parts: list[int]) -> list[str]:
    by_part = {layer.part: layer.label for layer in written.pile.base}
    return [by_part[part] for part in parts]


def test_an_exception_and_unknown_hours_are_remarked(engine: Engine) -> None:
    written = a_lab(engine).begin()
    written.do(record_exception, reason="coolant ran out")
    written.do(open_stack, hours_unknown_because="the display is dark")

    _blocks, remarks = said(written)

    assert "Opened by an exception to make-safe: coolant ran out" in remarks
    assert "The hours at opening are not known: the display is dark" in remarks


def test_a_part_from_a_stack_still_open_waits_for_that_record(engine: Engine) -> None:
    written = opened(engine)
    lab = written.lab
    other_id = lab.rows(lambda s: builders.a_stack(s, cells=1, serial="TARN-008")).id
    other = lab.begin(stack_id=other_id)
    other.do(record_exception, reason="a test")
    other.do(open_stack, hours_unknown_because="no display")
    (part_id,) = other.lift()
    written.do(put_on, end=End.FREE, part_id=part_id)
    written.do(close_stack)

    blocks, _remarks = said(written)

    assert len(blocks) == 1
    assert f"still counts as fitted in TARN-008: hand in record {other.number} first" in blocks[0]
    with pytest.raises((Refused, RefusedTogether), match=f"hand in record {other.number} first"):
        written.do(hand_in)


def test_a_teardown_ends_with_nothing_left_or_closed(engine: Engine) -> None:
    written = a_lab(engine, cells=1).begin(RecordKind.TEARDOWN)
    written.open()
    written.lift()

    blocks, _remarks = said(written)
    assert blocks == ["10 layers still stand in the open stack: lift them off, or close it."]

    written.lift(count=10)
    assert said(written)[0] == []
    written.do(hand_in)


def test_a_re_torque_is_made_of_readings_and_an_inspection_of_whatever_was_seen(
    engine: Engine,
) -> None:
    lab = a_lab(engine)
    re_torque = lab.begin(RecordKind.RE_TORQUE)
    assert said(re_torque)[0] == ["No torque reading is entered, and a re-torque is one."]
    given = torque(lab, kind=ReadingKind.RESIDUAL, stage=Stage.CLOSING)
    re_torque.do(read_torque, **given)
    assert said(re_torque) == ([], ["No closing torque reading at rods 2, 3, 4."])
    re_torque.do(hand_in)

    inspection = lab.begin(RecordKind.INSPECTION)
    assert said(inspection) == ([], [])
    inspection.do(record_exception, reason="a test")
    inspection.do(open_stack, hours_unknown_because="no display")
    assert "The stack was opened and its closing is not recorded." in said(inspection)[0]
