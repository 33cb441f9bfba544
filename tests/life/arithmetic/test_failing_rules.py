"""The rule of a design, and what it says of an MEA."""

import json
from typing import Any

import pytest

from service.life.arithmetic.failing_rules import (
    Criterion,
    CriterionKind,
    FailingRule,
    rule_as_data,
    rule_from_data,
)
from service.life.arithmetic.failing_verdicts import Answer, CriterionFinding, MeaFacts, judge
from service.life.arithmetic.grounds import GroundRead
from service.life.arithmetic.voltage_trend import Method, voltage_trend
from service.platform.arithmetic.errors import Inconsistent, OutOfRange

VOLTAGE = Criterion(CriterionKind.VOLTAGE, 0.60, readings=2)
RATE = Criterion(
    CriterionKind.RATE, 20.0, readings=8, method=Method.LEAST_SQUARES, least_hours_h=200.0
)
LOSS = Criterion(CriterionKind.LOSS, 10.0, first_hours_h=100.0)
SCORE = Criterion(CriterionKind.AMONG_CELLS, 3.5, readings=3)
OPEN = Criterion(CriterionKind.OPEN_CIRCUIT, 0.85)


def facts(hours: list[float], volts: list[float], **more: object) -> MeaFacts:
    """Readings of one build."""
    return MeaFacts(hours, volts, voltage_trend(hours, volts, [1] * len(hours)), **more)  # type: ignore[arg-type]


def say(criterion: Criterion, of: MeaFacts) -> CriterionFinding:
    """What one criterion alone says."""
    return judge(FailingRule((criterion,)), of).findings[0]


def falling(slope_uv_h: float, wobble_v: float = 0.0002) -> MeaFacts:
    """Ten readings over 450 h."""
    hours = [50.0 * k for k in range(10)]
    volts = [0.68 - slope_uv_h * 1e-6 * h + wobble_v * (-1) ** k for k, h in enumerate(hours)]
    return facts(hours, volts)


def test_a_rule_goes_through_json_and_back() -> None:
    rule = FailingRule((VOLTAGE, RATE, LOSS, SCORE, OPEN), 0.7, 3.0)

    assert rule_from_data(json.loads(json.dumps(rule_as_data(rule)))) == rule


def test_every_criterion_says_itself_in_words_with_units() -> None:
    words = [it.words for it in (VOLTAGE, RATE, LOSS, SCORE, OPEN)]

    assert words[0] == "below 0.6\u2009V at the reference density, 2 readings in a row"
    assert "20\u2009µV/h" in words[1]
    assert "least squares" in words[1]
    assert "10\u2009%" in words[2]
    assert "−3.5 at the reference density, 3 readings in a row" in words[3]
    assert words[4] == "open-circuit voltage below 0.85\u2009V"


def test_below_the_voltage_only_when_the_newest_readings_all_are() -> None:
    assert say(VOLTAGE, facts([1, 2, 3], [0.65, 0.59, 0.58])).answer is Answer.MET
    once = say(VOLTAGE, facts([1, 2, 3], [0.65, 0.61, 0.58]))
    assert once.answer is Answer.NOT_MET
    assert "1 of the newest 2 below 0.6\u2009V" in once.words
    few = say(VOLTAGE, facts([1], [0.5]))
    assert few.answer is Answer.CANNOT_BE_JUDGED
    assert few.words == "1 of 2 readings at the reference density to judge it by"


def test_a_rate_counts_only_when_its_slow_end_is_too_fast() -> None:
    fast, unsure, slow = falling(40.0), falling(21.0, wobble_v=0.003), falling(5.0)

    assert say(RATE, fast).answer is Answer.MET
    assert "faster than 20\u2009µV/h even by the slow end" in say(RATE, fast).words
    assert say(RATE, unsure).answer is Answer.NOT_MET
    assert "not surely faster" in say(RATE, unsure).words
    assert say(RATE, slow).answer is Answer.NOT_MET
    assert "not faster" in say(RATE, slow).words


