"""A backlog carried as a file: nothing altered unseen, the good beginning kept, resumed after a cut."""

from __future__ import annotations

import hashlib
import hmac
import io
from pathlib import Path

import pytest
import zstandard

from cleanside.gateway.bundle import (
    BlockReader,
    BundleBroken,
    BundleWriter,
    header_line,
    mac_secret,
    read_header,
)
from cleanside.gateway.cli import EXIT_CALLED_WRONGLY, EXIT_OK, main
from cleanside.gateway.commands.export import export
from cleanside.gateway.errors import CalledWrongly
from cleanside.gateway.wire import Batch, decode
from tests.support.coded import refused
from tests.unit.gateway.helpers import DEVICE, open_spool, readings

KEY = "k0123abcd." + "5e" * 32
SECRET = mac_secret(KEY)


def made(path: Path, *bodies: bytes, finished: bool = True) -> bytes:
    writer = BundleWriter(path, device=DEVICE, secret=SECRET)
    for body in bodies:
        writer.write(body)
    if finished:
        writer.finish()
    writer.close()
    return path.read_bytes()


def read(content: bytes, secret: bytes = SECRET) -> tuple[list[bytes], BundleBroken | None]:
    file = io.BytesIO(content)
    bodies: list[bytes] = []
    try:
        bodies.extend(iter_into(bodies, file, secret))
    except BundleBroken as error:
        return bodies, error
    return bodies, None


def iter_into(bodies: list[bytes], file: io.BytesIO, secret: bytes) -> list[bytes]:
    reader = BlockReader(file, read_header(file))
    reader.is_made_with(secret)
    for body in reader:
        bodies.append(body)
    return []


def batches(path: Path) -> list[Batch]:
    bodies, broken = read(path.read_bytes())
    assert broken is None
    return [decode(body) for body in bodies]


def test_what_was_written_is_read_back_in_order(tmp_path: Path) -> None:
    assert read(made(tmp_path / "b", b"one", b"two" * 1000, b"three")) == (
        [b"one", b"two" * 1000, b"three"],
        None,
    )


def test_the_mac_is_the_hmac_of_the_rfc_over_header_and_blocks(tmp_path: Path) -> None:
    # RFC 2104 with SHA-256, worked out here from its definition in another way than the program does.
    content = made(tmp_path / "b", b"one")
    line = header_line(DEVICE)
    secret = hashlib.sha256(KEY.partition(".")[2].encode()).digest()  # what the server keeps of a key
    key = hmac.new(secret, b"cleanside bundle 1", hashlib.sha256).digest()
    before = hmac.new(key, line, hashlib.sha256).digest()
    packed = zstandard.ZstdCompressor(level=9).compress(b"one")
    first = hmac.new(key, before + packed, hashlib.sha256).digest()
    last = hmac.new(key, first, hashlib.sha256).digest()
    assert content == line + len(packed).to_bytes(4, "big") + packed + first + bytes(4) + last


def test_a_bundle_cut_short_anywhere_gives_its_good_beginning_and_names_the_rest(tmp_path: Path) -> None:
    bodies = [b"one", b"two", b"three"]
    content = made(tmp_path / "b", *bodies)
    for size in range(len(header_line(DEVICE)), len(content)):
        got, broken = read(content[:size])
        assert got == bodies[: len(got)]
        assert broken is not None
        assert broken.block == len(got) + 1


def test_a_bundle_altered_in_any_byte_gives_only_what_lies_before(tmp_path: Path) -> None:
    bodies = [b"one", b"two", b"three"]
    content = bytearray(made(tmp_path / "b", *bodies))
    for place in range(len(content)):
        content[place] ^= 0x20
        try:
            got, broken = read(bytes(content))
        except BundleBroken:
            got, broken = [], BundleBroken("cut_short", block=1)
        assert broken is not None, place
        assert got == bodies[: len(got)]
        assert got != bodies or place >= len(content) - 36
        content[place] ^= 0x20


def test_blocks_that_change_places_are_found(tmp_path: Path) -> None:
    head = len(header_line(DEVICE))
    content = made(tmp_path / "b", b"one", b"two")
    size = 4 + int.from_bytes(content[head : head + 4], "big") + 32
    swapped = content[:head] + content[head + size : head + 2 * size] + content[head : head + size]
    assert read(swapped + content[head + 2 * size :])[0] == []


def test_a_bundle_of_another_key_is_refused(tmp_path: Path) -> None:
    got, broken = read(made(tmp_path / "b", b"one"), mac_secret("k00000000.another"))
    assert got == []
    assert broken is not None
    assert broken.code == "altered"


