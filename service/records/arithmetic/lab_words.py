"""A laboratory's words: conditions seen on parts, and reasons; each a code with its word.

A version is the whole list, JSON “lab words 1”. A code never changes and is never used again; its
word may be renamed, the old one is kept, and a word out of force is no longer offered. Common
practice, no source.
"""

from collections.abc import Iterable, Sequence
from dataclasses import dataclass, replace
from enum import StrEnum
from typing import Any

from service.physics.arithmetic.conditions import FIRST_WORDS, STANDING_ALONE
from service.platform.arithmetic.errors import Inconsistent
from service.platform.arithmetic.plain_data import check_form, from_data, with_form
from service.platform.arithmetic.vocabulary import FIXING_KINDS, LAYER_KINDS

FORM = "lab words 1"


class WordList(StrEnum):
    """The lists of words a laboratory keeps."""

    CONDITIONS = "conditions"
    REASONS = "reasons"


class Answers(StrEnum):
    """What a reason answers."""

    DEPARTURE = "departure"
    NOT_DONE = "not done"
    CONCESSION = "concession"


@dataclass(frozen=True, slots=True)
class LabWord:
    """One word of a list.

    ``fits``: the kinds of part it is said of, or what a reason answers. ``is_enough``: a reason
    needs no more words than its own. ``severity``: what it usually weighs, None: it
    depends. ``former``: what it was called before. ``since`` and ``until``: days between which it
    is in force, as ISO 8601, empty where there is none.
    """

    code: str
    word: str
    fits: tuple[str, ...]
    severity: int | None = None
    guidance: str = ""
    former: tuple[str, ...] = ()
    since: str = ""
    until: str = ""
    is_enough: bool = True

    @property
    def is_in_force(self) -> bool:
        """Say whether it can be said of something new."""
        return not self.until


@dataclass(frozen=True, slots=True)
class LabWords:
    """One version of a list, in its order."""

    words: tuple[LabWord, ...]

    def of(self, fits: str) -> tuple[LabWord, ...]:
        """Return the words in force for one kind of part, or one question."""
        return tuple(word for word in self.words if word.is_in_force and fits in word.fits)

    def by_code(self, code: str) -> LabWord | None:
        """Return the word of a code, in force or not."""
        return next((word for word in self.words if word.code == code), None)

    def meant(self, text: str, fits: str) -> LabWord | None:
        """Return the word in force that a text names: by its word, its code or a former word."""
        name = text.strip().casefold()
        choices = self.of(fits)
        return next(
            (
                word
                for names in (_now, _before)
                for word in choices
                if name in (each.casefold() for each in names(word))
            ),
            None,
        )


def _now(word: LabWord) -> Sequence[str]:
    return word.word, word.code


def _before(word: LabWord) -> Sequence[str]:
    return word.former


def code_of(word: str) -> str:
    """Return the code a word gets where nobody gives it another.

    >>> code_of("other, see the note")
    'OTHER-SEE-THE-NOTE'
    """
    letters = (sign if sign.isalnum() else " " for sign in word.upper())
    return "-".join("".join(letters).split())


FIRST = LabWords(
    tuple(
        LabWord(code_of(word), word, tuple(map(str, kinds))) for word, kinds in FIRST_WORDS.items()
    )
)
"""Conditions as they come with a new laboratory."""
_ALL_REASONS = (
    ("agreed with the supervisor", (Answers.DEPARTURE, Answers.NOT_DONE), False),
    ("as the test plan asks", (Answers.DEPARTURE, Answers.NOT_DONE), False),
    ("no other part in store", (Answers.DEPARTURE, Answers.CONCESSION), True),
    ("for a trial, not to be released", tuple(Answers), True),
    ("no room for the tool", (Answers.DEPARTURE, Answers.NOT_DONE), True),
    ("read twice, it reads the same", (Answers.DEPARTURE,), True),
    ("not affected by this work", (Answers.NOT_DONE,), True),
    ("follows before the release", (Answers.NOT_DONE,), True),
    ("instrument away for calibration", (Answers.NOT_DONE,), True),
    ("no test gas at the bench", (Answers.NOT_DONE,), True),
    ("inspected and measured again", (Answers.CONCESSION,), False),
)
FIRST_REASONS = LabWords(
    tuple(
        LabWord(code_of(word), word, tuple(map(str, answers)), is_enough=is_enough)
        for word, answers, is_enough in _ALL_REASONS
    )
)
"""Reasons as they come with a new laboratory: common practice, no source."""
BEGUN_WITH = {WordList.CONDITIONS: FIRST, WordList.REASONS: FIRST_REASONS}
FITS = {
    WordList.CONDITIONS: tuple(map(str, (*LAYER_KINDS, *FIXING_KINDS))),
    WordList.REASONS: tuple(map(str, Answers)),
}
"""What the words of each list can be said of."""


