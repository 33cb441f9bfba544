"""What is said of stacks, their meters and bridged cells: one description for all who ask."""

from math import inf

from service.platform.arithmetic.fields import (
    date,
    moment,
    notes,
    number,
    reason,
    serial,
    whole,
    words,
)

STACK_FIELDS = (
    serial("serial", "Serial number", longest=80,
           help="As marked on the stack; case and surrounding space do not count."),
    whole("design_id", "Design", most=inf, help="A design is frozen once a stack is made to it."),
    words("place", "Where it stands", required=False,
          help="Bench, test station or shelf, in words."),
    notes(),
)  # fmt: skip
FIRST_METER_FIELDS = (
    number("meter_hours", "It shows", "h", required=False, otherwise=0.0, help="Empty is zero."),
    words("meter_label", "Mark on the meter", required=False),
    moment("meter_fitted_at", "Fitted on", required=False),
)
READING_FIELDS = (number("hours", "It shows", "h"), moment("taken_at", "Read at"))
METER_FIELDS = (
    number("last_hours", "The old one shows", "h", required=False,
           help="Empty if it can no longer be read: hours since its last reading are then not"
           " known, and sums say “at least”."),
    number("first_hours", "The new one shows", "h"),
    words("label", "Mark on the new meter", required=False),
    moment("replaced_at", "Replaced or fitted at"),
    reason(),
)  # fmt: skip
DAYS_TAKEN_BACK = (
    date("first_day", "First day (UTC)"),
    date("last_day", "Last day (UTC)", required=False, help="Empty: that one day."),
    reason("back_reason"),
)
BRIDGE_FIELDS = (
    whole("cell", "Cell", most=100_000),
    moment("from_at", "Bridged from", trail="from"),
    moment("until_at", "Until", required=False, trail="until",
           help="Empty while the jumper is on. An opening of the stack ends it as well."),
    reason(label="Why it is bridged", trail="reason of the bridge"),
    words("allowed_by", "Allowed by", trail="allowed by",
          help="Name and office of who allowed it."),
)  # fmt: skip
BRIDGE_END_FIELDS = (moment("until_at", "Taken off at"), notes("note", "Note"))
