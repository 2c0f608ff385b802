"""
What a client of the server may meet, sorted by what can be done about it.

    ServerSaysNo
    ├── ServerAway          later it may work: no answer, overloaded; nothing is acknowledged
    ├── ServerNotTrusted    its certificate is not one to trust; nothing was sent, not even the key
    └── RequestRefused      as it is, it will never be taken; `code` and `next_step` say why and what to do
        ├── KeyRefused      the key is unknown, or does not allow this
        ├── NotThere        unknown, or another owner's
        └── InTheWay        it contradicts what is there: a stream bound elsewhere, a name taken

The codes are the server's, stable, and explained in its OpenAPI description.
"""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

from cleanside.gateway.errors import GatewayError


class ServerSaysNo(GatewayError):
    """Root of what the client raises for what came back, or did not."""

    def __init__(
        self, detail: str, *, code: str = "", next_step: str = "", status: int | None = None
    ) -> None:
        """code : stable; decide by it; empty where no server of ours spoke. status : None: no answer."""
        super().__init__(": ".join(part for part in (code, detail) if part))
        self.detail = detail
        self.code = code
        self.next_step = next_step
        self.status = status


class ServerAway(ServerSaysNo):
    """The server did not accept it in time; repeat the call later, it stores once."""


class ServerNotTrusted(ServerSaysNo):
    """The server's certificate was not accepted: for a person, no later try helps."""


class RequestRefused(ServerSaysNo):
    """The request will not be taken as it is."""

    def __init__(self, status: int, document: Mapping[str, Any]) -> None:
        """document : the problem report (RFC 9457)."""
        super().__init__(
            str(document.get("detail", f"status {status}")),
            code=str(document.get("code", "")),
            next_step=str(document.get("next_step", "")),
            status=status,
        )
        #: all problems of the request: {pointer, detail}
        self.errors: tuple[Mapping[str, str], ...] = tuple(document.get("errors", ()))
        self.request_id = str(document.get("request_id", ""))


class KeyRefused(RequestRefused):
    """401 or 403."""


class NotThere(RequestRefused):
    """404."""


class InTheWay(RequestRefused):
    """409."""


_BY_STATUS = {401: KeyRefused, 403: KeyRefused, 404: NotThere, 409: InTheWay}


def refusal(status: int, document: Mapping[str, Any]) -> RequestRefused:
    """The error for a status and its problem report."""
    return _BY_STATUS.get(status, RequestRefused)(status, document)
