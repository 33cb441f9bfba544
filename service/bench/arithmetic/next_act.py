"""What comes next in a record: the place of the work, the biggest words, the main button.

It follows the changeover plan where there is one, else the pattern of the design, else what the
record began from.

Source: common practice, no source.
"""

from collections.abc import Mapping
from dataclasses import dataclass, field
from enum import StrEnum


class Place(StrEnum):
    """The places of the work, in their order; each has a form of its own."""

    MAKE_SAFE = "make-safe"
    BUMP_TEST = "bump-test"
    EXCEPTION = "exception"
    HANDOVER = "handover"
    OPENING = "opening"
    LIFTING = "lifting"
    SEVERAL = "lifting-several"
    FINDING = "finding"
    PUTTING_ON = "putting-on"
    DONOR = "donor"
    FIXINGS = "fixings"
    FROM_LOT = "fixings-from-lot"
    AS_FOUND = "fixings-as-found"
    OFF = "fixings-off"
    TORQUE = "torque"
    CORNERS = "corners"
    HELD = "held"
    CLOSING = "closing"
    CHECKS = "closing-checks"
    TESTS = "tests"
    HANDING_IN = "handing-in"


STATIONS: dict[Place, Place] = {
    Place.BUMP_TEST: Place.MAKE_SAFE,
    Place.EXCEPTION: Place.OPENING,
    Place.HANDOVER: Place.OPENING,
    Place.SEVERAL: Place.LIFTING,
    Place.FINDING: Place.LIFTING,
    Place.DONOR: Place.PUTTING_ON,
    Place.FROM_LOT: Place.FIXINGS,
    Place.AS_FOUND: Place.FIXINGS,
    Place.OFF: Place.FIXINGS,
    Place.CORNERS: Place.TORQUE,
    Place.HELD: Place.TORQUE,
}
"""Places beside another one, where the same is done."""
IN_ORDER = (
    Place.MAKE_SAFE,
    Place.OPENING,
    Place.LIFTING,
    Place.PUTTING_ON,
    Place.FIXINGS,
    Place.TORQUE,
    Place.CHECKS,
    Place.CLOSING,
    Place.TESTS,
    Place.HANDING_IN,
)


@dataclass(frozen=True, slots=True)
class Nut:
    """The nut to be read next; ``target_nm`` of its pass, N·m."""

    pass_number: int
    passes: int
    rod: int
    target_nm: float

    @property
    def in_words(self) -> str:
        """What is to be done to it."""
        of = f" of {self.passes}" if self.pass_number <= self.passes else ", round the plate"
        return (
            f"Pass {self.pass_number}{of}, nut {self.rod}:"
            f" tighten to {self.target_nm:.2f}\u2009N·m."
        )


@dataclass(frozen=True, slots=True)
class Standing:
    """What stands of a record, as far as the next act depends on it.

    ``opens``: it began from a closed build. ``last``: where the last entry was made. ``lift_off``
    and ``put_on`` are what the plan asks for next, ``comes`` what the pattern lets come next, in
    words. ``fixings``, ``checks`` and ``tests`` count what is not recorded, ``others`` what else
    hand-in takes a reason for.
    """

    opens: bool = True
    only_torque: bool = False
    only_looks: bool = False
    takes_apart: bool = False
    is_safe: bool = False
    is_safe_begun: bool = False
    is_opened: bool = False
    is_closed: bool = False
    last: Place | None = None
    is_empty: bool = False
    was_lifted: bool = False
    was_put_on: bool = False
    has_plan: bool = False
    lift_off: str = ""
    put_on: str = ""
    is_complete: bool = False
    comes: str = ""
    end: str = ""
    fixings: int = 0
    torque_is_begun: bool = False
    nut: Nut | None = None
    settles_until: str = ""
    tool_to_check: int = 0
    """the pass after which the click tool is to be checked; 0: none"""
    corners_due: int = 0
    """the pass after which the heights at the corners are to be measured; 0: none"""
    to_hold: str = ""
    """how the design closes where not to torque, until it is recorded; nuts are run down to hold"""
    read_again: int = 0
    """the pass that is due after settling; 0: none is, or it was read"""
    checks: int = 0
    tests: int = 0
    others: int = 0
    blocks: int = 0
    before: Mapping[Place, str] = field(default_factory=dict)
    """what of make-safe is to be recorded, or recorded again, before an act at a place"""

    @property
    def not_recorded(self) -> str:
        """What is not recorded, in words."""
        return not_recorded(self.tests, self.checks, self.others)


