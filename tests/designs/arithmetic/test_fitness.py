"""Parts that must not be in a build, and fixings that are wanting."""

from dataclasses import replace
from datetime import date

import pytest

from service.designs.arithmetic.fitness import PartFacts, RodFacts, check_fixings, check_parts
from service.designs.arithmetic.grammar_findings import Severity, Wrong
from service.platform.arithmetic.vocabulary import End, Kind, Usability

SOUND = PartFacts(
    7, "M-0007", "MEA", position=6, cell=1, usable_until=date(2026, 3, 31), openings=3,
    openings_most=3, hours=1500.0, hours_most=1500.0, for_designs=frozenset({"TE-40 B"}),
)  # fmt: skip
DAY = date(2026, 3, 31)


def test_a_sound_part_at_all_its_limits_may_stay() -> None:
    assert check_parts([SOUND], design="TE-40 B", on=DAY) == ()


@pytest.mark.parametrize(
    ("part", "wrong", "sentence"),
    [
        (
            replace(SOUND, usability=Usability.ON_HOLD, hold_reason="pinholes in its lot"),
            Wrong.ON_HOLD, "MEA M-0007 at 6: on hold: pinholes in its lot (cell 1)",
        ),
        (
            replace(SOUND, usability=Usability.NOT_INSPECTED),
            Wrong.NOT_ACCEPTED, "MEA M-0007 at 6: not inspected (cell 1)",
        ),
        (
            replace(SOUND, usability=Usability.REJECTED),
            Wrong.NOT_ACCEPTED, "MEA M-0007 at 6: rejected (cell 1)",
        ),
        (
            replace(SOUND, usable_until=date(2026, 3, 30)), Wrong.PAST_SHELF_LIFE,
            "MEA M-0007 at 6: past the shelf life, which ended on 2026-03-30 (cell 1)",
        ),
        (
            replace(SOUND, openings=4), Wrong.PAST_OPENINGS,
            "MEA M-0007 at 6: 4 openings; the limit is 3 (cell 1)",
        ),
        (
            replace(SOUND, hours=1500.5), Wrong.PAST_HOURS,
            "MEA M-0007 at 6: 1500.5\u2009h of operation; the limit is 1500\u2009h (cell 1)",
        ),
        (
            replace(SOUND, renew_at_opening=True, fitted_again=True), Wrong.NOT_RENEWED,
            "MEA M-0007 at 6: fitted again; to be renewed at every opening (cell 1)",
        ),
        (
            replace(SOUND, for_designs=frozenset({"TE-40 A"})), Wrong.REVISION,
            "MEA M-0007 at 6: released for TE-40 A, not for TE-40 B (cell 1)",
        ),
    ],
)  # fmt: skip
def test_a_part_that_must_not_be_there_needs_a_concession(
    part: PartFacts, wrong: Wrong, sentence: str
) -> None:
    (finding,) = check_parts([part], design="TE-40 B", on=DAY)

    assert (finding.wrong, finding.sentence) == (wrong, sentence)
    assert finding.severity is Severity.CONCESSION


def test_a_part_under_concession_is_remarked_only() -> None:
    part = replace(SOUND, usability=Usability.UNDER_CONCESSION, openings=9)

    (finding,) = check_parts([part], design="TE-40 B", on=DAY)

    assert finding.severity is Severity.REMARK


def test_gaskets_fitted_again_are_one_finding_with_their_places() -> None:
    gaskets = [
        PartFacts(at, f"S-31/{at}", "cell gasket", at, renew_at_opening=True, fitted_again=True)
        for at in (7, 5, 11)
    ]

    (finding,) = check_parts(gaskets, design="TE-40 B", on=DAY)

    assert finding.positions == (5, 7, 11)
    assert finding.sentence == (
        "3 × cell gasket at 5, 7, 11: fitted again; to be renewed at every opening"
    )


EACH = {Kind.TIE_ROD: 1, Kind.SLEEVE: 1, Kind.NUT: 1, Kind.DISC_SPRING: 6}


def of_rods(*rods: RodFacts, plates: tuple[End, ...] = tuple(End)) -> list[tuple[Wrong, str]]:
    findings = check_fixings(
        rods, rods_of_design=range(1, 3), on_each_rod=EACH, compression_plates=plates
    )
    assert all(finding.severity is Severity.BLOCKS for finding in findings)
    return [(finding.wrong, finding.sentence) for finding in findings]


def test_nothing_is_found_where_all_fixings_are_there() -> None:
    assert of_rods(RodFacts(1, EACH), RodFacts(2, EACH)) == []


def test_a_missing_sleeve_is_named_with_what_it_does() -> None:
    assert of_rods(RodFacts(1, EACH), RodFacts(2, {**EACH, Kind.SLEEVE: 0})) == [
        (
            Wrong.NO_SLEEVE,
            "sleeve missing on rod 2: the rod can touch the plates and short cells",
        )
    ]


def test_what_is_wanting_or_too_much_on_a_rod_is_counted() -> None:
    rods = (
        RodFacts(1, {**EACH, Kind.NUT: 0, Kind.DISC_SPRING: 4}),
        RodFacts(2, {**EACH, Kind.NUT: 2}),
    )

    assert of_rods(*rods) == [
        (Wrong.NO_FIXING, "rod 1: no nut; the design asks for 1"),
        (Wrong.NO_FIXING, "rod 1: 4 × disc spring; the design asks for 6"),
        (Wrong.EXTRA, "rod 2: 2 × nut; the design asks for 1"),
    ]


def test_a_missing_rod_is_one_finding_and_a_strange_one_is_another() -> None:
    assert of_rods(RodFacts(1, EACH), RodFacts(5, EACH), plates=(End.FIXED,)) == [
        (Wrong.NO_FIXING, "tie rod 2 missing"),
        (Wrong.NO_FIXING, "rod 5 is not in the design"),
        (Wrong.NO_FIXING, "compression plate missing at the free end"),
    ]
