"""Parts: serials unique in a type, and three axes each changed by its own function."""

from dataclasses import replace
from functools import partial
from typing import Any

import pytest
from sqlalchemy import Engine, select
from sqlalchemy.orm import Session

from service.platform.arithmetic.vocabulary import Usability, Whereabouts
from service.platform.errors import NotAllowed, Refused
from service.records.tables import Step, StepKind
from service.stacks.tables import Layer
from service.store.arithmetic.acceptance import Acceptance, Basis
from service.store.changes.part_axes import bring_back, judge_part, move_part, reserve_part
from service.store.changes.parts import PartEntry, add_part, change_part
from service.store.queries.part_lists import PartFilter, part_facts, part_in_forms, parts
from service.store.tables import Part
from tests import builders
from tests.operation.keeping import Lab, a_lab
from tests.turning import turned

LOOKED_AT = Acceptance(Basis.INSPECTION)

ALL = PartFilter(items=True)


@pytest.fixture
def lab(engine: Engine) -> Lab:
    return a_lab(engine)


def types(session: Session) -> builders.PartTypes:
    return builders.the_part_types(session)


def a_fitted_mea(lab: Lab) -> tuple[int, str]:
    """An MEA in a closed stack: its id and the stack's serial."""

    def make(session: Session) -> tuple[int, str]:
        stack = builders.a_stack(session, cells=1, serial="TARN-1")
        part = session.scalars(
            select(Part.id)
            .join(Layer, Layer.part_id == Part.id)
            .where(Part.part_type_id == types(session).mea.id)
        ).one()
        return part, stack.serial

    found: tuple[int, str] = lab.rows(make)
    return found


def test_a_serial_is_kept_as_typed_and_compared_without_case_and_space(lab: Lab) -> None:
    mea, blank = lab.rows(lambda s: (types(s).mea.id, types(s).blank_cell.id))
    with lab.work() as work:
        part_id = add_part(work, part_type_id=mea, entry=PartEntry(" Tel-0012b "))

    assert lab.get(Part, part_id).serial == "Tel-0012b"
    with pytest.raises(Refused, match="has a part “Tel-0012b” already"), lab.work() as work:
        add_part(work, part_type_id=mea, entry=PartEntry("TEL-0012B"))
    with lab.work() as work:  # another part type has its own serials
        add_part(work, part_type_id=blank, entry=PartEntry("TEL-0012B"))


@pytest.mark.parametrize(
    ("entry", "field"),
    [
        (PartEntry("  "), "serial"),
        (PartEntry("x" * 201), "serial"),
        (PartEntry("a\x07b"), "serial"),
        (PartEntry("N-1", hours_before=-1), "hours_before"),
        (PartEntry("N-1", hours_before=float("nan")), "hours_before"),
        (PartEntry("N-1", whereabouts=Whereabouts.FITTED), "whereabouts"),
        (PartEntry("N-1", whereabouts=Whereabouts.SCRAPPED), "whereabouts"),
        (PartEntry("N-1", usability=Usability.ON_HOLD), "usability"),
        (PartEntry("N-1", usability=Usability.UNDER_CONCESSION), "usability"),
    ],
)
def test_what_a_part_cannot_begin_with_is_refused_at_its_field(
    lab: Lab, entry: PartEntry, field: str
) -> None:
    mea = lab.rows(lambda s: types(s).mea.id)

    with pytest.raises(Refused) as refused, lab.work() as work:
        add_part(work, part_type_id=mea, entry=entry)

    assert refused.value.field == field
    assert refused.value.right_would_be


def test_a_counted_type_has_no_serials_and_a_lot_is_of_one_type(lab: Lab) -> None:
    gasket, mea, lot = lab.rows(
        lambda s: (
            types(s).gas_gasket.id,
            types(s).mea.id,
            builders.a_lot(s, types(s).gas_gasket).id,
        )
    )
    with pytest.raises(Refused, match="counted"), lab.work() as work:
        add_part(work, part_type_id=gasket, entry=PartEntry("G-1"))
    with pytest.raises(Refused, match="not a lot of"), lab.work() as work:
        add_part(work, part_type_id=mea, entry=PartEntry("N-1", lot_id=lot))