@dataclass(frozen=True, slots=True)
class NextAct:
    """The next act; ``button`` leads to it from elsewhere.

    ``onward``: where its own page leads, since nothing has to be entered there.
    """

    place: Place
    words: str
    button: str
    onward: "Lead | None" = None
    is_again: bool = False
    """something recorded before has gone stale: no act goes on without it"""


@dataclass(frozen=True, slots=True)
class Lead:
    """Where the main button leads; ``pass_number`` of torque, 0: the page says."""

    place: Place
    button: str
    pass_number: int = 0


def next_act(at: Standing) -> NextAct:
    """Return the next act of a record: what its make-safe list asks for goes first."""
    act = _next_act(at)
    if words := at.before.get(act.place):
        return NextAct(Place.MAKE_SAFE, words, "Go on: make-safe", is_again=True)
    return act


def _next_act(at: Standing) -> NextAct:
    if at.is_closed:
        return _after_closing(at)
    if at.opens and not at.is_opened:
        return _before_opening(at)
    return _at_open_stack(at)


def lead_from(start: Place, act: NextAct) -> Lead | None:
    """Return where the main button of a place leads; None where it enters what the place asks for.

    A handover is entered whenever work is left, another stack named whenever parts come from it.

    A place leads on once the work has gone past it, or where nothing has to be entered in it.
    """
    if start in (Place.HANDOVER, Place.DONOR):
        return None
    at, act_at = (IN_ORDER.index(STATIONS.get(place, place)) for place in (start, act.place))
    if at < act_at or (act.place is Place.MAKE_SAFE and at > act_at and act.is_again):
        return Lead(act.place, act.button)
    return act.onward if start is act.place else None


def not_recorded(tests: int, checks: int, others: int = 0) -> str:
    """Return how many tests, checks and other things are not recorded, in words; empty: none.

    >>> not_recorded(6, 1), not_recorded(1, 0), not_recorded(0, 0)
    ('6 tests and 1 check not recorded', '1 test not recorded', '')
    >>> not_recorded(6, 4, 1), not_recorded(0, 0, 2)
    ('6 tests, 4 checks and 1 other thing not recorded', '2 things not recorded')
    """
    other = "other thing" if tests or checks else "thing"
    counted = [
        f"{count} {noun if count == 1 else noun + 's'}"
        for count, noun in ((tests, "test"), (checks, "check"), (others, other))
        if count
    ]
    if not counted:
        return ""
    *first, last = counted
    before = f"{', '.join(first)} and " if first else ""
    return f"{before}{last} not recorded"


def _before_opening(at: Standing) -> NextAct:
    if at.last is Place.TESTS:
        onward = Lead(Place.HANDING_IN, "Go on: hand in")
        return NextAct(Place.TESTS, "Make another test, or hand in.", "Go on: tests", onward)
    if at.only_torque:
        return _turning(at) or _handing_in(at)
    if at.only_looks and not at.is_safe_begun and not at.is_safe:
        return NextAct(Place.FINDING, "Note what is seen.", "Go on: note a finding")
    if at.is_safe:
        words = "Release the clamp, then record the opening."
        return NextAct(Place.OPENING, words, "Go on: open the stack")
    words = "Make the stack safe: record each line of the checklist."
    return NextAct(Place.MAKE_SAFE, words, "Go on: checklist")


def _at_open_stack(at: Standing) -> NextAct:
    if at.takes_apart:
        return _lifting("") if not at.is_empty else _handing_in(at)
    layers = _layers_by_plan(at) if at.has_plan else _layers(at)
    return layers or _holding_together(at)


