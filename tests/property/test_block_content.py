"""Readings packed and unpacked are the same to the last bit; damaged bytes are an error and no value."""

from __future__ import annotations

import struct
import zlib

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from hypothesis.extra import numpy as arrays

from cleanside.ingest.errors import BlockDamaged
from cleanside.ingest.store import block_columns, block_content
from cleanside.ingest.store.block_content import AlikeRuns, BlockContent, pack, pack_alike, pack_all, unpack

INT64 = st.integers(-(2**63), 2**63 - 1)
#: one of each length class: the small form, its end, samples, whole bytes of bits, a batch, full blocks
LENGTHS = st.sampled_from([1, 2, 3, 4, 5, 7, 8, 9, 15, 16, 17, 33, 500, 4_096, 8_192]) | st.integers(1, 600)
ODD_FLOATS = st.floats(allow_nan=True) | st.sampled_from([0.0, -0.0, 2.0**53, 2.0**53 - 1, 5e-324, np.inf])
#: what a sensor sends: whole numbers of a step, as the nearest float
DECIMALS = [0.05, 0.125, 1.0, 0.001, 1e-7, 25.0, 1e-9, 1e6]


@st.composite
def columns(draw: st.DrawFn, many: int) -> np.ndarray:
    """A column of values of one kind."""
    kind = draw(st.sampled_from(["odd", "decimal", "constant", "absent", "counter", "bits"]))
    if kind == "odd":
        return draw(arrays.arrays(np.float64, many, elements=ODD_FLOATS))
    if kind == "bits":
        return draw(arrays.arrays(np.int64, many, elements=INT64)).view(np.float64)
    if kind == "constant":
        return np.full(many, draw(ODD_FLOATS))
    if kind == "absent":
        return np.full(many, np.nan)
    rng = np.random.default_rng(draw(st.integers(0, 2**32)))
    if kind == "counter":
        column = 2.0**53 - many + np.arange(many) + draw(st.integers(-5, 1))
    else:
        step = draw(st.sampled_from(DECIMALS))
        column = np.round(rng.integers(-3_000, 3_000, many) * step, 12)
    column[rng.random(many) < draw(st.sampled_from([0.0, 0.0, 0.1, 0.9]))] = np.nan
    return column


