"""Reading a form: typed values out, refusals beside their fields, and what was typed as it was.

    def begin(request: Request, me: Me, form: Typed, engine: Engine) -> Response:
        with form.collecting_errors():
            with changing(engine, by=me, key=form.key) as work:
                work.answer = f"/records/{begin_record(work, reason=form.text('reason'), …)}"
            return go_on(request, work.answer)
        return page(request, "records/begin.html", {"form": form, …}, form.status)

``collecting_errors`` takes `Refused`, `RefusedTogether` and `Stale`, whether raised by the form or
by the change, and puts them beside the fields. Reading ``form.key`` raises whatever could not be
read so far; from then on every value that cannot be read raises at once, so nothing half-read is
saved. Times are read in the laboratory's zone.
"""

import hashlib
import json
import math
import re
import uuid
from collections.abc import Iterable, Iterator, Mapping, Sequence
from contextlib import contextmanager
from datetime import UTC, date, datetime
from enum import StrEnum
from typing import Annotated, Any, TypeVar
from zoneinfo import ZoneInfo

from fastapi import Depends, Path, Request
from markupsafe import Markup
from starlette.datastructures import UploadFile

from service.platform.arithmetic.dates import (
    AsOf,
    as_asked,
    parse_asked,
    parse_date,
    parse_partial,
    parse_when,
)
from service.platform.arithmetic.errors import OutOfRange
from service.platform.arithmetic.fields import Asks, Field
from service.platform.arithmetic.numbers import ReadTwoWays, read_number
from service.platform.arithmetic.typed_fields import FieldRefused, as_typed
from service.platform.database import SentOnce, now_utc
from service.platform.errors import Question, Refused, RefusedTogether, Stale
from service.platform.files.days import day_of, noon
from service.platform.pages.guard import FORM_TOKEN, MEGABYTE, MOST_FIELDS
from service.settings import Settings

Number = Annotated[int, Path(ge=1, le=2**63 - 1)]
"""The number of a part, record, lot … in an address."""


ENTRY_KEY = "entry_key"
OWN_FIELDS = frozenset({FORM_TOKEN, ENTRY_KEY})
NOT_HASHED = OWN_FIELDS | {"version"}
PINS = frozenset({"pin", "pin_again"})
"""Kept in no plain hash, like passwords: all PINs are soon tried."""
EXAMPLE = "2026-03-07 14:20"
LARGEST_WHOLE = 2**53
GOES_ON = frozenset({"is", "was", "has", "can", "cannot", "contains", "does"})
"""A reason that begins so needs its value before it; any other is a sentence of its own."""

E = TypeVar("E", bound=StrEnum)
W = TypeVar("W", bound=str)


CHOICE = "choice"
"""What the name of a field begins with that offers reasons for the field behind it."""


