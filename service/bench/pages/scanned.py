"""What a scan means where it is sent: an action, a confirmation, a face, or a part to be entered.

A right scan is never refused, and gives no answer nobody gave: at lift-off it confirms the part and
asks what is seen.
"""

from dataclasses import dataclass, field
from datetime import datetime

from sqlalchemy.orm import Session

from service.bench.arithmetic.codes import ONE_SCAN, PRESSES, SIDES, Action, action_of, face_label
from service.bench.queries.rebuild_records import EnteredLast, entered_last
from service.physics.arithmetic.conditions import NONE_SEEN, NOT_INSPECTED
from service.platform.arithmetic.vocabulary import FIXING_KINDS, LAYER_KINDS, End, Kind
from service.platform.errors import Question, Refused
from service.platform.pages.forms import Form
from service.records.queries.working_piles import working_pile
from service.records.tables import StepKind
from service.store.arithmetic.identifiers import serial_key
from service.store.queries.scans import resolve_to_fit

ANY_KIND = (*LAYER_KINDS, *FIXING_KINDS)
SEEN = {Action.NOTHING_FOUND: NONE_SEEN, Action.NOT_INSPECTED: NOT_INSPECTED}


@dataclass(frozen=True, slots=True)
class Meaning:
    """What is to be done with a form: the entry, and what the page after it begins with.

    ``goes_on``: nothing is entered, the next act is shown. ``is_done``: this very scan was entered
    a moment ago.
    """

    entry: str
    then: dict[str, str] = field(default_factory=dict)
    goes_on: bool = False
    is_done: bool = False


@dataclass(frozen=True, slots=True)
class Sent:
    """In which record a form was sent, by whom, when."""

    record_id: int
    by_id: int
    at: datetime


def understood(session: Session, form: Form, entry: str, origin: Sent) -> Meaning:
    """Return what a form means whose fields may hold scans; what they say is set in the form.

    Raises Question for a layer that is confirmed and of which nobody said yet what is seen, and
    for a fixing of which nobody said where it goes.
    """
    action = _action_in(form)
    if action is Action.UNDO:
        return Meaning("undo")
    if action is Action.NEXT:
        return Meaning(entry, goes_on=True)
    if entry == "lift":
        return _lifting(session, form, origin.record_id, action)
    if entry == "put-on":
        return _putting_on(session, form, origin, action)
    if entry == "nut-pressed":
        return _pressing(session, form, origin, action)
    return _fitting(session, form, origin) if entry == "fit-fixing" else Meaning(entry)


def _action_in(form: Form) -> Action | None:
    texts = (text for name, values in form.typed.items() if name != "note" for text in values)
    return next((action for text in texts if (action := action_of(text))), None)


def _set(form: Form, **values: str) -> None:
    for name, value in values.items():
        form.typed[name] = (value,)


def _lifting(session: Session, form: Form, record_id: int, action: Action | None) -> Meaning:
    """A layer is confirmed by its scan; the scan of the one beneath leaves it not inspected."""
    confirmed, has_findings = form.raw("confirmed"), any(form.raw_all("condition"))
    if action in SEEN:
        _set(form, condition=SEEN[action], scanned=confirmed)
        return Meaning("lift")
    if action is not None:
        raise _out_of_place(form.raw("scanned"), "Scan it when a part is put on.")
    scanned = _without_face(session, form.raw("scanned"))
    end = End(form.raw("end")) if form.raw("end") in tuple(End) else None
    layer = working_pile(session, record_id).pile if end else None
    outermost = layer.outermost(end) if layer and end else None
    if outermost is None or layer is None or end is None or (has_findings and not confirmed):
        return Meaning("lift")
    if scanned:
        parts = {hit.part_id for hit in resolve_to_fit(session, scanned, ANY_KIND).hits}
        beneath = layer.lift_off(end)[1].outermost(end)
        if confirmed and beneath and beneath.part in parts:
            _set(form, scanned=confirmed)
            if not has_findings:
                _set(form, condition=NOT_INSPECTED)
            return Meaning("lift", {"confirmed": scanned})
        if outermost.part not in parts:
            return Meaning("lift")
        confirmed = scanned
    if has_findings or not confirmed:
        _set(form, scanned=confirmed)
        return Meaning("lift")
    _set(form, confirmed=confirmed, scanned="")
    raise Question(
        "condition",
        "",
        f"it is {outermost.label}. What is seen?",
        answers={NONE_SEEN: "Nothing found", NOT_INSPECTED: "Not inspected"},
    )


