"""The desk: every calculator by itself, for planning; the same computations as on the record.

Common practice, no source.
"""

from collections.abc import Mapping
from dataclasses import dataclass

from service.calculators.arithmetic.answers import NotRead, Refusal
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
from service.platform.arithmetic.errors import OutOfRange, TradeError
from service.platform.arithmetic.fields import Field
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


@dataclass(frozen=True, slots=True)
class Worked:
    """What came of it: an outcome, or what could not be taken."""

    outcome: Outcome | None
    refusals: tuple[Refusal, ...] = ()

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
        return Worked(calculator.work(answers, _units(calculator, typed)))
    except NotRead as trouble:
        return Worked(None, trouble.refusals)
    except OutOfRange as trouble:
        unit = f"\u2009{trouble.unit}" if trouble.unit else ""
        sentence = f"{trouble.name[:1].upper()}{trouble.name[1:]} is {trouble.value}{unit}."
        right = f"Right would be {trouble.allowed}."
        return _about(calculator, typed, sentence, right, trouble.name)
    except TradeError as trouble:
        return _about(calculator, typed, str(trouble), "", str(trouble))
    except (OverflowError, ZeroDivisionError):
        sentence = "These answers together lead beyond what numbers can hold."
        return Worked(None, (Refusal("", "", sentence, "Look at the sizes and at the units."),))


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
    calculator: Calculator, typed: Mapping[str, str], sentence: str, right: str, names: str
) -> Worked:
    """The refusal beside the field that is spoken of: the longest phrase that fits."""
    field = _spoken_of(calculator, names.casefold())
    name = field.name if field else ""
    return Worked(None, (Refusal(name, typed.get(name, ""), sentence, right),))


def _spoken_of(calculator: Calculator, text: str) -> Field | None:
    fitting = [
        (len(phrase), field)
        for field in calculator.fields
        for phrase in field.named
        if phrase.casefold() in text
    ]
    return max(fitting, key=lambda pair: pair[0])[1] if fitting else None
