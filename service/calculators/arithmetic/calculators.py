"""The desk: every calculator by itself, for planning; the same computations as on the record.

Common practice, no source.
"""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

from service.calculators.arithmetic.answers import Answers, NotRead, Refusal
from service.calculators.arithmetic.bolt import BOLT
from service.calculators.arithmetic.closing import CLOSING
from service.calculators.arithmetic.disc_springs import DISC_SPRINGS
from service.calculators.arithmetic.gas import FLOW_METER
from service.calculators.arithmetic.hold_time import HOLD_TIME
from service.calculators.arithmetic.hydrogen import HYDROGEN
from service.calculators.arithmetic.insulation import INSULATION
from service.calculators.arithmetic.outcomes import Calculator, Outcome, Units
from service.calculators.arithmetic.pressure_decay import PRESSURE_DECAY
from service.calculators.arithmetic.pressure_map import PRESSURE_MAP
from service.calculators.arithmetic.reading import read_answers
from service.calculators.arithmetic.set_points import SET_POINTS
from service.calculators.arithmetic.shorts import SHORTS
from service.calculators.arithmetic.torque import TORQUE
from service.platform.arithmetic.errors import NoSolution, OutOfRange, TradeError
from service.platform.arithmetic.fields import Asks, Field
from service.platform.arithmetic.units import unit_label

CALCULATORS = (
    TORQUE,
    BOLT,
    DISC_SPRINGS,
    CLOSING,
    PRESSURE_MAP,
    PRESSURE_DECAY,
    FLOW_METER,
    HOLD_TIME,
    HYDROGEN,
    INSULATION,
    SHORTS,
    SET_POINTS,
)
MOST_LABELS = 5
"""So many fields are named by their labels."""


@dataclass(frozen=True, slots=True)
class Worked:
    """What came of it: an outcome, or what could not be taken."""

    outcome: Outcome | None
    refusals: tuple[Refusal, ...] = ()
    last_state: object = None
    """where a search stood that found no answer: for the log"""

    @property
    def is_unfinished(self) -> bool:
        """Say whether nothing is wrong but that something is not filled in yet."""
        return bool(self.refusals) and all(refusal.is_missing for refusal in self.refusals)


def calculator_named(name: str) -> Calculator | None:
    """Return the calculator of this name."""
    return next((known for known in CALCULATORS if known.name == name), None)


def work_out(calculator: Calculator, typed: Mapping[str, str]) -> Worked:
    """Return the calculator's outcome for these answers.

    Texts as typed, by field and ``…_unit``.

    Whatever is wrong is told with the field it is about, as far as that can be known.
    """
    try:
        answers = read_answers(calculator.fields, typed)
        units = _units(calculator, typed)
    except NotRead as trouble:
        return Worked(None, trouble.refusals)
    try:
        return Worked(calculator.work(answers, units))
    except NotRead as trouble:
        return Worked(None, trouble.refusals)
    except OutOfRange as trouble:
        unit = f"\u2009{trouble.unit}" if trouble.unit else ""
        said = f"{trouble.name[:1].upper()}{trouble.name[1:]} is {trouble.value}{unit}."
        return _about(calculator, answers, trouble, said, f"Right would be {trouble.allowed}.")
    except TradeError as trouble:
        said = str(trouble)
        return _about(calculator, answers, trouble, f"{said[:1].upper()}{said[1:]}")
    except (OverflowError, ZeroDivisionError):
        said = "These answers together lead beyond what numbers can hold."
        right = "Look at the sizes and at the units."
        return _about(calculator, answers, TradeError(said), said, right)


def _units(calculator: Calculator, typed: Mapping[str, str]) -> Units:
    chosen: dict[str, str] = {}
    refusals = []
    for show in calculator.shows:
        text = typed.get(show.name, "").strip()
        try:
            chosen[show.name] = unit_label(text, show.measure) if text else show.unit
        except OutOfRange as trouble:
            right = f"Choose one of: {trouble.allowed}."
            refusals.append(Refusal(show.name, text, f"“{text}” is no such unit.", right))
    if refusals:
        raise NotRead(*refusals)
    return Units(calculator.shows, chosen)


def _about(
    calculator: Calculator, answers: Answers, trouble: TradeError, said: str, right: str = ""
) -> Worked:
    """The refusal beside the field a trouble is about, or of all answers it follows from."""
    fields = {field.name: field for field in calculator.fields}
    placed = [name for name in trouble.fields if trouble.is_placed and answers.has(name)]
    name = placed[0] if placed else ""
    together = tuple(
        placed or (name for name in answers.asked if fields[name].asks is not Asks.CHOICE)
    )
    if len(together) > 1:
        right = f"{right} It follows from {_named(calculator, fields, together)}.".strip()
    refusal = Refusal(name, answers.typed.get(name, ""), said, right, together=together)
    return Worked(None, (refusal,), trouble.last if isinstance(trouble, NoSolution) else None)


def _named(calculator: Calculator, fields: Mapping[str, Field], names: Sequence[str]) -> str:
    """These fields by their labels; many of them by the headings they stand under."""
    named = [f"“{fields[name].label}”" for name in names]
    if len(named) > MOST_LABELS:
        named = [
            f"“{section.title}”"
            for section in calculator.sections
            if any(field.name in names for field in section.fields)
        ]
    return " and ".join(filter(None, (", ".join(named[:-1]), named[-1])))
