"""Bench paper: what a record asks for as lines to fill in by hand, and their sheets.

The lines are entries of the bench (``ENTRIES``); paper and late entry have them in one order.
"""

from collections.abc import Collection, Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass, field
from math import ceil
from typing import Literal

from sqlalchemy.orm import Session

from service.bench.queries import choices
from service.bench.queries.rebuild_records import RecordView, record_view
from service.closing.arithmetic.torque_bands import target_of_pass
from service.closing.queries.build_torques import checks_asked
from service.designs.arithmetic.grammar_text import name as called
from service.designs.arithmetic.pile import Layer
from service.limits.arithmetic.leak_figures import LeakFigures
from service.limits.arithmetic.leak_paths import SET_UPS, SetUp
from service.limits.arithmetic.leak_recipes import Wetness
from service.limits.queries import limits_in_force
from service.physics.arithmetic.conditions import (
    NONE_SEEN,
    NOT_INSPECTED,
    SEVERITIES,
    faces_of,
)
from service.physics.arithmetic.gases import TEST_GASES
from service.planning.queries.plans import KeptPlan, against, plan_of_record
from service.platform.arithmetic.pressures import Zero
from service.platform.arithmetic.vocabulary import End, Facing, Kind, Press, ReadingKind, Stage
from service.platform.pages.render import quantity
from service.proof.arithmetic.electrical_tests import ShortMethod
from service.proof.arithmetic.leak_tests import Method
from service.proof.pages.stack_tests import CONDITIONS, SHORTS, key_of
from service.proof.queries.stack_tests import made_in_record
from service.records.arithmetic.lab_words import LabWords
from service.records.queries.lab_words import newest_words
from service.records.queries.working_piles import WorkingPile, working_pile
from service.records.tables import ToolCheck
from service.stacks.pages.layer_pictures import faces_in_words
from service.store.arithmetic.instruments import InstrumentKind

ROWS = 19
"""Rows of one A4 sheet, 10.5 mm each; a heading with its column heads takes two."""
SIGNS = 64
"""Signs of a line's words that one row takes."""
BLANKS = 3
"""Blanks to write in, side by side in one row."""
CELLS = 12
"""Cells of a check for shorts in one line."""
SPARE_FIXINGS, SPARE_LAYERS = 4, 12

Choice = tuple[int | str, str]


@dataclass(frozen=True, slots=True)
class Write:
    """One thing that is written by hand, and the field it is entered in."""

    name: str
    label: str
    asks: Literal["number", "text", "serial", "tick", "choice", "boxes", "squares"] = "text"
    unit: str = ""
    choices: tuple[Choice, ...] = ()
    on_paper: bool = True
    begins_with: str = ""
    """what its field holds before anybody typed"""


@dataclass(frozen=True, slots=True)
class PaperLine:
    """One line: what is done, what is written; ``facts`` are those nobody writes.

    ``planned`` are the facts of a line that was done as planned. ``entry`` empty: what is written
    belongs to the entry of the line ``into``.
    """

    key: str
    entry: str
    words: str
    due: str
    writes: tuple[Write, ...]
    time: str = "done_at"
    facts: Mapping[str, str] = field(default_factory=dict)
    planned: Mapping[str, str] = field(default_factory=dict)
    is_done: bool = False
    into: str = ""

    @property
    def fields(self) -> str:
        """What the names of its fields begin with."""
        return self.into or self.key

    @property
    def rows(self) -> int:
        """How many rows of a sheet it takes."""
        blanks = 0 if self.is_done else sum(write.on_paper for write in self.writes)
        return max(1, ceil(len(self.words) / SIGNS), ceil(blanks / BLANKS))


@dataclass(frozen=True, slots=True)
class Section:
    """Lines of one kind; ``common`` is chosen once for all of them."""

    key: str
    title: str
    note: str
    lines: tuple[PaperLine, ...]
    common: tuple[Write, ...] = ()


