"""
What the gateway's page answers to whom: without the code, which machine this is; with it, the rest.

Promises: no figure and no entry without a pass; a form from another site is not taken; no answer repeats
what was sent unescaped; a code is tried by a form of this page only; a name that leads here and is not ours
opens nothing. Leaves to others: the bytes (`gateway.beside.http_listener`), HTML
(`gateway.beside.spot_page`), codes and passes (`gateway.beside.label_code`).
"""

from __future__ import annotations

import json
from collections.abc import Callable, Mapping, Sequence
from dataclasses import asdict
from typing import Any, Final
from urllib.parse import urlencode, urlsplit

from cleanside.gateway.beside.back_form import WrittenBack, back_page, read_back_form, taken_back
from cleanside.gateway.beside.entry_form import (
    WORK,
    WrittenEntry,
    entry_id_of,
    entry_said,
    form_page,
    read_form,
)
from cleanside.gateway.beside.http_listener import PageAnswer, PageRequest
from cleanside.gateway.beside.label_code import PASS_US, Doorkeeper, TooManyTries
from cleanside.gateway.beside.machine_facts import MachineFacts
from cleanside.gateway.beside.page_words import WORDS, language_of
from cleanside.gateway.beside.spot_page import door, live_part, machine, page
from cleanside.gateway.errors import GatewayError, SpoolDamaged
from cleanside.gateway.spool.identity import RandomBytes
from cleanside.gateway.spool.machine_entries import KEPT, MOST_WAITING, KeptEntry
from cleanside.gateway.spool.queue import Spool

_MOST_SHOWN: Final = 20  # entries in the list, with those that take one back (chosen)
#: what the address says was kept -> the words for it
_KEPT_SAID: Final = {"kept": "entry_kept", "taken_back": "back_kept"}
_COOKIE: Final = "beside"  # no `__Host-`: the page is plain HTTP on the machine's own network