def test_a_builder_adds_parts_but_does_not_accept_them(lab: Lab) -> None:
    mea = lab.rows(lambda s: types(s).mea.id)

    with lab.work(lab.builder) as work:
        part_id = add_part(work, part_type_id=mea, entry=PartEntry("N-1"))
    assert lab.get(Part, part_id).usability is Usability.NOT_INSPECTED
    with pytest.raises(NotAllowed), lab.work(lab.builder) as work:
        add_part(work, part_type_id=mea, entry=PartEntry("N-2", usability=Usability.ACCEPTED))
    with pytest.raises(NotAllowed), lab.work(lab.builder) as work:
        judge_part(work, part_id, usability=Usability.ACCEPTED, reason="looks good")


def test_each_axis_moves_alone_and_leaves_its_entry_with_the_reason(lab: Lab) -> None:
    part_id = lab.rows(lambda s: builders.a_part(s, types(s).mea).id)
    stack_id = lab.rows(lambda s: builders.a_stack(s, serial="TARN-5").id)

    with lab.work() as work:
        move_part(
            work, part_id, whereabouts=Whereabouts.AWAY, place="Beck Ltd", reason="to be measured"
        )
    entry = lab.last_entry()
    assert (entry.act, entry.reason) == ("part:moved", "to be measured")
    with lab.work() as work:
        reserve_part(work, part_id, stack_id=stack_id, reason="cell 3")
    with lab.work() as work:
        judge_part(work, part_id, usability=Usability.REJECTED, reason="pinhole")

    part = lab.get(Part, part_id)
    assert (part.whereabouts, part.place) == (Whereabouts.AWAY, "Beck Ltd")
    assert part.usability is Usability.REJECTED
    assert part.reserved_for_stack_id == stack_id


@pytest.mark.parametrize("change", ["move", "judge", "reserve", "edit"])
def test_no_axis_moves_without_a_reason(lab: Lab, change: str) -> None:
    part_id = lab.rows(lambda s: builders.a_part(s, types(s).mea).id)
    changes: dict[str, Any] = {
        "move": lambda w: move_part(w, part_id, whereabouts=Whereabouts.AWAY, place="", reason=" "),
        "judge": lambda w: judge_part(w, part_id, usability=Usability.REJECTED, reason=""),
        "reserve": lambda w: reserve_part(w, part_id, stack_id=None, reason=""),
        "edit": lambda w: change_part(w, part_id, PartEntry("N"), reason=""),
    }

    with pytest.raises(Refused) as refused, lab.work() as work:
        changes[change](work)

    assert refused.value.field == "reason"


def test_only_a_rebuild_record_fits_a_part_or_takes_it_out(lab: Lab) -> None:
    part_id, stack = a_fitted_mea(lab)
    free_id = lab.rows(lambda s: builders.a_part(s, types(s).mea).id)

    with pytest.raises(Refused, match=f"fitted in stack {stack}"), lab.work() as work:
        move_part(work, part_id, whereabouts=Whereabouts.IN_STORE, place="", reason="why not")
    for place in (Whereabouts.FITTED, Whereabouts.LIFTED_OFF):
        with pytest.raises(Refused, match="only a rebuild record"), lab.work() as work:
            move_part(work, free_id, whereabouts=place, place="", reason="why not")


def test_a_part_lifted_off_stays_with_its_record_until_that_is_handed_in(lab: Lab) -> None:
    part_id, _stack = a_fitted_mea(lab)

    def lift(session: Session) -> int:
        part = session.get_one(Part, part_id)
        stack = part.stack_id
        record = builders.a_record(session, session.get_one(builders.Stack, stack))
        session.add(
            Step(
                record_id=record.id,
                sequence=1,
                kind=StepKind.LIFTED_OFF,
                part_id=part_id,
                standing=False,
                whereabouts_before=Whereabouts.FITTED,
                done_at=builders.FIRST_CLOSING,
                written_at=builders.FIRST_CLOSING,
                by_id=lab.builder.id,
            )
        )
        part.whereabouts, part.stack_id = Whereabouts.LIFTED_OFF, None
        return record.id

    record_id = lab.rows(lift)

    with pytest.raises(Refused, match=f"record {record_id}, which is still"), lab.work() as work:
        move_part(work, part_id, whereabouts=Whereabouts.SCRAPPED, place="", reason="torn")


