"""The next act of a record, from make-safe to hand-in."""

from dataclasses import replace

import pytest

from service.bench.arithmetic.next_act import Lead, Nut, Place, Standing, lead_from, next_act

SAFE = Standing(is_safe=True, is_safe_begun=True)
OPEN = replace(SAFE, is_opened=True, last=Place.OPENING)
LIFTED = replace(OPEN, last=Place.LIFTING, was_lifted=True)
PUT_ON = replace(OPEN, last=Place.PUTTING_ON, was_lifted=True, was_put_on=True)
ALL_ON = replace(PUT_ON, is_complete=True)
NUT = Nut(1, 3, 4, 1.53)
TIGHTENING = replace(ALL_ON, last=Place.TORQUE, torque_is_begun=True, nut=NUT)
TIGHT = replace(TIGHTENING, nut=None, checks=3)
CLOSED = replace(TIGHT, is_closed=True, last=Place.CLOSING, tests=6, checks=4)
BY_PLAN = {"has_plan": True}

ACTS = (
    # what stands, where the work goes on, how the words begin
    (Standing(), Place.MAKE_SAFE, "Make the stack safe"),
    (SAFE, Place.OPENING, "Release the clamp"),
    (OPEN, Place.LIFTING, "Lift off the next layer."),
    (LIFTED, Place.LIFTING, "Lift off the next layer."),
    (replace(PUT_ON, comes="MEA", end="free end"), Place.PUTTING_ON, "Put on the MEA at the free"),
    (ALL_ON, Place.FIXINGS, "All layers are on. Fit plates, rods and nuts. Enter only what is new"),
    (
        replace(ALL_ON, fixings=2),
        Place.FIXINGS,
        "All layers are on. Fit plates, rods and nuts. 2 a",
    ),
    (TIGHTENING, Place.TORQUE, "Pass 1 of 3, nut 4: tighten to 1.53\u2009N·m."),
    (
        replace(TIGHT, settles_until="14:20", read_again=4),
        Place.TORQUE,
        "Every nut is read. Let the stack settle until 14:20",
    ),
    (replace(TIGHT, read_again=4), Place.TORQUE, "The stack has settled: read every nut again"),
    (TIGHT, Place.CHECKS, "Check the closed stack: 3 checks not recorded."),
    (replace(TIGHT, checks=0), Place.CLOSING, "Record the closing."),
    (CLOSED, Place.TESTS, "The stack is closed. 6 tests and 4 checks not recorded."),
    (replace(CLOSED, last=Place.CHECKS), Place.CHECKS, "The stack is closed. 6 tests and 4"),
    (replace(CLOSED, last=Place.CHECKS, checks=0), Place.TESTS, "The stack is closed. 6 tests not"),
    (replace(CLOSED, tests=0), Place.CHECKS, "The stack is closed. 4 checks not recorded."),
    (replace(CLOSED, tests=0, checks=0), Place.HANDING_IN, "Ready to hand in."),
    (replace(CLOSED, tests=0, checks=0, blocks=1), Place.HANDING_IN, "Before hand-in: 1 thing is"),
    # by a plan
    (
        replace(LIFTED, **BY_PLAN, lift_off="MEA M-2 at 5, free end"),
        Place.LIFTING,
        "Lift off the ME",
    ),
    (
        replace(LIFTED, **BY_PLAN, put_on="MEA M-9 at 5, free end"),
        Place.PUTTING_ON,
        "Put on the MEA",
    ),
    (replace(LIFTED, **BY_PLAN, is_complete=True), Place.FIXINGS, "All layers are on."),
    # other kinds of records
    (Standing(opens=False, is_empty=True), Place.PUTTING_ON, "Put on the next layer."),
    (Standing(only_looks=True), Place.FINDING, "Note what is seen."),
    (Standing(only_torque=True, nut=NUT), Place.TORQUE, "Pass 1 of 3, nut 4"),
    (Standing(only_torque=True, last=Place.TORQUE), Place.HANDING_IN, "Ready to hand in."),
    (replace(LIFTED, takes_apart=True), Place.LIFTING, "Lift off the next layer."),
    (replace(LIFTED, takes_apart=True, is_empty=True), Place.HANDING_IN, "Ready to hand in."),
    # only a nut or a sleeve is renewed: no layer moved
    (replace(OPEN, last=Place.OFF, nut=NUT), Place.FIXINGS, "All layers are on."),
    # layers lifted off again after the first nuts were read
    (replace(TIGHTENING, last=Place.LIFTING), Place.LIFTING, "Lift off the next layer."),
)


@pytest.mark.parametrize(("standing", "place", "begins"), ACTS)
def test_each_moment_of_a_record_has_one_next_act(
    standing: Standing, place: Place, begins: str
) -> None:
    act = next_act(standing)

    assert act.place is place
    assert act.words.startswith(begins)
    assert act.button


def test_a_place_the_work_has_gone_past_leads_on() -> None:
    """Not one further on, nor one beside it."""
    act = next_act(ALL_ON)

    assert lead_from(Place.PUTTING_ON, act) == Lead(Place.FIXINGS, "Go on: fixings")
    assert lead_from(Place.SEVERAL, act) == Lead(Place.FIXINGS, "Go on: fixings")
    assert lead_from(Place.FIXINGS, act) == Lead(Place.TORQUE, "Go on: torque")
    assert lead_from(Place.FROM_LOT, act) is None
    assert lead_from(Place.TORQUE, act) is None
    assert lead_from(Place.FIXINGS, next_act(replace(ALL_ON, fixings=1))) is None


def test_the_re_torque_pass_can_be_begun_before_the_time_is_over() -> None:
    act = next_act(replace(TIGHT, settles_until="14:20", read_again=4))

    assert lead_from(Place.TORQUE, act) == Lead(Place.TORQUE, "Read pass 4 now", 4)
