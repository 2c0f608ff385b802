"""The acceptance sheet as PDF: made in a child process that fetches nothing and has bounds."""

from __future__ import annotations

import re
import socket
from collections.abc import Iterator

import pytest

from cleanside.ingest.api.routes.plate_photo import ONE_PIXEL
from cleanside.ingest.console import pdf, visit_page
from cleanside.ingest.console.visit_page import css_text
from cleanside.ingest.errors import TryAgain
from tests.support.serving import Api, in_process

HOSTILE = '<script>alert(1)</script>"; } @import "http://127.0.0.1:9/x"; 🚜'
SHEET = "/visit/grader-07/sheet.pdf"


@pytest.fixture
def api(sqlite_database_url: str) -> Iterator[Api]:
    with in_process(sqlite_database_url) as running:
        running.register()
        body = {"machine": "grader-07", "display_name": HOSTILE[:120]}
        assert running.post("/v1/machines", body).status_code == 200
        photo = {"jpeg": ONE_PIXEL}
        assert running.post("/v1/machines/grader-07/plate-photo", photo).status_code == 200
        yield running


def test_the_sheet_is_a_pdf_with_a_hostile_name_and_a_photo(api: Api) -> None:
    answer = api.get(f"{SHEET}?job=installation", headers={"Accept-Language": "de"})
    assert (answer.status_code, answer.headers["content-type"]) == (200, "application/pdf")
    assert answer.content.startswith(b"%PDF-")
    assert answer.headers["x-content-type-options"] == "nosniff"
    assert SHEET in api.get("/visit/grader-07").text


def test_the_sheet_has_what_was_entered_like_the_printed_page(
    api: Api, monkeypatch: pytest.MonkeyPatch
) -> None:
    page = "/visit/grader-07"
    for fields in (
        {"kind": "element_change", "what": "new", "note": "seal was dusty"},
        {"kind": "gauge_reading", "value": "5,4", "unit": "kPa"},
        {"kind": "meter_reading", "meter_hours": "4321,7"},
        {"kind": "hand_comparison", "subject": "key_off"},
    ):
        assert api.request("POST", page, key="planner", data=fields).status_code == 303, fields
    made: list[str] = []

    def kept(document: str) -> bytes:
        made.append(document)
        return b"%PDF-"

    monkeypatch.setattr(visit_page, "pdf_of", kept)
    assert api.get(f"{SHEET}?job=service", key="planner").status_code == 200
    shown = api.get(f"{page}?job=service", key="planner").text
    seen = re.compile(r'data-seen="([^"]+)"')
    assert len(seen.findall(made[0])) == 5  # with the photo
    assert seen.findall(made[0]) == seen.findall(shown)
    for word in ("seal was dusty", "5.4", "4,321.7"):
        assert word in made[0]


def test_nothing_is_fetched_and_no_file_is_read() -> None:
    with socket.create_server(("127.0.0.1", 0)) as listener:
        listener.setblocking(False)
        address = f"http://127.0.0.1:{listener.getsockname()[1]}/x.png"
        document = (
            f'<img src="{address}"><img src="file:///etc/hostname"><link rel=stylesheet href="{address}">'
        )
        assert pdf.pdf_of(document).startswith(b"%PDF-")
        with pytest.raises(BlockingIOError):
            listener.accept()


def test_what_takes_too_long_is_ended(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(pdf, "PDF_SECONDS", 0.01)
    with pytest.raises(TryAgain):
        pdf.pdf_of("<p>a sheet</p>")


def test_only_so_many_are_made_at_once(api: Api) -> None:
    for _ in range(pdf.PDFS_AT_ONCE):
        assert pdf._running.acquire(blocking=False)
    try:
        busy = api.get(SHEET)
    finally:
        for _ in range(pdf.PDFS_AT_ONCE):
            pdf._running.release()
    assert (busy.status_code, int(busy.headers["retry-after"]) > 0) == (503, True)


def test_without_the_extra_the_page_prints(api: Api, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(visit_page, "can_make", lambda: False)
    assert api.get(SHEET).status_code == 404
    page = api.get("/visit/grader-07").text
    assert (SHEET in page, "data-print" in page) == (False, True)


def test_a_text_does_not_end_a_string_of_the_style_sheet() -> None:
    written = css_text('a"; } b\\\n')
    assert not set(written) & set('";}\n')