class Reception:
    """Answers requests. Of one thread."""

    def __init__(
        self,
        device: str,
        *,
        doorkeeper: Doorkeeper,
        facts: Callable[[], MachineFacts],
        spool: Spool,
        new_id: Callable[[], str],
        random: RandomBytes,
        address: str | None = None,
    ) -> None:
        """
        What it needs.

        spool : where entries go. new_id : of an entry. random : for the nonces of pages.
        address : of the label (`beside.address`); None: where it listens
        """
        self._device = device
        self._doorkeeper = doorkeeper
        self._facts = facts
        self._spool = spool
        self._new_id = new_id
        self._random = random
        self._own_host = "" if address is None else urlsplit(address).netloc.lower()

    def answer(self, asked: PageRequest) -> PageAnswer:
        """The answer to a request."""
        language = language_of(asked.headers.get("accept-language", ""))
        if not self._is_ours(asked):
            return PageAnswer(status=421, body="421", media_type="text/plain")
        if asked.method == "POST" and not _is_from_here(asked):
            return PageAnswer(status=403, body="403", media_type="text/plain")
        if asked.path == "/code" and asked.method == "POST":
            return self._let_in(asked, asked.form.get("code", ""), language)
        if not self._doorkeeper.knows(asked.cookies.get(_COOKIE, "")):
            return self._door(asked, language)
        if asked.path == "/" and "code" in asked.query:  # the label's QR code again: not into the history
            return _see_other("/")
        return self._inside(asked, language)

    def _is_ours(self, asked: PageRequest) -> bool:
        """
        False for a name of another site that leads here (RFC 9110 section 7.4), whose scripts could read all.

        A browser always says the host; a program that says none has no scripts of others.
        """
        host = asked.headers.get("host", "").lower()
        return host in ("", self._own_host) or host in _hosts(*asked.here)

    def _inside(self, asked: PageRequest, language: str) -> PageAnswer:
        match asked.method, asked.path:
            case "GET" | "HEAD", "/":
                facts = self._facts()
                return self._page(machine(facts, language), language, title=self._device, live=True)
            case "GET" | "HEAD", "/live":
                return PageAnswer(body=live_part(self._facts(), language))
            case "GET" | "HEAD", "/live.json":
                return PageAnswer(body=json.dumps(document(self._facts())), media_type="application/json")
            case "GET" | "HEAD", "/entry":
                if "entry_id" not in asked.query:
                    # The form has its id in its address: gone back to and sent again it is the same entry.
                    return _see_other(f"/entry?{urlencode({**asked.query, 'entry_id': self._new_id()})}")
                kept = _kept_said(asked.query, WORDS[language])
                fields = {name: value for name, value in asked.query.items() if name in ("what", "note")}
                return self._entry_page(language, {**fields, **_given_id(asked.query)}, {}, said=kept)
            case "POST", "/entry":
                return self._enter(asked.form, language)
            case "GET" | "HEAD", "/entry/back":
                return self._back_page(language, asked.query, {})
            case "POST", "/entry/back":
                return self._take_back(asked.form, language)
        return PageAnswer(status=404, body="404", media_type="text/plain")

    def _enter(self, fields: Mapping[str, str], language: str) -> PageAnswer:
        entry = read_form(fields)
        if not isinstance(entry, WrittenEntry):
            return self._entry_page(language, fields, entry, status=422)
        entry_id = entry_id_of(entry.entry_id, self._new_id())
        try:
            self._keep(entry_id, entry)
        except GatewayError as error:
            said = WORDS[language]["fault_full"].format(why=error)
            return self._entry_page(language, fields, {}, said=said, status=503)
        return _see_other("/entry?kept")

    def _take_back(self, fields: Mapping[str, str], language: str) -> PageAnswer:
        back = read_back_form(fields)
        if not isinstance(back, WrittenBack):
            return self._back_page(language, fields, back, status=422)
        try:
            every = self._spool.entries(most=MOST_WAITING + KEPT)
            if _work_named(every, back.of) is None:
                return self._back_page(language, fields, {})
            if back.of not in taken_back(every):  # sent twice, or by two people: it is taken back once
                self._enter_in_spool(self._new_id(), back.content)
        except GatewayError as error:
            said = WORDS[language]["fault_full"].format(why=error)
            return self._back_page(language, fields, {}, said=said, status=503)
        return _see_other("/entry?taken_back")

    def _back_page(
        self,
        language: str,
        fields: Mapping[str, str],
        faults: Mapping[str, str],
        *,
        said: str = "",
        status: int = 200,
    ) -> PageAnswer:
        words = WORDS[language]
        try:
            named = _work_named(self._spool.entries(most=MOST_WAITING + KEPT), fields.get("of", ""))
        except GatewayError as error:
            return self._entry_page(language, {}, {}, said=words["fault_full"].format(why=error), status=503)
        if named is None:
            return self._entry_page(language, {}, {}, said=words["back_gone"], status=404)
        body = back_page(
            language,
            named=named,
            said_of=entry_said(words, named),
            fields=fields,
            faults=faults,
            said=said,
        )
        return self._page(body, language, title=words["back_title"], status=status)

    def _enter_in_spool(self, entry_id: str, content: Mapping[str, Any], *, ago_us: int = 0) -> bool:
        try:
            return self._spool.enter(entry_id, content, ago_us=ago_us)
        except SpoolDamaged:  # the file was replaced by this: the next call meets a new one
            return self._spool.enter(entry_id, content, ago_us=ago_us)

    def _keep(self, entry_id: str, entry: WrittenEntry) -> None:
        ago_us = entry.ago_min * 60_000_000
        is_new = self._enter_in_spool(entry_id, entry.content, ago_us=ago_us)
        if not is_new and self._content_of(entry_id) != entry.content:
            # The form was gone back to and changed: another entry. Sent twice as it was, it is the same.
            self._spool.enter(self._new_id(), entry.content, ago_us=ago_us)

    def _content_of(self, entry_id: str) -> Mapping[str, Any] | None:
        every = self._spool.entries(most=MOST_WAITING + KEPT)
        return next((entry.content for entry in every if entry.entry_id == entry_id), None)

    def _entry_page(
        self,
        language: str,
        fields: Mapping[str, str],
        faults: Mapping[str, str],
        *,
        said: str = "",
        status: int = 200,
    ) -> PageAnswer:
        try:
            made = self._spool.entries(most=_MOST_SHOWN)
        except GatewayError:  # the form is worth showing all the same
            made = []
        body = form_page(
            language,
            entry_id=entry_id_of(fields.get("entry_id", ""), self._new_id()),
            fields=fields,
            faults=faults,
            made=made,
            said=said,
        )
        return self._page(body, language, title=WORDS[language]["entry_title"], status=status)

    def _door(self, asked: PageRequest, language: str) -> PageAnswer:
        if asked.path != "/":
            if asked.method == "POST" or asked.path.startswith("/live"):
                return PageAnswer(status=403, body="403", media_type="text/plain")
            return _see_other("/")
        # By the label's QR code: filled in, and tried when a person sends it. Any site can cause a GET.
        body = door(self._device, language, code=asked.query.get("code", ""))
        return self._page(body, language, title=WORDS[language]["door_title"])

    def _let_in(self, asked: PageRequest, code: str, language: str) -> PageAnswer:
        words = WORDS[language]
        try:
            made = self._doorkeeper.show(code, address=asked.address)
        except TooManyTries as many:
            fault = words["door_wait"].format(seconds=many.retry_s)
            body, headers = door(self._device, language, fault=fault), {"Retry-After": str(many.retry_s)}
            return self._page(body, language, title=words["door_title"], status=429, headers=headers)
        if made is None:
            body = door(self._device, language, fault=words["door_wrong"])
            return self._page(body, language, title=words["door_title"], status=403)
        cookie = f"{_COOKIE}={made}; Path=/; HttpOnly; SameSite=Lax; Max-Age={PASS_US // 1_000_000}"
        return _see_other("/", {"Set-Cookie": cookie})

    def _page(
        self,
        body: str,
        language: str,
        *,
        title: str,
        status: int = 200,
        live: bool = False,
        headers: dict[str, str] | None = None,
    ) -> PageAnswer:
        nonce = self._random(16).hex()
        html, policy = page(body, device=self._device, language=language, title=title, nonce=nonce, live=live)
        about = {"Content-Security-Policy": policy, "Content-Language": language, "Vary": "Accept-Language"}
        return PageAnswer(status=status, body=html, headers={**about, **(headers or {})})