def _putting_on(session: Session, form: Form, origin: Sent, action: Action | None) -> Meaning:
    """A side is said by its code or by a label on the face, never by the same code again."""
    end = End(form.raw("end")) if form.raw("end") in tuple(End) else End.FREE
    answer = form.raw("answer")
    if answer:
        label = face_label(answer)
        if action in SIDES:
            _set(form, facing=SIDES[action])
        elif label and serial_key(label.code) == serial_key(form.raw("scanned")):
            _set(form, facing=label.facing(end))
        elif serial_key(answer) != serial_key(form.raw("scanned")):
            _set(form, waiting=answer)
        return Meaning("put-on")
    if action is not None:
        right = "Scan the part first." if action in SIDES else "Scan it at lifting off."
        raise _out_of_place(form.raw("scanned"), right)
    scanned = form.raw("scanned")
    label = face_label(scanned)
    if label and not resolve_to_fit(session, scanned, LAYER_KINDS).hits:
        _set(form, scanned=label.code, facing=label.facing(end))
    is_done = not form.raw("facing") or label is not None
    is_done = is_done and _was_entered(session, origin, form.raw("scanned")) is not None
    return Meaning("put-on", is_done=is_done)


def _fitting(session: Session, form: Form, origin: Sent) -> Meaning:
    """A fixing that is scanned, or pressed as one of a lot, goes where somebody says."""
    scanned, place = form.raw("scanned").strip(), form.raw("place")
    if place:
        last = _was_entered(session, origin, scanned, StepKind.FIXING_FITTED)
        return Meaning("fit-fixing", is_done=last is not None and place == _place(last))
    hits = resolve_to_fit(session, scanned, FIXING_KINDS).hits if scanned else ()
    kinds = {hit.part_kind for hit in hits if hit.part_kind in FIXING_KINDS}
    if not kinds and (scanned or not form.raw("lot_id")):
        return Meaning("fit-fixing")
    prefix = f"it is {' or '.join(sorted(kinds))} {scanned}. " if kinds else ""
    ends = [end.value for end in End] if kinds == {Kind.COMPRESSION_PLATE} else []
    raise Question(
        "place",
        "",
        f"{prefix}{'At which end does it go?' if ends else 'Where does it go?'}",
        answers=dict.fromkeys(ends, ""),
    )


def _pressing(session: Session, form: Form, origin: Sent, action: Action | None) -> Meaning:
    """A nut is entered by a press or by the scan of how it answered."""
    scanned = form.raw("scanned")
    if action in PRESSES:
        _set(form, press=PRESSES[action])
        is_done = _was_entered(session, origin, scanned, StepKind.NUT_PRESSED) is not None
        return Meaning("nut-pressed", is_done=is_done)
    if scanned.strip():
        raise _out_of_place(scanned, "Scan clicked, moved or not moved.")
    return Meaning("nut-pressed")


def _place(entered: EnteredLast) -> str:
    return str(entered.end or entered.rod_number or "")


def _was_entered(
    session: Session, origin: Sent, code: str, kind: StepKind = StepKind.PUT_ON
) -> EnteredLast | None:
    """Return the last entry where it is this very scan, made a moment ago. One statement."""
    if not code.strip():
        return None
    last = entered_last(session, origin.record_id)
    is_same = (
        last is not None
        and last.kind is kind
        and last.by_id == origin.by_id
        and serial_key(last.scanned or "") == serial_key(code)
        and origin.at - last.written_at < ONE_SCAN
    )
    return last if is_same else None


def _without_face(session: Session, text: str) -> str:
    """Give the part's code of a face label; any other text as it is."""
    label = face_label(text)
    if label is None or resolve_to_fit(session, text, ANY_KIND).hits:
        return text.strip()
    return label.code


def _out_of_place(text: str, right_would_be: str) -> Refused:
    return Refused("scanned", text, "this action says nothing here.", right_would_be)
