"""Entries of the audit trail as sentences people read."""

import re
from dataclasses import dataclass
from datetime import datetime
from zoneinfo import ZoneInfo

from service.platform.queries.audit_trail import Changed, TrailEntry

SENTENCES = {
    "person:added": "added {subject}",
    "person:roles changed": "changed the roles of {subject}",
    "person:password changed": "changed the password of {subject}",
    "person:mail changed": "changed the mail address of {subject}",
    "role:asked for": "asked for the role {subject}",
    "role:granted": "granted the role {subject}",
    "role:refused": "refused the role {subject}",
    "person:confirmed": "confirmed that {subject} is who they are named",
    "person:let in or shut out": "deactivated or reactivated {subject}",
    "person:badge made": "made a badge of {subject}",
    "person:badge withdrawn": "withdrew the badge of {subject}",
    "person:PIN chosen": "chose a PIN of {subject}",
    "person:PIN withdrawn": "withdrew the PIN of {subject}",
    "tablet:enrolled": "enrolled the tablet {subject}",
    "tablet:withdrawn": "withdrew the tablet {subject}",
    "token:made": "made the API token {subject}",
    "token:revoked": "revoked the API token {subject}",
    "proposal:written": "proposed the {subject}",
    "proposal:approved": "put the {subject} in force",
    "part:added": "added part {subject}",
    "part:moved": "moved part {subject}",
    "part:judged": "judged whether part {subject} may be used",
    "leak test:made": "tested {subject} for leaks",
    "leak test:ended": "ended {subject}",
    "part:reserved": "reserved part {subject}",
    "limits:written": "wrote {subject}",
    "limits:approved": "put {subject} in force",
    "parts:imported": "imported {subject}",
    "instruments:imported": "imported instruments of {subject}",
    "changeover plan:made": "made {subject}",
    "changeover plan:opened": "began a record by {subject}",
    "record:begun": "began {subject}",
    "record:changed": "changed {subject}",
    "record:entry made": "made an entry in {subject}",
    "record:entry undone": "undid an entry in {subject}",
    "record:handed in": "handed in {subject}",
    "record:approved": "approved {subject}",
    "record:sent back": "sent back {subject}",
    "record:taken up again": "took up {subject} again",
    "record:witness confirmed": "confirmed as witness in {subject}",
    "record:witness waived": "gave leave to do without a witness in {subject}",
    "part:identified": "said which part {subject} is",
    "record:void proposed": "proposed to make {subject} void",
    "record:made void": "made {subject} void",
    "build:released": "released {subject} to hydrogen",
    "build:release ended": "noted that the release of {subject} had ended",
    "correction:written": "wrote {subject}",
    "correction:approved": "approved {subject}",
    "correction:refused": "refused {subject}",
    "part:to be decided": "asked what {subject} is from now on",
    "hold:placed": "placed a hold on {subject}",
    "holds:placed": "placed holds on {subject}",
    "hold:lifted": "lifted a hold on {subject}",
    "concession:given": "gave a concession for {subject}",
    "hours:read": "read the hour meter of {subject}",
    "hours:reported": "bench reported hours for {subject}",
    "hours:reports taken back": "took back what a bench reported of {subject}",
    "hours:left out": "left out hours a bench reported for {subject}",
    "bag:opened": "opened a bag of {subject}",
    "shelf life:extended": "extended the shelf life of {subject}",
    "calibration:corrected": "corrected a calibration of {subject}",
    "instrument:away": "sent {subject} away for calibration",
    "instrument:back": "received {subject} back from calibration",
    "instrument:device changed": "replaced the device marked {subject}",
    "instrument:use judged": "judged what was measured with {subject}",
    "correction:looked again": "looked again at {subject}",
    "run:clock corrected": "corrected the clock of {subject}",
    "run:imported": "brought in {subject}",
    "run:read again": "had {subject} read again",
    "run:made void": "made {subject} void",
    "column mapping:kept": "kept {subject}",
    "voltages:typed in": "typed in voltages of {subject}",
    "voltages:made void": "made voltages of {subject} void",
    "curve:added": "added {subject}",
    "curve:made void": "made {subject} void",
    "tap map:written": "wrote {subject}",
    "tap map:corrected": "corrected {subject}",
    "bridged cell:noted": "noted {subject}",
    "bridged cell:ended": "noted the end of {subject}",
    "bridged cell:corrected": "corrected {subject}",
    "words:written": "wrote {subject}",
    "words:picture changed": "changed the picture of {subject}",
    "failing rule:written": "put {subject} in force",
    "failing:confirmed": "recorded a word on {subject}",
    "failing:withdrawn": "withdrew the word on {subject}",
    "hour meter:replaced": "replaced the hour meter of {subject}",
    "calibration:added": "added a calibration of {subject}",
    "attachment:added": "added the attachment {subject}",
    "attachment:removed": "removed the attachment {subject}",
    "lab:generated": "generated {subject}",
}
PLACES = {
    "part": "/parts/{}",
    "proposal": "/proposals/{}",
    "record": "/records/{}",
    "changeover plan": "/changeover-plans/{}",
    "correction": "/corrections/{}",
    "lot": "/lots/{}",
    "part type": "/part-types/{}",
    "design": "/designs/{}",
    "limits": "/limits/{}",
    "words": "/words",
    "build": "/builds/{}/release",
    "instrument": "/instruments/{}",
    "hold": "/holds/{}",
    "leak test": "/leak-tests/{}",
    "attachment": "/attachments/{}",
    "tap map": "/tap-maps/{}",
    "run": "/runs/{}",
    "bridged cell": "/bridges/{}",
}
NAMED = frozenset(
    {
        "record",
        "changeover plan",
        "correction",
        "hold",
        "concession",
        "limits",
        "build",
        "tap map",
        "bridged cell",
        "run",
    }
)
"""Kinds whose label says what they are: “record 14”."""
_TIME = re.compile(r"\d{4}-\d\d-\d\dT\d\d:\d\d:\d\d(\.\d+)?(\+\d\d:\d\d|Z)")


@dataclass(frozen=True, slots=True)
class TrailSentence:
    """One entry as a sentence, with the address of what it is about where there is a page."""

    entry: TrailEntry
    begin: str
    subject: str
    end: str
    address: str


def said(entry: TrailEntry) -> TrailSentence:
    """Return the sentence of an entry, parted so that its subject can be a link."""
    kind, _, act = entry.act.partition(":")
    sentence = SENTENCES.get(entry.act) or f"{act} {kind} {{subject}}"
    begin, _, end = sentence.partition("{subject}")
    subject = entry.subject_label or entry.subject_kind
    place = PLACES.get(entry.subject_kind, "")
    if entry.subject_id is None:
        place = ""
    return TrailSentence(entry, begin, subject, end, place.format(entry.subject_id))


def value_in_words(value: Changed | object, zone: ZoneInfo) -> str:
    """Return a value of the trail as a person reads it.

    Times in the lab's zone, nothing as nothing.
    """
    if value is None or value == "":
        return "nothing"
    if isinstance(value, bool):
        return "yes" if value else "no"
    if isinstance(value, str) and _TIME.fullmatch(value):
        return datetime.fromisoformat(value).astimezone(zone).strftime("%Y-%m-%d %H:%M")
    if isinstance(value, float):
        return f"{value:g}"
    return str(value)
