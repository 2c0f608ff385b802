"""Why a delivery to a webhook failed. Leaves to others: what failed (`ingest.webhooks.courier`)."""

from __future__ import annotations

from typing import ClassVar

from cleanside.gateway.wire import Sentences
from cleanside.ingest.store.coded_failures import CodedFailure

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


class Failure(CodedFailure):
    """Why a try of a delivery failed."""

    __slots__ = ()
    sentences: ClassVar[Sentences] = SENTENCES