def test_what_is_scrapped_comes_back_only_by_a_reversal_and_not_inspected(lab: Lab) -> None:
    part_id = lab.rows(lambda s: builders.a_part(s, types(s).mea).id)
    with lab.work(lab.builder) as work:
        move_part(work, part_id, whereabouts=Whereabouts.SCRAPPED, place="bin", reason="torn")
    back: dict[str, Any] = {
        "whereabouts": Whereabouts.IN_STORE,
        "place": "shelf 2",
        "reason": "it was N-2 that was torn",
    }

    with pytest.raises(Refused, match="does not come back by moving"), lab.work() as work:
        move_part(work, part_id, **back)
    with pytest.raises(NotAllowed), lab.work(lab.builder) as work:
        bring_back(work, part_id, **back)
    with lab.work(lab.quality) as work:
        bring_back(work, part_id, **back)

    part = lab.get(Part, part_id)
    assert (part.whereabouts, part.usability) == (Whereabouts.IN_STORE, Usability.NOT_INSPECTED)
    assert lab.last_entry().reason.startswith("Scrapping reversed")


def test_scrapping_frees_a_reservation(lab: Lab) -> None:
    part_id = lab.rows(lambda s: builders.a_part(s, types(s).mea).id)
    stack_id = lab.rows(lambda s: builders.a_stack(s).id)
    with lab.work() as work:
        reserve_part(work, part_id, stack_id=stack_id, reason="cell 3")

    with lab.work() as work:
        move_part(work, part_id, whereabouts=Whereabouts.SCRAPPED, place="", reason="torn")

    assert lab.get(Part, part_id).reserved_for_stack_id is None


def test_a_part_that_was_fitted_is_accepted_used_never_as_new(lab: Lab) -> None:
    part_id, _stack = a_fitted_mea(lab)

    with pytest.raises(Refused, match="accepted used"), lab.work() as work:
        judge_part(work, part_id, usability=Usability.ACCEPTED, reason="fine")
    with lab.work() as work:
        judge_part(
            work,
            part_id,
            usability=Usability.ACCEPTED_USED,
            reason="fine",
            acceptance=LOOKED_AT,
        )


def test_a_part_reserved_for_one_stack_is_freed_before_another_gets_it(lab: Lab) -> None:
    part_id = lab.rows(lambda s: builders.a_part(s, types(s).mea).id)
    one, two = lab.rows(lambda s: (builders.a_stack(s).id, builders.a_stack(s).id))
    with lab.work() as work:
        reserve_part(work, part_id, stack_id=one, reason="cell 3")

    with pytest.raises(Refused, match="reserved for stack"), lab.work() as work:
        reserve_part(work, part_id, stack_id=two, reason="cell 4")
    with lab.work() as work:
        reserve_part(work, part_id, stack_id=None, reason="not needed")
    with lab.work() as work:
        reserve_part(work, part_id, stack_id=two, reason="cell 4")


@pytest.mark.both_engines
def test_a_serial_typed_wrong_changes_only_while_no_record_names_the_part(lab: Lab) -> None:
    free = lab.rows(lambda s: builders.a_part(s, types(s).mea, serial="N-I").id)
    fitted, _stack = a_fitted_mea(lab)
    said = PartEntry("N-1", hours_before=3.0)
    with lab.work() as work:
        change_part(work, free, said, reason="I and 1")
    assert lab.get(Part, free).serial == "N-1"

    with pytest.raises(Refused, match="records name this part"), lab.work() as work:
        change_part(work, fitted, replace(said, serial="N-2"), reason="I and 1")
    serial = lab.get(Part, fitted).serial
    with lab.work() as work:  # hours and notes may still change
        change_part(work, fitted, replace(said, serial=serial or ""), reason="I and 1")
    assert lab.get(Part, fitted).hours_before == 3.0


