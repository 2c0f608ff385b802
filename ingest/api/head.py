"""
HEAD, on every address that has GET: the same answer without its content (RFC 9110 section 9.3.2).

Promises: status and headers as GET would have them; an export is not read through for it.
Leaves to others: what GET answers (the routes).
"""

from __future__ import annotations

from starlette.types import ASGIApp, Message, Receive, Scope, Send


class HeadLikeGet:
    """The app, asked with GET where the client asks with HEAD."""

    def __init__(self, app: ASGIApp) -> None:
        self._app = app

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        if scope["type"] != "http" or scope["method"] != "HEAD":
            await self._app(scope, receive, send)
            return
        asked = {**scope, "method": "GET"}
        is_answered = False

        async def send_head(message: Message) -> None:
            nonlocal is_answered
            if is_answered:
                return
            if message["type"] == "http.response.body":
                # The answer ends here, so that the server reports the client as gone and a stream ends too.
                is_answered, message = True, {"type": "http.response.body"}
            await send(message)

        try:
            await self._app(asked, receive, send_head)
        finally:
            scope["route"] = asked.get("route")  # for counts and log
