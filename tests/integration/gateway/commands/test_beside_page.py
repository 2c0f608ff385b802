"""The page beside the machine, served by a gateway that collects and sends."""

from __future__ import annotations

import json
import os
import threading
import urllib.error
import urllib.parse
import urllib.request
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any

import pytest

from cleanside.gateway.beside.label_code import code_of
from cleanside.gateway.commands.label import address_on_label, label_text, write_qr
from cleanside.gateway.commands.run import Gateway
from cleanside.gateway.errors import CalledWrongly
from cleanside.gateway.settings import Settings
from cleanside.gateway.timing.clock import SystemClock
from cleanside.gateway.uplink.fakes import FakeServer
from tests.support.coded import refused
from tests.support.gatewaying import wait_until

DEVICE = "grader-07-intake"


def settings_of(folder: Path, **more: Any) -> Settings:
    (folder / "run.csv").write_text("dp\n" + "".join(f"{0.01 * n:.2f}\n" for n in range(40)))
    source = {
        "use": "csv",
        "path": str(folder / "run.csv"),
        "columns": {"dp": "restriction kPa"},
        "step_s": 0.1,
        "start": "2026-11-02T06:00:00Z",
    }
    given = {"beside_listen": ("127.0.0.1", 0), "uplink_linger_s": 0.01, **more}
    return Settings(device=DEVICE, spool_path=folder / "a.spool", sources=[source], **given)


@contextmanager
def running(settings: Settings) -> Iterator[Gateway]:
    clock = SystemClock()
    gateway = Gateway(
        settings, clock=clock, transport=FakeServer(now_us=clock.utc_us), log=lambda *_, **__: None
    )
    thread = threading.Thread(target=gateway.run)
    thread.start()
    try:
        yield gateway
    finally:
        gateway.stop()
        thread.join(60)


class Phone:
    """A browser without scripts: it keeps the cookie."""

    def __init__(self, address: str) -> None:
        self._address = address
        self._opener = urllib.request.build_opener(urllib.request.HTTPCookieProcessor())

    def get(self, path: str = "/", form: dict[str, str] | None = None) -> str:
        sent = None if form is None else urllib.parse.urlencode(form).encode()
        with self._opener.open(f"http://{self._address}{path}", sent, timeout=60) as answer:
            return str(answer.read().decode())


def address(gateway: Gateway) -> str:
    wait_until(lambda: gateway.told()["beside"] is not None, "the page is served")
    return str(gateway.told()["beside"])


def test_the_labels_code_opens_the_values_of_the_machine(tmp_path: Path) -> None:
    settings = settings_of(tmp_path)
    with running(settings) as gateway:
        phone = Phone(address(gateway))
        assert "kPa" not in phone.get()
        code = code_of(settings.code_file, random=os.urandom)
        assert f'value="{code}"' in phone.get(f"/?code={code}")
        assert "kPa" in phone.get("/code", {"code": code})

        def live() -> Any:
            return json.loads(phone.get("/live.json"))

        def link() -> Any:
            return next(check for check in live()["checks"] if check["check"] == "link")

        wait_until(lambda: link()["seen"]["values"] == {"readings": 40}, "read and sent")
        assert link()["verdict"] == "passed"
        assert live()["values"]["restriction"]["unit"] == "kPa"


def test_without_the_setting_nothing_listens(tmp_path: Path) -> None:
    with running(settings_of(tmp_path, beside_listen=None)) as gateway:
        wait_until(lambda: gateway.spool.state().held > 0, "it runs")
        assert gateway.told()["beside"] is None
    assert not (tmp_path / "a.spool.code").exists()


def test_the_label_says_address_and_code_and_its_qr_code_opens_both(tmp_path: Path) -> None:
    """The standard is ISO/IEC 18004; what it holds is what was given, as segno says."""
    settings = settings_of(tmp_path, beside_listen=("192.168.4.1", 8480))
    text = label_text(settings, random=os.urandom)
    code = code_of(settings.code_file, random=os.urandom)
    assert f"address  http://192.168.4.1:8480\ncode     {code}" in text
    assert "\u2588" in text
    for name in ("label.svg", "label.png"):
        write_qr(settings, tmp_path / name, random=os.urandom)
        assert (tmp_path / name).stat().st_mode & 0o777 == 0o600
    assert (tmp_path / "label.png").read_bytes().startswith(b"\x89PNG")


@pytest.mark.parametrize(
    ("more", "code"),
    [
        ({"beside_listen": None}, "beside_off"),
        ({"beside_listen": ("0.0.0.0", 8480)}, "beside_address_missing"),
    ],
)
def test_a_label_needs_an_address(tmp_path: Path, more: dict[str, Any], code: str) -> None:
    with refused(CalledWrongly, code):
        address_on_label(settings_of(tmp_path, **more))


def test_a_label_is_not_written_over_another_file(tmp_path: Path) -> None:
    settings = settings_of(tmp_path, beside_listen=("192.168.4.1", 8480))
    (tmp_path / "label.svg").write_text("mine")
    with refused(CalledWrongly, "label_not_written"):
        write_qr(settings, tmp_path / "label.svg", random=os.urandom)
    with refused(CalledWrongly, "label_kind_unknown"):
        write_qr(settings, tmp_path / "label.pdf", random=os.urandom)