class Form:
    """What was typed into one form, and what is wrong with it.

    ``presets``: reasons the page offers before own words.
    """

    def __init__(
        self,
        texts: Mapping[str, Sequence[str]],
        uploads: Mapping[str, Sequence[UploadFile]] | None = None,
        zone: ZoneInfo | None = None,
        sent_to: str = "",
    ) -> None:
        self.typed = {name: tuple(values) for name, values in texts.items()}
        self.uploads = {name: tuple(files) for name, files in (uploads or {}).items()}
        self.zone = zone or ZoneInfo("UTC")
        self.sent_to = sent_to
        self.refused: dict[str, str] = {}
        self.asked: dict[str, Question] = {}
        self.stale: Stale | None = None
        self.presets: Sequence[Any] = ()
        self.names_read: set[str] = set()
        self._refusals: list[Refused] = []
        self._at_once = False
        self._key = self.raw(ENTRY_KEY)[:80] or uuid.uuid4().hex

    # What templates ask

    def raw(self, name: str) -> str:
        """Give back what was typed, or nothing."""
        self.names_read.add(name)
        return (self.typed.get(name) or ("",))[0]

    def raw_all(self, name: str) -> tuple[str, ...]:
        """Give back everything ticked or typed under one name."""
        self.names_read.add(name)
        return self.typed.get(name, ())

    def error(self, name: str) -> str:
        """Say what is wrong with a field, or nothing."""
        return self.refused.get(name, "")

    def question(self, key: str) -> Question | None:
        """Give the question to be answered before what was typed can be taken, if there is one."""
        return self.asked.get(key)

    def shows(self, name: str) -> bool:
        """Say whether the form has a field of this name."""
        return name in self.typed or name in self.uploads

    @property
    def is_refused(self) -> bool:
        """Say whether anything was refused."""
        return bool(self.refused) or self.stale is not None

    @property
    def status(self) -> int:
        """Give the status of the page that shows the form again."""
        if self.stale:
            return 409
        return 422 if self.refused else 200

    @property
    def key_field(self) -> Markup:
        """Give the hidden field of the one-time key: the same when shown again, else a fresh one.

        Each form of a page gets its own, so that sending one does not use up the others'. A key
        under which something else was taken is not given again.
        """
        used_up = ENTRY_KEY in self.refused
        key = "" if used_up else self.raw(ENTRY_KEY)[:80]
        key = key or uuid.uuid4().hex
        return Markup('<input type="hidden" name="{}" value="{}">').format(ENTRY_KEY, key)

    # What routes ask

    @property
    def key(self) -> SentOnce:
        """Give the one-time key, once everything read so far could be read."""
        self.check()
        self._at_once = True
        return SentOnce(self._key, self.sent_to, self._sha256(), ENTRY_KEY)

    def _sha256(self) -> str:
        """Hash what was sent but for the version and what no hash may give away."""
        digest = hashlib.sha256()
        for name, values in sorted(self.typed.items()):
            if name not in NOT_HASHED and not is_secret(name):
                digest.update(json.dumps([name, values]).encode())
        for name, files in sorted(self.uploads.items()):
            for upload in files:
                upload.file.seek(0)
                content = hashlib.file_digest(upload.file, "sha256").hexdigest()  # type: ignore[arg-type]
                upload.file.seek(0)
                digest.update(json.dumps([name, upload.filename, content]).encode())
        return digest.hexdigest()

    def check(self) -> None:
        """Raise everything that could not be read."""
        if self._refusals:
            raise RefusedTogether(self._refusals)

    def refuse(self, name: str, reason: str, right_would_be: str = "") -> None:
        """Set a refusal beside a field."""
        value = "" if is_secret(name) else self.raw(name)
        self._refuse(Refused(name, value, reason, right_would_be))

    def move_refusal(self, name: str, beside: str) -> None:
        """Show what was refused of one field, if anything was, beside another."""
        if name in self.refused:
            self.refused[beside] = self.refused.pop(name)

    def _refuse(self, refusal: Refused) -> None:
        if self._at_once:
            raise refusal
        self._refusals.append(refusal)
        self._note(refusal)

    @contextmanager
    def collecting_errors(self) -> Iterator[None]:
        """Take refusals and staleness raised inside, to show the form again with them."""
        try:
            yield
        except Refused as refusal:
            self._note(refusal)
        except RefusedTogether as together:
            for each in together.refusals:
                self._note(each)
        except Stale as stale:
            self.stale = stale

    def _note(self, refusal: Refused) -> None:
        value = "" if refusal.value in (None, "") else f"“{str(refusal.value)[:200]}”"
        reason = refusal.reason.rstrip(".")
        if value:
            value += " " if reason.split(" ", 1)[0] in GOES_ON else ": "
        else:
            reason = reason[:1].upper() + reason[1:]
        end = "" if reason.endswith("?") else "."
        words = f"{value}{reason}{end} {refusal.right_would_be}".strip()
        self.refused.setdefault(refusal.field, words)
        if isinstance(refusal, Question):
            self.asked.setdefault(refusal.key, refusal)

    def text(self, name: str, *, required: bool = True, most: int = 4000) -> str:
        """Read words, without space around them."""
        text = self.raw(name).strip()
        if required and not text:
            self.refuse(name, "This has to be filled in.")
        if len(text) > most:
            self.refuse(name, f"is longer than {most} signs", f"It has {len(text)}; shorten it.")
        return text

    def reason(self, name: str, *, required: bool = True, most: int = 4000) -> str:
        """Read a reason: what was chosen of the laboratory's, own words after it, or these."""
        choice = self.raw(f"{CHOICE}.{name}").strip()
        own = self.text(name, required=required and not choice, most=most)
        return ": ".join(filter(None, (choice, own)))

    def number(
        self,
        name: str,
        *,
        least: float = -math.inf,
        most: float = math.inf,
        unit: str = "",
        required: bool = True,
    ) -> float | None:
        """Read a number as `read_number` does; none if left empty and not required."""
        text = self.raw(name).strip()
        if not text:
            if required:
                self.refuse(
                    name, "A number has to be given here.", f"Such as 12.5 {unit}".rstrip() + "."
                )
            return None
        try:
            value = read_number(text)
        except OutOfRange as trouble:
            is_number = isinstance(trouble, ReadTwoWays)
            reason = "can be read in two ways" if is_number else "is not a number"
            self.refuse(name, reason, f"Right would be {trouble.allowed}.")
            return None
        if not least <= value <= most:
            self.refuse(name, "is out of range", _range_in_words(least, most, unit))
            return None
        return value

    def whole(
        self,
        name: str,
        *,
        least: int = 0,
        most: int = LARGEST_WHOLE,
        unit: str = "",
        required: bool = True,
    ) -> int | None:
        """Read a whole number; none if left empty and not required."""
        text = self.raw(name).strip()
        if not text:
            if required:
                self.refuse(name, "A whole number has to be given here.")
            return None
        if not re.fullmatch(r"[+-]?[0-9]{1,16}", text):
            self.refuse(name, "is not a whole number", "Right would be digits such as 12.")
            return None
        if not least <= int(text) <= most:
            self.refuse(name, "is out of range", _range_in_words(least, most, unit))
            return None
        return int(text)

    def values(self, described: Iterable[Field], was: object = None) -> dict[str, Any]:
        """Read described fields, by name; once one cannot be read, all refusals are raised.

        What lies outside a field's range is left to whoever is told: a list or a machine is not
        read by a form. ``was`` is what the form was filled with: a time left as it was shown, to
        the minute, is the very time it was.
        """
        read = {field.name: self._value(field) for field in described}
        for name, value in read.items():
            before = getattr(was, name, None)
            if isinstance(before, datetime) and before.replace(second=0, microsecond=0) == value:
                read[name] = before
        self.check()
        return read

    def _value(self, field: Field) -> Any:
        name, required = field.name, field.required
        value: object
        match field.asks:
            case Asks.NUMBER:
                value = self.number(name, unit=field.unit, required=required)
            case Asks.WHOLE:
                most = LARGEST_WHOLE if math.isinf(field.most) else int(field.most)
                value = self.whole(name, most=most, unit=field.unit, required=required)
            case Asks.DAY:
                value = noon(
                    self.day(name, required=required), self.zone, None if field.ahead else now_utc()
                )
            case Asks.DATE:
                value = self.day(name, required=required)
            case Asks.MOMENT:
                value = self.moment(name, required=required)
            case Asks.YES:
                return self.yes(name)
            case Asks.CHOICE:
                value = self._chosen(name, field.choices, required=required)
            case _:
                return self.text(name, required=required, most=field.longest)
        return field.otherwise if value is None else value

    def version(self) -> int:
        """Read the version the form was shown at."""
        text = self.raw("version")
        return int(text) if re.fullmatch(r"[0-9]{1,16}", text) else -1

    def moment(self, name: str, *, required: bool = True, partial: bool = False) -> datetime | None:
        """Read date and time in the laboratory's zone; give it back in UTC.

        ``partial``: also a year, a month or a day, as old paper gives it.
        """
        text = self.raw(name).strip()
        if not text:
            if required:
                self.refuse(name, "Date and time have to be given.", "Such as 2026-03-07 14:20.")
            return None
        try:
            known_in_part = parse_partial(text) if partial else None
            return known_in_part or parse_when(text, self.zone, needs_time=True).astimezone(UTC)
        except OutOfRange as trouble:
            right = f"Right would be {trouble.allowed}."
            if EXAMPLE not in right:
                right += f" Write it as {EXAMPLE}."
            self.refuse(name, "is not a date and time", right)
            return None

    def as_of(self) -> AsOf:
        """Read which state is asked for: ``on`` a date, ``known_at`` a time, both or neither."""
        return AsOf(self._asked("on"), self._asked("known_at"))

    def known_as_of(self) -> AsOf:
        """Read as known at which time a state is asked for that has no other time of its own."""
        return AsOf(known_at=self._asked("known_at"))

    def _asked(self, name: str) -> datetime | None:
        text = self.raw(name).strip()
        if not text:
            return None
        try:
            return parse_asked(text, self.zone).astimezone(UTC)
        except OutOfRange as trouble:
            right = f"Right would be {trouble.allowed}. Write it as {EXAMPLE}."
            self.refuse(name, "is not a date and time", right)
            return None

    def day(self, name: str, *, required: bool = True) -> date | None:
        """Read a date after ISO 8601."""
        text = self.raw(name).strip()
        if not text:
            if required:
                self.refuse(name, "A date has to be given.", "Such as 2026-03-07.")
            return None
        try:
            return parse_date(text)
        except OutOfRange as trouble:
            self.refuse(name, "is not a date", f"Right would be {trouble.allowed}.")
            return None

    def choice(self, name: str, words: type[E], *, required: bool = True) -> E | None:
        """Read one of the words of an enum; none if nothing was chosen and nothing is required."""
        return self._chosen(name, tuple(words), required=required)

    def _chosen(self, name: str, words: Sequence[W], *, required: bool) -> W | None:
        text = self.raw(name)
        if not text and not required:
            return None
        chosen = next((word for word in words if word == text), None)
        if chosen is None:
            reason = "is not one of the choices" if text else "One of these has to be chosen."
            self.refuse(name, reason, "Choose: " + ", ".join(words) + ".")
        return chosen

    def several(self, name: str, words: type[E]) -> tuple[E, ...]:
        """Read all ticked words of an enum."""
        choices = {word.value for word in words}
        strange = [text for text in self.raw_all(name) if text not in choices]
        if strange:
            self._refuse(Refused(name, strange[0], "is not one of the choices"))
        return tuple(words(text) for text in self.raw_all(name) if text in choices)

    def one_of(self, name: str, values: Iterable[str], *, required: bool = True) -> str:
        """Read one of some values that stand in a list made at run time."""
        text, choices = self.raw(name), list(values)
        if (text or required) and text not in choices:
            self.refuse(name, "is not one of the choices" if text else "One has to be chosen.")
            return ""
        return text

    def yes(self, name: str) -> bool:
        """Say whether a box was ticked."""
        return self.raw(name) not in ("", "no", "false", "0")

    def files(self, name: str) -> tuple[UploadFile, ...]:
        """Give the files chosen, without the empty one browsers send for none."""
        return tuple(file for file in self.uploads.get(name, ()) if file.filename)


