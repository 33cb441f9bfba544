"""May these parts be in this build, and is it complete around the pile? Facts in, findings out.

What the pile's order says is in grammar_check; here stands what is known of each part, and what
belongs on each tie rod. All rules are common practice, no source.
"""

from collections import defaultdict
from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from datetime import date

from service.designs.arithmetic import grammar_text as text
from service.designs.arithmetic.grammar_findings import Finding, Severity, Wrong, found
from service.platform.arithmetic.vocabulary import End, Kind, Usability


@dataclass(frozen=True, slots=True)
class PartFacts:
    """What is known of one part of a build.

    ``name`` is what a person calls it; ``positions`` and cells are empty for fixings.
    ``openings`` counts the openings the part has lived through, this one included; ``hours`` in h.
    ``usable_until`` is the last day of its shelf life, for a part put on that has not run.
    ``fitted_again``: it was lifted off in this event and put on again.
    ``for_designs``: the designs with revision its type is released for; empty: any.
    ``beyond``: how its place lies beyond what it was accepted for.
    """

    part: int
    label: str
    name: str
    position: int | None = None
    cell: int | None = None
    usability: Usability = Usability.ACCEPTED
    hold_reason: str = ""
    failing: str = ""
    rule_met: str = ""
    stays: bool = False
    usable_until: date | None = None
    openings: int = 0
    openings_most: int | None = None
    hours: float = 0.0
    hours_most: float | None = None
    renew_at_opening: bool = False
    fitted_again: bool = False
    for_designs: frozenset[str] = frozenset()
    beyond: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True)
class RodFacts:
    """What sits on one tie rod: how many of each kind, the rod itself counted in."""

    number: int
    fitted: Mapping[Kind, int]


def check_parts(parts: Iterable[PartFacts], *, design: str, on: date) -> tuple[Finding, ...]:
    """Find the parts that must not be in a build as they are.

    Parts of one name with the same fault make one finding. A part under concession has been
    judged already: it is a remark. Parameters: ``design`` with its revision, as ``for_designs``
    writes it; ``on`` the day of closing.
    """
    alike: dict[tuple[Wrong, str, str, str, Severity | None], list[PartFacts]] = defaultdict(list)
    for part in parts:
        judged = part.usability is Usability.UNDER_CONCESSION
        for wrong, trouble, mend in (*_of_part(part, design, on), *_of_acceptance(part)):
            severity = Severity.REMARK if judged or _is_let_be(part, wrong) else None
            alike[wrong, part.name, trouble, mend, severity].append(part)
    return tuple(_worded(key, some) for key, some in alike.items())


def _is_let_be(part: PartFacts, wrong: Wrong) -> bool:
    """A part that stays where it was may stay though the rule, and nobody yet, says it fails."""
    return part.stays and wrong is Wrong.RULE_MET


def _of_part(part: PartFacts, design: str, on: date) -> Iterator[tuple[Wrong, str, str]]:
    if part.usability is Usability.ON_HOLD or part.hold_reason:
        because = f": {part.hold_reason}" if part.hold_reason else ""
        yield Wrong.ON_HOLD, f"on hold{because}", "Fit another, or ask for a concession."
    elif part.usability in {Usability.NOT_INSPECTED, Usability.REJECTED}:
        mend = "Have it inspected." if part.usability is Usability.NOT_INSPECTED else "Fit another."
        yield Wrong.NOT_ACCEPTED, str(part.usability), mend
    if part.failing:
        yield Wrong.FAILING, part.failing, "Fit another."
    if part.rule_met:
        yield Wrong.RULE_MET, f"meets the rule for failing: {part.rule_met}", "Fit another."
    if part.usable_until and on > part.usable_until:
        trouble = f"past the shelf life, which ended on {part.usable_until}"
        yield Wrong.PAST_SHELF_LIFE, trouble, "Fit fresh ones."
    if part.openings_most is not None and part.openings > part.openings_most:
        trouble = f"{part.openings} openings; the limit is {part.openings_most}"
        yield Wrong.PAST_OPENINGS, trouble, "Fit new ones."
    if part.hours_most is not None and part.hours > part.hours_most:
        trouble = f"{part.hours:g}\u2009h of operation; the limit is {part.hours_most:g}\u2009h"
        yield Wrong.PAST_HOURS, trouble, "Fit new ones."
    if part.renew_at_opening and part.fitted_again:
        yield Wrong.NOT_RENEWED, "fitted again; to be renewed at every opening", "Fit new ones."
    if part.for_designs and design not in part.for_designs:
        released = ", ".join(sorted(part.for_designs))
        yield Wrong.REVISION, f"released for {released}, not for {design}", "Fit parts for it."