def test_a_block_that_unpacks_to_more_than_is_allowed_is_refused(tmp_path: Path) -> None:
    got, broken = read(made(tmp_path / "b", b"one", bytes(9 * 2**20)))
    assert got == [b"one"]
    assert broken is not None


#: of a device without a name; a database may not even take it as a text
NOT_A_NAME = header_line("grader\0-07")


@pytest.mark.parametrize(
    "line", [b"", b"\x00" * 5000, b"{}\n", b'{"cleanside_bundle": 2}\n', b"[1]\n", b"[" * 4000]
)
def test_what_is_no_bundle_is_refused_at_its_first_line(line: bytes) -> None:
    with pytest.raises(BundleBroken):
        read_header(io.BytesIO(line))


def test_an_export_carries_the_whole_backlog_and_takes_nothing_out(tmp_path: Path) -> None:
    with open_spool(tmp_path / "a") as spool:
        spool.append(readings(1, 12_000))
        stream = spool.open_stream
        spool.acknowledge(stream, 100)
        spool.shed(stream, 500, 519, reason="disk_budget")
        done = export(tmp_path / "a", tmp_path / "b", key=KEY)
        assert (done.readings, done.kept) == (11_880, 0)
        assert spool.state().backlog == 11_880
        # What was carried counts as sent: a mark that the server reaches through the bundle is believed.
        assert (spool.stream(stream).acknowledged_through, spool.stream(stream).sent_through) == (100, 12_000)
    carried = batches(tmp_path / "b")
    assert [n for b in carried for n in b.seq or ()] == [n for n in range(101, 12_001) if not 500 <= n < 520]
    assert [(s.first, s.last) for b in carried for s in b.shed] == [(500, 519)]
    assert {b.stream for b in carried} == {stream}


@pytest.mark.parametrize("cut", [0.1, 0.5, 0.999])
def test_an_export_that_was_cut_short_is_gone_on_with(tmp_path: Path, cut: float) -> None:
    with open_spool(tmp_path / "a") as spool:
        spool.append(readings(1, 20_000))
        export(tmp_path / "a", tmp_path / "b", key=KEY)
        whole = batches(tmp_path / "b")
        content = (tmp_path / "b").read_bytes()
        (tmp_path / "b").write_bytes(content[: int(cut * len(content))])
        spool.append(readings(20_001, 20_010))
        export(tmp_path / "a", tmp_path / "b", key=KEY)
        numbers = [n for b in batches(tmp_path / "b") for n in b.seq or ()]
        assert numbers == list(range(1, 20_011))
        assert len(whole) == 4


def test_a_file_that_is_something_else_is_left_alone(tmp_path: Path) -> None:
    open_spool(tmp_path / "a").close()
    (tmp_path / "b").write_text("a letter")
    with refused(CalledWrongly, "out_not_a_bundle", broken="not_a_bundle"):
        export(tmp_path / "a", tmp_path / "b", key=KEY)
    assert (tmp_path / "b").read_text() == "a letter"
    other = BundleWriter(tmp_path / "c", device="loader-02-intake", secret=SECRET)
    other.close()
    with refused(CalledWrongly, "out_not_a_bundle", broken="of_another_device"):
        export(tmp_path / "a", tmp_path / "c", key=KEY)
    content = made(tmp_path / "d", b"one")
    with refused(CalledWrongly, "out_not_a_bundle", broken="altered"):
        export(tmp_path / "a", tmp_path / "d", key="k00000000.another")
    assert (tmp_path / "d").read_bytes() == content


def test_the_command_says_what_it_wrote(
    tmp_path: Path, capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setenv("CLEANSIDE_GATEWAY_KEY", KEY)
    flags = ["--device", DEVICE, "--spool-path", str(tmp_path / "a"), "--out", str(tmp_path / "b")]
    assert main(["export", *flags]) == EXIT_CALLED_WRONGLY
    with open_spool(tmp_path / "a") as spool:
        spool.append(readings(1, 7))
        assert main(["export", *flags]) == EXIT_OK
        assert "7 readings in 1 block written" in capsys.readouterr().out
    assert [list(b.seq or ()) for b in batches(tmp_path / "b")] == [[1, 2, 3, 4, 5, 6, 7]]


def test_a_file_of_a_former_key_is_named_by_it_and_left_alone(tmp_path: Path) -> None:
    path = tmp_path / "b"
    former = BundleWriter(path, device=DEVICE, secret=SECRET, key="k11111111")
    former.write(b"one")
    former.close()
    before = path.read_bytes()
    with refused(BundleBroken, "of_another_key", made_with="k11111111", key="k22222222"):
        BundleWriter(path, device=DEVICE, secret=mac_secret("k22222222.another"), key="k22222222")
    assert path.read_bytes() == before
    assert read_header(io.BytesIO(before)).key == "k11111111"
