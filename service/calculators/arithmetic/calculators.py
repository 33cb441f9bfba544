"""The desk: every calculator by itself, for planning; the same computations as on the record.

Common practice, no source.
"""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from math import isfinite

from service.calculators.arithmetic import desk
from service.calculators.arithmetic.bolt import BOLT, TORQUE
from service.calculators.arithmetic.closing import CLOSING
from service.calculators.arithmetic.disc_springs import DISC_SPRINGS
from service.calculators.arithmetic.gas import FLOW_METER
from service.calculators.arithmetic.hydrogen import HYDROGEN
from service.calculators.arithmetic.insulation import INSULATION
from service.calculators.arithmetic.pressure_decay import HOLD_TIME, PRESSURE_DECAY
from service.calculators.arithmetic.pressure_map import PRESSURE_MAP
from service.calculators.arithmetic.set_points import SET_POINTS
from service.calculators.arithmetic.shorts import SHORTS
from service.platform.arithmetic.errors import NoSolution, OutOfRange, TradeError
from service.platform.arithmetic.fields import SMALLEST, Asks, Field
from service.platform.arithmetic.numbers import read_number
from service.platform.arithmetic.preconditions import kelvin
from service.platform.arithmetic.pressures import read_pressure
from service.platform.arithmetic.units import Measure, UnitEntry, from_si, read_quantity, unit_label

# Typed answers of a calculator read into SI; everything that cannot be read is told together.
#
# Common practice, no source.


MOST_SIGNS, MOST_LINES = 8000, 400


def read_answers(fields: Sequence[Field], texts: Mapping[str, str]) -> desk.Answers:
    """Return every answer read; raises NotRead with all that cannot be."""
    read: dict[str, desk.Answer] = {}
    refusals: list[desk.Refusal] = []
    for field in fields:
        text = texts.get(field.name, "").strip()
        try:
            if text:
                read[field.name] = _read(field, text, texts.get(field.unit_name, "").strip())
            elif field.asks is Asks.CHOICE:
                read[field.name] = field.first_choice
            elif field.required:
                refusals.append(desk.Refusal(field.name, "", desk.FILL_IN, is_missing=True))
        except desk.NotRead as trouble:
            refusals.extend(trouble.refusals)
        except OutOfRange as trouble:
            refusals.append(_refusal(field, text, trouble))
        except TradeError as trouble:
            refusals.append(desk.Refusal(field.name, text, str(trouble)))
    if refusals:
        raise desk.NotRead(*refusals)
    return desk.Answers(texts, read)


def _refusal(field: Field, text: str, trouble: OutOfRange) -> desk.Refusal:
    unit = f"\u2009{trouble.unit}" if trouble.unit else ""
    problem = f"{trouble.name[:1].upper()}{trouble.name[1:]} is “{trouble.value}”{unit}."
    return desk.Refusal(field.name, text, problem, f"Right would be {trouble.allowed}.")


def _read(field: Field, text: str, unit: str) -> desk.Answer:
    if len(text) > MOST_SIGNS:
        raise desk.NotRead(
            desk.Refusal(field.name, text[:40], "This is too long.", f"{MOST_SIGNS} signs do.")
        )
    match field.asks:
        case Asks.CHOICE:
            return _chosen(field, text)
        case Asks.WORDS | Asks.LINES:
            if unit and field.measure:
                unit_label(unit, field.measure)
            return text
        case Asks.NUMBER | Asks.WHOLE:
            return _number(field, text)
        case Asks.PRESSURE:
            return read_pressure(text, unit or field.unit)
        case _:
            return _quantity(field, text, unit or field.unit)


def _chosen(field: Field, text: str) -> str:
    if text not in field.choices:
        right = f"Choose one of: {', '.join(field.choices)}."
        raise desk.NotRead(
            desk.Refusal(field.name, text, f"“{text}” is not one of the choices.", right)
        )
    return text


def _number(field: Field, text: str) -> float:
    plain = text.removesuffix("%").strip() if field.unit == "%" else text
    value = read_number(plain)
    if field.asks is Asks.WHOLE and value != int(value):
        raise desk.NotRead(
            desk.Refusal(field.name, text, f"{text} is not a whole number.", "Such as 12.")
        )
    _bounded(field, value, text)
    return value


def _quantity(field: Field, text: str, unit: str) -> UnitEntry:
    if field.measure is None:
        raise TypeError(f"{field.name} has no measure")
    entry = read_quantity(text, field.measure, unit)
    if field.measure is Measure.TEMPERATURE:
        _warm(field, entry, text)
    else:
        _bounded(field, from_si(entry.si, field.unit, field.measure), text, entry.unit)
    return entry


