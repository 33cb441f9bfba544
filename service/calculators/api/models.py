"""What the desk answers as JSON: SI values with uncertainty beside the unit that was chosen."""

from pydantic import BaseModel, Field


class AskedFor(BaseModel):
    """One field of a calculator. Its unit is sent as ``<name>_unit``."""

    name: str
    label: str
    section: str
    asks: str
    unit: str = Field(description="the unit of a number without one")
    units: list[str] = Field(description="units it can be given in")
    choices: list[str] = Field(description="the first holds where nothing is sent")
    required: bool
    only_for: str = Field(description="the choice that asks for it; empty: any")
    help: str


class ShownIn(BaseModel):
    """A choice of unit for results."""

    name: str
    label: str
    unit: str
    units: list[str]


class Calculator(BaseModel):
    """One calculator and what it asks."""

    name: str
    title: str
    line: str
    fields: list[AskedFor]
    results_in: list[ShownIn]
    example: dict[str, str] = Field(description="invented; can be sent as it is")


class Desk(BaseModel):
    """Every calculator."""

    calculators: list[Calculator]


class Part(BaseModel):
    """What one source adds to a standard uncertainty, in SI."""

    source: str
    u_si: float


class Value(BaseModel):
    """A value; ``si`` and its standard uncertainty, and the same in the unit chosen."""

    si: float
    u_si: float
    si_unit: str
    value: float
    expanded: float = Field(description="half width with k = 2, in the unit chosen")
    unit: str
    parts: list[Part]


class Result(BaseModel):
    """One result."""

    name: str
    label: str
    note: str
    figure: Value


class Row(BaseModel):
    """One line of a table: its name, then its cells, each a text or a value."""

    name: str
    cells: list[Value | str]


class Table(BaseModel):
    """Several values side by side."""

    name: str
    title: str
    headings: list[str]
    rows: list[Row]
    note: str


class PressureField(BaseModel):
    """Pressure over the active area: rows from the least y to the greatest."""

    x_mm: list[float]
    y_mm: list[float]
    pressures_mpa: list[list[float]]
    resultant_mm: list[float]
    lost_share: float


class Worked(BaseModel):
    """What a calculator answers. U is given with k = 2."""

    calculator: str
    title: str
    coverage: float
    formula: str
    source: str
    verdict: str | None
    verdict_why: str
    results: list[Result]
    tables: list[Table]
    sentences: list[str]
    cautions: list[str]
    pressure_field: PressureField | None
