"""
Signatures and envelopes, against the standard's own vector and an independent library.

Vector: RFC 9421 appendix B.2.5, key test-shared-secret of appendix B.1.5. Independent check of whole
deliveries: the library http-message-signatures (tests/contract/test_webhooks.py).
"""

from __future__ import annotations

import base64
import dataclasses
import json

from cleanside.ingest.store.outbox import Delivery
from cleanside.ingest.webhooks.signing import envelope, sign, signature_base

SHARED_SECRET = "uzvJfB4u3N0Jy4T7NZ75MDVcr8zSTInedJtkgcu46YW4XByzNJjxBdtjUkdJPBtbmHhIDi6pcl8jsasjlTMtDQ=="


def test_the_signature_is_that_of_the_rfc() -> None:
    values = {
        "date": "Tue, 20 Apr 2021 02:07:55 GMT",
        "@authority": "example.com",
        "content-type": "application/json",
    }
    parameters = '("date" "@authority" "content-type");created=1618884473;keyid="test-shared-secret"'
    signature = sign(signature_base(values, parameters), base64.b64decode(SHARED_SECRET))
    assert signature == "pxcQw6G3AjtMBQjwo8XzkZf/bws5LelbaMk5rGIGtE8="


def test_the_same_delivery_is_the_same_bytes_at_every_try() -> None:
    first = Delivery(
        1, 7, "waiting", 0, None, 0, None, None, None, "cleanside.state.changed", "s", 0, '{"a": 1}'
    )
    again = dataclasses.replace(first, tries=3, first_tried_us=5, next_us=9, reason="status 500")
    assert envelope(first) == envelope(again)
    assert json.loads(envelope(first))["sequence"] == "00000000000000000007"