@pytest.mark.parametrize(
    ("measured", "right"),
    [
        (0.0, "above 0"),
        (-0.4, "above 0"),
        (480.0, "480 µm would be 0.48 mm"),
        (5.1, "at most 5 mm"),
    ],
)
def test_a_thickness_no_part_of_the_type_can_measure_is_refused(
    lab: Lab, measured: float, right: str
) -> None:
    """Naming field, value and what would be right: the MEA's type is 0.5 mm thick."""
    mea = lab.rows(lambda s: types(s).mea.id)

    entry = PartEntry("N-1", measured_thickness_mm=measured)
    with pytest.raises(Refused) as refused, lab.work() as work:
        add_part(work, part_type_id=mea, entry=entry)

    assert refused.value.field == "measured_thickness_mm"
    assert right in refused.value.right_would_be


def test_a_measured_thickness_is_kept_changed_and_remarked_on(lab: Lab) -> None:
    """Within a fifth of the type's nothing is said; beyond it, how much; the trail keeps both."""
    mea = lab.rows(lambda s: types(s).mea.id)
    with lab.work() as work:
        part_id = add_part(
            work, part_type_id=mea, entry=PartEntry("N-1", measured_thickness_mm=0.48)
        )
    assert '"measured thickness", null, 0.48' in lab.last_entry().changes
    with Session(lab.engine) as session:
        facts = part_facts(session, part_id)
        assert (facts.measured_thickness_mm, facts.remarks) == (0.48, {})

    with lab.work() as work:
        change_part(
            work,
            part_id,
            PartEntry("N-1", measured_thickness_mm=0.35),
            reason="measured again",
        )

    assert '"measured thickness", 0.48, 0.35' in lab.last_entry().changes
    with Session(lab.engine) as session:
        facts = part_facts(session, part_id)
    assert facts.remarks == {
        "measured_thickness_mm": "30\u2009% less than the 0.5\u2009mm of its type."
    }


@pytest.mark.both_engines
def test_the_list_filters_along_all_axes_and_pages_by_keyset(lab: Lab) -> None:
    def make(session: Session) -> tuple[int, int]:
        kinds = types(session)
        lot = builders.a_lot(session, kinds.mea, label="L-7")
        for number in range(5):
            builders.a_part(session, kinds.mea, serial=f"Q-{number}", lot=lot)
        builders.a_part(
            session, kinds.mea, serial="R-1", usability=Usability.REJECTED,
            whereabouts=Whereabouts.AWAY,
        )  # fmt: skip
        builders.a_part(session, kinds.gas_gasket)
        return lot.id, kinds.mea.id

    lot_id, mea = lab.rows(make)
    with Session(lab.engine) as session:

        def labels(wanted: PartFilter) -> list[str]:
            return [row.label for row in parts(session, wanted).rows]

        assert labels(PartFilter(begins_with="q-")) == ["Q-0", "Q-1", "Q-2", "Q-3", "Q-4"]
        assert labels(PartFilter(usability=Usability.REJECTED)) == ["R-1"]
        assert labels(PartFilter(whereabouts=Whereabouts.AWAY)) == ["R-1"]
        assert len(labels(PartFilter(lot_id=lot_id))) == 5
        assert len(labels(PartFilter(part_type_id=mea))) == 6
        assert len(labels(ALL)) == len(labels(PartFilter())) + 1
        for wanted in (PartFilter(begins_with="Q"), PartFilter(lot_id=lot_id), PartFilter()):
            there, back = turned(partial(parts, session, wanted), 2)
            assert [row.label for row in there] == labels(wanted)
            assert back == there


def test_the_forms_of_a_part_know_whether_records_name_it(lab: Lab) -> None:
    fitted, _stack = a_fitted_mea(lab)
    free = lab.rows(lambda s: builders.a_part(s, types(s).mea).id)

    with Session(lab.engine) as session:
        assert part_in_forms(session, fitted).in_a_record
        assert part_in_forms(session, fitted).was_fitted
        assert not part_in_forms(session, free).in_a_record
