"""Part types: made once, changed in their limits only as soon as something of them exists."""

from dataclasses import asdict, dataclass, replace
from typing import Any

from sqlalchemy import exists, func, select

from service.designs.queries import designs_naming
from service.physics.arithmetic.part_stiffness import PartStiffness, stiffness_as_data
from service.platform import changes as given
from service.platform.arithmetic.canonical import canonical_json
from service.platform.arithmetic.errors import TradeError
from service.platform.arithmetic.vocabulary import LAYER_KINDS, Back, Joint, Kind, Material, Side
from service.platform.audit import Change, Event
from service.platform.database import Work
from service.platform.errors import Refused
from service.platform.permissions import Act, need
from service.store.arithmetic.part_fields import ANY_TIME, PART_TYPE_FIELDS
from service.store.arithmetic.stiffness_form import FIELDS, stiffness_to_form
from service.store.changes.proposals import propose
from service.store.queries.part_types import read_stiffness
from service.store.tables import ChangeKind, Lot, Part, PartType


@dataclass(frozen=True, slots=True)
class PartTypeEntry:
    """Everything that is said of a part type. Thickness in mm, as fitted; hours in h.

    ``side`` is the gas a half plate meets, ``joint`` what a gasket seals, ``marked_face`` the
    face whose facing matters (None: either way round), ``counted`` items without serials.
    """

    kind: Kind
    name: str
    drawing_number: str
    revision: str
    material: Material
    thickness_mm: float | None = None
    side: Side | None = None
    back: Back = Back.NONE
    joint: Joint | None = None
    marked_face: str | None = None
    counted: bool = False
    renew_at_opening: bool = False
    openings_most: int | None = None
    hours_most: float | None = None
    shelf_life_months: int | None = None
    open_life_days: int | None = None


def make_part_type(work: Work, entry: PartTypeEntry) -> int:
    """Make a part type, or a new revision of one. Gives its id.

    Raises Refused naming the field: a drawing number with a revision that exists already, a half
    plate without its gas, a gasket without its joint, a layer without thickness.
    """
    need(work.by, Act.PART_WRITE)
    entry = _checked(work, entry)
    _refuse_taken(work, entry, but=None)
    row = PartType(**asdict(entry), made_at=work.now)
    work.session.add(row)
    work.session.flush()
    changes = given.trail_of(PART_TYPE_FIELDS, None, row)
    work.note(Event.PART_TYPE_MADE, ("part type", row.id, label(row)), changes)
    return row.id


def change_part_type(work: Work, part_type_id: int, entry: PartTypeEntry, *, reason: str) -> None:
    """Change a part type, with the reason.

    What it is (kind, drawing, material, thickness, faces) may change only while no lot or part of
    it exists, since layer maps of earlier builds are read by it; name and limits at any time.
    """
    need(work.by, Act.PART_WRITE)
    row = work.row(PartType, part_type_id, "part type")
    entry = _checked(work, entry)
    why = given.reason(reason)
    changed = given.trail_of(PART_TYPE_FIELDS, row, entry)
    fixed = [change for change in changed if change[0] not in ANY_TIME]
    if fixed and is_in_use(work, part_type_id):
        name, _, after = fixed[0]
        raise Refused(
            name,
            after,
            "parts of this type exist already, and their layer maps are read by it.",
            "A new revision of the part type would be right.",
        )
    naming = designs_naming(work.session, row.drawing_number, row.revision) if fixed else ()
    if naming:
        raise Refused(
            fixed[0][0],
            fixed[0][2],
            f"the pattern of {naming[0]} names this type.",
            "A new revision of the part type would be right.",
        )
    _refuse_taken(work, entry, but=part_type_id)
    for name, _, after in changed:
        setattr(row, name, after)
    work.note(Event.PART_TYPE_CHANGED, ("part type", part_type_id, label(row)), changed, reason=why)