def test_a_rate_over_too_few_hours_cannot_be_judged() -> None:
    hours = [10.0 * k for k in range(10)]
    short = facts(hours, [0.68 - 1e-4 * h for h in hours])

    found = say(RATE, short)

    assert found.answer is Answer.CANNOT_BE_JUDGED
    assert "90 of 200" in found.words


def test_loss_is_against_its_own_beginning() -> None:
    lost = facts([10, 50, 90, 800], [0.70, 0.71, 0.69, 0.62])

    found = say(LOSS, lost)

    assert found.answer is Answer.MET
    assert found.value == pytest.approx((1 - 0.62 / 0.70) * 100)
    assert "0.7000\u2009V in its first hours" in found.words
    assert say(LOSS, facts([10, 800], [0.70, 0.66])).answer is Answer.NOT_MET


def test_an_mea_first_read_late_has_no_known_beginning() -> None:
    found = say(LOSS, facts([500, 800], [0.70, 0.60]))

    assert found.answer is Answer.CANNOT_BE_JUDGED
    assert "first read at 500\u2009h" in found.words


def test_low_among_its_cells_again_and_again() -> None:
    assert say(SCORE, MeaFacts(scores=[0.1, -4.0, -3.5, -5.0])).answer is Answer.MET
    assert say(SCORE, MeaFacts(scores=[-4.0, -3.4, -5.0])).answer is Answer.NOT_MET
    assert say(SCORE, MeaFacts(scores=[-4.0, None, -5.0])).answer is Answer.CANNOT_BE_JUDGED
    assert say(SCORE, MeaFacts(scores=[-4.0])).answer is Answer.CANNOT_BE_JUDGED
    assert say(SCORE, MeaFacts(scores=[9.0, 9.0, 9.0])).answer is Answer.NOT_MET


def test_open_circuit_voltage() -> None:
    assert say(OPEN, MeaFacts(open_circuit_v=[0.95, 0.84])).answer is Answer.MET
    assert say(OPEN, MeaFacts(open_circuit_v=[0.84, 0.95])).answer is Answer.NOT_MET
    assert say(OPEN, MeaFacts()).answer is Answer.CANNOT_BE_JUDGED


def test_one_met_criterion_is_enough_and_the_rest_is_said() -> None:
    found = judge(FailingRule((VOLTAGE, OPEN, SCORE)), facts([1, 2], [0.59, 0.58]))

    assert found.answer is Answer.MET
    assert found.words.startswith("0.5800\u2009V at 2\u2009h; 2 of the newest 2 below")
    assert found.words.endswith("; 2 of 3 criteria cannot be judged")


def test_nothing_known_cannot_be_judged() -> None:
    rule = FailingRule((VOLTAGE, RATE, LOSS, SCORE, OPEN))

    found = judge(rule, MeaFacts())

    assert found.answer is Answer.CANNOT_BE_JUDGED
    assert len(found.findings) == 5


def test_not_met_says_how_many_criteria_were_silent() -> None:
    found = judge(FailingRule((VOLTAGE, OPEN)), facts([1, 2], [0.65, 0.64]))

    assert found.answer is Answer.NOT_MET
    assert found.words.endswith("1 of 2 criteria cannot be judged")


def test_what_is_no_rule_is_refused() -> None:
    with pytest.raises(Inconsistent, match="one criterion at least"):
        FailingRule(())
    with pytest.raises(Inconsistent, match="Two criteria"):
        FailingRule((OPEN, Criterion(CriterionKind.OPEN_CIRCUIT, 0.9)))
    with pytest.raises(OutOfRange, match="open circuit"):
        Criterion(CriterionKind.OPEN_CIRCUIT, 900.0)
    with pytest.raises(OutOfRange, match="3 to 1000"):
        Criterion(CriterionKind.RATE, 20.0, readings=2)
    with pytest.raises(OutOfRange, match="reference current density"):
        FailingRule((OPEN,), 70.0)
    with pytest.raises(Inconsistent, match="failing rule 1"):
        rule_from_data({"form": "another"})
    with pytest.raises(Inconsistent, match="no field “colour”"):
        rule_from_data({**rule_as_data(FailingRule((OPEN,))), "colour": "red"})


