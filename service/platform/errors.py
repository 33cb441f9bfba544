"""What can go wrong in the records, each with its facts and a sentence for people.

LayerbookError
├── Refused             one value of one field cannot be taken
│   └── Question        a person has to say what it means; carries the answers there are
├── RefusedTogether     several of them at once
├── Stale               somebody else changed the record since the form was shown
├── NotFound            nothing goes by that name
├── NotAllowed          this person may not do this
├── Repeated            this very entry was made before; carries the answer it got
└── Busy                the database did not answer in time; nothing was changed
"""

from collections.abc import Mapping, Sequence


class LayerbookError(Exception):
    """Parent of all errors the faces translate for people."""


class Refused(LayerbookError):  # noqa: N818 - the trade's words, not the language's
    """One value of one field cannot be taken."""

    def __init__(self, field: str, value: object, reason: str, right_would_be: str = "") -> None:
        self.field, self.value, self.reason = field, value, reason
        self.right_would_be = right_would_be
        super().__init__(str(self))

    def __str__(self) -> str:
        """Give the sentence shown beside the field."""
        value_text = "" if self.value in (None, "") else f" “{self.value}”"
        more = f" {self.right_would_be}" if self.right_would_be else ""
        return f"{self.field}{value_text}: {self.reason}{more}"


class Question(Refused):
    """Only a person can say what a value means: asked by its key, with facts and answers.

    On a page the form shows a choice. The API and imports refuse the call with the key; it is sent
    again with an answer under that name, and with a reason where the answer departs from a rule.
    A machine's feed does not wait: it leaves the value out of what it computes, lists `left_out`
    among the doubts, and keeps what was sent as it came.
    """

    def __init__(
        self,
        key: str,
        value: object,
        reason: str,
        right_would_be: str = "",
        *,
        answers: Mapping[str, str],
        facts: Mapping[str, str] | None = None,
    ) -> None:
        super().__init__(key, value, reason, right_would_be)
        self.key, self.answers, self.facts = key, dict(answers), dict(facts or {})

    @property
    def left_out(self) -> str:
        """Give the doubt of a feed that went on without an answer."""
        return f"{self.value}: {self.reason} Left out; the file keeps what it says."


class RefusedTogether(LayerbookError):  # noqa: N818
    """Several values cannot be taken."""

    def __init__(self, refusals: Sequence[Refused]) -> None:
        self.refusals = tuple(refusals)
        super().__init__("; ".join(str(refusal) for refusal in refusals))


class Stale(LayerbookError):  # noqa: N818
    """The form was shown at version ``yours``; ``changes`` says what happened since."""

    def __init__(self, subject: str, yours: int, now: int, changes: Sequence[str]) -> None:
        self.subject, self.yours, self.now, self.changes = subject, yours, now, tuple(changes)
        super().__init__(f"{subject} was changed by somebody else since this page was shown.")


class NotFound(LayerbookError):  # noqa: N818
    """Nothing of this kind goes by that name."""

    def __init__(self, kind: str, name: object) -> None:
        self.kind, self.name = kind, name
        super().__init__(f"There is no {kind} “{name}”.")


class NotAllowed(LayerbookError):  # noqa: N818
    """This person may not do this, and why."""

    def __init__(self, act: str, why: str) -> None:
        self.act, self.why = act, why
        super().__init__(why)


class Repeated(LayerbookError):  # noqa: N818
    """The entry with this one-time key was already made; ``answer`` is what it got."""

    def __init__(self, answer: str) -> None:
        self.answer = answer
        super().__init__("This entry was already made.")


class Busy(LayerbookError):  # noqa: N818
    """The database did not answer in time."""

    def __init__(self) -> None:
        super().__init__("The database is busy. Nothing was changed; try again in a moment.")
