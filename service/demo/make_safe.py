"""The site's own make-safe list, at one bench: two versions, the second after a near miss."""

from dataclasses import replace

from service.demo.days import MON, TUE, WED, When, ago
from service.demo.designs import HERON
from service.demo.lab import Entry, Lab, put_in_force
from service.platform.database import reading
from service.store.arithmetic.instruments import GasMatrix, InstrumentKind, Principle
from service.store.arithmetic.make_safe import LineAsked, SafeAct
from service.store.changes.make_safe_lists import begin_list, propose_list
from service.store.queries.proposals import proposals_waiting
from service.store.tables import ChangeKind

AT = "endurance rig"
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
    )
    for number, line in enumerate(HERON.checklist, 1)
)
IN_NITROGEN = tuple(
    replace(
        line,
        instrument_kind=InstrumentKind.GAS_DETECTOR,
        principle=Principle.THERMAL_CONDUCTIVITY,
        gas_matrix=GasMatrix.INERT,
        needs_bump_test=True,
    )
    if line.unit == "% vol"
    else line
    for line in BY_DESIGN
)


def _first(lab: Lab, when: When) -> None:
    with lab.work(when, "keiko") as work:
        list_id = begin_list(
            work,
            SafeAct.OPENING,
            AT,
            BY_DESIGN,
            source="Site procedure 12 (invented)",
            reason="The rig's checklist, and how long a reading stays good.",
        )
        lab.lists[AT] = list_id


def _second(lab: Lab, when: When) -> None:
    with lab.work(when, "keiko") as work:
        propose_list(
            work,
            lab.lists[AT],
            IN_NITROGEN,
            source="Site procedure 12, revision B (invented)",
            reason="GD-1 is catalytic: in the nitrogen purge it showed nothing beside 0.9 % vol.",
        )


def _approve(lab: Lab, when: When) -> None:
    with reading(lab.engine) as session:
        waiting = proposals_waiting(session, ChangeKind.MAKE_SAFE_LIST, lab.lists[AT])
    put_in_force(lab, when, [proposal.id for proposal in waiting])


def entries() -> list[Entry]:
    """Return what was written and approved."""

    return [
        Entry(ago(3, MON, "10:00"), "make-safe list of the rig", _first),
        Entry(ago(3, TUE, "09:15"), "make-safe list approved", _approve),
        Entry(ago(1, MON, "14:00"), "make-safe list changed", _second),
        Entry(ago(1, WED, "08:30"), "make-safe list approved again", _approve),
    ]
