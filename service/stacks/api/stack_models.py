"""Stacks, builds and layer maps as JSON."""

from datetime import datetime
from typing import Annotated, Any

from pydantic import BeforeValidator, Field

from service.designs.arithmetic import pile
from service.limits.arithmetic.figures import figures_as_data
from service.limits.queries import LimitsInForce
from service.platform.api.answers import Out, Page, described, like, read_from
from service.stacks.arithmetic import part_hours, running_hours
from service.stacks.queries import (
    build_spans,
    hours,
    installations,
    layer_maps,
    lineage,
    part_lives,
    restrictions,
    stacks,
)
from service.store.arithmetic.part_fields import THICKNESS
from service.store.queries.part_lists import PartFacts


@like(running_hours.Hours)
class Hours(Out):
    """Operating hours in h; ``at_least`` where a stretch is not known."""


@like(hours.StackHours, without="has_meter")
class StackHours(Out):
    """Hours of a stack at its newest reading."""

    hours: Hours


@like(stacks.ListedStack, without="id")
class Stack(Out):
    """One stack of the list."""

    being_written_id: int | None = Field(description="number of the record being written")
    holds: int = Field(
        description="standing holds on the stack, its design, fitted parts, their lots and types"
    )
    hours: StackHours


class Stacks(Page):
    """One page of stacks; ``after`` is the serial ``next`` goes on after, null at the end."""

    rows: list[Stack]
    after: str | None = read_from("last_key")


@like(pile.Layer)
class Layer(Out):
    """One layer, position 1 at the fixed end; thickness in mm."""

    part: int = Field(description="lasting number of the part")


@like(build_spans.BuildFacts, only="number closed_at opened_at record_id")
class Build(Out):
    """One build and the record that made it."""

    state: str = Field(description="released, or not released")


@like(restrictions.Restriction)
class Restriction(Out):
    """What the stack may be run with only by leave: a concession or departure that stands in it.

    With ``hold_id`` it is a hold on the stack, which must not be run.
    """

    record_id: int | None = Field(description="the record it was used in")


@like(lineage.Split)
class Split(Out):
    """The stack at the other end of a split; ``build_number`` is of the older one."""


@like(layer_maps.LayerMap, only="on known_at open_since fixings")
class LayerMap(Out):
    """The pile of a stack in one build."""

    serial: str = read_from("stack.serial")
    build: Build | None
    open_since: datetime | None = Field(
        description="on the date asked for the stack stood open; the build before is given"
    )
    content_holds: bool | None = Field(
        description="whether the record's content still has the hash it was handed in with"
    )
    layers: list[Layer]
    lineage: list[Split] = Field(
        description="what the stack was split from, then what was split from it"
    )
    restrictions: list[Restriction] = Field(
        description="concessions and departures that stand in the stack now, and its holds"
    )


@like(
    installations.Sitting,
    only="stack_serial build_number record_id record_state closed_at opened_at position cell"
    " facing rod_number lay_reversed",
)
class Sitting(Out):
    """One build a part sat in."""

    hours: Hours


# Parts and their lives as JSON.


@like(
    PartFacts,
    only="id label serial kind type_name drawing_number revision lot whereabouts place"
    " stack_serial usability reserved_for hours_before hours_before_unknown",
)
class Part(Out):
    """What a part is and how it stands on its three axes."""

    measured_thickness_mm: float | None = described(THICKNESS)


@like(part_hours.PartHours, only="calendar_h")
class Kinds(Out):
    """Hours kept apart, in h: with current, with gas, and between closing and opening."""

    at_load: Hours
    gas_exposed: Hours
    out_of_load: Hours = Field(description="at load while the part's own cell was blank or bridged")


@like(part_lives.SeenOnIt, without="id record_state")
class Finding(Out):
    """One finding on a part."""


@like(part_lives.HoldOnIt, without="id lift_reason")
class Hold(Out):
    """One hold on a part, its lot or its part type."""


@like(part_lives.Events)
class Events(Out):
    """Closings with the part clamped in, and openings that parted one of its faces."""


class PartHistory(Out):
    """The whole life of a part."""

    part: Part
    hours: Hours = Field(description="by the hour meters, without blank and bridged time")
    kinds: Kinds
    events: Events
    sittings: list[Sitting]
    findings: list[Finding]
    holds: list[Hold]


@like(LimitsInForce, without="id design_id")
class Limits(Out):
    """What the stacks of a design are computed with and judged by; units stand in the names."""

    figures: Annotated[dict[str, Any], BeforeValidator(figures_as_data)]
