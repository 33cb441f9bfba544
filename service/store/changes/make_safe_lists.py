"""Make-safe lists of the site: proposed by one person, in force once another approves."""

from collections.abc import Mapping, Sequence
from dataclasses import replace
from typing import Any

from sqlalchemy import select

from service.designs.tables import ChecklistLine, Design
from service.platform import changes as given
from service.platform.database import Work
from service.platform.errors import Question, Refused, RefusedTogether
from service.platform.permissions import Act, need
from service.store.arithmetic.identifiers import serial_key
from service.store.arithmetic.instruments import GasMatrix, Principle, kinds_that_read
from service.store.arithmetic.make_safe import (
    LINE_FIELDS,
    LeavesNone,
    LineAsked,
    SafeAct,
    differences,
    lines_as_data,
)
from service.store.changes.proposals import propose
from service.store.queries.make_safe_lists import (
    lines_of,
    list_label,
    make_safe_list,
    make_safe_lists,
)
from service.store.queries.proposals import proposals_of
from service.store.tables import ChangeKind, MakeSafeList


def begin_list(
    work: Work, act: SafeAct, place: str, lines: Sequence[LineAsked], *, source: str, reason: str
) -> int:
    """Propose the first version of a list for an act at a place, empty: everywhere. Gives its id.

    Raises Refused where the site has such a list.
    """
    need(work.by, Act.LIMITS_WRITE)
    name = given.optional_words("place", place)
    same = select(MakeSafeList.id).where(
        MakeSafeList.act == act,
        MakeSafeList.place_key == serial_key(name),
        MakeSafeList.carried_from == "",
    )
    if work.session.scalar(same) is not None:
        label = list_label(act, name)
        raise Refused("place", name, f"there is a list {label}.", "A new version of that list.")
    row = MakeSafeList(act=act, place=name, place_key=serial_key(name), made_at=work.now)
    work.session.add(row)
    work.session.flush()
    propose_list(work, row.id, lines, source=source, reason=reason)
    return row.id


def propose_list(
    work: Work, list_id: int, lines: Sequence[LineAsked], *, source: str, reason: str
) -> int:
    """Propose a new version of a list. Gives the proposal's id.

    Raises Refused where nothing differs from the newest one, RefusedTogether for lines that ask
    for what cannot be.
    """
    need(work.by, Act.LIMITS_WRITE)
    row = work.locked(MakeSafeList, list_id, "make-safe list")
    said_source = given.optional_words("source", source, most=1000)
    why = given.reason(reason)
    lines = _checked(work, lines)
    before = next(iter(proposals_of(work.session, ChangeKind.MAKE_SAFE_LIST, list_id)), None)
    changed = differences(lines_of(before) if before else (), lines)
    if not changed:
        raise Refused("lines", "", "nothing differs from the newest version.", "A change.")
    return propose(
        work,
        ChangeKind.MAKE_SAFE_LIST,
        (list_id, list_label(row.act, row.place, row.carried_from)),
        lines_as_data(lines),
        changed,
        source=said_source,
        reason=why,
    )


def withdraw_list(
    work: Work, list_id: int, *, reason: str, leaves_none: LeavesNone | None = None
) -> int:
    """Propose that a list be withdrawn; once somebody else approves it, it asks for nothing.

    Gives the proposal's id. Raises Question where its act would have no list, and Refused where
    none of it is in force.
    """
    need(work.by, Act.LIMITS_WRITE)
    row = work.locked(MakeSafeList, list_id, "make-safe list")
    why = given.reason(reason)
    label = list_label(row.act, row.place, row.carried_from)
    in_force = make_safe_list(work.session, list_id).in_force
    if in_force is None:
        raise Refused("list", label, "none of it is in force.", "Nothing to withdraw.")
    if leaves_none is None and _leaves_none(work, row):
        raise Question(
            "leaves_none",
            label,
            f"the {row.act} would have no list there.",
            "Have a list for everywhere approved first, or say that it is to have none.",
            answers={LeavesNone.YES.value: f"The {row.act} is to have no list"},
        )
    content = lines_as_data(()) | {"leaves_none": leaves_none is LeavesNone.YES}
    changed = differences(lines_of(in_force), ())
    kind = ChangeKind.MAKE_SAFE_LIST
    return propose(work, kind, (list_id, label), content, changed, reason=why)