CROSSOVER = Criterion(CriterionKind.CROSSOVER, 0.01)
SHORT = Criterion(CriterionKind.SHORT, 500.0)
SEEN = Criterion(CriterionKind.FINDING, 2, codes=("PINHOLE", "TEAR"))


def read(what: str, low: float | None, high: float | None = None, **more: Any) -> GroundRead:
    """What a test of record 7, or a finding in it, says."""
    high = low if high is None else high
    return GroundRead(what, low, high, f"{what} in record 7", "/records/7", what, **more)


def grounds(criterion: Criterion, *reads: GroundRead) -> CriterionFinding:
    return say(criterion, MeaFacts(grounds={criterion.kind: reads}))


def test_a_rule_kept_before_grounds_were_known_is_the_same_rule_now() -> None:
    kept = (
        '{"criteria":[{"first_hours_h":100,"kind":"voltage","least_hours_h":0,"limit":0.6,'
        '"method":"median of slopes","readings":2}],"form":"failing rule 1","near_percent":2,'
        '"reference_density_a_cm2":0.7}'
    )

    assert rule_from_data(json.loads(kept)) == FailingRule((VOLTAGE,), 0.7, 2.0)


def test_what_several_cells_pass_together_meets_no_criterion_of_one() -> None:
    across = "between anode and cathode"
    alone = grounds(CROSSOVER, read(across, 0.02, 0.03))
    together = grounds(CROSSOVER, read(across, 0.5, 0.6, cells=5))
    tight = grounds(CROSSOVER, read(across, 0.0, 0.01, cells=5))
    unsure = grounds(CROSSOVER, read(across, 0.005, 0.02))

    assert (alone.answer, together.answer) == (Answer.MET, Answer.CANNOT_BE_JUDGED)
    assert "5 cells together: which cell passes more than 0.01" in together.words
    assert (tight.answer, unsure.answer) == (Answer.NOT_MET, Answer.CANNOT_BE_JUDGED)
    both_ways = grounds(CROSSOVER, read(across, 0.02, 0.03, set_up=4), read(across, 0, 0, set_up=5))
    assert both_ways.answer is Answer.MET, "the worse of two directions"
    bounded = read(across, 0.0, 0.5, set_up=2, is_bound=True)
    assert grounds(CROSSOVER, bounded).answer is Answer.CANNOT_BE_JUDGED
    assert grounds(CROSSOVER, read(across, 0.0, 0.01), bounded).answer is Answer.NOT_MET
    assert alone.ground is not None
    assert alone.ground.address == "/records/7"


def test_the_newest_test_counts_and_without_one_nothing_is_said() -> None:
    mended = grounds(SHORT, read("", 90.0), read("", 4000.0))

    assert mended.answer is Answer.NOT_MET
    assert mended.words.startswith("4000\u2009Ω·cm², not below 500\u2009Ω·cm²")
    assert grounds(SHORT, read("", 90.0)).answer is Answer.MET
    assert grounds(SHORT).answer is Answer.CANNOT_BE_JUDGED


def test_a_finding_counts_by_its_word_and_severity_whenever_it_was_seen() -> None:
    seen = grounds(SEEN, read("PINHOLE", 3), read("none seen", None))

    assert (seen.answer, seen.words) == (Answer.MET, "PINHOLE in record 7")
    assert grounds(SEEN, read("PINHOLE", 1)).answer is Answer.NOT_MET
    assert grounds(SEEN, read("TEAR", None)).answer is Answer.CANNOT_BE_JUDGED
    assert grounds(SEEN, read("WRINKLE", 3)).words == "inspected once, nothing of it found"
    assert grounds(SEEN).answer is Answer.CANNOT_BE_JUDGED, "not inspected is not “none seen”"
    assert SEEN.words == "found on it: PINHOLE or TEAR, severity 2 or more"


def test_words_of_findings_belong_to_their_criterion_alone() -> None:
    for kind, codes in ((CriterionKind.FINDING, ()), (CriterionKind.SHORT, ("TEAR",))):
        with pytest.raises(Inconsistent, match="one at least"):
            Criterion(kind, 2.0, codes=codes)
    with pytest.raises(OutOfRange):
        Criterion(CriterionKind.SHORT, 500.0, readings=2)
