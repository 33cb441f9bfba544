"""Codes of our own that stand on the bench and on the faces of parts, beside those of parts.

An action code is pressed by the scanner instead of a finger. A face label says the part and which
of its faces looks at whoever scans it. Neither is GS1 data; both are plain text in capitals.
"""

from dataclasses import dataclass
from datetime import timedelta
from enum import StrEnum

from service.platform.arithmetic.vocabulary import End, Facing, Press

ONE_SCAN = timedelta(seconds=2)
"""The same code within this is one scan: a trigger held too long."""


class Action(StrEnum):
    """What an action code does."""

    NOTHING_FOUND = "DO:NOTHING FOUND"
    NOT_INSPECTED = "DO:NOT INSPECTED"
    UNDO = "DO:UNDO"
    NEXT = "DO:NEXT"
    TO_FIXED_END = "DO:FIXED END"
    TO_FREE_END = "DO:FREE END"
    CLICKED = "DO:CLICKED"
    MOVED = "DO:MOVED"
    NOT_MOVED = "DO:NOT MOVED"


SIDES = {Action.TO_FIXED_END: Facing.FIXED_END, Action.TO_FREE_END: Facing.FREE_END}


PRESSES = {
    Action.CLICKED: Press.CLICKED,
    Action.MOVED: Press.MOVED,
    Action.NOT_MOVED: Press.NOT_MOVED,
}


class Face(StrEnum):
    """Which face a label stands on: the marked one, or the one behind it."""

    MARKED = ":FACE"
    BEHIND = ":BACK"


@dataclass(frozen=True, slots=True)
class FaceLabel:
    """A code that stands on one face of a part."""

    code: str
    face: Face

    def facing(self, end: End) -> Facing:
        """Return where the marked face looks on a pile that grows at this end.

        The face that is scanned looks outward.
        """
        opposite = End.FIXED if end is End.FREE else End.FREE
        return Facing((end if self.face is Face.MARKED else opposite).value)


def action_of(text: str) -> Action | None:
    """Return the action a code is; None for any other text.

    >>> action_of(" do:undo ")
    <Action.UNDO: 'DO:UNDO'>
    """
    words = " ".join(text.split()).upper()
    return next((action for action in Action if action == words), None)


def face_label(text: str) -> FaceLabel | None:
    """Return the part's code and the face a label says; None for any other text.

    >>> face_label("HM-0134:back")
    FaceLabel(code='HM-0134', face=<Face.BEHIND: ':BACK'>)
    """
    stripped = text.strip()
    for face in Face:
        if stripped.upper().endswith(face) and len(stripped) > len(face):
            return FaceLabel(stripped[: -len(face)].rstrip(), face)
    return None
