"""What every answer is made of: units stand in the names, times are ISO 8601 with a zone."""

import json
from collections.abc import Callable
from dataclasses import dataclass, fields
from datetime import datetime
from typing import Annotated, Any, Self, TypeVar, cast, get_type_hints

from fastapi import Depends, Query, Request
from pydantic import (
    AliasPath,
    BaseModel,
    BeforeValidator,
    ConfigDict,
    Field,
    GetCoreSchemaHandler,
    create_model,
)
from pydantic_core.core_schema import CoreSchema, plain_serializer_function_ser_schema

from service.platform.arithmetic.dates import written
from service.platform.arithmetic.fields import Field as Described
from service.platform.queries.lists import Listing, Turn


def described(field: Described) -> Any:
    """Describe an attribute of an answer as forms and lists do."""
    words = f"{field.unit}, {field.help}" if field.unit else field.help
    return Field(description=f"{field.label}: {words}" if words else field.label)


def _time(at: datetime) -> str:
    """Write a time; of a partial date what is known of it: 1998, 1998-05, 1998-05-12."""
    return written(at).replace("+00:00", "Z")


def _write_times(schema: Any) -> None:
    if isinstance(schema, dict):
        if schema.get("type") == "datetime":
            schema["serialization"] = plain_serializer_function_ser_schema(_time, when_used="json")
        schema = tuple(schema.values())
    if isinstance(schema, list | tuple):
        for part in schema:
            _write_times(part)


class Out(BaseModel):
    """Parent of all answers: read from the attributes of a query's answer."""

    model_config = ConfigDict(from_attributes=True)

    @classmethod
    def __get_pydantic_core_schema__(
        cls, source: type[BaseModel], handler: GetCoreSchemaHandler
    ) -> CoreSchema:
        """Write partial dates, wherever a time stands, as far as they are known."""
        schema = handler(source)
        _write_times(schema)
        return schema

    @classmethod
    def from_answer(cls, answer: object, **beside: Any) -> Self:
        """Read a query's answer; what it does not say is given beside it."""
        return cls.model_validate(_With(answer, beside) if beside else answer)


@dataclass(frozen=True, slots=True)
class _With:
    _answer: object
    _beside: dict[str, Any]

    def __getattr__(self, name: str) -> Any:
        return self._beside[name] if name in self._beside else getattr(self._answer, name)


class Page(Out):
    """One page of a list: ``next`` and ``previous`` are for ``page``, null where there is none."""

    next: str | None
    previous: str | None
    total: int | None = None


Cursor = Annotated[str, Query(max_length=1000, description="next or previous of another page")]


def turn_asked(
    page: Cursor = "", limit: Annotated[int, Query(ge=1, le=200, description="rows on a page")] = 50
) -> Turn:
    """Read which page of a list a call asks for."""
    return Turn(limit, page)


Turned = Annotated[Turn, Depends(turn_asked)]
Below = Annotated[
    int | None, Query(ge=0, le=2**53, deprecated=True, description="instead of a page: go on here")
]


def page_of(rows_listed: Listing[Any]) -> dict[str, Any]:
    """Return what the answer of every list says of its page."""
    return {
        "next": rows_listed.further or None,
        "previous": rows_listed.back or None,
        "total": rows_listed.total,
    }


def links_of(request: Request, rows_listed: Listing[Any]) -> str:
    """Return the header Link of a list that is answered without a page around it."""
    beside = (("next", rows_listed.further), ("prev", rows_listed.back))
    return ", ".join(
        f'<{request.url.include_query_params(page=cursor)}>; rel="{relation}"'
        for relation, cursor in beside
        if cursor
    )


Data = Annotated[dict[str, Any], BeforeValidator(json.loads)]
"""What is kept as JSON text, answered as JSON."""
T = TypeVar("T", bound=Out)
M = TypeVar("M", bound=BaseModel)


def like(source: type, *, without: str = "", only: str = "") -> Callable[[type[T]], type[T]]:
    """Give a model the fields of a query's answer, in their order, before those it says itself.

    What the class itself says of a field (a description, another type, another place to read it
    from) takes the place of what the dataclass says. ``without`` and ``only`` name fields.
    """
    hints = get_type_hints(source, include_extras=True)
    names = [f.name for f in fields(source)]
    listed_names = set((without or only).split())
    if unknown := listed_names - set(names):
        raise TypeError(f"{source.__name__} has no {unknown}")
    fields_taken = {name: hints[name] for name in names if (name in listed_names) == bool(only)}

    return lambda model: with_fields(model, fields_taken)


def with_fields(model: type[M], added: dict[str, Any]) -> type[M]:
    """Return a model with fields before those it says itself."""
    fields_said = {name: (field.annotation, field) for name, field in model.model_fields.items()}
    joined: Any = create_model(
        model.__name__,
        __base__=model.__bases__,
        __doc__=model.__doc__,
        __module__=model.__module__,
        **(added | fields_said),
    )
    return cast("type[M]", joined)


def read_from(path: str, description: str | None = None) -> Any:
    """Say where in the answer a field is read: ``"span.number"``."""
    return Field(validation_alias=AliasPath(*path.split(".")), description=description)


class Made(Out):
    """The number of what was made."""

    id: int
