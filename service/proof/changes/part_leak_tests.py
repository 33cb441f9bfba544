"""Leak tests of half plates and of parts of the pile by themselves: made, and ended by hand."""

from dataclasses import replace
from datetime import datetime

from service.limits.arithmetic.leak_figures import LeakFigures, PathLimit
from service.limits.arithmetic.leak_objects import PATHS
from service.limits.queries import LimitsInForce, limits_in_force
from service.platform import changes
from service.platform.arithmetic.errors import TradeError, placed
from service.platform.arithmetic.typed_fields import Typed, typed_quantity
from service.platform.arithmetic.units import Measure
from service.platform.audit import Event
from service.platform.database import Work
from service.platform.errors import Refused
from service.platform.permissions import Act, need
from service.proof.changes.stack_tests import Subject, leak_tested, refused_by_field
from service.proof.queries.part_leak_tests import part_leak_test
from service.proof.queries.tested_objects import PartsTested, TestedObject, tested_object
from service.proof.tables import Ending, PartLeakTest, PartLeakTested
from service.records.changes.deviations import Answered, Stands
from service.stacks.changes.rule_verdicts import judge_parts


def record_part_leak_test(
    work: Work,
    tested: PartsTested,
    *,
    typed: Typed,
    instrument_id: int,
    thermometer_id: int | None = None,
    meter_id: int | None = None,
    trace: str = "",
    stands: Stands | None = None,
    outside_because: str = "",
    note: str = "",
    done_at: datetime | None = None,
) -> int:
    """Record a leak test of parts outside a closed stack; give its number.

    ``typed`` holds the fields of a leak test, and may hold a ``limit`` of its own with its
    ``limit_source``, which goes before the design's. Raises as `record_leak_test`; Refused for
    parts that are no object of a test together, or sit in a closed stack.
    """
    need(work.by, Act.RECORD_WRITE)
    fixture = changes.optional_words("fixture", tested.fixture)
    at = changes.not_ahead("done_at", done_at, work.now) or work.now
    of = tested_object(work.session, tested)
    record, leak_object = of.record, of.leak_object
    design_id = tested.design_id or of.design_id
    limits = None if design_id is None else limits_in_force(work.session, design_id)
    figures, is_own = _figures(typed, of, limits)
    made = leak_tested(
        work,
        record,
        at,
        Subject(figures, of.cells, leak_object, as_tested=is_own),
        typed=typed,
        instrument_ids=(instrument_id, thermometer_id, meter_id),
        trace=trace,
        answered=Answered(stands, outside_because, "outside_because"),
    )
    row = PartLeakTest(
        leak_object=leak_object,
        fixture=fixture,
        record_id=record.id if record else None,
        done_at=at,
        note=changes.optional_words("note", note, most=changes.LONG_MOST),
        deviation=made.deviation.text if made.deviation else None,
        deviation_because=made.deviation.because if made.deviation else None,
        by_id=work.by.id,
        written_at=work.now,
        limit_set_id=limits.id if limits and not is_own else None,
        **made.columns,
    )
    work.session.add(row)
    work.session.flush()
    work.session.add_all(
        PartLeakTested(test_id=row.id, place=place, part_id=part.id)
        for place, part in enumerate(of.parts, 1)
    )
    work.session.flush()
    judge_parts(work, [part.id for part in of.parts])
    work.note(
        Event.PARTS_LEAK_TESTED,
        ("leak test", row.id, part_leak_test(work.session, row.id).label),
        [
            ("verdict", None, row.verdict),
            ("judged by", None, limits.name if limits and not is_own else typed.get("limit")),
            ("fixture", None, row.fixture or None),
            ("done at", None, at),
            *(made.deviation.as_changes if made.deviation else ()),
        ],
        reason=made.deviation.because if made.deviation else "",
        record_id=row.record_id,
    )
    return row.id


def end_part_leak_test(work: Work, test_id: int, *, ended_as: Ending, because: str) -> None:
    """Say that a leak test of parts counts no more: they were taken apart, or it is wrong."""
    need(work.by, Act.RECORD_WRITE)
    row = work.locked(PartLeakTest, test_id, "leak test")
    why = changes.reason(because, field="because")
    if row.ended_as is not None:
        raise Refused("ended_as", ended_as, f"it ended before, {row.ended_as}.")
    row.ended_at, row.ended_as, row.ended_because = work.now, ended_as, why
    row.ended_by_id = work.by.id
    work.session.flush()
    judge_parts(work, [part.part_id for part in part_leak_test(work.session, test_id).parts])
    work.note(
        Event.LEAK_TEST_ENDED,
        ("leak test", row.id, part_leak_test(work.session, row.id).label),
        [("counts", True, False), ("ended", None, ended_as)],
        reason=why,
        record_id=row.record_id,
    )


def _figures(
    typed: Typed, of: TestedObject, limits: LimitsInForce | None
) -> tuple[LeakFigures | None, bool]:
    """The figures a test is judged by, and whether the limit was given with it."""
    of_design = limits.figures.leak if limits else None
    try:
        own = typed_quantity(typed, "limit", "the limit", Measure.LEAK_RATE, "mbar·L/s")
        if own is None:
            return of_design and of_design.of_object(of.leak_object, of.cells), False
        source = changes.words(
            "limit_source", typed.get("limit_source", ""), "The drawing or order it stands in."
        )
        with placed("limit", gas="gas"):
            given = tuple(PathLimit(path, own, source) for path in PATHS[of.leak_object])
            base = of_design or LeakFigures(typed.get("gas", ""), (), ())
            return replace(base, limits=given, recipes=()), True
    except TradeError as trouble:
        raise refused_by_field(trouble, typed) from trouble
