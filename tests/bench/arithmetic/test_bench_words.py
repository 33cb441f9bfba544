"""Conditions by kind of part, and the make-safe checklist against what was recorded."""

import pytest

from service.physics.arithmetic.conditions import (
    NONE_SEEN,
    NOT_INSPECTED,
    FindingEntry,
    check_findings,
    faces_of,
)
from service.platform.arithmetic.errors import Inconsistent, OutOfRange, TradeError
from service.platform.arithmetic.vocabulary import FIXING_KINDS, LAYER_KINDS, Kind
from service.records.arithmetic.lab_words import FIRST, words_of
from service.store.arithmetic.make_safe import (
    LineAsked,
    check_reading,
    lines_missing,
    recorded_complete,
)

OF_MEA = words_of(FIRST.of(Kind.MEA))
VOLTS = LineAsked(3, "Stack discharged", "V", 0.5, needs_instrument=True, needs_witness=True)


@pytest.mark.parametrize("kind", [*LAYER_KINDS, *FIXING_KINDS])
def test_every_kind_has_conditions_and_the_two_answers_that_stand_alone(kind: Kind) -> None:
    conditions = words_of(FIRST.of(kind))

    assert len(conditions) == len(set(conditions)) >= 5
    assert NONE_SEEN not in conditions
    assert NOT_INSPECTED not in conditions
    for condition in (NONE_SEEN, NOT_INSPECTED, *conditions):
        check_findings(kind, [FindingEntry(condition)], conditions)


@pytest.mark.parametrize(
    ("findings", "error"),
    [
        ([], Inconsistent),  # nothing said is no answer
        ([FindingEntry(NONE_SEEN), FindingEntry("pinhole")], Inconsistent),
        ([FindingEntry(NONE_SEEN), FindingEntry(NOT_INSPECTED)], Inconsistent),
        ([FindingEntry(NONE_SEEN, 0)], Inconsistent),
        ([FindingEntry("bowed")], OutOfRange),  # of a plate, not of an MEA
        ([FindingEntry("pinhole", 4)], OutOfRange),
        (
            [FindingEntry("pinhole", 1, "Port 1"), FindingEntry("pinhole", 2, "port 1 ")],
            Inconsistent,
        ),
    ],
)
def test_findings_that_make_no_answer(
    findings: list[FindingEntry], error: type[TradeError]
) -> None:
    with pytest.raises(error):
        check_findings(Kind.MEA, findings, OF_MEA)


def test_the_same_condition_at_two_places_is_two_findings() -> None:
    check_findings(
        Kind.MEA,
        [
            FindingEntry("pinhole", 3, "port 1"),
            FindingEntry("pinhole", 3, "port 2"),
            FindingEntry("pinhole", 3, face="anode face", places=("A1",)),
            FindingEntry("pinhole", 3, face="cathode face", places=("A1",)),
        ],
        OF_MEA,
    )


@pytest.mark.parametrize(
    ("finding", "words"),
    [
        (FindingEntry("tear", places=("A1",)), "Say on which: anode face or cathode face"),
        (FindingEntry("tear", area_percent=5.0), "Say on which"),
        (FindingEntry("tear", face="gas face"), "one of: anode face, cathode face"),
        (FindingEntry("tear", face="anode face", places=("G1",)), "A1 to F6"),
        (FindingEntry("tear", face="anode face", area_percent=101.0), "at most 100"),
        (FindingEntry(NONE_SEEN, face="anode face"), "has no place"),
    ],
)
def test_a_place_is_a_square_of_a_face(finding: FindingEntry, words: str) -> None:
    with pytest.raises(TradeError, match=words):
        check_findings(Kind.MEA, [finding], OF_MEA)


def test_layers_and_compression_plates_have_faces_and_rods_have_none() -> None:
    faceless = {kind for kind in (*LAYER_KINDS, *FIXING_KINDS) if not faces_of(kind)}

    assert faceless == set(FIXING_KINDS) - {Kind.COMPRESSION_PLATE}


@pytest.mark.parametrize("reading", [0.0, 0.5, -0.5])
def test_a_reading_up_to_the_limit_is_taken_whichever_way_the_leads_are(reading: float) -> None:
    check_reading(VOLTS, reading)


@pytest.mark.parametrize(
    ("asked", "reading", "error"),
    [
        (VOLTS, 0.51, OutOfRange),
        (VOLTS, -0.51, OutOfRange),
        (VOLTS, None, Inconsistent),
        (LineAsked(1, "Load taken off"), 1.0, Inconsistent),
    ],
)
def test_a_reading_that_does_not_meet_its_line(
    asked: LineAsked, reading: float | None, error: type[TradeError]
) -> None:
    with pytest.raises(error):
        check_reading(asked, reading)


def test_missing_lines_come_in_the_order_of_the_checklist() -> None:
    lines = [LineAsked(number, f"line {number}") for number in (1, 2, 3, 4)]

    assert [line.number for line in lines_missing(lines, {3, 1, 9})] == [2, 4]


def test_a_complete_checklist_says_what_was_recorded_and_never_that_it_is_safe() -> None:
    words = recorded_complete("2026-03-07 14:20", ["A", "B", "C"])

    assert words == (
        "Checks recorded complete at 2026-03-07 14:20 by A, B and C; conditions may have changed."
    )
    assert "safe" not in words
