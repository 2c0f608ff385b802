"""Log lines: one event each, bounded, without secrets."""

from __future__ import annotations

import io
import json
import logging
from typing import Any

import httpx
import pytest

from cleanside.ingest import log
from cleanside.ingest.errors import CalledWrongly
from cleanside.ingest.owners import access
from tests.support.coded import refused

OURS = logging.getLogger("cleanside.ingest")
REASON = {"jobs": 3, "reason": 'a "b"\nc'}


def lines(form: str, write: Any) -> list[str]:
    stream = io.StringIO()
    log.set_up("info", form, stream=stream)
    write()
    for handler in logging.getLogger().handlers:
        handler.close()
    return stream.getvalue().splitlines()


def test_a_line_is_one_json_object_with_a_stable_event() -> None:
    (line,) = lines("json", lambda: OURS.warning("ingest.commit_split", extra=REASON))
    document = json.loads(line)
    assert document.pop("at").endswith("Z")
    assert document == {"level": "warning", "event": "ingest.commit_split"} | REASON


def test_a_line_as_text_has_the_same_fields() -> None:
    (line,) = lines("text", lambda: OURS.warning("ingest.commit_split", extra={"jobs": 3, "reason": "a b"}))
    assert line.endswith('WARNING ingest.commit_split jobs=3 reason="a b"')


def test_a_trace_is_in_the_same_object() -> None:
    def fail() -> None:
        try:
            raise ZeroDivisionError("here")
        except ZeroDivisionError:
            OURS.exception("ingest.broken")

    (line,) = lines("json", fail)
    assert json.loads(line)["trace"].endswith("ZeroDivisionError: here")


def test_lines_of_libraries_are_objects_too() -> None:
    (line,) = lines("json", lambda: logging.getLogger("uvicorn.error").error("Invalid %s", "thing"))
    assert {"event": "library.uvicorn.error", "message": "Invalid thing"}.items() <= json.loads(line).items()


@pytest.mark.parametrize("form", ["json", "text"])
def test_the_secret_of_a_key_never_reaches_a_line(form: str) -> None:
    key = access.new_key()

    def leak() -> None:
        OURS.error("ingest.broken", extra={"header": f"Bearer {key.token}"})
        logging.getLogger("somewhere").error("got %s", key.token)

    written = "\n".join(lines(form, leak))
    assert key.token.partition(".")[2] not in written
    assert written.count(f"{key.handle}.[secret]") == 2


def test_what_repeats_is_counted_rather_than_repeated() -> None:
    def storm() -> None:
        for _ in range(1_000):
            OURS.warning("ingest.store_unavailable", extra={"reason": "away"})

    found = [json.loads(line) for line in lines("json", storm)]
    assert len(found) == 2
    assert found[-1]["event"] == "ingest.log_repeated"
    assert (found[-1]["repeated"], found[-1]["times"]) == ("ingest.store_unavailable", 999)


def test_lines_of_one_event_that_differ_are_bounded_too() -> None:
    def storm() -> None:
        for number in range(1_000):
            OURS.warning("ingest.store_unavailable", extra={"reason": f"away {number}"})

    found = [json.loads(line) for line in lines("json", storm)]
    assert [line.get("reason") for line in found[:-1]] == [f"away {number}" for number in range(log.BURST)]
    assert found[-1]["times"] == 1_000 - log.BURST


def test_a_new_minute_begins_a_new_count_and_no_other_event_is_held_back() -> None:
    now_s, taken = [0.0], list[str]()

    class Taken(logging.Handler):
        def emit(self, record: logging.LogRecord) -> None:
            taken.append(record.getMessage())

    bounded = log.Bounded(Taken(), monotonic_s=lambda: now_s[0])
    record = logging.makeLogRecord(
        {"name": "cleanside.ingest", "msg": "a", "levelno": 30, "levelname": "WARNING"}
    )
    other = logging.makeLogRecord(
        {"name": "cleanside.ingest", "msg": "b", "levelno": 20, "levelname": "INFO"}
    )
    for _ in range(log.BURST + 5):
        bounded.handle(record)
    bounded.handle(other)
    assert taken == ["a", "b"]
    now_s[0] = log.WINDOW_S
    bounded.handle(record)
    assert taken[-2:] == ["ingest.log_repeated", "a"]


@pytest.mark.parametrize(("level", "form"), [("loud", "text"), ("info", "xml")])
def test_a_setting_that_is_not_known_says_which_are(level: str, form: str) -> None:
    with refused(CalledWrongly, "log_setting_unknown"):
        log.set_up(level, form)


def test_requests_are_never_counted_away_because_somebody_asked_for_them() -> None:
    def many() -> None:
        for _ in range(100):
            OURS.info(log.REQUEST, extra={"status": 200})

    assert len(lines("json", many)) == 100


@pytest.mark.parametrize("level", log.LEVELS)
def test_a_library_that_speaks_http_makes_no_line_at_any_level(level: str) -> None:
    """Its lines hold addresses, and an address may hold a token: none is made, so none has to be searched."""
    stream = io.StringIO()
    log.set_up(level, "json", stream=stream)
    with httpx.Client(transport=httpx.MockTransport(lambda _: httpx.Response(204))) as http:
        http.post("https://shop.example/hook/pathtoken?key=querytoken")
    for name in ("httpx", "httpcore.http11", "urllib3.connectionpool"):
        assert not logging.getLogger(name).isEnabledFor(logging.CRITICAL)
    logging.getLogger("urllib3.connectionpool").warning("Retrying after %s", "/hook/pathtoken?key=querytoken")
    assert "token" not in stream.getvalue()


@pytest.mark.parametrize(("level", "lines_made"), [("info", ["warning"]), ("debug", ["debug", "warning"])])
def test_other_libraries_warn_and_say_more_only_where_debug_is_asked_for(
    level: str, lines_made: list[str]
) -> None:
    stream = io.StringIO()
    log.set_up(level, "json", stream=stream)
    library = logging.getLogger("some.library")
    library.debug("a detail")
    library.warning("a warning")
    assert [json.loads(line)["level"] for line in stream.getvalue().splitlines()] == lines_made


@pytest.mark.parametrize("form", log.FORMS)
def test_a_password_in_use_is_taken_out_of_fields_and_traces_and_never_out_of_the_event(form: str) -> None:
    stream = io.StringIO()
    log.set_up("info", form, stream=stream, secrets=("ingest.broken", "hush-hush"))
    try:
        raise RuntimeError("it said hush-hush, or postgresql://u:quiet@h/x")
    except RuntimeError:
        OURS.exception("ingest.broken", extra={"reason": "hush-hush"})
    said = stream.getvalue()
    assert "ingest.broken" in said
    assert "hush" not in said
    assert "quiet" not in said