def _hosts(address: str, port: int) -> set[str]:
    """What a browser says that came to this address: port 80 is left out (RFC 9110 section 4.2.1)."""
    names = {f"[{address}]" if ":" in address else address}
    if address in ("127.0.0.1", "::1"):
        names.add("localhost")  # never asked of a name server (RFC 6761 section 6.3)
    return {f"{name}:{port}" for name in names} | (names if port == 80 else set())


def _kept_said(query: Mapping[str, str], words: Mapping[str, str]) -> str:
    """What was just kept, in a sentence; "": nothing was."""
    return next((words[code] for name, code in _KEPT_SAID.items() if name in query), "")


def _work_named(entries: Sequence[KeptEntry], entry_id: str) -> KeptEntry | None:
    """The entry of work with an id; None: it is not kept here."""
    return next((e for e in entries if e.entry_id == entry_id and e.content.get("what") in WORK), None)


def _given_id(query: Mapping[str, str]) -> dict[str, str]:
    return {"entry_id": query["entry_id"]} if "entry_id" in query else {}


def _see_other(path: str, headers: dict[str, str] | None = None) -> PageAnswer:
    return PageAnswer(status=303, media_type="text/plain", headers={"Location": path, **(headers or {})})


def _is_from_here(asked: PageRequest) -> bool:
    """
    A form was sent by a page of ours, as far as the browser says.

    Sec-Fetch-Site is sent on secure origins only, which this page has none of; Origin is sent with every
    POST (Fetch standard, section 3.2). A program without either has no cookie that a site could use.
    """
    site = asked.headers.get("sec-fetch-site")
    if site is not None:
        return site in ("same-origin", "none")
    origin = asked.headers.get("origin")
    return origin is None or origin == f"http://{asked.headers.get('host', '')}"


def document(facts: MachineFacts) -> dict[str, Any]:
    """The page as a JSON object; units in the names."""
    return {
        "device": facts.device,
        "values": {
            last.quantity: {"value": last.value, "unit": last.unit, "age_s": last.age_s}
            for last in facts.values
        },
        "checks": [asdict(check) for check in facts.checks],
        "signal": [{"ago_s": ago_s, "level_dbm": level} for ago_s, level in facts.signal],
        "backlog": facts.backlog,
        "entries_waiting": facts.entries_waiting,
        "oldest_s": facts.oldest_s,
        "link": facts.link,
    }
