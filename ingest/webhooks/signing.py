"""
An event on the wire: a CloudEvents 1.0 envelope, signed by RFC 9421.

Promises: pure. A receiver with the secret and any library for HTTP Message Signatures can check the sender,
the address, the time, and that nothing was changed: the signature covers method, address, media type and
the digest of the content (RFC 9530).
Leaves to others: sending it (`ingest.webhooks.courier`).

Sources: CloudEvents 1.0.2, JSON event format, structured content mode; RFC 9421 sections 2.5 and 3.3.3.
"""

from __future__ import annotations

import base64
import hashlib
import hmac
import json
from collections.abc import Mapping

from cleanside.gateway.wire import instant_text
from cleanside.ingest.store.outbox import Delivery

EVENT_MEDIA_TYPE = "application/cloudevents+json"
ALGORITHM = "hmac-sha256"
#: covered components, in this order
COVERED = ("@method", "@target-uri", "content-type", "content-digest")
LABEL = "cleanside"


def envelope(delivery: Delivery) -> bytes:
    """
    The event of a delivery as JSON, the same bytes at every try.

    `sequence` (CloudEvents extension) rises with every event of the server: a receiver can see the order.
    """
    document = {
        "specversion": "1.0",
        "id": str(delivery.event_id),
        "source": f"/v1/{delivery.subject}",
        "type": delivery.type,
        "subject": delivery.subject,
        "time": instant_text(delivery.at_us),
        "datacontenttype": "application/json",
        "sequence": f"{delivery.event_id:020d}",
        "data": json.loads(delivery.data),
    }
    return json.dumps(document, separators=(",", ":")).encode()


def signed_headers(content: bytes, *, url: str, secret: str, key_id: str, created_s: int) -> dict[str, str]:
    """Headers of a POST of `content` to `url`. secret : base64. created_s : seconds since 1970."""
    digest = base64.b64encode(hashlib.sha256(content).digest()).decode()
    headers = {"Content-Type": EVENT_MEDIA_TYPE, "Content-Digest": f"sha-256=:{digest}:"}
    values = {
        "@method": "POST",
        "@target-uri": url,
        "content-type": EVENT_MEDIA_TYPE,
        "content-digest": headers["Content-Digest"],
    }
    items = " ".join(f'"{name}"' for name in COVERED)
    parameters = f'({items});created={created_s};keyid="{key_id}";alg="{ALGORITHM}"'
    signature = sign(signature_base(values, parameters), base64.b64decode(secret))
    return headers | {"Signature-Input": f"{LABEL}={parameters}", "Signature": f"{LABEL}=:{signature}:"}


def signature_base(values: Mapping[str, str], parameters: str) -> bytes:
    """The signature base (RFC 9421 section 2.5). values : component -> value, in the order covered."""
    lines = [f'"{name}": {value}' for name, value in values.items()]
    return "\n".join([*lines, f'"@signature-params": {parameters}']).encode()


def sign(base: bytes, secret: bytes) -> str:
    """HMAC-SHA256 (RFC 2104) in base64."""
    return base64.b64encode(hmac.new(secret, base, hashlib.sha256).digest()).decode()
