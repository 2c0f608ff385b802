"""
Why a delivery to a webhook failed, in stored form and in words.

Promises: a failure is stored as code and values, beside the sentence that the previous release reads. A row
that such a release wrote has its sentence alone, and reads as it was written.
Leaves to others: what failed (`ingest.webhooks.courier`), other languages (`ingest.console`).
"""

from __future__ import annotations

import json
from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

from cleanside.gateway.wire import Sentences, Values, text_of

MOST = 200  # characters of a sentence at rest
DETAIL = 140  # of these, what the system or the library said

#: code -> sentence
SENTENCES: Sentences = {
    "no_answer": "no answer within {seconds:g} s",
    "status": "status {status}",
    "name_not_found": "the name of the receiver was not found: {detail}",
    "no_connection": "no connection: {detail}",
    "certificate": "the certificate of the receiver was not accepted: {detail}",
    "broken_off": "the connection broke off: {detail}",
    "address_not_public": "{address} is not a public address",
    "address_refused": "the address may not be sent to: {why}",
    "not_sent": "it could not be sent: {detail}",
    "webhook_ended": "the webhook was ended",
}


@dataclass(frozen=True, slots=True)
class Failure:
    """Why a try failed. code : of SENTENCES."""

    code: str
    values: Values

    @property
    def detail(self) -> str:
        """The sentence."""
        return text_of(SENTENCES, self.code, self.values)[:MOST]


def kept(failure: Failure | None) -> dict[str, str | None]:
    """The columns of a failure; of none, empty ones."""
    if failure is None:
        return {"reason": None, "failure": None}
    written = json.dumps({"code": failure.code, "values": failure.values})
    return {"reason": failure.detail, "failure": written}


def read(reason: str | None, written: str | None) -> Failure | None:
    """The failure of a row; None: there is none, or a release without codes wrote the sentence."""
    if written is None:
        return None
    document: Mapping[str, Any] = json.loads(written)
    if document["code"] not in SENTENCES:  # of a newer release
        return None
    found = Failure(document["code"], document["values"])
    return found if found.detail == reason else None