def propose_stiffness(
    work: Work, part_type_id: int, stiffness: PartStiffness | None, *, reason: str
) -> int:
    """Propose what parts of a type give under load; None: not known any more. Gives its number.

    It is in force once somebody else approves it; closings already computed keep the inputs they
    came from. Raises Refused where the kind of part gives nothing of the sort, or nothing changes.
    """
    need(work.by, Act.LIMITS_WRITE)
    data = None if stiffness is None else stiffness_as_data(stiffness)
    row, changed, _content = _stiffness(work, part_type_id, data)
    why = given.reason(reason)
    subject = (part_type_id, label(row))
    return propose(work, ChangeKind.STIFFNESS, subject, {"stiffness": data}, changed, reason=why)


def put_stiffness_in_force(work: Work, part_type_id: int, data: Any, *, reason: str) -> None:
    """Keep a stiffness somebody else has approved, inside that change; ``data`` is plain."""
    need(work.by, Act.CHANGE_APPROVE)
    row, changed, content = _stiffness(work, part_type_id, data)
    row.stiffness = content
    work.note(
        Event.PART_TYPE_CHANGED, ("part type", part_type_id, label(row)), changed, reason=reason
    )


def _stiffness(
    work: Work, part_type_id: int, data: Any
) -> tuple[PartType, list[Change], str | None]:
    row = work.locked(PartType, part_type_id, "part type")
    content, stiffness = None, None
    if data is not None:
        content = canonical_json(data)
        try:
            stiffness = read_stiffness(row.kind, content)
        except TradeError as trouble:
            raise Refused("stiffness", row.kind.value, str(trouble)) from trouble
    if content == row.stiffness:
        raise Refused("stiffness", "", "nothing differs from what is kept.", "A change.")
    before = stiffness_to_form(read_stiffness(row.kind, row.stiffness))
    after = stiffness_to_form(stiffness)
    changed: list[Change] = [
        (field.label, before.get(field.name) or None, after.get(field.name) or None)
        for field in FIELDS[row.kind]
    ]
    return row, changed, content


def is_in_use(work: Work, part_type_id: int) -> bool:
    """Say whether there is a lot or part of this type."""
    lots = exists().where(Lot.part_type_id == part_type_id)
    parts = exists().where(Part.part_type_id == part_type_id)
    return bool(work.session.scalar(select(lots | parts)))


def label(row: PartType | PartTypeEntry) -> str:
    """Return what the trail calls a part type."""
    return f"{row.name}, {row.drawing_number} {row.revision}"


def _checked(work: Work, entry: PartTypeEntry) -> PartTypeEntry:
    kind, entry = entry.kind, given.checked(entry, PART_TYPE_FIELDS, work.now)
    if kind is Kind.HALF_PLATE and entry.side is None:
        raise Refused("side", "", "a half plate meets one gas.", "Fuel or air would be right.")
    if kind is Kind.GASKET and entry.joint is None:
        raise Refused("joint", "", "a gasket seals one joint.", "Gas or coolant would be right.")
    if kind in LAYER_KINDS and entry.thickness_mm is None:
        raise Refused(
            "thickness_mm",
            "",
            f"a {kind} is a layer of the pile, drawn to scale.",
            "Its thickness as fitted, in mm, would be right.",
        )
    if entry.counted and kind in {Kind.MEA, Kind.HALF_PLATE}:
        raise Refused(
            "counted",
            "yes",
            f"each {kind} has a life of its own.",
            "Serial numbers would be right.",
        )
    has_back = kind in {Kind.HALF_PLATE, Kind.CURRENT_COLLECTOR}
    return replace(
        entry,
        side=entry.side if kind in {Kind.HALF_PLATE, Kind.GASKET} else None,
        back=entry.back if has_back else Back.NONE,
        joint=entry.joint if kind is Kind.GASKET else None,
        marked_face=entry.marked_face or None,
    )


def _refuse_taken(work: Work, entry: PartTypeEntry, *, but: int | None) -> None:
    namesake = work.session.scalar(
        select(PartType.name).where(
            func.lower(PartType.drawing_number) == entry.drawing_number.lower(),
            func.lower(PartType.revision) == entry.revision.lower(),
            PartType.id != (but or 0),
        )
    )
    if namesake is not None:
        raise Refused(
            "revision",
            entry.revision,
            f"drawing {entry.drawing_number} has this revision already, as “{namesake}”.",
            "A revision that does not exist yet would be right.",
        )