def is_secret(name: str) -> bool:
    """Say whether a field holds what is never shown again."""
    return "password" in name or name in PINS


def _range_in_words(least: float, most: float, unit: str) -> str:
    unit = f" {unit}" if unit else ""
    if math.isinf(most):
        return f"Right would be {least:g}{unit} or more."
    if math.isinf(least):
        return f"Right would be {most:g}{unit} or less."
    return f"Right would be {least:g} to {most:g}{unit}."


def filled(request: Request, described: Iterable[Field], source: object, **more: object) -> Form:
    """Make a form whose described fields begin with what is kept of a thing."""
    zone = request.app.state.settings.time_zone
    begun: dict[str, object] = {}
    for field in described:
        value = getattr(source, field.name)
        begun[field.name] = day_of(value, zone) if field.asks is Asks.DAY else value
    return blank(request, **begun | more)


def blank(request: Request, **beginning: object) -> Form:
    """Make a form nobody has typed in yet, with what its fields begin with."""
    settings: Settings = request.app.state.settings
    texts = {name: _beginning(value, settings.time_zone) for name, value in beginning.items()}
    return Form(texts, zone=settings.time_zone)


def _beginning(value: object, zone: ZoneInfo) -> tuple[str, ...]:
    if value is None:
        return ("",)
    if isinstance(value, datetime):
        return (as_asked(value, zone),)
    if isinstance(value, bool):
        return ("yes" if value else "",)
    if isinstance(value, float):
        return (as_typed(value),)
    if isinstance(value, list | tuple | set | frozenset):
        return tuple(str(item) for item in value)
    return (str(value),)


