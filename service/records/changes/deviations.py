"""What departs from what was set: a person is asked whether it stands, and why, before it counts.

It is never refused: what happened is kept, with its reason, for whoever approves the record.
"""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from enum import StrEnum

from sqlalchemy.orm import Session

from service.platform import changes
from service.platform.audit import Change
from service.platform.errors import Question, Refused, RefusedTogether
from service.records.arithmetic.lab_words import Answers
from service.records.queries.lab_words import reason_said

IN_WORDS = {True: "yes", False: "no"}


class Stands(StrEnum):
    """The answer to whether something stands that departs."""

    STANDS = "stands"


class Unloaded(StrEnum):
    """The answer to whether the stack was unloaded first."""

    YES = "yes"
    NO = "no"


UNLOADED = {
    Unloaded.YES.value: "Yes, it was unloaded first",
    Unloaded.NO.value: "No, it was not unloaded",
}


@dataclass(frozen=True, slots=True)
class Answered:
    """What a person says of a deviation; ``field`` is where the reason is given."""

    stands: Stands | None
    because: str
    field: str


@dataclass(frozen=True, slots=True)
class Deviation:
    """A deviation that stands, as the entry keeps it."""

    text: str
    because: str
    unloaded_first: bool | None = None

    @property
    def as_columns(self) -> dict[str, object]:
        """What the entry's row holds of it."""
        return {
            "deviation": self.text,
            "deviation_because": self.because,
            "unloaded_first": self.unloaded_first,
        }

    @property
    def as_changes(self) -> tuple[Change, ...]:
        """What the trail says of it."""
        first = self.unloaded_first
        return (
            ("departs from what was set", None, self.text),
            ("stack unloaded first", None, None if first is None else IN_WORDS[first]),
        )


def ask_whether_it_stands(
    session: Session,
    answered: Answered,
    *,
    value: str,
    reason: str,
    right: str,
    words: str,
    facts: Mapping[str, str],
    others: Sequence[Question] = (),
) -> str:
    """Give the reason why it stands; ``words`` is the answer as a person reads it.

    Raises Question, Refused where it stands without a reason, RefusedTogether with ``others``.
    """
    text = changes.optional_words(answered.field, answered.because, most=changes.LONG_MOST)
    because = reason_said(session, text, Answers.DEPARTURE, answered.field)
    questions: list[Refused] = list(others)
    if answered.stands is not Stands.STANDS:
        answers = {Stands.STANDS.value: words}
        questions.insert(0, Question("stands", value, reason, right, answers=answers, facts=facts))
    elif not because:
        questions.insert(0, Refused(answered.field, "", "it stands without a reason.", "Say why."))
    if questions:
        raise questions[0] if len(questions) == 1 else RefusedTogether(questions)
    return because