@st.composite
def instants(draw: st.DrawFn, many: int) -> np.ndarray:
    """Instants in steps with jitter, single microseconds, steps back, or anything."""
    if draw(st.booleans()):
        return draw(arrays.arrays(np.int64, many, elements=INT64))
    rng = np.random.default_rng(draw(st.integers(0, 2**32)))
    steps = rng.integers(-3, 4, many) * draw(st.sampled_from([1, 1_000])) + 10_000_000
    if draw(st.booleans()):
        steps[many // 2] = -1_000_000_000
    return np.cumsum(steps) + 1_774_000_000_000_000


@st.composite
def contents(draw: st.DrawFn) -> BlockContent:
    many, width = draw(LENGTHS), draw(st.integers(0, 6))
    rng = np.random.default_rng(draw(st.integers(0, 2**32)))
    holes = rng.integers(1, draw(st.sampled_from([2, 3, 1_000])), many)
    stored = draw(st.sampled_from([None, 0.0, 0.1, 1.0]))
    return BlockContent(
        seq=draw(st.integers(0, 2**50)) + np.cumsum(holes),
        at_us=draw(instants(many)),
        received_us=draw(st.just(np.full(many, 7)) | instants(many)),
        at_uncertainty_s=draw(columns(many)),
        values=np.array([draw(columns(many)) for _ in range(width)]).reshape(width, many),
        in_si=draw(st.booleans()),
        hashes=rng.integers(-(2**63), 2**63 - 1, many),
        hash_stored=None if stored is None else rng.random(many) < stored,
    )


def assert_same(given: BlockContent, found: BlockContent) -> None:
    for name in ("seq", "at_us", "received_us"):
        assert (getattr(found, name) == getattr(given, name)).all(), name
    for name in ("at_uncertainty_s", "values"):
        before, after = getattr(given, name), getattr(found, name)
        absent = np.isnan(before)
        assert (np.isnan(after) == absent).all(), name
        assert before[~absent].tobytes() == after[~absent].tobytes(), name  # minus zero too
    assert found.in_si == given.in_si
    if given.hash_stored is None:
        assert found.hash_stored is None
    else:
        assert found.hash_stored is not None
        assert (found.hash_stored == given.hash_stored).all()
        assert (found.hashes[given.hash_stored] == given.hashes[given.hash_stored]).all()


@given(contents(), st.sampled_from([block_content.FAST_LEVEL, block_content.SMALL_LEVEL]))
def test_what_is_unpacked_is_what_was_packed_to_the_last_bit(content: BlockContent, level: int) -> None:
    assert_same(content, unpack(pack(content, level=level)))


def plain(many: int, *, hashes: bool = False) -> BlockContent:
    """Readings every 10 s: a pressure of two decimals, a speed that is absent at times."""
    place = np.arange(many)
    speed = np.where(place % 7 == 3, np.nan, 1_795.0 + place % 5)
    return BlockContent(
        seq=181 + place,
        at_us=1_772_432_047_250_000 + 10_000_000 * place,
        received_us=np.full(many, 1_772_440_000_000_000),
        at_uncertainty_s=np.full(many, np.nan),
        values=np.array([np.round(3.05 + place % 11 / 100, 2), speed]),
        in_si=False,
        hashes=place * 3 - 1,
        hash_stored=place % 2 == 0 if hashes else None,
    )


@pytest.mark.parametrize("many", [1, 4, 5, 600])
@pytest.mark.parametrize("hashes", [False, True])
def test_a_flipped_bit_is_an_error_and_no_value(many: int, hashes: bool) -> None:
    """Every bit of small blocks, some of a large one: CRC-32 finds each (ISO 3309: any single bit)."""
    packed = pack(plain(many, hashes=hashes))
    for bit in range(0, 8 * len(packed), 1 if len(packed) < 200 else 13):
        damaged = bytearray(packed)
        damaged[bit // 8] ^= 1 << bit % 8
        with pytest.raises(BlockDamaged) as raised:
            unpack(bytes(damaged), block="7/181")
        assert (raised.value.code, raised.value.values["block"]) == ("block_checksum_wrong", "7/181")


@pytest.mark.parametrize("many", [1, 5, 600])
def test_a_block_that_is_cut_short_or_grows_is_an_error(many: int) -> None:
    packed = pack(plain(many))
    for damaged in (*(packed[:size] for size in range(len(packed))), packed + b"\0"):
        with pytest.raises(BlockDamaged):
            unpack(damaged)


def signed(body: bytes) -> bytes:
    """Bytes with the checksum that they should have: nothing but their meaning is wrong."""
    return body + struct.pack("<I", zlib.crc32(body))


@given(st.data())
def test_bytes_with_a_right_checksum_are_readings_or_an_error(data: st.DataObject) -> None:
    """Not only chance damages a block: who can write the database may also write a checksum."""
    packed = bytearray(pack(plain(data.draw(st.sampled_from([2, 5, 40])), hashes=True))[:-4])
    for _ in range(data.draw(st.integers(1, 4))):
        packed[data.draw(st.integers(0, len(packed) - 1))] = data.draw(st.integers(0, 255))
    codes = set()
    try:
        unpack(signed(bytes(packed)))
    except BlockDamaged as error:
        codes.add(error.code)
    assert codes <= {"block_unreadable", "block_version_unknown"}


def test_a_block_of_a_newer_release_names_its_version() -> None:
    packed = bytearray(pack(plain(1))[:-4])
    packed[0] = 2
    with pytest.raises(BlockDamaged) as raised:
        unpack(signed(bytes(packed)))
    assert (raised.value.code, raised.value.values["version"]) == ("block_version_unknown", 2)


def test_a_hostile_frame_is_refused_before_it_is_decompressed() -> None:
    """
    A frame of a few bytes may state terabytes, or state nothing and become them.

    Frames by hand (RFC 8878, 3.1.1): magic number, descriptor, window or content size, no block.
    """
    head = struct.pack("<BBHBB", 1, 2, 8_192, 2, 0)
    states_a_terabyte = struct.pack("<IBQ", 0xFD2FB528, 0b1110_0000, 2**40)
    states_nothing = struct.pack("<IBB", 0xFD2FB528, 0, 0b1010_0000) + b"\x03\x00\x00z"
    for frame in (states_a_terabyte, states_nothing, b"", b"no frame"):
        with pytest.raises(BlockDamaged) as raised:
            unpack(signed(head + frame))
        assert raised.value.code == "block_unreadable"


@pytest.mark.parametrize("many", [0, block_content.MOST_READINGS + 1])
def test_a_block_has_no_more_readings_than_it_may(many: int) -> None:
    with pytest.raises(ValueError, match="cut them"):
        pack(plain(many))


#: version 1, written when it was new: it is read for ever. The frame is of zstandard 0.25
GOLDEN = {
    (2, False): (
        "010002000200b500000000000000b600000000000000509a907e044c0600d030297f044c060000f09558064c060000f0"
        "9558064c0600000000000000f87f000000000000f87f66666666666608407b14ae47e17a084000000000000c9c400000"
        "000000109c403eb4d418"
    ),
    (3, True): (
        "010003000202b500000000000000b600000000000000b700000000000000509a907e044c0600d030297f044c060050c7"
        "c17f044c060000f09558064c060000f09558064c060000f09558064c0600000000000000f87f000000000000f87f0000"
        "00000000f87f66666666666608407b14ae47e17a08408fc2f5285c8f084000000000000c9c400000000000109c400000"
        "000000149c40a0ffffffffffffffff020000000000000005000000000000008ad25639"
    ),
    (6, True): (
        "01020600020228b52ffd209cfd020092840f1dc025ad01bbb6f9ff6b67b0350330b88df0affd7a55ad782db9f6963205"
        "ff7a0bc380c8aa7112b5f9238278ec974e11285e8401f3125a0285645beb610b0d0060605cc69b0480814c0d4839dcd2"
        "b84d8d3e09b8791518180c3c002d3796bbb5"
    ),
    (40, True): (
        "01022800020228b52ffd20e1e5030022861420a027e90ee7d2f97f772e76b3bf23dcff0755e33ca0aaeaba91dfc86e7b"
        "6f9902ff7fc7496666bee16aeb67d5ab1a93a48603d20b07b01854ceaaff39f0a8f547840344e4af224118d1a5c342f0"
        "75ef8caf110060605c22680784c1bccdb54d1620c84a405cee4f11dc72b9cd823e09b8791518180c3c002d022411ea"
    ),
}


@pytest.mark.parametrize(("many", "hashes"), GOLDEN)
def test_version_1_is_read_for_ever(many: int, hashes: bool) -> None:
    assert_same(plain(many, hashes=hashes), unpack(bytes.fromhex(GOLDEN[many, hashes])))


@given(st.integers(-(2**40), 2**40), st.sampled_from([0, 1]), st.integers(3, 300))
def test_equal_steps_are_packed_as_any_numbers(first: int, step: int, many: int) -> None:
    numbers = first + step * np.arange(many, dtype=np.int64)
    assert block_columns.packed_steps(first, step) == block_columns.packed_whole(numbers.reshape(1, -1))


@given(contents())
def test_columns_packed_together_are_those_packed_apart(content: BlockContent) -> None:
    numbers, values = np.array([content.at_us, content.seq]), content.values
    apart = block_columns.packed_whole(numbers) + b"".join(block_columns.packed_values(values))
    assert b"".join(block_columns.packed_together(numbers, values)) == apart


@st.composite
def alike_runs(draw: st.DrawFn) -> AlikeRuns:
    """Batches of one kind that came in together."""
    runs, width, many = (
        draw(st.integers(1, 3)),
        draw(st.integers(0, 4)),
        draw(st.sampled_from([5, 17, 33, 500])),
    )
    values = [[draw(columns(many)) for _ in range(width)] for _ in range(runs)]
    uncertain = np.array([draw(columns(many)) for _ in range(runs)])
    return AlikeRuns(
        first_seq=[draw(st.integers(0, 2**50)) for _ in range(runs)],
        at_us=np.array([draw(instants(many)) for _ in range(runs)]),
        received_us=[draw(INT64) for _ in range(runs)],
        at_uncertainty_s=draw(st.sampled_from([None, uncertain])),
        values=np.array(values).reshape(runs, width, many),
    )


@given(alike_runs())
def test_runs_that_come_in_together_are_packed_as_each_by_itself(runs: AlikeRuns) -> None:
    of_each = zip(runs.first_seq, runs.at_us, runs.received_us, runs.values, strict=True)
    many = runs.at_us.shape[1]
    contents = [
        BlockContent(
            seq=np.arange(first, first + many),
            at_us=at_us,
            received_us=np.full(many, received_us),
            at_uncertainty_s=np.full(many, np.nan)
            if runs.at_uncertainty_s is None
            else runs.at_uncertainty_s[place],
            values=values,
            in_si=False,
            hashes=np.zeros(many, dtype=np.int64),
            hash_stored=None,
        )
        for place, (first, at_us, received_us, values) in enumerate(of_each)
    ]
    assert runs.is_packable
    assert pack_alike(runs) == pack_all(contents)
