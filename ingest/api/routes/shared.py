"""Shared by all routes: the key of the request, the resources, times and names of the contract."""

from __future__ import annotations

import asyncio
from collections.abc import Callable, Collection, Coroutine, Iterator, Sequence
from contextlib import suppress
from functools import partial
from typing import Annotated, Any, NamedTuple, TypeVar, get_args, get_origin

import sqlalchemy as sa
from fastapi import APIRouter, Depends, Path, Request, Response
from fastapi.routing import APIRoute
from pydantic import AfterValidator, BaseModel, ConfigDict, Field, StringConstraints

from cleanside.gateway.units import counted
from cleanside.gateway.wire import MAX_LISTED, BatchRefused, instant_text, load_json, parse_instant
from cleanside.ingest.api.routes.names import NAME_PATTERN, NEW_NAME_PATTERN
from cleanside.ingest.api.routes.services import Services, host_of, services_of
from cleanside.ingest.api.routes.signed_in import person_of, token_of_cookie
from cleanside.ingest.errors import BodyNotJson, Complaint, NotValid, Refused, TryAgain, WrongField, writable
from cleanside.ingest.intake.arriving import Arriving
from cleanside.ingest.intake.head_fields import field
from cleanside.ingest.owners.access import PERMISSIONS, Keyring, require
from cleanside.ingest.owners.key_life import expires_soon
from cleanside.ingest.store import audit
from cleanside.ingest.store.keys import Key
from cleanside.ingest.writer.resources import Resources

T = TypeVar("T", bound=Callable[..., Any])

#: parameters whose value opens something: in no answer
SECRET_PARAMETERS = frozenset({"code", "state", "token"})
SHOWN_CHARACTERS = 100  # of refused values; chosen: enough to recognise them

Name = Annotated[str, Field(pattern=NAME_PATTERN, max_length=64, examples=["grader-07"])]
#: the name of a new object
NewName = Annotated[str, Field(pattern=NEW_NAME_PATTERN, max_length=64, examples=["grader-07"])]
PathName = Annotated[str, Path(pattern=NAME_PATTERN, max_length=64, examples=["grader-07"])]


def _printable(text: str) -> str:
    if not text.isprintable():
        raise WrongField("not_printable")
    return text


#: a few words of a person
Words = Annotated[str, AfterValidator(_printable)]
_Trimmed = StringConstraints(strip_whitespace=True)
#: why something was done to readings; blanks say nothing
Reason = Annotated[str, _Trimmed, Field(min_length=3, max_length=400), AfterValidator(_printable)]
#: why what a question (422) is about holds all the same; blanks are no answer
Because = Annotated[str, _Trimmed, AfterValidator(_printable)]
#: the answer to a question (422) about a name or a machine that may be a slip
ConfirmedBecause = Annotated[
    Because,
    Field(
        max_length=400,
        description="why it is meant, where the request was refused with a question; send it again with this",
    ),
]
#: a display name, any text; "": the name itself
DisplayName = Annotated[str, Field(max_length=120, examples=["Radlader 3"]), AfterValidator(_printable)]


def _as_instant(text: str) -> str:
    if parse_instant(text).exact is not None:
        raise WrongField("not_a_plain_instant", written=text)
    return text


#: RFC 3339 with an offset, nothing looser
At = Annotated[
    str,
    Field(max_length=64, examples=["2026-03-02T06:14:07Z"], json_schema_extra={"format": "date-time"}),
    AfterValidator(_as_instant),
]


class _StrictRequest(Request):
    async def json(self) -> Any:
        try:
            return load_json(await self.body())
        except BatchRefused as refused:
            raise BodyNotJson(refused) from None


class CheckedRoute(APIRoute):
    """Takes each parameter of one value once; a list, declared as one, as often as it is given."""

    def get_route_handler(self) -> Callable[[Request], Coroutine[Any, Any, Response]]:
        """The framework's handler, which alone would read the last value and drop the others."""
        handle = super().get_route_handler()
        lists = {p.alias for p in _query_of(self) if _is_list(p.field_info.annotation)}

        async def handle_checked(request: Request) -> Response:
            if request.scope["query_string"]:
                _refuse_repeated_parameters(request, lists)
            return await handle(request)

        return handle_checked


class StrictRoute(CheckedRoute):
    """
    Reads JSON by RFC 8259: a name that appears twice is refused, not guessed.

    Checks the key before it reads the body: the framework would read a mebibyte from clients without one.
    """

    def get_route_handler(self) -> Callable[[Request], Coroutine[Any, Any, Response]]:
        """The framework's handler, over a request that reads strictly."""
        handle, permission = super().get_route_handler(), needed_permission(self)
        if permission is None and not hasattr(self.endpoint, "permission"):
            raise TypeError(
                f"{self.path} says nothing of who may ask; give it a parameter "
                'Annotated[Key, Depends(needs("..."))], or @open_to_all'
            )

        async def handle_strictly(request: Request) -> Response:
            if permission is not None:
                await key_of(request, permission)
            return await handle(_StrictRequest(request.scope, request.receive))

        return handle_strictly