def _holding_together(at: Standing) -> NextAct:
    """Return what is next once all layers are on, until the closing is recorded."""
    if not at.torque_is_begun and at.last is not Place.CHECKS:
        more = (
            f"{at.fixings} {'is' if at.fixings == 1 else 'are'} missing."
            if at.fixings
            else "Enter only what is new."
        )
        words = f"All layers are on. Fit plates, rods and nuts. {more}"
        begins = Lead(Place.HELD, f"Go on: close {at.to_hold}") if at.to_hold else GO_TORQUE
        onward = None if at.fixings else begins
        return NextAct(Place.FIXINGS, words, "Go on: fixings", onward)
    if turning := _turning(at):
        return turning
    if at.settles_until:
        words = (
            f"Every nut is read. Let the stack settle until {at.settles_until},"
            " then read every nut again."
        )
        onward = Lead(Place.TORQUE, f"Read pass {at.read_again} now", at.read_again)
        return NextAct(Place.TORQUE, words, "Go on: torque", onward)
    if at.read_again:
        words = f"The stack has settled: read every nut again, pass {at.read_again}."
        return NextAct(Place.TORQUE, words, "Go on: torque")
    if at.checks:
        words = f"Check the closed stack: {not_recorded(0, at.checks)}."
        return NextAct(Place.CHECKS, words, "Go on: checks")
    return NextAct(Place.CLOSING, "Record the closing.", "Go on: close")


def _layers_by_plan(at: Standing) -> NextAct | None:
    """The layers of a plan; None where all are off and on."""
    if at.lift_off:
        return _lifting(at.lift_off)
    if at.put_on:
        return _putting_on(at.put_on, "")
    if not at.is_complete:
        return _putting_on(at.comes, at.end)
    return None


def _layers(at: Standing) -> NextAct | None:
    """The layers where there is no plan; None where all are on."""
    if at.is_empty:
        return _putting_on(at.comes, at.end)
    if at.last is Place.LIFTING:
        return _lifting("")
    if at.was_put_on:
        return None if at.is_complete or at.torque_is_begun else _putting_on(at.comes, at.end)
    if at.was_lifted or (at.opens and not at.torque_is_begun and at.last not in AFTER_LAYERS):
        return _lifting("")
    return None


GO_TORQUE = Lead(Place.TORQUE, "Go on: torque")
AFTER_LAYERS = (Place.FIXINGS, Place.AS_FOUND, Place.OFF, Place.CHECKS)


def _lifting(layer: str) -> NextAct:
    words = f"Lift off the {layer}." if layer else "Lift off the next layer."
    return NextAct(Place.LIFTING, words, "Go on: lift off")


def _putting_on(layer: str, end: str) -> NextAct:
    at_end = f" at the {end}" if end else ""
    words = f"Put on the {layer}{at_end}." if layer else f"Put on the next layer{at_end}."
    return NextAct(Place.PUTTING_ON, words, "Go on: put on")


def _turning(at: Standing) -> NextAct | None:
    """The check of a click tool after its pass, or the next nut; None where neither is due."""
    if at.tool_to_check:
        done = f"Every nut of pass {at.tool_to_check} is tightened"
        return NextAct(Place.TORQUE, f"{done}: check the tool on the tester.", "Go on: torque")
    if at.corners_due:
        words = f"Measure the height at the corners, after pass {at.corners_due}."
        return NextAct(Place.CORNERS, words, "Go on: corners")
    if at.to_hold:
        words = f"Close {at.to_hold}: run the nuts down to hold, then measure."
        return NextAct(Place.HELD, words, f"Go on: close {at.to_hold}")
    return NextAct(Place.TORQUE, at.nut.in_words, "Go on: torque") if at.nut else None


def _after_closing(at: Standing) -> NextAct:
    wanting = f"The stack is closed. {at.not_recorded}."
    if at.tests and not (at.checks and at.last is Place.CHECKS):
        return NextAct(Place.TESTS, wanting, "Go on: test")
    if at.checks:
        return NextAct(Place.CHECKS, wanting, "Go on: checks")
    return _handing_in(at)


def _handing_in(at: Standing) -> NextAct:
    if at.blocks:
        number_words = "thing is" if at.blocks == 1 else "things are"
        words = f"Before hand-in: {at.blocks} {number_words} missing."
        return NextAct(Place.HANDING_IN, words, "See what is missing")
    if at.not_recorded:
        words = f"Before hand-in: {at.not_recorded}."
        return NextAct(Place.HANDING_IN, words, "See what is missing")
    return NextAct(Place.HANDING_IN, "Ready to hand in.", "Go on: hand in")