def _warm(field: Field, entry: UnitEntry, text: str) -> None:
    """Refuse °C given as K, and K given as °C."""
    try:
        kelvin(f"{field.label[:1].lower()}{field.label[1:]}", entry.si)
    except OutOfRange as trouble:
        right = f"Right would be {trouble.allowed}."
        if entry.unit == "°C" and 200 <= entry.value <= 500:
            right = f"Is that in K? Then choose K: {entry.value - 273.15:.5g} °C."
        value_text = f"{entry.value:g}\u2009{entry.unit} cannot be."
        raise desk.NotRead(desk.Refusal(field.name, text, value_text, right)) from trouble


def _bounded(field: Field, value: float, text: str, unit: str = "") -> None:
    low = value <= field.least if field.above else value < field.least
    tiny = 0 < abs(value) < SMALLEST
    if low or tiny or value > field.most or not isfinite(value):
        unit = unit or field.unit
        number = text if not unit or unit in text else f"{text}\u2009{unit}"
        right = f"Right would be {field.range_in_words}."
        raise desk.NotRead(desk.Refusal(field.name, text, f"{number} is out of range.", right))


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

    outcome: desk.Outcome | None
    refusals: tuple[desk.Refusal, ...] = ()
    last_state: object = None
    """where a search stood that found no answer: for the log"""

    @property
    def is_unfinished(self) -> bool:
        """Say whether nothing is wrong but that something is not filled in yet."""
        return bool(self.refusals) and all(refusal.is_missing for refusal in self.refusals)


def calculator_named(name: str) -> desk.Calculator | None:
    """Return the calculator of this name."""
    return next((calculator for calculator in CALCULATORS if calculator.name == name), None)


def work_out(calculator: desk.Calculator, texts: Mapping[str, str]) -> Worked:
    """Return the calculator's outcome for these answers.

    Texts as typed, by field and ``…_unit``.

    Whatever is wrong is told with the field it is about, as far as that can be known.
    """
    try:
        answers = read_answers(calculator.fields, texts)
        units = _units(calculator, texts)
    except desk.NotRead as trouble:
        return Worked(None, trouble.refusals)
    try:
        return Worked(_finite(calculator.work(answers, units)))
    except desk.NotRead as trouble:
        return Worked(None, trouble.refusals)
    except OutOfRange as trouble:
        unit = f"\u2009{trouble.unit}" if trouble.unit else ""
        sentence = f"{trouble.name[:1].upper()}{trouble.name[1:]} is {trouble.value}{unit}."
        return _about(calculator, answers, trouble, sentence, f"Right would be {trouble.allowed}.")
    except TradeError as trouble:
        sentence = str(trouble)
        return _about(calculator, answers, trouble, f"{sentence[:1].upper()}{sentence[1:]}")
    except (OverflowError, ZeroDivisionError):
        sentence = "These answers together lead beyond what numbers can hold."
        right = "Look at the sizes and at the units."
        return _about(calculator, answers, TradeError(sentence), sentence, right)


def _finite(outcome: desk.Outcome) -> desk.Outcome:
    if not outcome.is_finite:
        raise OverflowError
    return outcome


def _units(calculator: desk.Calculator, texts: Mapping[str, str]) -> desk.Units:
    chosen: dict[str, str] = {}
    refusals = []
    for show in calculator.shows:
        text = texts.get(show.name, "").strip()
        try:
            chosen[show.name] = unit_label(text, show.measure) if text else show.unit
        except OutOfRange as trouble:
            right = f"Choose one of: {trouble.allowed}."
            refusals.append(desk.Refusal(show.name, text, f"“{text}” is no such unit.", right))
    if refusals:
        raise desk.NotRead(*refusals)
    return desk.Units(calculator.shows, chosen)


def _about(
    calculator: desk.Calculator,
    answers: desk.Answers,
    trouble: TradeError,
    sentence: str,
    right: str = "",
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
    refusal = desk.Refusal(name, answers.typed.get(name, ""), sentence, right, together=together)
    return Worked(None, (refusal,), trouble.last if isinstance(trouble, NoSolution) else None)


def _named(calculator: desk.Calculator, fields: Mapping[str, Field], names: Sequence[str]) -> str:
    """These fields by their labels; many of them by the headings they stand under."""
    labels = [f"“{fields[name].label}”" for name in names]
    if len(labels) > MOST_LABELS:
        labels = [
            f"“{section.title}”"
            for section in calculator.sections
            if any(field.name in names for field in section.fields)
        ]
    return " and ".join(filter(None, (", ".join(labels[:-1]), labels[-1])))