def router_of(tag: str) -> APIRouter:
    """The router of a file of routes. tag : their heading in the description."""
    return APIRouter(tags=[tag], route_class=StrictRoute, generate_unique_id_function=_name_of)


def _name_of(route: APIRoute) -> str:
    """The operation id: the name of the function, which generated clients call."""
    return route.name


class Act(NamedTuple):
    """Who does something to a machine, and when it was done [us]: at once, or on a phone without a link."""

    key: Key
    machine: str
    #: by the server's clock; equal to `now_us` where it is done at once
    made_us: int
    now_us: int


class Strict(BaseModel):
    """A request body: no coercion, no unknown members, no NaN."""

    model_config = ConfigDict(strict=True, extra="forbid", allow_inf_nan=False)


def note_act(connection: sa.Connection, act: Act, what: str, body: Strict) -> None:
    """Write an act into the audit log, with the body that asked for it. what : a kind of the log."""
    about = {"machine": act.machine, "body": body.model_dump(mode="json")}
    audit.note(connection, act.key.owner_id, act.now_us, act.key.handle, what, **about)


def us(at: str | None) -> int | None:
    """Microseconds of a checked instant."""
    return None if at is None else parse_instant(at).us


def span_of(
    since: tuple[str, str | None], until: tuple[str, str | None], *, at: str = "query"
) -> tuple[int | None, int | None]:
    """
    The instants of two parameters, each its name and value [us].

    at : where they stand: in the query, or a JSON pointer as a URI fragment to the object that has them.
    Raises Refused (422) where the first is after the second: no answer could have anything in it.
    """
    (first_name, first), (last_name, last) = since, until
    span_us = us(first), us(last)
    if span_us[0] is not None and span_us[1] is not None and span_us[0] > span_us[1]:
        about = {"since_name": first_name, "since": first, "until_name": last_name, "until": last}
        raise NotValid(Complaint(f"{at}/{last_name}", "span_ends_before", **about))
    return span_us


def text(at_us: int | None) -> str | None:
    """An instant for an answer."""
    return None if at_us is None else instant_text(at_us)


def text_s(at_s: float | None) -> str | None:
    """An instant in seconds for an answer, to the second."""
    return None if at_s is None else instant_text(int(at_s) * 1_000_000)


def resources_of(request: Request) -> Resources:
    """What the lifespan opened."""
    return services_of(request).resources


async def key_of(request: Request, permission: str) -> Key:
    """
    The key of a request, or the person who is signed in.

    Raises Refused: 401 without a valid one, 403 where its role may not do this, 429 over its quota.
    """
    token = token_of_cookie(request)
    if token is None:
        key = await _shown_key(request)
    else:
        key = (await person_of(request, token)).key
    request.state.key = key
    arriving: Arriving = request.state.arriving
    limits = services_of(request).limits
    limits.spend(key.id, arriving.reserved_bytes)
    arriving.was_charged(partial(limits.give_back, key.id), partial(limits.charge, key.id))
    require(key, permission)
    if token is None:
        services_of(request).keyring.note_use(key, services_of(request).clock())
    if request.scope["query_string"]:
        _refuse_unknown_parameters(request)
    return key


async def _shown_key(request: Request) -> Key:
    """The key in the header Authorization."""
    services = services_of(request)
    keyring, resources, limits = services.keyring, services.resources, services.limits
    header, now_us = field(request.scope, b"authorization"), resources.clock()
    try:
        key = keyring.remembered(header, now_us)
        if key is None:
            if not keyring.was_valid(header):  # guesses from an address must not lock out the keys behind it
                limits.may_show_key(host_of(request))
            key = await services.keys_asked.ask(partial(_find_all, services), header)
        elif keyring.is_due():  # beside the threads of requests: those may all be busy
            asyncio.get_running_loop().run_in_executor(None, _read_again, keyring, resources, now_us)
    except Refused:
        limits.showed_wrong_key(host_of(request))
        raise
    if expires_soon(key, now_us):
        request.state.key_expires = text(key.expires_us)
    return key


