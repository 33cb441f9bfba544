"""Published cases: inputs, printed values with their tolerance, source and basis of each."""

import json
from dataclasses import dataclass
from pathlib import Path
from typing import Any

DATA = Path(__file__).parent / "data"


@dataclass(frozen=True)
class Case:
    """One published case; ``basis`` says whether the numbers were read, remembered or computed."""

    case: str
    inputs: dict[str, Any]
    expected: dict[str, dict[str, Any]]
    source: str
    basis: tuple[str, ...]

    def __getitem__(self, name: str) -> Any:
        """An input, in the unit of the source."""
        return self.inputs[name]["value"]

    def value(self, name: str) -> Any:
        """An expected value, in the unit of the source."""
        return self.expected[name]["value"]

    def check(self, name: str, found: float, at: int | None = None) -> None:
        """Does a computed value agree within the digits that are printed?"""
        printed = self.value(name) if at is None else self.value(name)[at]
        tolerance = self.expected[name]["tolerance"]
        allowed = tolerance.get("abs", tolerance.get("rel", 0.0) * abs(printed))
        said = f"{self.case} {name}: {found} against {printed} {self.expected[name]['unit']}"
        assert abs(found - printed) <= allowed * (1 + 1e-9), (
            f"{said} ± {allowed}; {self.source} ({', '.join(self.basis)})"
        )


def cases(file: str) -> dict[str, Case]:
    """Every case of a file, by its name."""
    rows = json.loads((DATA / f"{file}.json").read_text("utf-8"))["cases"]
    return {
        row["case"]: Case(
            row["case"], row["inputs"], row["expected"], row["source"], tuple(row["basis"])
        )
        for row in rows
    }