def refuse_leaving_none(work: Work, list_id: int, content: Mapping[str, Any]) -> None:
    """Refuse, at its approval, a withdrawal that by now leaves an act without a list unsaid."""
    row = work.row(MakeSafeList, list_id, "make-safe list")
    if not content["lines"] and not content["leaves_none"] and _leaves_none(work, row):
        label = list_label(row.act, row.place, row.carried_from)
        reason = f"the {row.act} would have no list there by now."
        raise Refused("proposal", label, reason, "Propose the withdrawal again and say so.")


def _leaves_none(work: Work, row: MakeSafeList) -> bool:
    """Whether nothing stands for its act once a list is withdrawn."""
    if any(
        each.act is row.act and not each.place and not each.carried_from and each.in_force
        for each in make_safe_lists(work.session)
        if each.id != row.id
    ):
        return False
    bare = select(Design.id).where(
        ~select(ChecklistLine.id).where(ChecklistLine.design_id == Design.id).exists()
    )
    of_designs = row.carried_from or work.session.scalar(bare.limit(1)) is None
    return not (row.act is SafeAct.OPENING and of_designs)


def _checked(work: Work, lines: Sequence[LineAsked]) -> list[LineAsked]:
    if not lines:
        reason = "nothing would be checked before the act."
        raise Refused("lines", "", reason, "At least one line would be right.")
    wrong = [
        refusal
        for number, line in enumerate(lines, 1)
        for refusal in (
            *(_at(number, each) for each in given.refusals(line, LINE_FIELDS, work.now)),
            *_odd(number, line),
        )
    ]
    if wrong:
        raise RefusedTogether(wrong)
    return [
        replace(given.checked(line, LINE_FIELDS, work.now), number=number, unit=line.unit or None)
        for number, line in enumerate(lines, 1)
    ]


def _at(number: int, refusal: Refused) -> Refused:
    refusal.field = f"line_{number}_{refusal.field}"
    return refusal


def _odd(number: int, line: LineAsked) -> list[Refused]:
    """What of a line contradicts itself."""

    def refused(field: str, value: object, reason: str, right: str) -> Refused:
        return Refused(f"line_{number}_{field}", value, reason, right)

    least, most = line.reading_least, line.reading_most
    wrong: list[Refused] = []
    if (least is not None or most is not None) and not line.unit:
        reason = "a limit needs the unit of its reading."
        wrong.append(refused("unit", "", reason, "Such as V or kPa."))
    if least is not None and most is not None and least >= most:
        reason = "the upper limit is not above the lower one."
        wrong.append(refused("reading_most", f"{most:g}", reason, f"More than {least:g}."))
    if line.unit and line.good_minutes is None:
        reason = "a reading is good for some time only."
        wrong.append(refused("good_minutes", "", reason, "Minutes, such as 30."))
    if line.needs_instrument and not line.unit:
        reason = "an instrument reads a unit."
        wrong.append(refused("unit", "", reason, "Such as V or kPa."))
    if line.unit == "% vol" and line.instrument_kind is None:
        kinds = " or ".join(kinds_that_read(line.unit))
        reason = "instruments of several kinds read % vol."
        wrong.append(refused("instrument_kind", "", reason, f"A {kinds}."))
    kind = line.instrument_kind
    reads_gas = line.principle or line.gas_matrix or line.needs_bump_test
    if reads_gas and kind not in (None, *kinds_that_read("% vol")):
        reason = "principle, gas and bump test belong to an instrument for gases."
        right = f"A {' or '.join(kinds_that_read('% vol'))} would be right."
        wrong.append(refused("instrument_kind", kind, reason, right))
    if line.principle is Principle.CATALYTIC and line.gas_matrix is GasMatrix.INERT:
        reason = "a catalytic head reads low without oxygen."
        right = f"{Principle.THERMAL_CONDUCTIVITY}, or {GasMatrix.DILUTED}, would be right."
        wrong.append(refused("principle", line.principle, reason, right))
    return wrong