def _refuse_unknown_parameters(request: Request) -> None:
    """Raise Refused (422) for an unknown parameter: a misspelt filter must not be ignored."""
    parameters = _parameters_of(request.scope["route"])
    unknown = [name for name in dict(request.query_params) if name not in parameters]
    if unknown:
        there = ", ".join(parameters) or "none"
        errors = [
            Complaint(f"query/{name[:64]}", "no_such_parameter", there=there) for name in unknown[:MAX_LISTED]
        ]
        raise Refused(
            "parameters_unknown",
            status=422,
            code="not_valid",
            errors=errors,
            more_errors=len(unknown) - len(errors),
            parameters=counted(len(unknown), "parameter"),
        )


def _refuse_repeated_parameters(request: Request, lists: Collection[str]) -> None:
    """Raise NotValid (422) for a parameter of one value that came twice: the one meant is not guessed."""
    query = request.query_params
    twice = [name for name in query if name not in lists and len(query.getlist(name)) > 1]
    if twice:
        first, *more = (_repeated(name, query.getlist(name)) for name in twice[:MAX_LISTED])
        raise NotValid(first, *more)


def _repeated(name: str, values: Sequence[str]) -> Complaint:
    shown = "not shown" if name in SECRET_PARAMETERS else writable(", ".join(values)[:SHOWN_CHARACTERS])
    about = {"name": writable(name[:64]), "times": len(values), "values": shown}
    return Complaint(f"query/{about['name']}", "parameter_repeated", **about)


def _parameters_of(route: APIRoute) -> tuple[str, ...]:
    return tuple(sorted(p.alias for p in _query_of(route)))


def _query_of(route: APIRoute) -> Iterator[Any]:
    """The framework's query parameters of a route."""
    for dependant in every_dependant(route):
        yield from dependant.query_params


def _is_list(annotation: Any) -> bool:
    """Is a parameter declared as a list, perhaps one that may be left out."""
    return any(get_origin(one) is list for one in (annotation, *get_args(annotation)))


def every_dependant(route: APIRoute) -> Iterator[Any]:
    """The framework's dependants of a route, with all they depend on."""
    left: list[Any] = [route.dependant]
    while left:
        dependant = left.pop()
        yield dependant
        left += dependant.dependencies


def needed_permission(route: APIRoute) -> str | None:
    """The permission in the dependencies of a route (`needs`); None: it checks its key itself."""
    calls = (dependant.call for dependant in every_dependant(route))
    named = (getattr(call, "permission", None) for call in calls if call is not route.endpoint)
    return next((name for name in named if name), None)


def _find_all(services: Services, headers: Sequence[str | None]) -> Sequence[Key | Refused]:
    return services.keyring.find_all(services.resources.reading, headers, services.clock())


def _read_again(keyring: Keyring, resources: Resources, now_us: int) -> None:
    with suppress(TryAgain):  # the next request that has to read one says so
        keyring.read_again(resources.reading, now_us)


def needs(permission: str) -> Callable[..., Any]:
    """A dependency that returns the key of the request if its role has the permission. KeyError: no row."""
    _known(permission)

    async def with_permission(request: Request) -> Key:
        found: Key = request.state.key  # found by StrictRoute, before the body was read
        return found

    with_permission.permission = permission  # type: ignore[attr-defined]  # read by the test over all routes
    return with_permission


def asks(permission: str) -> Callable[[T], T]:
    """Mark a route that checks its key itself (`key_of`), for the description and tests over all routes."""
    _known(permission)

    def mark(endpoint: T) -> T:
        endpoint.permission = permission  # type: ignore[attr-defined]  # a function takes attributes
        return endpoint

    return mark


def _known(permission: str) -> None:
    if permission not in PERMISSIONS:
        raise KeyError(
            f'permission "{permission}" has no row in PERMISSIONS of ingest/owners/access.py; add one'
        )


def open_to_all(endpoint: T) -> T:
    """Mark a route that takes no key. Without this or a permission there is no route."""
    endpoint.permission = None  # type: ignore[attr-defined]  # a function takes attributes
    return endpoint


R = Annotated[Resources, Depends(resources_of)]


def problems(*statuses: int) -> dict[int | str, dict[str, Any]]:
    """Errors of a route's own, for the description; `ingest.api.description` adds those all have."""
    return {status: {"description": "a problem (RFC 9457)"} for status in statuses}


def shown(
    model: type[BaseModel], *, tagged: bool = False, media_type: str = "application/json"
) -> dict[int | str, dict[str, Any]]:
    """The answer of a route that writes its bytes itself. tagged : it has an entity tag, and may be 304."""
    answer: dict[str, Any] = {"model": model, "content": {media_type: {}}, "description": "OK"}
    if not tagged:
        return {200: answer}
    headers = {"ETag": {"schema": {"type": "string"}}}
    return {
        200: answer | {"headers": headers},
        304: {"description": "what the client has already (RFC 9110)", "headers": headers},
    }