@dataclass(frozen=True, slots=True)
class OnSheet:
    """The lines of a section that stand on one sheet, numbered from ``first``."""

    section: Section
    lines: tuple[PaperLine, ...]
    first: int

    @property
    def title(self) -> str:
        """The section's title; from its second sheet on it says so."""
        return self.section.title + (", continued" if self.first > 1 else "")


@dataclass(frozen=True, slots=True)
class Paper:
    """Everything a record asks for, in the order it is done."""

    view: RecordView
    plan: KeptPlan | None
    sections: tuple[Section, ...]
    by_click: bool
    """whether its nuts are tightened with a click tool, which gives no reading"""

    @property
    def lines(self) -> tuple[PaperLine, ...]:
        """All lines in their order."""
        return tuple(line for section in self.sections for line in section.lines)

    @property
    def fields(self) -> frozenset[str]:
        """The names of all fields in which lines are entered."""
        return frozenset(
            f"{line.fields}.{write.name}" for line in self.lines for write in line.writes
        )


def sheets(sections: Iterable[Section], rows: int = ROWS) -> tuple[tuple[OnSheet, ...], ...]:
    """Return what stands on each sheet; a heading never stands alone at the foot of one."""
    pages: list[tuple[OnSheet, ...]] = []
    sheet: list[OnSheet] = []
    remaining = rows
    for section in sections:
        first, on_page = 1, list[PaperLine]()
        remaining -= 2
        for line in section.lines:
            if line.rows > remaining:
                if on_page:
                    sheet.append(OnSheet(section, tuple(on_page), first))
                if sheet:
                    pages.append(tuple(sheet))
                first, on_page, sheet, remaining = first + len(on_page), [], [], rows - 2
            on_page.append(line)
            remaining -= line.rows
        if on_page:
            sheet.append(OnSheet(section, tuple(on_page), first))
    return (*pages, tuple(sheet)) if sheet else tuple(pages)


def paper_of(session: Session, record_id: int, *, by_click: bool = False) -> Paper:
    """Return the lines of a record; a constant number of statements. Raises NotFound.

    ``by_click``: its nuts are tightened with a click tool; so they are once one is set.
    """
    view, pile = record_view(session, record_id), working_pile(session, record_id)
    by_click = by_click or bool(view.settings)
    plan = plan_of_record(session, record_id)
    words = newest_words(session)[1]
    people: tuple[Choice, ...] = choices.people_to_choose(session)
    tools: tuple[Choice, ...] = choices.instruments_to_choose(session)
    drivers = choices.instruments_to_choose(session, InstrumentKind.TORQUE_DRIVER)
    limits = limits_in_force(session, view.head.design_id)
    leak = limits.figures.leak if limits else None
    tests_done = {key_of(test) for test in made_in_record(session, record_id) if test.stands}
    driver = Write("instrument_id", "Torque driver", "choice", choices=drivers)
    closing_driver = driver
    if by_click:
        click_tools = choices.instruments_to_choose(
            session, InstrumentKind.TORQUE_DRIVER, reads=False
        )
        closing_driver = Write("instrument_id", "Click tool", "choice", choices=click_tools)
    testers = choices.instruments_to_choose(session, InstrumentKind.TORQUE_TESTER)
    checks = checks_asked(view.entries, view.rods)
    row = (
        Section("make-safe", "Make safe", "", tuple(_make_safe(view, people, tools))),
        Section(
            "as-found",
            "Torque as found",
            "before loosening, breakaway",
            tuple(_torque(view, Stage.AS_FOUND, 1)),
            (driver,),
        ),
        Section("opening", "Open", "", tuple(_opening(view))),
        Section(
            "lift",
            "Lift off",
            "write what is seen, or nothing found",
            tuple(_lifts(words, pile, plan)),
        ),
        Section(
            "put-on", "Put on", "from the fixed end of the open pile", tuple(_lays(pile, plan))
        ),
        Section("fixings", "Fixings exchanged", "", tuple(_fixings(view))),
        *(
            Section(
                f"torque-{number}",
                f"Torque, pass {number} of {view.head.passes}",
                "nuts in tightening order",
                tuple(
                    _pressed(view, number, testers)
                    if by_click
                    else _torque(view, Stage.CLOSING, number)
                ),
                (closing_driver,),
            )
            for number in range(1, view.head.passes + 1)
        ),
        Section(
            "checks",
            "Closing checks",
            "",
            tuple(
                PaperLine(
                    f"check.{check.check.number}.{check.rod_number or 0}",
                    "closing-check",
                    check.check.wording + (f", rod {check.rod_number}" if check.rod_number else ""),
                    "",
                    (Write("reading_mm", "reading", "number", "mm"),)
                    if check.check.is_measured
                    else (Write("done", "done", "tick"),),
                    facts={"check": check.check.value, "rod_number": str(check.rod_number or "")},
                    is_done=check.is_done,
                )
                for check in checks
            ),
            (Write("instrument_id", "Instrument", "choice", choices=tools),),
        ),
        Section("close", "Close", "", tuple(_closing(view))),
        Section(
            "leak-tests",
            "Tests: leaks",
            "by pressure decay",
            tuple(_leak_tests(leak, tests_done)),
            _leak_common(session, leak),
        ),
        Section(
            "insulation-tests",
            "Tests: insulation",
            "all cells bonded together, no hydrogen",
            tuple(_insulation_tests(tests_done)),
            (
                _tool(session, "instrument_id", "Tester", InstrumentKind.INSULATION_TESTER),
                Write("test_voltage", "Voltage of the tester", "number", "V"),
            ),
        ),
        Section(
            "short-check",
            "Tests: shorts",
            "one value a cell, cell 1 at the fixed end",
            tuple(_short_check(_cells(pile, plan), is_done=SHORTS in tests_done)),
            (
                _tool(session, "instrument_id", "Multimeter", InstrumentKind.MULTIMETER),
                Write(
                    "way",
                    "What is measured",
                    "choice",
                    choices=tuple((way.value, way.value) for way in ShortMethod),
                    begins_with=ShortMethod.RESISTANCE,
                ),
            ),
        ),
    )
    return Paper(view, plan, tuple(section for section in row if section.lines), by_click)


