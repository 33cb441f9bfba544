"""A closed stack and what it is tested with: instruments, figures, readings as typed."""

from collections.abc import Mapping
from dataclasses import dataclass, field
from datetime import timedelta
from typing import Any

from sqlalchemy import Engine
from sqlalchemy.orm import Session

from service.limits.arithmetic.figures import DesignFigures, InsulationRule, ShortFigures
from service.limits.arithmetic.insulation import Between, Condition
from service.limits.arithmetic.leak_figures import CircuitFigures, LeakFigures, PathLimit
from service.limits.arithmetic.leak_paths import Circuit, Path
from service.proof.changes.stack_tests import (
    record_insulation_test,
    record_leak_test,
    record_short_check,
)
from service.records.tables import RecordKind
from service.stacks.tables import Stack
from service.store.arithmetic.instruments import InstrumentKind
from service.store.tables import Instrument
from tests import builders
from tests.bench.at_the_bench import Bench, Lab, a_lab
from tests.closing.closings import OPERATION, put_limits_in_force

SOURCE = "invented design note 5"
LEAK = LeakFigures(
    "nitrogen",
    tuple(CircuitFigures(one, 0.4, 0.02, 50.0, 30.0) for one in Circuit),
    tuple(PathLimit(path, 0.05, SOURCE) for path in Path),
)
INSULATION = tuple(
    InsulationRule(between, condition, 100.0, 1.0 if condition is Condition.DRY else 0.0, SOURCE)
    for between in Between
    for condition in Condition
)
FIGURES = DesignFigures(
    leak=LEAK, insulation=INSULATION, shorts=ShortFigures(), operation=OPERATION
)
"""No limits of the clamp: a release asks for the tests alone."""
DECAY = {
    "method": "pressure decay",
    "gas": "nitrogen",
    "barometer": "101.3 kPa",
    "zero": "gauge",
    "start_pressure": "50.4 kPa",
    "start_temperature": "22.4 °C",
    "end_pressure": "50.38",
    "end_temperature": "22.4",
    "duration": "30 min",
}
"""A stack that is tight; the set-up and what arrives come on top."""
FACTS = ("note", "done_at", "by", "trace", "stands", "outside_because")
ARRIVES = {
    3: ("anode", "cathode"),
    4: ("cathode", "coolant"),
    5: ("anode", "coolant"),
}
DRY = {
    "condition": "dry",
    "test_voltage": "50 V",
    "rods_plates_resistance": "> 2000",
    "plates_ground_resistance": "850 MΩ",
    "cells_bonded": "yes",
    "no_hydrogen": "yes",
}
WET = DRY | {
    "condition": "with coolant",
    "rods_plates_resistance": "12 MΩ",
    "plates_ground_resistance": "3.5",
}


@dataclass
class Tools:
    """What tests are read with."""

    gauge: int
    thermometer: int
    meter: int
    tester: int
    multimeter: int


@dataclass
class ClosedStack:
    """A laboratory with a closed stack, limits in force and a record to test in."""

    lab: Lab
    tools: Tools
    design_id: int
    bench: Bench
    cells: int = 2
    made: list[int] = field(default_factory=list)

    def leak(self, set_up: int, *, arrived: Mapping[str, str] | None = None, **more: Any) -> int:
        """One pressure decay in a set-up; flows of 0 arrive unless given."""
        facts = {name: more.pop(name) for name in FACTS if name in more}
        typed = DECAY | {"set_up": str(set_up)}
        if set_up == 1:
            typed |= {"volume": "0.2 L"}
        flows = dict.fromkeys(ARRIVES.get(set_up, ()), "0") | dict(arrived or {})
        typed |= {f"arrived_{name}": value for name, value in flows.items()}
        typed |= more
        return self._made(
            self.bench.do(
                record_leak_test,
                typed=typed,
                instrument_id=self.tools.gauge,
                thermometer_id=self.tools.thermometer,
                meter_id=self.tools.meter,
                **facts,
            )
        )

    def insulation(self, typed: Mapping[str, str] = DRY, **facts: Any) -> int:
        """One test of insulation."""
        return self._made(
            self.bench.do(
                record_insulation_test,
                typed=dict(typed),
                instrument_id=self.tools.tester,
                **facts,
            )
        )

    def shorts(self, *values: str, way: str = "resistance of each cell", **facts: Any) -> int:
        """One check of the cells; 40 Ω each unless given."""
        return self._made(
            self.bench.do(
                record_short_check,
                typed={"way": way},
                values=values or ["40"] * self.cells,
                instrument_id=self.tools.multimeter,
                **facts,
            )
        )

    def all(self) -> None:
        """Every test the figures ask for, all passing."""
        for set_up in (1, 2, 3, 4, 5):
            self.leak(set_up)
        self.insulation(DRY)
        self.insulation(WET)
        self.shorts()

    def _made(self, step_id: int) -> int:
        self.made.append(step_id)
        return step_id


def the_tools(session: Session, **calibrated: Any) -> Tools:
    """Instruments in calibration, each with its unit and range."""

    def make(kind: InstrumentKind, unit: str, most: float, step: float) -> int:
        made: Instrument = builders.a_torque_instrument(session, kind=kind, unit=unit, **calibrated)
        made.range_least, made.range_most, made.resolution = None, most, step
        session.flush()
        return made.id

    kinds = InstrumentKind
    return Tools(
        make(kinds.PRESSURE_GAUGE, "kPa", 200.0, 0.01),
        make(kinds.THERMOMETER, "°C", 100.0, 0.1),
        make(kinds.FLOW_METER, "mL/min", 10.0, 0.01),
        make(kinds.INSULATION_TESTER, "MΩ", 2000.0, 0.1),
        make(kinds.MULTIMETER, "V", 600.0, 0.001),
    )


def a_closed_stack(
    engine: Engine,
    cells: int = 2,
    figures: DesignFigures | None = FIGURES,
    kind: RecordKind = RecordKind.INSPECTION,
    *,
    in_a_second_build: bool = False,
) -> ClosedStack:
    """A stack closed long ago, and a record that does not open it.

    A second build was closed since, by a record which nobody has approved.
    """
    lab = a_lab(engine, cells)
    with Session(engine) as session:
        if in_a_second_build:
            builders.a_build(
                session,
                session.get_one(Stack, lab.stack_id),
                closed_at=builders.FIRST_CLOSING + timedelta(days=10),
                approved=False,
            )
        tools = the_tools(session)
        design_id = session.get_one(Stack, lab.stack_id).design_id
        if figures is not None:
            put_limits_in_force(session, design_id, figures)
        session.commit()
    return ClosedStack(lab, tools, design_id, lab.begin(kind), cells)


def later(stack: ClosedStack, **more: float) -> None:
    """Let time pass in the laboratory."""
    stack.lab.now += timedelta(**(more or {"minutes": 10}))
