"""The calculator of disc springs on one rod: load, travel, stress.

Sources: as in disc_springs.
"""

from dataclasses import dataclass

from service.calculators.arithmetic import desk
from service.physics.arithmetic.disc_springs import RECOMMENDED_TRAVEL, DiscSpring, SpringColumn
from service.platform.arithmetic import fields
from service.platform.arithmetic.errors import placed
from service.platform.arithmetic.estimates import Estimate, combined, standard_uncertainty
from service.platform.arithmetic.units import Measure

# What is asked of disc springs at the desk, and the column they make.
#
# Source: as in disc_springs.


DISC_FIELDS = (
    fields.quantity("outer", "Outer diameter", Measure.LENGTH, "mm", example="20"),
    fields.quantity("inner", "Inner diameter", Measure.LENGTH, "mm", example="10.2"),
    fields.quantity("disc_thickness", "Thickness of one disc", Measure.LENGTH, "mm", example="1.1"),
    fields.quantity(
        "cone",
        "Cone height of one disc",
        Measure.LENGTH,
        "mm",
        example="0.45",
        help="Free height less thickness; up to 1.4 times the thickness.",
    ),
    fields.whole("parallel", "Discs in a set, laid into each other", example="3", most=50),
    fields.whole("series", "Sets, turned against each other", example="8", most=200),
)


def column_of(answers: desk.Answers) -> SpringColumn:
    """Return the column of discs that was typed."""
    inputs = {
        "outer_diameter_m": "outer",
        "inner_diameter_m": "inner",
        "thickness_m": "disc_thickness",
        "cone_height_m": "cone",
    }
    with placed(**inputs, parallel="parallel", series="series"):
        disc = DiscSpring(**{key: answers.si(name) for key, name in inputs.items()})
        return SpringColumn(disc, answers.count("parallel"), answers.count("series"))


DISC_TOLERANCE = 0.05
"""Half width of a disc's load as a share: DIN EN 16984 allows discs that and more."""
TOLERANCE = "tolerance of the discs, ± 5 %"
AT_LOAD, AT_TRAVEL = "a load", "a travel"
_SHARES = (0.25, 0.5, 0.75, 1.0)


@dataclass(frozen=True, slots=True)
class _At:
    """The column at one travel in m."""

    column: SpringColumn
    travel_m: float

    @property
    def load(self) -> Estimate:
        """Load in N with the discs' tolerance."""
        value = self.column.load(self.travel_m)
        return combined(value, {TOLERANCE: standard_uncertainty(DISC_TOLERANCE * value)})

    @property
    def each(self) -> float:
        """Travel of one disc, m."""
        return self.travel_m / self.column.series


def _work(answers: desk.Answers, units: desk.Units) -> desk.Outcome:
    column = column_of(answers)
    state, travel = _asked(answers, column)
    disc = column.disc
    share = travel.value / column.greatest_travel_m
    flat = _At(column, column.greatest_travel_m).load
    results = (
        desk.Result("load", "Load on one rod", units.figure(state.load, "force_in")),
        desk.Result("travel", "Travel of the column", units.figure(travel, "length_in")),
        desk.Result("share_of_travel", "Share of the travel to flat", desk.percent_of(share)),
        desk.Result(
            "height",
            "Height of the column",
            units.figure(column.free_height_m - travel.value, "length_in"),
            f"{units.figure(column.free_height_m, 'length_in').text} without load",
        ),
        desk.Result("rate", "Rate of the column", units.figure(_rate(column, state), "rate_in")),
        desk.Result(
            "stress_edge",
            "Stress at the lower inner edge",
            units.figure(disc.stress_ii(state.each), "stress_in"),
            "where cracks of most discs begin",
        ),
        desk.Result(
            "stress_middle",
            "Stress at the upper middle",
            units.figure(disc.stress_om(state.each), "stress_in"),
            "negative: compression",
        ),
        desk.Result("flat_load", "Load that lays the discs flat", units.figure(flat, "force_in")),
    )
    remarks = ["Friction between the discs is not counted: it adds to the load on the way in."]
    if share > RECOMMENDED_TRAVEL:
        remarks.insert(
            0,
            f"The discs are pressed to {100 * share:.0f}\u2009% of flat; up to 75\u2009% they last"
            " (DIN EN 16984).",
        )
    source = "Almen & Laszlo (1936) in the form of DIN EN 16984"
    return desk.Outcome(results, source, tuple(remarks), (_table(column, units),), ("clamp",))


def _rate(column: SpringColumn, state: _At) -> float:
    return column.parallel / column.series * column.disc.rate(state.each)


def _asked(answers: desk.Answers, column: SpringColumn) -> tuple[_At, Estimate]:
    """The state that is asked for, and its travel with what the discs' tolerance makes of it."""
    if answers.text("at") == AT_TRAVEL:
        travel = answers.si("travel")
        if travel > column.greatest_travel_m:
            most = f"{1e3 * column.greatest_travel_m:.4g}\u2009mm, where they lie flat"
            raise answers.refuse(
                "travel", "The travel is too long.", f"Right would be up to {most}."
            )
        return _At(column, travel), Estimate(travel)
    load = answers.si("load")
    with placed("load", *(field.name for field in DISC_FIELDS)):
        column.check(load)
    state = _At(column, column.travel(load))
    u = column.compliance(load) * standard_uncertainty(DISC_TOLERANCE * load)
    return state, combined(state.travel_m, {TOLERANCE: u})


def _table(column: SpringColumn, units: desk.Units) -> desk.Table:
    rows: list[tuple[desk.Cell, ...]] = []
    for share in _SHARES:
        state = _At(column, share * column.greatest_travel_m)
        cells: tuple[desk.Figure, ...] = (
            units.figure(state.travel_m, "length_in"),
            units.figure(state.load, "force_in"),
            units.figure(column.disc.stress_ii(state.each), "stress_in"),
        )
        rows.append((f"{100 * share:.0f}\u2009% of flat", *cells))
    headings = ("travel", "travel of the column", "load", "stress at the inner edge")
    return desk.Table("curve", "Along the travel", headings, tuple(rows))


DISC_SPRINGS = desk.Calculator(
    "disc-springs",
    "Disc springs on a rod",
    "Load, travel and stress of discs stacked in sets.",
    (
        fields.Section("Discs", DISC_FIELDS),
        fields.Section(
            "Asked at",
            (
                fields.choice("at", "Asked at", (AT_LOAD, AT_TRAVEL)),
                fields.quantity(
                    "load",
                    "Load on the rod",
                    Measure.FORCE,
                    "kN",
                    only_for="at a load",
                    required=False,
                    example="3.8",
                ),
                fields.quantity(
                    "travel",
                    "Travel of the column",
                    Measure.LENGTH,
                    "mm",
                    only_for="at a travel",
                    required=False,
                ),
            ),
        ),
    ),
    _work,
    (
        fields.Show("force_in", "Force in", Measure.FORCE, "N"),
        fields.Show("length_in", "Lengths in", Measure.LENGTH, "mm"),
        fields.Show("stress_in", "Stress in", Measure.PRESSURE, "MPa"),
        fields.Show("rate_in", "Rate in", Measure.STIFFNESS, "N/mm"),
    ),
)