def _make_safe(
    view: RecordView, people: tuple[Choice, ...], tools: tuple[Choice, ...]
) -> Iterator[PaperLine]:
    if not view.head.opens:
        return
    for row in view.checklist:
        line = row.asked
        writes = [
            Write("reading", "reading", "number", line.unit)
            if line.unit
            else Write("done", "done", "tick")
        ]
        if line.needs_instrument or line.unit:
            writes.append(Write("instrument_id", "instrument", "choice", choices=tools))
        writes.append(Write("person_id", "done by", "choice", choices=people, on_paper=False))
        if line.needs_witness:
            writes.append(Write("witness_id", "witness", "choice", choices=people))
        most = line.reading_most
        yield PaperLine(
            f"safe.{line.number}",
            "make-safe",
            line.wording,
            f"at most {quantity(most, line.unit or '')}" if most is not None else "",
            tuple(writes),
            facts={"line_number": str(line.number)},
            is_done=row.entry is not None,
        )


def _torque(view: RecordView, stage: Stage, number: int) -> Iterator[PaperLine]:
    head, is_closing = view.head, stage is Stage.CLOSING
    if not is_closing and not head.opens:
        return
    read = view.torque(stage).counting
    due = _aimed_at(view, number) if is_closing else ""
    kind = ReadingKind.SET if is_closing else ReadingKind.BREAKAWAY
    for rod in view.rods:
        yield PaperLine(
            f"nut.{'closing' if is_closing else 'found'}.{number}.{rod}",
            "torque",
            f"Nut {rod}",
            due,
            (Write("entered", "read", "number", "N·m"),),
            "taken_at",
            facts={
                "rod_number": str(rod),
                "pass_number": str(number),
                "stage": stage.value,
                "kind": kind.value,
            },
            is_done=(number, rod) in read,
        )