def cannot_be_read(name: str, trouble: FieldRefused) -> Refused:
    """Refuse a line of a field of many, beside that field, with value and what would be right."""
    value = f"{trouble.name}: {trouble.value}"
    return Refused(name, value, "it cannot be read.", f"Right would be {trouble.allowed}.")


async def read_form(request: Request) -> Form:
    """Read what a form sent; NUL signs, which no keyboard makes, are left out."""
    form_data = await request.form(
        max_files=200, max_fields=MOST_FIELDS, max_part_size=4 * MEGABYTE
    )
    texts: dict[str, list[str]] = {}
    uploads: dict[str, list[UploadFile]] = {}
    for name, value in form_data.multi_items():
        if isinstance(value, str):
            texts.setdefault(name, []).append(value.replace("\x00", ""))
        else:
            uploads.setdefault(name, []).append(value)
    settings: Settings = request.app.state.settings
    form = Form(texts, uploads, settings.time_zone, f"{request.method} {request.url.path}")
    request.state.entry_key = form.raw(ENTRY_KEY)[:80]
    return form


def read_query(request: Request) -> Form:
    """Read the filter of a list from the address, by the same rules."""
    settings: Settings = request.app.state.settings
    names = request.query_params.keys()
    texts = {name: request.query_params.getlist(name) for name in names}
    query = Form(texts, zone=settings.time_zone)
    request.state.query_names = query.names_read
    return query


Typed = Annotated[Form, Depends(read_form)]
Asked = Annotated[Form, Depends(read_query)]
