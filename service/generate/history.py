"""The invented history of one stack: its rows, round by round, a round for each build.

First the stack is built; then it is opened again and again: some cells are lifted off from the free
end, their gaskets renewed, one MEA swapped, the rest put back, the nuts tightened. Everything is
drawn from one random source, so that the same seed tells the same history.
"""

from collections import defaultdict
from collections.abc import Callable
from dataclasses import dataclass, field
from datetime import UTC, datetime, timedelta
from random import Random
from typing import Any

from service.designs.arithmetic import pile
from service.generate import rows as row
from service.generate.lab import CHECKLIST, TYPES, Lab, Laid
from service.physics.arithmetic.conditions import NONE_SEEN
from service.platform.arithmetic.vocabulary import (
    Back,
    End,
    Kind,
    ReadingKind,
    Stage,
    Usability,
    Whereabouts,
)
from service.records.tables import Involvement, RecordKind, StepKind
from service.stacks.tables import Moment
from service.store.arithmetic.instruments import InstrumentKind

Rows = dict[str, list[dict[str, Any]]]
ENTRY = timedelta(seconds=20)
FAR_BACK = datetime(1, 1, 1, tzinfo=UTC)
CLOSING_NEEDS = timedelta(hours=8)
MOST_OPENED = 8
"""Cells lifted off at one opening, at most."""
LOOKS = {
    Kind.GASKET: ("flattened for good", "hardened or cracked", "bonded to the plate"),
    Kind.HALF_PLATE: ("deposit", "coolant seepage", "stuck on lifting"),
    Kind.MEA: ("discoloured", "imprint of channels", "dry and brittle"),
}


