"""What machines ask and are answered stays as it was; each difference is listed.

The release before is meant: `api_lines.py` says how `api_before.txt` is made, and when anew.
"""

import re
from pathlib import Path

from tests.house.api_lines import described_now

BEFORE = set((Path(__file__).parent / "api_before.txt").read_text().splitlines())
GONE: dict[str, str] = {
    r"GET /api/v1/.* 200 (builds\[\]\.)?kinds\.calendar_h: number required": (
        "null where old paper leaves the dates unknown"
    ),
}
"""Patterns of lines that are no longer so, with why a caller does without."""
LISTS = r"GET /api/v1/(audit|failing|floor|records|stacks)"
NEW: dict[str, str] = {
    r"GET /api/v1/records/\{record_id\} 200 (had_a_part|removed|decisions)\b.*": (
        "who cannot decide on a record, and who signed what, with login"
    ),
    r"GET /api/v1/records/\{record_id\} 200 (inserted_before|follows|conflicts)\b.*": (
        "what rests on an event entered after later ones"
    ),
    r"GET /api/v1/.* 200 (builds\[\]\.)?kinds\.calendar_h: null\|number required": (
        "null where old paper leaves the dates unknown"
    ),
    r"POST /api/v1/records sends comes_after: integer\|null": "order where dates leave it open",
    r"(GET|POST) /api/v1/looking-again\b.*": "what rests on a fact corrected since",
    r"(GET|POST) /api/v1/(holds|concessions)\b.*": "holds and concessions by machine",
    r"(GET|POST) /api/v1/instruments\b.*": "instruments, calibrations and absences by machine",
    r"GET /api/v1/parts/\{serial\}/history 200 holds\[\]\.of_type: boolean required": (
        "a hold on the part type holds the part too"
    ),
    r"GET /api/v1/(records/\{record_id\} 200 )?corrections\b.*": (
        "what was corrected, beside the content as handed in"
    ),
    r"(GET|POST) /api/v1/records/\{record_id\}/(facts|corrections)\b.*": (
        "what can be corrected, and to propose it"
    ),
    r"GET /api/v1/(parts/\{serial\}/(history|trace)|stacks/\{serial\}/hours|records/\{record_id\})"
    r" query (on|known_at): .*": "as it was on a date, as it was known at a time, as on the pages",
    r"GET /api/v1/stacks/\{serial\}/hours 200 (on|hours)\b.*": "the date asked for, and the total",
    r"POST /api/v1/parts/\{part_id\}/judgements\b.*": "whether a part may be used, and on what",
    r"POST /api/v1/parts/(unread|\{part_id\}/(identity|found))\b.*": (
        "parts without a readable serial, which part one is, parts found again"
    ),
    r"(GET|POST) /api/v1/parts/.* query maker: string": "which part, where makers gave one serial",
    r"POST /api/v1/records/\{record_id\}/waivers\b.*": "leave to do without a witness",
    r"(GET|POST) /api/v1/words\b.*": "the laboratory's words for findings and reasons, in versions",
    r"GET /api/v1/parts/.* findings\[\].*(code|face|places|area_percent): .*": (
        "which word it is, and where on the part"
    ),
    r"POST /api/v1/records sends lifted_off\[\]\.unread: string": "lifted off, no serial readable",
    r"POST /api/v1/records sends lifted_off\[\]\.facing: null\|string": (
        "how a layer was found to lie"
    ),
    r"GET /api/v1/parts/.*\.lay_reversed: .*": "it lay the other way round than recorded",
    r"POST /api/v1/records sends .*findings\[\]\.(face|places(\[\])?|area_percent): .*": (
        "where on the part it is"
    ),
    r"(GET /api/v1/traces/\{sha256\}|POST /api/v1/records/.*/leak-tests sends trace: ).*": (
        "the trace that a leak test is computed from"
    ),
    r"GET /api/v1/stacks/\{serial\}/layers 200 restrictions\b.*": "what it runs by leave only",
    r"GET /api/v1/stacks/\{serial\}/taps 200 waiting\b.*": "changes of tap maps that wait",
    r"GET /api/v1/stacks/\{serial\}/hours 200 outside\b.*": "hours of the meters no build has",
    r"POST /api/v1/stacks/\{serial\}/hours/reports 200 doubts\b.*": "reports left out, and why",
    r"POST /api/v1/stacks/\{serial\}/hours sends (stands|outside_because): .*": (
        "the answer why a reading stands that outruns time"
    ),
    r"POST /api/v1/runs/\{run_id\}/clock\b.*": "a log's clock corrected, as an event of its own",
    r"GET /api/v1/records/\{record_id\}/check.*": "what a departure may be accepted of",
    r"POST /api/v1/records/\{record_id\}/entries/.*": "every kind of entry, one at a time",
    r"POST /api/v1/records sends (findings|departures|handovers|\w+_(tests|checks|searches)\b).*": (
        "kinds of entry a whole record had no place for"
    ),
    r"POST /api/v1/records sends donors\b.*": "the other stacks a record takes parts from",
    r"POST /api/v1/records/\{record_id\}/splits\b.*": "a stack split in two",
    r"GET /api/v1/parts/.*\.hours_before_unknown: boolean\|null\b.*": "hours nobody knows",
    r"GET /api/v1/stacks/\{serial\}/layers 200 lineage\b.*": "what it was split from and into",
    r"POST /api/v1/\{of\}/\{number\}/(bag-openings|shelf-life-extensions)\b.*": (
        "opened bags and longer shelf lives of lots and parts by machine"
    ),
    r"(GET|POST) /api/v1/(leak-tests|parts/\{serial\}/leak-tests)\b.*": (
        "leak tests of plates and parts of the pile by themselves"
    ),
    r"POST /api/v1/holds/\{hold_id\}/lifting sends \w+: .*": (
        "what a part accepted used rests on, and how far"
    ),
    r"(GET|POST) /api/v1/lots/\{number\}/(genealogy|inputs)\b.*": "lots that are made of lots",
    r"GET /api/v1/parts/\{serial\}/trace 200 lots\[\]\.made_of\b.*": "what each lot is made of",
    r"(GET|POST) /api/v1/(parts/\{serial\}/)?failing\b.* .*\b(says|grounds)\b.*": (
        "failed, suspected or end of life, and what it rests on"
    ),
    r"GET /api/v1/(failing|parts/\{serial\}/life) 200 .*reasons\[\]\.(address|ground): string": (
        "the test or finding a criterion rests on"
    ),
    r"GET /api/v1/failing/findings\b.*": "parts counted by what was seen on them, and where",
    r"GET /api/v1/parts/\{serial\}/failing/grounds\b.*": "what a word on an MEA may rest on",
    r"GET /api/v1/parts/\{serial\}/life 200 marks\[\]\.(says|grounds)\b.*": (
        "which word it is, and what it rests on"
    ),
    r"GET /api/v1/parts/\{serial\}/suspects 200 without_known_hours: integer required": (
        "MEAs that no figure with hours counts"
    ),
    r"GET /api/v1/(life|parts/\{serial\}/suspects) 200 set_apart: string required": (
        "suspected MEAs and those at the end of life, which do not count as failing"
    ),
    r"(GET|POST) /api/v1/make-safe-lists\b.*": "the site's make-safe lists",
    r"POST /api/v1/records sends make_safe\[\]\.act: null\|string": "which list a line is of",
    r"POST /api/v1/records sends .*\.(outside_because|departs_because): string": (
        "the reason that makes an entry stand against its design"
    ),
    r"POST /api/v1/records.* sends (.*\.)?(stands|unloaded_first): .*": (
        "answers to what is asked of an entry that departs from what was set"
    ),
    r"POST /api/v1/records sends (tool_settings|nuts_pressed|corner_heights|held_closing)\b.*": (
        "a closing with a click tool, which shows no reading; heights at the corners"
    ),
    r"GET /api/v1/.* 200 (.*\.)?rods\[\]\.press: .*": "how a nut answered a click tool",
    r"POST /api/v1/records sends not_done: object": "why what is missing at hand-in is not done",
    r"POST /api/v1/records sends (closing|fixings_\w+\[\])\.note: string": "notes, as on paper",
    r"POST /api/v1/records sends lifted_off\[\]\.part_id: integer\|null": "a layer by its number",
    r"POST /api/v1/records/.*/(torque-readings|leak-tests) sends outside_because: string": (
        "the reason of a torque outside the tolerance, of a test otherwise than set up"
    ),
    r"POST .*/(torque-readings|\w+-(tests|checks)) query version: .*": (
        "refused where another entry came between"
    ),
    rf"({LISTS}|GET /api/v1/stacks/\{{serial\}}/runs) query page: string": (
        "the one cursor of every list, both ways"
    ),
    rf"{LISTS} 200 (next|previous): null\|string required": "the cursors of the pages beside it",
    rf"{LISTS} 200 total: integer\|null": "how many there are, where an index counts them",
}
"""Patterns of lines that came, with what they are for. Nothing new is asked of an old call."""


def listed(lines: set[str], patterns: dict[str, str]) -> tuple[list[str], list[str]]:
    """Give the lines no pattern matches, and the patterns that match no line."""
    unknown = [x for x in lines if not any(re.fullmatch(pattern, x) for pattern in patterns)]
    idle = [pattern for pattern in patterns if not any(re.fullmatch(pattern, x) for x in lines)]
    return sorted(unknown), idle


def test_every_difference_of_the_api_is_listed() -> None:
    now = set(described_now())

    assert listed(BEFORE - now, GONE) == ([], [])
    assert listed(now - BEFORE, NEW) == ([], [])
