"""Zstandard without its package: frames of raw blocks, read by the package, which has nothing of ours."""

from __future__ import annotations

import random
import subprocess
import sys

import pytest
import zstandard

from cleanside.gateway.wire import zstd

BLOCK = 128 * 1024  # the most in a block: RFC 8878, 3.1.1.2.4
SIZES = [0, 1, BLOCK - 1, BLOCK, BLOCK + 1, 3 * BLOCK]


@pytest.fixture
def without(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(zstd, "IS_INSTALLED", False)


def content_of(size: int) -> bytes:
    return random.Random(size).randbytes(size)


@pytest.mark.usefixtures("without")
@pytest.mark.parametrize("size", SIZES)
def test_what_is_made_without_the_package_the_package_reads(size: int) -> None:
    content = content_of(size)
    frame = zstd.packed(content, level=9)
    assert zstandard.ZstdDecompressor().decompress(frame, allow_extra_data=False) == content
    assert zstandard.get_frame_parameters(frame).content_size == size
    assert len(frame) <= size + 9 + 3 * (size // BLOCK + 1)
    assert zstd.unpacked(frame, at_most=size) == content
    assert zstd.unpacked(frame, at_most=size // 2) == content[: size // 2]


@pytest.mark.parametrize("size", SIZES)
def test_what_is_made_without_the_package_is_read_with_it(size: int, monkeypatch: pytest.MonkeyPatch) -> None:
    content = content_of(size)
    with monkeypatch.context() as hidden:
        hidden.setattr(zstd, "IS_INSTALLED", False)
        frame = zstd.packed(content, level=9)
    assert zstd.unpacked(frame, at_most=size + 1) == content


@pytest.mark.usefixtures("without")
@pytest.mark.parametrize(
    "frame",
    [
        zstandard.compress(b"restriction " * 100),
        zstandard.ZstdCompressor(write_content_size=False).compress(b"x" * 9),
        b"",
        b"\x28\xb5\x2f\xfd\xa0\x05\x00\x00\x00",  # ends before its first block
        b"\x28\xb5\x2f\xfd\xa0\x05\x00\x00\x00\x29\x00\x001234",  # in it
    ],
)
def test_what_cannot_be_read_without_the_package_is_an_error(frame: bytes) -> None:
    with pytest.raises(ValueError, match="zstandard"):
        zstd.unpacked(frame, at_most=1_000)


def test_a_gateway_without_the_package_sends_gzip() -> None:
    look = (
        "import sys; sys.modules['zstandard'] = None\n"
        "from cleanside.gateway.client import client\n"
        "from cleanside.gateway.uplink import decision\n"
        "print(decision.CODINGS, list(client._CODERS))"
    )
    done = subprocess.run([sys.executable, "-c", look], capture_output=True, text=True, check=True)
    assert done.stdout.strip() == "('gzip', 'identity') ['gzip']"