def _aimed_at(view: RecordView, number: int) -> str:
    head = view.head
    due = quantity(target_of_pass(head.target_nm, number, head.passes), "N·m", 2)
    is_last = number == head.passes
    return due + (f" ± {quantity(head.tolerance_percent, '%')}" if is_last else "")


def _pressed(view: RecordView, number: int, testers: tuple[Choice, ...]) -> Iterator[PaperLine]:
    """A pass with a click tool: what it is set to, a box to tick for each nut, the check after."""
    setting = view.settings.get(number)
    pressed = view.torque(Stage.CLOSING).counting
    facts = {"pass_number": str(number)}
    writes = (
        Write("entered", "set to", "number", "N·m"),
        Write("checked", "tester reads", "number", "N·m"),
        Write("tester_id", "tester", "choice", choices=testers),
    )
    yield PaperLine(
        f"tool.before.{number}",
        "tool-setting",
        "Set the click tool and check it",
        _aimed_at(view, number),
        writes,
        facts=facts | {"moment": ToolCheck.BEFORE.value},
        is_done=setting is not None and setting.before is not None,
    )
    boxes: tuple[Choice, ...] = tuple((press.value, press.value) for press in Press)
    for rod in view.rods:
        yield PaperLine(
            f"nut.pressed.{number}.{rod}",
            "nut-pressed",
            f"Nut {rod}",
            "",
            (Write("press", "how it answered", "boxes", choices=boxes),),
            "taken_at",
            facts=facts | {"rod_number": str(rod)},
            is_done=(number, rod) in pressed,
        )
    yield PaperLine(
        f"tool.after.{number}",
        "tool-setting",
        "Check the click tool again",
        "",
        writes,
        facts=facts | {"moment": ToolCheck.AFTER.value},
        is_done=setting is not None and setting.after is not None,
    )


def _opening(view: RecordView) -> Iterator[PaperLine]:
    if view.head.opens:
        yield PaperLine(
            "open",
            "open",
            "Release the clamp",
            "",
            (
                Write("hours", "hour meter", "number", "h"),
                Write("hours_unknown_because", "or why not known"),
            ),
            "opened_at",
            is_done=view.head.opened_at is not None,
        )


def _closing(view: RecordView) -> Iterator[PaperLine]:
    yield PaperLine(
        "close",
        "close",
        "The stack is closed",
        "",
        (Write("hours", "hour meter", "number", "h"), Write("done", "done", "tick")),
        "closed_at",
        is_done=view.head.closed_at is not None,
    )


def _lifts(words: LabWords, pile: WorkingPile, plan: KeptPlan | None) -> Iterator[PaperLine]:
    """What the plan lifts off; without one the whole pile from the free end."""
    part_ids = {layer.part for layer in pile.pile.kept}
    if plan is None:
        to_lift = [(End.FREE, layer, "") for layer in reversed(pile.base)]
    else:
        before = {layer.position: layer for layer in plan.document.before}
        to_lift = [(x.end, before[x.position], x.then) for x in plan.document.lift_off]
    for end, layer, then in to_lift:
        conditions: tuple[Choice, ...] = (
            (NONE_SEEN, "nothing found"),
            (NOT_INSPECTED, "not inspected"),
            *((word.word, word.word) for word in words.of(layer.kind)),
        )
        yield PaperLine(
            f"lift.{layer.part}",
            "lift",
            _layer_words(layer, end),
            then,
            (
                Write("condition", "seen", "choice", choices=conditions),
                Write("severity", "severity 0–3", "choice", choices=tuple(SEVERITIES.items())),
                Write("face", "face", "boxes", choices=tuple((x, x) for x in faces_of(layer.kind))),
                Write("places", "squares, such as A1 B2", "squares"),
                Write("finding_note", "words", on_paper=False),
            ),
            facts={"end": end.value, "part_id": str(layer.part)},
            is_done=layer.part not in part_ids,
        )