def _of_acceptance(part: PartFacts) -> Iterator[tuple[Wrong, str, str]]:
    mend = "Fit another, or have it accepted for this place."
    for trouble in part.beyond:
        yield Wrong.BEYOND_ACCEPTANCE, trouble, mend


def _worded(
    key: tuple[Wrong, str, str, str, Severity | None], parts: Sequence[PartFacts]
) -> Finding:
    wrong, name, trouble, mend, severity = key
    positions = tuple(sorted(part.position for part in parts if part.position is not None))
    place_words = f" at {', '.join(map(str, positions))}" if positions else ""
    alone = len(parts) == 1
    subject = (
        f"{name} {parts[0].label}{place_words}" if alone else f"{len(parts)} × {name}{place_words}"
    )
    cell = parts[0].cell if alone else None
    return found(
        wrong, f"{subject}: {trouble}", mend, positions=positions, cell=cell, severity=severity
    )  # fmt: skip


def check_fixings(
    rods: Iterable[RodFacts],
    *,
    rods_of_design: Iterable[int],
    on_each_rod: Mapping[Kind, int],
    compression_plates: Iterable[End],
) -> tuple[Finding, ...]:
    """Find what is missing of all that holds the pile together.

    Parameters: ``rods_of_design`` the rods' numbers; ``on_each_rod`` how many of each kind the
    design puts on a rod, the rod itself counted in; ``compression_plates`` the ends that have
    theirs.
    """
    fitted = {rod.number: rod.fitted for rod in rods}
    findings: list[Finding] = []
    for number in rods_of_design:
        findings += _of_rod(number, fitted.pop(number, {}), on_each_rod)
    findings += [
        found(
            Wrong.NO_FIXING,
            f"rod {number} is not in the design",
            "Look which rod is meant, or take it out.",
        )
        for number in fitted
    ]
    present = set(compression_plates)
    findings += [
        found(
            Wrong.NO_FIXING, f"compression plate missing at the {end}", "Put the plate on."
        )
        for end in End
        if end not in present
    ]  # fmt: skip
    return tuple(findings)


def _of_rod(
    number: int, fitted: Mapping[Kind, int], designed: Mapping[Kind, int]
) -> Iterator[Finding]:
    if designed.get(Kind.TIE_ROD) and not fitted.get(Kind.TIE_ROD):
        yield found(
            Wrong.NO_FIXING,
            f"tie rod {number} missing",
            f"Put in tie rod {number}, with its parts.",
        )
        return
    for kind in dict.fromkeys((*designed, *fitted)):
        has, needs = fitted.get(kind, 0), designed.get(kind, 0)
        if kind is Kind.SLEEVE and has < needs:
            yield found(
                Wrong.NO_SLEEVE,
                f"sleeve missing on rod {number}: the rod can touch the plates and short cells",
                f"Take rod {number} out and put its sleeve on.",
            )
        elif has < needs:
            yield found(
                Wrong.NO_FIXING,
                f"rod {number}: {_number(has, kind)}; the design asks for {needs}",
                f"Add {needs - has}.",
            )
        elif has > needs:
            yield found(
                Wrong.EXTRA,
                f"rod {number}: {_number(has, kind)}; the design asks for {needs}",
                f"Take off {has - needs}.",
            )


def _number(number: int, kind: Kind) -> str:
    return f"no {kind}" if number == 0 else text.listed([str(kind)] * number)
