"""The append-only trail: every act has one name, every change one entry."""

import json
from collections.abc import Iterable
from datetime import date, datetime
from enum import StrEnum

from service.platform.arithmetic import dates


class Event(StrEnum):
    """Names of everything that can be done, ``subject:act``."""

    PERSON_ADDED = "person:added"
    PERSON_ROLES = "person:roles changed"
    ROLE_ASKED = "role:asked for"
    ROLE_GRANTED = "role:granted"
    ROLE_REFUSED = "role:refused"
    PERSON_MAIL = "person:mail changed"
    PERSON_PASSWORD = "person:password changed"
    PERSON_CONFIRMED = "person:confirmed"
    PERSON_ACTIVE = "person:let in or shut out"
    BADGE_MADE = "person:badge made"
    BADGE_WITHDRAWN = "person:badge withdrawn"
    PIN_CHOSEN = "person:PIN chosen"
    PIN_WITHDRAWN = "person:PIN withdrawn"
    TABLET_ENROLLED = "tablet:enrolled"
    TABLET_WITHDRAWN = "tablet:withdrawn"
    TOKEN_MADE = "token:made"
    TOKEN_REVOKED = "token:revoked"
    DESIGN_MADE = "design:made"
    DESIGN_CHANGED = "design:changed"
    LIMITS_WRITTEN = "limits:written"
    LIMITS_APPROVED = "limits:approved"
    WORDS_WRITTEN = "words:written"
    WORD_PICTURED = "words:picture changed"
    PART_TYPE_MADE = "part type:made"
    PART_TYPE_CHANGED = "part type:changed"
    CHANGE_PROPOSED = "proposal:written"
    CHANGE_APPROVED = "proposal:approved"
    LOT_ADDED = "lot:added"
    LOT_CHANGED = "lot:changed"
    BAG_OPENED = "bag:opened"
    SHELF_LIFE_EXTENDED = "shelf life:extended"
    PART_ADDED = "part:added"
    PART_CHANGED = "part:changed"
    PART_MOVED = "part:moved"
    PART_JUDGED = "part:judged"
    PARTS_LEAK_TESTED = "leak test:made"
    LEAK_TEST_ENDED = "leak test:ended"
    PART_RESERVED = "part:reserved"
    PART_IDENTIFIED = "part:identified"
    PARTS_IMPORTED = "parts:imported"
    INSTRUMENTS_IMPORTED = "instruments:imported"
    STACK_ADDED = "stack:added"
    STACK_CHANGED = "stack:changed"
    STACK_IMPORTED = "stack:imported"
    PLAN_MADE = "changeover plan:made"
    PLAN_OPENED = "changeover plan:opened"
    RECORD_BEGUN = "record:begun"
    RECORD_CHANGED = "record:changed"
    RECORD_ENTRY = "record:entry made"
    RECORD_UNDONE = "record:entry undone"
    RECORD_HANDED_IN = "record:handed in"
    RECORD_APPROVED = "record:approved"
    RECORD_SENT_BACK = "record:sent back"
    RECORD_TAKEN_UP = "record:taken up again"
    WITNESS_CONFIRMED = "record:witness confirmed"
    WITNESS_WAIVED = "record:witness waived"
    RECORD_VOID_PROPOSED = "record:void proposed"
    RECORD_VOID = "record:made void"
    BUILD_RELEASED = "build:released"
    BUILD_RELEASE_ENDED = "build:release ended"
    CORRECTION_WRITTEN = "correction:written"
    CORRECTION_APPROVED = "correction:approved"
    CORRECTION_REFUSED = "correction:refused"
    INSTRUMENT_ADDED = "instrument:added"
    INSTRUMENT_CHANGED = "instrument:changed"
    CALIBRATION_ADDED = "calibration:added"
    CALIBRATION_CORRECTED = "calibration:corrected"
    INSTRUMENT_AWAY = "instrument:away"
    INSTRUMENT_BACK = "instrument:back"
    INSTRUMENT_DEVICE = "instrument:device changed"
    USE_JUDGED = "instrument:use judged"
    LOOKED_AGAIN = "correction:looked again"
    PART_TO_BE_DECIDED = "part:to be decided"
    HOLD_PLACED = "hold:placed"
    HOLDS_PLACED = "holds:placed"
    HOLD_LIFTED = "hold:lifted"
    CONCESSION_GIVEN = "concession:given"
    HOURS_READ = "hours:read"
    HOURS_LEFT_OUT = "hours:left out"
    HOURS_REPORTED = "hours:reported"
    HOURS_TAKEN_BACK = "hours:reports taken back"
    METER_REPLACED = "hour meter:replaced"
    RUN_IMPORTED = "run:imported"
    RUN_CLOCK_CORRECTED = "run:clock corrected"
    RUN_READ_AGAIN = "run:read again"
    RUN_VOID = "run:made void"
    MAPPING_KEPT = "column mapping:kept"
    VOLTAGES_TYPED = "voltages:typed in"
    VOLTAGES_VOID = "voltages:made void"
    CURVE_ADDED = "curve:added"
    CURVE_VOID = "curve:made void"
    TAP_MAP_WRITTEN = "tap map:written"
    TAP_MAP_CORRECTED = "tap map:corrected"
    BRIDGE_NOTED = "bridged cell:noted"
    BRIDGE_ENDED = "bridged cell:ended"
    BRIDGE_CORRECTED = "bridged cell:corrected"
    FAILING_RULE_WRITTEN = "failing rule:written"
    FAILING_CONFIRMED = "failing:confirmed"
    FAILING_WITHDRAWN = "failing:withdrawn"
    ATTACHMENT_ADDED = "attachment:added"
    ATTACHMENT_REMOVED = "attachment:removed"
    LAB_GENERATED = "lab:generated"


Change = tuple[str, object, object]


def written(value: object) -> object:
    """Make a value fit for the trail: times as ISO 8601, words as words."""
    if isinstance(value, datetime):
        return dates.written(value)
    if isinstance(value, date):
        return value.isoformat()
    if value is None or isinstance(value, bool | int | float):
        return value
    return str(value)


def changes_text(changes: Iterable[Change]) -> str:
    """Write [field, before, after] triples as JSON, leaving out what stayed as it was."""
    rows = [
        [field, written(before), written(after)]
        for field, before, after in changes
        if before != after
    ]
    return json.dumps(rows, ensure_ascii=False)