def _lays(pile: WorkingPile, plan: KeptPlan | None) -> Iterator[PaperLine]:
    """What the plan puts on; without one empty lines for the free end."""
    lot_field = Write("scanned", "serial or lot", "serial")
    facing = Write("facing", "marked face toward", "choice", choices=_FACINGS)
    if plan is None:
        for number in range(1, SPARE_LAYERS + 1):
            end = {"end": End.FREE.value}
            yield PaperLine(
                f"lay.{number}",
                "put-on",
                "Layer at the free end",
                "",
                (lot_field, facing),
                facts=end,
            )
        return
    document = plan.document
    to_put_on = set(against(plan, pile, is_being_written=True).to_put_on)
    after = {layer.position: layer for layer in document.after}
    lots = {
        pick.position: pick.lot or pick.label.removeprefix("lot ")
        for pick in document.picks
        if pick.part is None
    }
    for line in document.put_on:
        layer = after[line.position]
        label = lots.get(line.position, layer.label)
        planned = {"scanned": label, "facing": layer.facing.value}
        if layer.part > 0:
            planned |= {"part_id": str(layer.part), "scanned": ""}
        yield PaperLine(
            f"lay.{line.end.value[:5].strip()}.{line.position}",
            "put-on",
            _layer_words(layer, line.end, label),
            faces_in_words(layer.facing.value, document.marked_faces.get(layer.part_type)),
            (
                Write("planned", "as planned", "tick"),
                Write("scanned", "other", "serial"),
                Write("facing", "marked face toward", "choice", choices=_FACINGS, on_paper=False),
                Write("departs_because", "why another", on_paper=False),
            ),
            facts={"end": line.end.value},
            planned={} if line.wanting else planned,
            is_done=line not in to_put_on,
        )


_FACINGS: tuple[Choice, ...] = tuple((facing.value, facing.value) for facing in Facing)


def _layer_words(layer: Layer, end: End, label: str = "") -> str:
    label = label or layer.label
    words = called(layer)
    cell = f", cell {layer.cell}" if layer.cell else ""
    label_words = "" if label == words else f" {label}"
    return f"{words}{label_words}{cell}, layer {layer.position}, {end}"


def _fixings(view: RecordView) -> Iterator[PaperLine]:
    places: tuple[Choice, ...] = (
        *((str(rod), f"rod {rod}") for rod in sorted(view.rods)),
        *((end.value, end.value) for end in End),
    )
    for number in range(1, SPARE_FIXINGS + 1):
        yield PaperLine(
            f"fix.{number}",
            "fit-fixing",
            "Fixing put in",
            "",
            (
                Write("scanned", "serial or lot", "serial"),
                Write("place", "rod or end", "choice", choices=places),
            ),
        )


def _tool(session: Session, name: str, label: str, kind: InstrumentKind) -> Write:
    """The instrument of all tests of a kind; the only one there is stands there to begin with."""
    tools = choices.instruments_to_choose(session, kind)
    only = str(tools[0][0]) if len(tools) == 1 else ""
    return Write(name, label, "choice", choices=tools, begins_with=only)


def _leak_common(session: Session, leak: LeakFigures | None) -> tuple[Write, ...]:
    gases: tuple[Choice, ...] = tuple((gas.name, gas.name) for gas in TEST_GASES)
    zeros: tuple[Choice, ...] = ((Zero.GAUGE, Zero.GAUGE), (Zero.ABSOLUTE, Zero.ABSOLUTE))
    gas = leak.gas if leak else ""
    return (
        _tool(session, "instrument_id", "Gauge", InstrumentKind.PRESSURE_GAUGE),
        _tool(session, "thermometer_id", "Thermometer", InstrumentKind.THERMOMETER),
        _tool(session, "meter_id", "Flow meter", InstrumentKind.FLOW_METER),
        Write("barometer", "Ambient pressure", "number", "kPa"),
        Write("gas", "Test gas", "choice", choices=gases, on_paper=False, begins_with=gas),
        Write(
            "zero", "Pressures are", "choice", choices=zeros, on_paper=False, begins_with=Zero.GAUGE
        ),
    )


