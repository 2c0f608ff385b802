"""
The contract between gateway and server: what a batch is, what an answer is, how both are read and written.

Promises: one strict decoder for both sides. A body is a batch exactly as specified or it is refused
whole, with every problem named. Inside a batch, a time or unit that is not as specified leaves its
reading in the batch with a `Doubt`, so that one bad reading never blocks those behind it.
Leaves to others: content coding, the digest, checks that need the server's clock or store.

In the order of reading: limits, coded, instants, batch; decoder with strict_json, notes, decoded_rows and
quick; encoder; replies.
"""

from cleanside.gateway.wire.batch import (
    BOOT_CORRECTED,
    DECLARED,
    Batch,
    BootCorrection,
    Doubt,
    GatewayReport,
    NoReading,
    Opaque,
    Reading,
    ShedRange,
    boot_correction,
    is_declared,
    readings_in,
)
from cleanside.gateway.wire.coded import Coded, Sentences, Values, text_of
from cleanside.gateway.wire.decoder import decode
from cleanside.gateway.wire.encoder import encode
from cleanside.gateway.wire.instants import (
    Instant,
    NotAnInstant,
    datetime_of,
    instant_sentence,
    instant_text,
    parse_instant,
    us_of,
    us_of_many,
)
from cleanside.gateway.wire.limits import (
    ANSWER_MEDIA_TYPE,
    BATCH_MEDIA_TYPE,
    DATABASE_HEADER,
    MAX_BODY_BYTES,
    MAX_DECODED_BYTES,
    MAX_DEPTH,
    MAX_EVENTS_DECLARED,
    MAX_INTEGER,
    MAX_LISTED,
    MAX_NAME_LENGTH,
    MAX_QUANTITIES,
    MAX_READINGS,
    MAX_SHED_RANGES,
    MAX_SHIFT_S,
    MAX_STREAMS_ASKED,
    PROBLEM_MEDIA_TYPE,
    BatchRefused,
    Problem,
    is_name,
)
from cleanside.gateway.wire.notes import did_you_mean
from cleanside.gateway.wire.replies import (
    Answer,
    AskedStream,
    DeclaredEvent,
    Mark,
    QuarantineNote,
    StreamAtServer,
    decode_answer,
    decode_confirmed,
    decode_marks,
    decode_stream_state,
    encode_answer,
    encode_declared,
    encode_marks_question,
    encode_stream_state,
)
from cleanside.gateway.wire.strict_json import load_json

__all__ = [
    "ANSWER_MEDIA_TYPE",
    "BATCH_MEDIA_TYPE",
    "BOOT_CORRECTED",
    "DATABASE_HEADER",
    "DECLARED",
    "MAX_BODY_BYTES",
    "MAX_DECODED_BYTES",
    "MAX_DEPTH",
    "MAX_EVENTS_DECLARED",
    "MAX_INTEGER",
    "MAX_LISTED",
    "MAX_NAME_LENGTH",
    "MAX_QUANTITIES",
    "MAX_READINGS",
    "MAX_SHED_RANGES",
    "MAX_SHIFT_S",
    "MAX_STREAMS_ASKED",
    "PROBLEM_MEDIA_TYPE",
    "Answer",
    "AskedStream",
    "Batch",
    "BatchRefused",
    "BootCorrection",
    "Coded",
    "DeclaredEvent",
    "Doubt",
    "GatewayReport",
    "Instant",
    "Mark",
    "NoReading",
    "NotAnInstant",
    "Opaque",
    "Problem",
    "QuarantineNote",
    "Reading",
    "Sentences",
    "ShedRange",
    "StreamAtServer",
    "Values",
    "boot_correction",
    "datetime_of",
    "decode",
    "decode_answer",
    "decode_confirmed",
    "decode_marks",
    "decode_stream_state",
    "did_you_mean",
    "encode",
    "encode_answer",
    "encode_declared",
    "encode_marks_question",
    "encode_stream_state",
    "instant_sentence",
    "instant_text",
    "is_declared",
    "is_name",
    "load_json",
    "parse_instant",
    "readings_in",
    "text_of",
    "us_of",
    "us_of_many",
]
