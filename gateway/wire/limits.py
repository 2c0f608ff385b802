"""
The limits of the contract, published in answers and docs, and the refusal of a body that breaks it.
"""

from __future__ import annotations

import re
from collections.abc import Sequence
from dataclasses import dataclass, field

from cleanside.gateway.wire.coded import Values

MAX_BODY_BYTES = 2**20  # as sent
MAX_DECODED_BYTES = 8 * 2**20  # counted while decompressing
MAX_READINGS = 5_000  # a batch
MAX_SHED_RANGES = 1_000  # a batch
# Before a body is parsed: 5 000 readings of 64 quantities, as many boots, two events a boot, shed ranges.
MAX_NESTED = 25_000  # objects and lists of a body, records of a SenML pack among them; chosen
MAX_VALUES = 350_000  # of a body; chosen
MAX_LISTED = 64  # entries of a list in an answer; the rest is counted
MAX_QUANTITIES = 64  # a batch; each costs a column of the batch's length in memory
MAX_NAME_LENGTH = 64
MAX_INTEGER = 2**53  # beyond it a JSON number is not the same integer for everyone (RFC 8259 section 6)
MAX_DEPTH = 8
MAX_STREAMS_ASKED = 200  # in one question for marks; a spool has one or a few
MAX_EVENTS_DECLARED = 100  # in one request; a gateway has a few in its life; chosen
MAX_ENTRIES = 50  # of people at the machine, in one request: 50 kB at most; chosen
MAX_ENTRY_BYTES = 2_000  # of the content of one, as JSON: a note has 400 characters; chosen
MAX_SHIFT_S = 4e9  # of a boot correction: from 1900 to now
BATCH_MEDIA_TYPE = "application/json"
ANSWER_MEDIA_TYPE = "application/json"
PROBLEM_MEDIA_TYPE = "application/problem+json"
DATABASE_HEADER = "Database-Id"  # of every answer; a new value means that the server was restored
#: members of a reading, and of one in quarantine: its units, a record that was not read, a time that a person
#: confirmed; no quantity has such a name
RESERVED_NAMES = frozenset({"seq", "at", "at_uncertainty_s", "units", "opaque", "time_is_right"})
_NAME = re.compile(r"[A-Za-z0-9:._-]{1,64}", re.ASCII)


def is_name(text: str) -> bool:
    """True if `text` may name a device, quantity, machine or key: 1 to 64 of A-Z a-z 0-9 - : . _"""
    return _NAME.fullmatch(text) is not None


def is_quantity_name(text: str) -> bool:
    """True if a column may have this name, of a quantity that this program knows or not."""
    return is_name(text) and text not in RESERVED_NAMES


class BatchRefused(Exception):
    """The body is not a batch, or contradicts itself. It is refused whole; all problems are named."""

    def __init__(self, status: int, problems: Sequence[Problem], more: int = 0) -> None:
        self.status = status  # 400 not JSON, 422 not a batch
        #: of the problem that a client meets
        self.code = "body_not_json" if status == 400 else "not_a_batch"
        self.problems = tuple(problems)
        self.more = more  # problems found beyond those listed
        super().__init__("; ".join(p.detail for p in self.problems))


@dataclass(frozen=True, slots=True)
class Problem:
    """One thing wrong with a body: where (JSON pointer as URI fragment, RFC 6901), what, rule, next step."""

    pointer: str
    detail: str
    #: code and values of the detail; empty where there is only the detail
    code: str = ""
    values: Values = field(default_factory=dict)