@dataclass
class History:
    """One stack's rows. ``first`` go in before everything, then one round for each build."""

    lab: Lab
    dice: Random
    new_id: Callable[[str], int]
    stack_id: int
    serial: str
    first: Rows = field(default_factory=lambda: defaultdict(list))
    rounds: list[Rows] = field(default_factory=list)
    parts: dict[int, dict[str, Any]] = field(default_factory=dict)
    pile: list[Laid] = field(default_factory=list)
    fixings: list[tuple[Laid, int | None, End | None]] = field(default_factory=list)
    hours: float = 0.0
    meter_id: int = 0
    builder: int = 0
    record_id: int = 0
    sequence: int = 0
    at: datetime = FAR_BACK

    def live(self, cells: int, closings: list[datetime]) -> None:
        """Tell the whole life: one closing for each build."""
        self._deliver(closings[0] - timedelta(days=3))
        before: dict[str, Any] | None = None
        for number, closed_at in enumerate(closings, 1):
            self.rounds.append(defaultdict(list))
            before = self._event(number, closed_at, before, cells)
        self._present(len(closings))
        self.first["part"] = list(self.parts.values())

    @property
    def rows(self) -> Rows:
        """Rows of the round at hand."""
        return self.rounds[-1]

    def _deliver(self, at: datetime) -> None:
        self.first["stack"].append(row.stack(self.stack_id, self.serial, self.lab.design_id, at))
        self.meter_id = self.new_id("hour_meter")
        self.first["hour_meter"].append(row.hour_meter(self.meter_id, self.stack_id, at))
        self.builder = self.dice.choice(self.lab.builders)
        self._read_hours(self.first, at, Moment.FITTED)

    def _event(
        self, number: int, closed_at: datetime, before: dict[str, Any] | None, cells: int
    ) -> dict[str, Any]:
        self.builder = self.dice.choice(self.lab.builders)
        opened_at = closed_at - CLOSING_NEEDS
        self.record_id, self.sequence = self.new_id("rebuild_record"), 0
        self.at = opened_at - timedelta(minutes=40)
        begun_at = self.at
        if before is None:
            self._build_from_parts(cells)
        else:
            self._reopen(opened_at, cells)
        self._tighten()
        self.at = closed_at
        self._step(StepKind.CLOSED)
        handed_in_at = closed_at + timedelta(hours=1)
        self._record(number, begun_at, opened_at if before else None, closed_at, before)
        build = {
            "id": self.new_id("build"),
            "stack_id": self.stack_id,
            "number": number,
            "record_id": self.record_id,
        }
        self.rows["build"].append(build)
        self._facts(build["id"], closed_at, handed_in_at, before, opened_at)
        self._approve(handed_in_at + timedelta(hours=self.dice.randint(1, 40)))
        self._run(closed_at)
        return build | {"closed_at": closed_at}

    def _build_from_parts(self, cells: int) -> None:
        for end in End:
            self._fix("compression_plate", None, end)
        for rod in self.lab.rods:
            for name in ("tie_rod", "sleeve", "disc_spring", "nut"):
                self._fix(name, rod, None)
        names = ["insulator_plate", "collector_flush", "coolant_gasket"]
        cell = ["fuel_plate", "gas_gasket", "mea", "gas_gasket", "air_plate", "coolant_gasket"]
        for name in [*names, *cell * cells, "collector_channelled", "insulator_plate"]:
            self._put_on(Laid(self._new_part(name), name))

    def _fix(self, name: str, rod: int | None, end: End | None) -> None:
        laid = Laid(self._new_part(name), name)
        self.fixings.append((laid, rod, end))
        self._step(
            StepKind.FIXING_FITTED,
            part_id=laid.part_id,
            rod_number=rod,
            end_=end.value if end else None,
            whereabouts_before=Whereabouts.IN_STORE.value,
        )

    def _reopen(self, opened_at: datetime, cells: int) -> None:
        self._make_safe()
        self.at = opened_at
        for rod in self.lab.rods:
            torque_nm = self.lab.torque_nm * self.dice.uniform(0.7, 0.95)
            self._torque(rod, 1, Stage.AS_FOUND, ReadingKind.BREAKAWAY, torque_nm)
        self._read_hours(self.rows, opened_at, Moment.OPENING, self._step(StepKind.OPENED))
        depth = self.dice.randint(1, min(cells, MOST_OPENED))
        lifted: list[Laid] = []
        meas = 0
        while meas < depth:
            lifted.append(self._lift_off())
            meas += lifted[-1].kind is Kind.MEA
        for laid in reversed(lifted):
            renewed = laid.kind is Kind.GASKET or laid is lifted[-1]
            self._put_on(Laid(self._new_part(laid.name), laid.name) if renewed else laid)
            if renewed:
                self._retire(laid)

    def _lift_off(self) -> Laid:
        laid = self.pile.pop()
        step_id = self._step(
            StepKind.LIFTED_OFF,
            end_=End.FREE.value,
            part_id=laid.part_id,
            exposed_part_id=self.pile[-1].part_id,
            facing=laid.facing.value,
            whereabouts_before=Whereabouts.FITTED.value,
        )
        condition = self.dice.choice(LOOKS.get(laid.kind, ("wet",)))
        unseen = self.dice.random() < 0.8
        self.rows["finding"].append(
            row.finding(
                self.record_id,
                step_id,
                laid.part_id,
                id=self.new_id("finding"),
                condition=NONE_SEEN if unseen else condition,
                severity=None if unseen else self.dice.randint(0, 2),
            )
        )
        return laid

    def _put_on(self, laid: Laid) -> None:
        self.pile.append(laid)
        part = self.parts[laid.part_id]
        self._step(
            StepKind.PUT_ON,
            end_=End.FREE.value,
            part_id=laid.part_id,
            facing=laid.facing.value,
            scanned=part["serial"],
            whereabouts_before=Whereabouts.IN_STORE.value,
        )

    def _make_safe(self) -> None:
        kinds = (None, InstrumentKind.GAS_DETECTOR, InstrumentKind.MULTIMETER)
        for number, (line, kind) in enumerate(zip(CHECKLIST, kinds, strict=True), 1):
            wording, unit, most, _instrument, witness = line
            instrument = self.lab.instruments[kind] if kind else None
            calibration = self.lab.calibration(instrument, self.at) if instrument else None
            reading = round(self.dice.uniform(0.0, most), 2) if most else None
            step_id = self._step(StepKind.MAKE_SAFE)
            self.rows["make_safe_line"].append(
                {
                    "id": self.new_id("make_safe_line"),
                    "record_id": self.record_id,
                    "step_id": step_id,
                    "line_number": number,
                    "wording": wording,
                    "reading": reading,
                    "unit": unit,
                    "instrument_id": instrument,
                    "calibration_id": calibration,
                    "person_id": self.builder,
                    "witness_id": self._colleague() if witness else None,
                }
            )

    def _tighten(self) -> None:
        for number in range(1, self.lab.passes + 1):
            target_nm = self.lab.torque_nm * number / self.lab.passes
            for rod in self.lab.rods:
                torque_nm = target_nm * self.dice.gauss(1.0, 0.015)
                self._torque(rod, number, Stage.CLOSING, ReadingKind.SET, torque_nm)

    def _torque(
        self, rod: int, number: int, stage: Stage, kind: ReadingKind, torque_nm: float
    ) -> None:
        instrument = self.lab.instruments[InstrumentKind.TORQUE_DRIVER]
        step_id = self._step(StepKind.TORQUE, rod_number=rod)
        self.rows["torque_reading"].append(
            row.torque_reading(
                self.record_id,
                step_id,
                round(torque_nm, 2),
                self.at,
                rod_number=rod,
                pass_number=number,
                stage=stage.value,
                kind=kind.value,
                instrument_id=instrument,
                calibration_id=self.lab.calibration(instrument, self.at),
                by_id=self.builder,
            )
        )

    def _step(self, kind: StepKind, **facts: Any) -> int:
        self.sequence += 1
        self.at += ENTRY
        step_id = self.new_id("step")
        facts |= {"sequence": self.sequence, "kind": kind.value}
        self.rows["step"].append(row.step(step_id, self.record_id, self.at, self.builder, **facts))
        return step_id

    def _record(
        self,
        number: int,
        begun_at: datetime,
        opened_at: datetime | None,
        closed_at: datetime,
        before: dict[str, Any] | None,
    ) -> None:
        self.rows["rebuild_record"].append(
            row.record(
                self.record_id,
                self.stack_id,
                self.builder,
                closed_at + timedelta(hours=1),
                kind=(RecordKind.REBUILD if before else RecordKind.FIRST_BUILD).value,
                reason="one cell reads low" if before else f"build {number}, generated",
                performed_from=begun_at,
                opened_at=opened_at,
                closed_at=closed_at,
                written_at=begun_at,
                base_build_id=before["id"] if before else None,
                version=self.sequence + 2,
            )
        )
        people = [(self.builder, Involvement.WORKED)]
        if before:
            people.append((self._colleague(), Involvement.WITNESSED))
        for person_id, involvement in people:
            self.rows["record_person"].append(
                {
                    "record_id": self.record_id,
                    "person_id": person_id,
                    "involvement": involvement.value,
                }
            )

    def _facts(
        self,
        build_id: int,
        closed_at: datetime,
        now: datetime,
        before: dict[str, Any] | None,
        opened_at: datetime,
    ) -> None:
        if before:
            self.rounds[-2]["build_period"][-1]["known_until"] = now
            opened = {"opened_at": opened_at, "opened_by_record_id": self.record_id}
            self._period(before["id"], before["closed_at"], known_from=now, **opened)
        self._period(build_id, closed_at, known_from=now)
        shapes = [
            pile.Layer(
                position,
                laid.part_id,
                laid.kind,
                "",
                "",
                laid.facing,
                side=TYPES[laid.name].get("side"),
                back=TYPES[laid.name].get("back", Back.NONE),
                joint=TYPES[laid.name].get("joint"),
            )
            for position, laid in enumerate(self.pile, 1)
        ]
        for shape in pile.number_cells(shapes):
            self.rows["layer"].append(row.layer(build_id, shape, now))
        for laid, rod, end in self.fixings:
            self.rows["fixing"].append(
                row.fixing(
                    build_id,
                    laid.part_id,
                    now,
                    kind=laid.kind.value,
                    rod_number=rod,
                    end_=end.value if end else None,
                )
            )

    def _period(self, build_id: int, closed_at: datetime, **facts: Any) -> None:
        self.rows["build_period"].append(
            row.build_period(self.stack_id, build_id, closed_at, **facts)
        )

    def _approve(self, at: datetime) -> None:
        person_id, name = self.dice.choice(self.lab.supervisors)
        self.rows["decision"].append(row.decision(self.record_id, person_id, name, at))

    def _run(self, closed_at: datetime) -> None:
        for day in (5, 15):
            self.hours += self.dice.uniform(20.0, 110.0)
            self._read_hours(self.rows, closed_at + timedelta(days=day), Moment.RUNNING)

    def _read_hours(
        self, rows: Rows, at: datetime, moment: Moment, step_id: int | None = None
    ) -> None:
        rows["hour_reading"].append(
            row.hour_reading(
                self.stack_id,
                self.meter_id,
                round(self.hours, 1),
                at,
                moment=moment.value,
                record_id=self.record_id if step_id else None,
                step_id=step_id,
                by_id=self.builder,
            )
        )

    def _new_part(self, name: str) -> int:
        part_id = self.new_id("part")
        counted = bool(TYPES[name].get("counted", TYPES[name]["kind"] is Kind.GASKET))
        lot_id, item_number = self.lab.take(name)
        serial = None if counted else f"{self.serial}-{len(self.parts) + 1:04}"
        self.parts[part_id] = row.part(
            part_id,
            serial,
            self.stack_id,
            self.first["stack"][0]["added_at"],
            part_type_id=self.lab.types[name],
            lot_id=lot_id,
            item_number=item_number if counted else None,
        )
        return part_id

    def _retire(self, laid: Laid) -> None:
        scrapped = laid.kind is Kind.GASKET
        part = self.parts[laid.part_id]
        part["whereabouts"] = (Whereabouts.SCRAPPED if scrapped else Whereabouts.IN_STORE).value
        part["usability"] = (Usability.REJECTED if scrapped else Usability.NOT_INSPECTED).value
        part["stack_id"] = None

    def _present(self, builds: int) -> None:
        for table in ("layer", "fixing"):
            for values in self.rounds[builds - 1][table]:
                values["present"] = True

    def _colleague(self) -> int:
        others = [person for person in self.lab.builders if person != self.builder]
        return others[self.record_id % len(others)]