def _steps() -> tuple[Write, ...]:
    """What a recipe asks to be written down of its steps."""
    states = tuple((str(state), str(state)) for state in Wetness)
    return (
        Write("state", "state", "choice", choices=states),
        Write("ramp_time", "ramp", "number", "min"),
        Write("settled", "stabilised", "number", "min"),
        Write("most_pressure", "highest", "number", "kPa"),
        Write("relief", "relief set to", "number", "kPa"),
    )


def _leak_tests(leak: LeakFigures | None, tests_done: Collection[str]) -> Iterator[PaperLine]:
    """Tests by pressure decay; those by the method with the flow meter are entered at the bench."""
    for set_up, pressure in _set_ups(leak):
        volume = "volume, if not the design's" if set_up.pressurised else "volume of the hoses"
        yield PaperLine(
            f"leak.{set_up.order}",
            "leak-test",
            f"Leak test {set_up.order}, {set_up.name}",
            pressure,
            (
                Write("start_pressure", "start", "number", "kPa"),
                Write("start_temperature", "gas at start", "number", "°C"),
                Write("duration", "test time", "number", "min"),
                Write("end_pressure", "end", "number", "kPa"),
                Write("end_temperature", "gas at end", "number", "°C"),
                *(_steps() if leak and leak.recipe(set_up.order) else ()),
                *(
                    Write(f"arrived_{circuit}", f"from {circuit}", "number", "mL/min")
                    for circuit in set_up.watched
                ),
                Write("volume", volume, "number", "L", on_paper=not set_up.pressurised),
            ),
            facts={"set_up": str(set_up.order), "method": Method.PRESSURE_DECAY.value},
            is_done=f"leak-{set_up.order}" in tests_done,
        )


def _set_ups(leak: LeakFigures | None) -> Iterator[tuple[SetUp, str]]:
    """The set-ups whose circuits the design has, each with its pressure in words."""
    kpa = {each.circuit: each.test_pressure_kpa for each in leak.circuits} if leak else {}
    for set_up in SET_UPS:
        pressures = [kpa[circuit] for circuit in set_up.pressurised if circuit in kpa]
        if not set_up.pressurised:
            yield set_up, "the hoses alone"
        elif leak is None:
            yield set_up, "no limits in force"
        elif pressures:
            yield set_up, f"{quantity(min(pressures), 'kPa')} gauge"


def _insulation_tests(tests_done: Collection[str]) -> Iterator[PaperLine]:
    for condition, key in CONDITIONS.items():
        yield PaperLine(
            f"{key}.test",
            "insulation-test",
            f"Insulation, {condition}",
            "",
            (
                Write("cells_bonded", "cells bonded", "tick"),
                Write("no_hydrogen", "no hydrogen", "tick"),
                Write("rods_plates_resistance", "rods to plates", "number", "MΩ"),
                Write("plates_ground_resistance", "plates to ground", "number", "MΩ"),
            ),
            facts={"condition": condition.value},
            is_done=key in tests_done,
        )


def _short_check(cells: Sequence[int], *, is_done: bool) -> Iterator[PaperLine]:
    """One entry in as many lines as its cells take."""
    for start in range(0, len(cells), CELLS):
        some = cells[start : start + CELLS]
        yield PaperLine(
            f"shorts.{some[0]}",
            "" if start else "short-check",
            f"Shorts, cells {some[0]} to {some[-1]}" if len(some) > 1 else f"Short, cell {some[0]}",
            "",
            tuple(Write(f"cell-{cell}", f"cell {cell}", "number") for cell in some),
            is_done=is_done,
            into=f"shorts.{cells[0]}" if start else "",
        )


def _cells(pile: WorkingPile, plan: KeptPlan | None) -> tuple[int, ...]:
    """The cells of the closed stack, as planned or as it stands; blank ones have no value."""
    layers = plan.document.after if plan else pile.layers or pile.base
    return tuple(sorted(layer.cell for layer in layers if layer.kind is Kind.MEA and layer.cell))
