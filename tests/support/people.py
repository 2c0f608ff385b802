"""People for tests: signed in over the app in this process, with hashes that take no time."""

from __future__ import annotations

import json
from typing import Any

import httpx
from argon2 import PasswordHasher

from cleanside.ingest.api.routes.signed_in import COOKIE
from cleanside.ingest.owners.passwords import Passwords
from tests.support.serving import Api

PASSWORD = "gravel plateau grader seven"
ORIGIN = "http://ingest.test"


class CountedHasher(PasswordHasher):
    """As cheap as argon2 gets, and it counts: a test must not wait half a second for each password."""

    def __init__(self) -> None:
        super().__init__(time_cost=1, memory_cost=8, parallelism=1)
        self.verified = 0

    def verify(self, hash: str | bytes, password: str | bytes) -> bool:  # type: ignore[override]
        self.verified += 1
        return super().verify(hash, password)


def quick_passwords(api: Api) -> CountedHasher:
    """Have the app hash quickly from now on."""
    hasher = CountedHasher()
    api.services.passwords = Passwords(hasher)
    return hasher


class Browser:
    """Who opens the pages of the app: keeps one session, sends what a browser sends."""

    def __init__(self, api: Api, *, base: str = ORIGIN) -> None:
        self.api = api
        self.base = base
        #: name -> value
        self.cookies: dict[str, str] = {}

    def request(self, method: str, path: str, body: Any = None, **more: Any) -> httpx.Response:
        """A request as a page of the server sends it."""
        given: dict[str, Any] = {"Origin": self.base, "Sec-Fetch-Site": "same-origin"}
        given |= dict(more.pop("headers", {}))
        headers = {name: value for name, value in given.items() if value is not None}
        if self.cookies:
            headers["Cookie"] = "; ".join(f"{name}={value}" for name, value in self.cookies.items())
        if body is not None:
            headers["Content-Type"] = "application/json"
            more["content"] = json.dumps(body).encode()
        url = f"{self.base}{path}"
        answer = self.api.request(method, url, key=None, headers=headers, **more)
        self.api.forget_cookies()
        self._keep(answer)
        return answer

    def _keep(self, answer: httpx.Response) -> None:
        for line in answer.headers.get_list("set-cookie"):
            name, _, rest = line.partition("=")
            value = rest.partition(";")[0].strip('"')
            self.cookies[name] = value
            if not value:
                del self.cookies[name]

    def get(self, path: str, **more: Any) -> httpx.Response:
        """GET."""
        return self.request("GET", path, **more)

    def post(self, path: str, body: Any = None, **more: Any) -> httpx.Response:
        """POST a JSON document."""
        return self.request("POST", path, {} if body is None else body, **more)

    def sign_in(self, person: str, password: str = PASSWORD) -> httpx.Response:
        """Sign in by name and password."""
        return self.post("/v1/sessions", {"name": person, "password": password})

    @property
    def token(self) -> str | None:
        """Of the session."""
        return self.cookies.get(COOKIE)


def said(answer: httpx.Response) -> tuple[int, str]:
    """Status and code of a problem."""
    return answer.status_code, answer.json()["code"]


def code_of(link: str) -> str:
    """What a link of an invitation carries."""
    return link.partition("code=")[2]


def invited(api: Api, person: str, role: str, *, key: str = "admin", **more: Any) -> str:
    """Invite a person with an admin's key, to sites that are made first. Returns the code of the link."""
    for site in more.get("sites", ()):
        api.post("/v1/sites", {"site": site}, key=key).raise_for_status()
    answer = api.post("/v1/people", {"name": person, "role": role} | more, key=key)
    assert answer.status_code == 201, answer.text
    return code_of(answer.json()["link"])


def signed_in(api: Api, person: str, role: str, *, key: str = "admin", **more: Any) -> Browser:
    """A new person who came in by the link and is signed in."""
    browser = Browser(api)
    code = invited(api, person, role, key=key, **more)
    answer = browser.post("/v1/invitations/accept", {"code": code, "password": PASSWORD})
    assert answer.status_code == 201, answer.text
    return browser
