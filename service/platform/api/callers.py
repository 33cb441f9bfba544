"""Who calls: a bearer token after RFC 6750, its last use noted at most once a minute."""

from collections.abc import Callable, Iterator
from dataclasses import dataclass
from datetime import timedelta
from hashlib import sha256
from typing import Annotated

from fastapi import Depends, Header, HTTPException, Query, Request
from fastapi.dependencies.models import Dependant
from fastapi.security import HTTPAuthorizationCredentials, HTTPBearer
from fastapi.security.utils import get_authorization_scheme_param
from pydantic import AwareDatetime
from sqlalchemy import Engine, update

from service.people.queries.tokens import holder_of
from service.people.tables import ApiToken
from service.platform.api.answers import Made
from service.platform.arithmetic.dates import AsOf
from service.platform.database import SentOnce, Work, changing, housekeeping, now_utc, reading
from service.platform.errors import Refused, RefusedTogether
from service.platform.permissions import Person

NOTED_EVERY = timedelta(minutes=1)
KEY = "Idempotency-Key"

bearer = HTTPBearer(auto_error=False, description="A token made on your own page.")


def engine_of(request: Request) -> Engine:
    """Give the engine of this server."""
    engine: Engine = request.app.state.engine
    return engine


def identify(request: Request) -> None:
    """Find the person whose token came with the call, or answer 401; its body is not read."""
    engine = engine_of(request)
    scheme, token = get_authorization_scheme_param(request.headers.get("authorization"))
    with reading(engine) as session:
        holder = holder_of(session, token) if scheme.lower() == "bearer" else None
    if holder is None:
        raise HTTPException(
            401,
            "Send a valid token: Authorization: Bearer …",
            headers={"WWW-Authenticate": 'Bearer realm="layerbook"'},
        )
    now = now_utc()
    if holder.last_used_at is None or now - holder.last_used_at > NOTED_EVERY:
        with housekeeping(engine) as session:
            session.execute(
                update(ApiToken).where(ApiToken.id == holder.token_id).values(last_used_at=now)
            )
    request.state.caller = holder.person


def caller(
    request: Request, _credentials: Annotated[HTTPAuthorizationCredentials | None, Depends(bearer)]
) -> Person:
    """Name the person whose token came with the call, as `identify` found it."""
    person: Person = request.state.caller
    return person


async def one_time_key(
    request: Request,
    key: Annotated[
        str | None,
        Header(
            alias=KEY,
            min_length=8,
            max_length=80,
            description="a key of your own; the same call repeated with it gets the first answer,"
            " another call to this address is refused",
        ),
    ] = None,
) -> SentOnce | None:
    """Read the one-time key of a call, with the hash of its query and body."""
    if key is None:
        return None
    content = request.scope["query_string"] + b"\n" + await request.body()
    place = f"{request.method} {request.url.path}"
    return SentOnce(key, place, sha256(content).hexdigest(), KEY)


def _query_names(dependant: Dependant) -> Iterator[str]:
    """The query parameters a route declares, by itself or through what it depends on."""
    yield from (parameter.alias for parameter in dependant.query_params)
    for needed in dependant.dependencies:
        yield from _query_names(needed)


def refuse_unknown_parameters(request: Request) -> None:
    """Refuse a query parameter the route does not know, rather than answer as if it said nothing.

    Raises RefusedTogether naming each.
    """
    if request.query_params:
        refuse_others(request, set(_query_names(request.scope["route"].dependant)))


def refuse_others(request: Request, right_names: set[str]) -> None:
    """Refuse query parameters that are not among these. Raises RefusedTogether naming each."""
    right = f"One of: {', '.join(sorted(right_names))}." if right_names else "None is known here."
    refused = [
        Refused(name, value, "this address knows no such parameter.", right)
        for name, value in request.query_params.items()
        if name not in right_names
    ]
    if refused:
        raise RefusedTogether(refused)


Caller = Annotated[Person, Depends(caller)]
Database = Annotated[Engine, Depends(engine_of)]


KnownAt = Annotated[AwareDatetime | None, Query(description="as it was known at this time")]


def known_as_of(known_at: KnownAt = None) -> AsOf:
    """Read as known at which time a call asks for a state that has no other time of its own."""
    return AsOf(known_at=known_at)


def as_of(
    on: Annotated[AwareDatetime | None, Query(description="as it was at this time")] = None,
    known_at: KnownAt = None,
) -> AsOf:
    """Read which state a call asks for."""
    return AsOf(on, known_at)


Asked = Annotated[AsOf, Depends(as_of)]
AskedAsKnown = Annotated[AsOf, Depends(known_as_of)]


@dataclass(frozen=True, slots=True)
class OneCall:
    """A call that makes one change: where, by whom, and the one-time key it came with."""

    engine: Engine
    caller: Person
    key: SentOnce | None


def one_call(
    caller: Caller, engine: Database, key: Annotated[SentOnce | None, Depends(one_time_key)]
) -> OneCall:
    """Give what a change of a call is made with."""
    return OneCall(engine, caller, key)


def make_once(call: OneCall, change: Callable[[Work], int]) -> Made:
    """Make one change and answer its number; the same call with its key gets the first answer."""
    with changing(call.engine, call.caller, key=call.key, via="api") as work:
        row_id = change(work)
        work.answer = str(row_id)
    return Made(id=row_id)


Call = Annotated[OneCall, Depends(one_call)]
