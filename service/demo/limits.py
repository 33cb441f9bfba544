"""Figures, limits and a make-safe list: written by the quality lead, approved by a supervisor."""

from dataclasses import replace

from service.demo.days import MON, TUE, WED, When, ago
from service.demo.designs import HERON
from service.demo.figures import FIGURES, SOURCE, STORK_TO_HEIGHT, WREN_TIGHTER
from service.demo.lab import PASSPHRASE, Entry, Lab, put_in_force
from service.limits.arithmetic.figures import DesignFigures
from service.limits.changes import approve_limits, write_limits
from service.limits.queries import limits_version
from service.platform.database import reading
from service.store.arithmetic.instruments import GasMatrix, InstrumentKind, Principle
from service.store.arithmetic.make_safe import LineAsked, SafeAct
from service.store.changes.make_safe_lists import begin_list, propose_list, withdraw_list
from service.store.queries.proposals import proposals_waiting
from service.store.tables import ChangeKind


def _write(lab: Lab, when: When, design: str, figures: DesignFigures, reason: str) -> None:
    with lab.work(when, "keiko") as work:
        lab.limits[design] = write_limits(
            work, lab.designs[design], figures, source=SOURCE, reason=reason
        )


def _approve(lab: Lab, when: When, design: str) -> None:
    with lab.work(when, "olu") as work:
        version = limits_version(work.session, lab.limits[design])
        approve_limits(
            work,
            lab.limits[design],
            content_sha256=version.content_sha256,
            password=PASSPHRASE,
        )


def _first(lab: Lab, when: When) -> None:
    for design, figures in FIGURES.items():
        _write(lab, when, design, figures, "First figures of the design, invented for the demo.")


def _first_in_force(lab: Lab, when: When) -> None:
    for design in FIGURES:
        _approve(lab, when, design)


# The site's make-safe lists at two benches: the second version of one after a near miss, the other
# withdrawn.

AT, NOT_AT = "endurance rig", "test bench 3"
SHORT = {"% vol": "hydrogen", "V": "stack voltage", "kPa": "pressures", "°C": "temperature"}
GOOD_FOR = {"% vol": 30.0, "V": 60.0, "kPa": 60.0, "°C": 120.0}
"""min"""
BY_DESIGN = tuple(
    LineAsked(
        number,
        line.wording,
        line.unit,
        line.reading_most,
        line.needs_instrument,
        line.needs_witness,
        good_minutes=GOOD_FOR.get(line.unit or ""),
        short=SHORT.get(line.unit or "", ""),
        instrument_kind=InstrumentKind.GAS_DETECTOR if line.unit == "% vol" else None,
    )
    for number, line in enumerate(HERON.checklist, 1)
)
IN_NITROGEN = tuple(
    replace(
        line,
        principle=Principle.THERMAL_CONDUCTIVITY,
        gas_matrix=GasMatrix.INERT,
        needs_bump_test=True,
    )
    if line.unit == "% vol"
    else line
    for line in BY_DESIGN
)


def _begin_lists(lab: Lab, when: When) -> None:
    with lab.work(when, "keiko") as work:
        for place in (AT, NOT_AT):
            lab.lists[place] = begin_list(
                work,
                SafeAct.OPENING,
                place,
                BY_DESIGN,
                source="Site procedure 12 (invented)",
                reason="The bench's checklist, and how long a reading stays good.",
            )


def _withdraw_list(lab: Lab, when: When) -> None:
    with lab.work(when, "keiko") as work:
        why = "Made for the Herons: the Wrens there are opened by the lines of their design."
        withdraw_list(work, lab.lists[NOT_AT], reason=why)


def _list_for_nitrogen(lab: Lab, when: When) -> None:
    with lab.work(when, "keiko") as work:
        propose_list(
            work,
            lab.lists[AT],
            IN_NITROGEN,
            source="Site procedure 12, revision B (invented)",
            reason="GD-1 is catalytic: in the nitrogen purge it showed nothing beside 0.9 % vol.",
        )


def _approve_lists(lab: Lab, when: When) -> None:
    with reading(lab.engine) as session:
        waiting = [
            proposal.id
            for list_id in lab.lists.values()
            for proposal in proposals_waiting(session, ChangeKind.MAKE_SAFE_LIST, list_id)
        ]
    put_in_force(lab, when, waiting)


def entries() -> list[Entry]:
    """Return the first version of each, and a second one of Stork, Wren and the list."""
    return [
        Entry(ago(106, TUE, "15:20"), "figures and limits", _first),
        Entry(ago(106, TUE, "16:10"), "figures and limits approved", _first_in_force),
        Entry(
            ago(36, MON, "13:30"),
            "Stork closed to height",
            lambda lab, when: _write(
                lab,
                when,
                "Stork",
                STORK_TO_HEIGHT,
                "At 42 kN the first stack came to 218.5 mm: the next go to a gauge of that height.",
            ),
        ),
        Entry(
            ago(36, TUE, "09:20"),
            "Stork closed to height, approved",
            lambda lab, when: _approve(lab, when, "Stork"),
        ),
        Entry(
            ago(20, MON, "14:10"),
            "tighter limits of the Wren",
            lambda lab, when: _write(
                lab,
                when,
                "Wren",
                WREN_TIGHTER,
                "The better fittings of the rig show smaller leaks: less than half may leak now.",
            ),
        ),
        Entry(
            ago(20, TUE, "10:20"),
            "tighter limits approved",
            lambda lab, when: _approve(lab, when, "Wren"),
        ),
        Entry(ago(3, MON, "10:00"), "make-safe lists of two benches", _begin_lists),
        Entry(ago(3, TUE, "09:15"), "make-safe lists approved", _approve_lists),
        Entry(ago(1, MON, "14:00"), "make-safe list changed", _list_for_nitrogen),
        Entry(ago(1, MON, "14:20"), "make-safe list withdrawn", _withdraw_list),
        Entry(ago(1, WED, "08:30"), "a list changed, one withdrawn: approved", _approve_lists),
    ]
