"""
uvicorn with an app that reads the body and answers 200: what HTTP alone costs with the same server library.

    python -m tests.benchmark.empty_server serve --database ANY --port 0
"""

from __future__ import annotations

import json
import socket
from typing import Any

import uvicorn

ANSWER = b"{}"


async def app(_scope: Any, receive: Any, send: Any) -> None:
    """Read the body, then answer."""
    while (await receive())["more_body"]:
        pass
    headers = [(b"content-type", b"application/json"), (b"content-length", str(len(ANSWER)).encode())]
    await send({"type": "http.response.start", "status": 200, "headers": headers})
    await send({"type": "http.response.body", "body": ANSWER})


if __name__ == "__main__":
    with socket.create_server(("127.0.0.1", 0)) as listening:
        print(json.dumps({"listening": f"http://127.0.0.1:{listening.getsockname()[1]}"}), flush=True)
        config = uvicorn.Config(app, lifespan="off", access_log=False, log_level="warning")
        uvicorn.Server(config).run(sockets=[listening])
