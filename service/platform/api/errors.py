"""The error family as JSON: problem details after RFC 9457, one table."""

import json
import logging
from uuid import uuid4

from fastapi import Request
from fastapi.exceptions import RequestValidationError
from fastapi.responses import JSONResponse
from starlette.exceptions import HTTPException

from service.people.queries.people import whom_to_ask
from service.platform.database import reading
from service.platform.errors import (
    Busy,
    LayerbookError,
    NotAllowed,
    NotFound,
    Question,
    Refused,
    RefusedTogether,
    Repeated,
    Stale,
)
from service.platform.permissions import Act, Person

STATUS: dict[type[LayerbookError], tuple[int, str]] = {
    Refused: (422, "A value cannot be taken"),
    RefusedTogether: (422, "Some values cannot be taken"),
    Stale: (409, "Changed by somebody else meanwhile"),
    NotFound: (404, "Not found"),
    NotAllowed: (403, "Not allowed"),
    Repeated: (200, "This entry was made before"),
    Busy: (503, "The database is busy"),
}

log = logging.getLogger("layerbook.api")


class Problem(JSONResponse):
    """An error whose text may hold whatever was sent: half a sign stands there as its escape."""

    media_type = "application/problem+json"

    def render(self, content: object) -> bytes:
        """Write it as JSON in UTF-8."""
        text = json.dumps(content, ensure_ascii=False, allow_nan=False, separators=(",", ":"))
        return text.encode("utf-8", "backslashreplace")


def problem(
    status: int, title: str, detail: str, headers: dict[str, str] | None = None, **more: object
) -> JSONResponse:
    """Return one error in the shape every error of the API has."""
    content = {"type": "about:blank", "title": title, "status": status, "detail": detail, **more}
    return Problem(content, status_code=status, headers=headers)


def _field(refusal: Refused) -> dict[str, object]:
    answer: dict[str, object] = {
        "field": refusal.field,
        "value": "" if refusal.value is None else str(refusal.value),
        "reason": refusal.reason,
        "right_would_be": refusal.right_would_be,
    }
    if isinstance(refusal, Question):
        answer["question"] = {
            "key": refusal.key,
            "facts": refusal.facts,
            "answers": list(refusal.answers),
        }
    return answer


def known(request: Request, error: Exception) -> JSONResponse:
    """Translate an error of the records."""
    if isinstance(error, Repeated) and not error.answer.isdecimal():
        error = Refused("Idempotency-Key", "", "it was used on a page.", "Use a new key.")
    status, title = next(
        (STATUS[kind] for kind in type(error).__mro__ if kind in STATUS), (422, "")
    )
    if isinstance(error, Refused):
        return problem(status, title, str(error), fields=[_field(error)])
    if isinstance(error, RefusedTogether):
        return problem(status, title, str(error), fields=[_field(each) for each in error.refusals])
    if isinstance(error, Stale):
        return problem(
            status, title, str(error), version=error.now, changes_since=list(error.changes)
        )
    if isinstance(error, Repeated):
        return JSONResponse({"id": int(error.answer)}, status_code=status)
    if isinstance(error, NotAllowed):
        return problem(status, title, f"{error} {_whom_to_ask(request, error)}".rstrip())
    return problem(status, title or "Cannot be done", str(error))


def _whom_to_ask(request: Request, refusal: NotAllowed) -> str:
    caller: Person | None = getattr(request.state, "caller", None)
    if caller is None:
        return ""
    with reading(request.app.state.engine) as session:
        return whom_to_ask(session, caller, Act(refusal.act))


def computed(_request: Request, error: Exception) -> JSONResponse:
    """Translate an error of the pure computations: a value outside its range."""
    return problem(422, "A value cannot be taken", str(error))


def beyond(_request: Request, error: Exception) -> JSONResponse:
    """Translate a number or time no row can have, which nobody refused by its name."""
    log.warning("a number or time beyond what can be kept", exc_info=error)
    detail = "A number or a time in it lies farther off than can be kept or counted with."
    return problem(422, "A value cannot be taken", detail)


def asked(_request: Request, error: Exception) -> JSONResponse:
    """Translate what does not fit the description of the API, field by field."""
    if not isinstance(error, RequestValidationError):
        raise error
    fields = [
        {
            "field": ".".join(str(step) for step in each["loc"][1:]) or str(each["loc"][0]),
            "value": _value_text(each.get("input")),
            "reason": each["msg"],
            "right_would_be": "",
        }
        for each in error.errors()
    ]
    return problem(422, "Some values cannot be taken", fields[0]["reason"], fields=fields)


def _value_text(value: object) -> str:
    return "" if isinstance(value, dict | list) or value is None else str(value)[:200]


def spoken(_request: Request, error: Exception) -> JSONResponse:
    """Translate an HTTP error raised on the way."""
    if not isinstance(error, HTTPException):
        raise error
    headers = dict(error.headers) if error.headers else None
    return problem(error.status_code, "Not done", str(error.detail), headers)


def unforeseen(_request: Request, error: Exception) -> JSONResponse:
    """Hide what nobody foresaw behind a reference; the log has the rest."""
    reference = uuid4().hex[:8]
    log.error("reference %s", reference, exc_info=error)
    return problem(500, "Something went wrong", f"Tell whoever runs this: reference {reference}.")