def put_word(words: LabWords, word: LabWord, today: str, of: WordList) -> LabWords:
    """Return the next version: with a new word, or with the word of its code as it is now.

    What it was called before is kept. Raises Inconsistent where its code or word cannot be.
    """
    before = words.by_code(word.code)
    _check(words, word, FITS[of])
    if before is None:
        return LabWords((*words.words, replace(word, since=today)))
    former = [each for each in (*before.former, before.word) if each != word.word]
    until = (before.until or today) if word.until else ""
    after = replace(word, former=tuple(dict.fromkeys(former)), since=before.since, until=until)
    return LabWords(tuple(after if each is before else each for each in words.words))


def _check(words: LabWords, word: LabWord, fits: Sequence[str]) -> None:
    if word.word.casefold() in STANDING_ALONE:
        raise Inconsistent(f"“{word.word}” is an answer of its own and no condition.")
    if not word.fits:
        raise Inconsistent(f"“{word.word}” is said of nothing: choose one at least.")
    if ":" in word.word:
        raise Inconsistent("A word has no colon: own words come after it.")
    unknown = sorted(set(word.fits) - set(fits))
    if unknown:
        raise Inconsistent(f"“{unknown[0]}” is none of: {', '.join(fits)}.")
    for other in words.words:
        if other.code == word.code:
            continue
        alike = {word.word.casefold(), word.code.casefold()} & {
            each.casefold() for each in (other.code, other.word, *other.former)
        }
        if alike and set(other.fits) & set(word.fits):
            raise Inconsistent(
                f"“{alike.pop()}” is or was the word of {other.code}, “{other.word}”, said of the"
                " same."
            )


def weighs_otherwise(before: LabWords, after: LabWords) -> bool:
    """Say whether a severity that stood changes: that needs a second person.

    A word that is new or goes out of force changes what is offered, and no severity that stood.
    """
    now = {word.code: word.severity for word in after.words}
    return any(now.get(word.code) != word.severity for word in before.words)


def differences(before: LabWords, after: LabWords) -> list[tuple[str, object, object]]:
    """Return what changed, word by word and field by field, as the trail tells it."""
    changed: list[tuple[str, object, object]] = []
    names = ("word", "fits", "severity", "guidance", "until", "is_enough")
    for word in after.words:
        old = before.by_code(word.code)
        if old == word:
            continue
        for name in names:
            was, now = (_shown(each, name) for each in (old, word))
            if was != now:
                changed.append((f"{word.code}: {name}", was, now))
    return changed


def _shown(word: LabWord | None, name: str) -> object:
    value = getattr(word, name, None)
    if isinstance(value, tuple):
        return ", ".join(value)
    return None if value == "" else value


def as_content(words: LabWords) -> dict[str, Any]:
    """Return a version as plain data."""
    return with_form(FORM, words)


def from_content(data: Any) -> LabWords:
    """Return a version from plain data; raises Inconsistent for another form."""
    return from_data(LabWords, check_form(FORM, data))


def chosen(text: str, words: LabWords, fits: str) -> tuple[LabWord | None, str]:
    """Return the word a reason begins with, and the words after its colon.

    >>> chosen("No room for the tool: rod 3", FIRST_REASONS, "not done")[1]
    'rod 3'
    """
    head, _, rest = text.partition(":")
    word = words.meant(head, fits)
    return (None, text) if word is None else (word, rest.strip())


def words_of(words: Iterable[LabWord]) -> tuple[str, ...]:
    """Return what the words are called."""
    return tuple(word.word for word in words)
