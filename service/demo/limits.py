"""The designs' figures and limits, written by the quality lead, put in force by a supervisor."""

from service.demo.days import MON, TUE, When, ago
from service.demo.figures import FIGURES, SOURCE, WREN_TIGHTER
from service.demo.lab import PASSPHRASE, Entry, Lab
from service.limits.arithmetic.figures import DesignFigures
from service.limits.changes import approve_limits, write_limits
from service.limits.queries import limits_version


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


def entries() -> list[Entry]:
    """Return the first version of every design, and a second one of the Wren."""
    return [
        Entry(ago(106, TUE, "15:20"), "figures and limits", _first),
        Entry(ago(106, TUE, "16:10"), "figures and limits approved", _first_in_force),
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
    ]
