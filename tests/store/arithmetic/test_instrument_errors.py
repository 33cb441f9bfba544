"""How far an instrument may be off: offset, share of the reading and of full scale add up."""

from math import sqrt

import pytest

from service.platform.arithmetic.estimates import Shape, standard_uncertainty
from service.platform.arithmetic.units import Measure, labels
from service.store.arithmetic.instrument_errors import Coverage, ErrorShares, MayBeOff
from service.store.arithmetic.instruments import (
    READS,
    InstrumentKind,
    kinds_that_read,
    reads,
    units_of,
)

GAUGE = MayBeOff(ErrorShares(0.1, 0.02, 0.25, 400.0))


def test_a_reading_near_zero_bears_the_share_of_full_scale() -> None:
    assert GAUGE.at(2.0) == pytest.approx(0.002 + 0.02 + 1.0)
    assert GAUGE.percent_at(2.0) == pytest.approx(51.1)
    assert GAUGE.percent_at(400.0) == pytest.approx(0.355)


def test_what_was_found_counts_where_it_is_more_than_the_sheet_allows() -> None:
    found = MayBeOff(GAUGE.sheet, found=ErrorShares(offset=-3.0))

    assert found.at(2.0) == pytest.approx(3.0)
    assert found.at(1000.0) == pytest.approx(3.0)
    assert MayBeOff(found=ErrorShares(5.0)).at(2.0) is None, "as is usual for its kind"


@pytest.mark.parametrize(
    ("coverage", "u"),
    [
        (Coverage.GREATEST, standard_uncertainty(1.0)),
        (Coverage.EXPANDED, 0.5),
        (Coverage.STANDARD, 1.0),
    ],
)
def test_each_coverage_gives_its_standard_uncertainty(coverage: Coverage, u: float) -> None:
    off = MayBeOff(ErrorShares(1.0), coverage).at(100.0)

    assert off is not None
    assert off / sqrt(3) == pytest.approx(u)
    assert Shape.RECTANGULAR.value == pytest.approx(sqrt(3))


def test_an_offset_follows_the_unit_and_a_share_does_not() -> None:
    in_bar = MayBeOff(ErrorShares(0.1, 0.0002, 0.25, 4.0))
    in_kpa = in_bar.in_unit("bar", "kPa", Measure.PRESSURE)

    assert in_kpa.at(2.0) == pytest.approx(GAUGE.at(2.0))
    assert in_bar.in_unit("% vol", "kPa", Measure.PRESSURE).at(100.0) == pytest.approx(0.1)


@pytest.mark.parametrize("kind", InstrumentKind)
def test_each_kind_reads_its_units_and_no_others(kind: InstrumentKind) -> None:
    for unit in units_of(kind):
        assert reads(kind, unit)
        assert kind in kinds_that_read(unit)
    foreign = [
        unit
        for measure in Measure
        for unit in labels(measure)
        if unit not in units_of(kind) and measure not in READS[kind]
    ]
    assert foreign
    assert not any(reads(kind, unit) for unit in foreign)


@pytest.mark.parametrize(
    ("unit", "kinds"),
    [
        ("MΩ", {InstrumentKind.MULTIMETER, InstrumentKind.INSULATION_TESTER}),
        ("mΩ", {InstrumentKind.MILLIOHM_METER}),
        ("µS/cm", {InstrumentKind.CONDUCTIVITY_METER}),
        ("mbar·L/s", {InstrumentKind.HELIUM_DETECTOR}),
        ("kN", {InstrumentKind.LOAD_CELL}),
        ("g", {InstrumentKind.SCALE}),
        ("mm", {InstrumentKind.HEIGHT_GAUGE, InstrumentKind.MICROMETER}),
        (
            "mV",
            {InstrumentKind.MULTIMETER, InstrumentKind.POTENTIOSTAT, InstrumentKind.CELL_MONITOR},
        ),
        ("% vol", {InstrumentKind.GAS_DETECTOR, InstrumentKind.OXYGEN_MONITOR}),
        ("% O2", {InstrumentKind.OXYGEN_MONITOR}),
        ("ppm H2", {InstrumentKind.GAS_DETECTOR}),
    ],
)
def test_only_kinds_that_fit_the_quantity_are_offered(
    unit: str, kinds: set[InstrumentKind]
) -> None:
    assert set(kinds_that_read(unit)) == kinds
