"""What a line of the log says of an error: why, and nothing that is for clients."""

from __future__ import annotations

from cleanside.ingest.errors import ArchiveUnreadable, TryAgain, log_reason


def test_what_the_driver_said_goes_into_the_log() -> None:
    """The sentence of the error says when to send again, which no reader of a log does."""
    error = TryAgain("store_unavailable", code="store_unavailable")
    error.__cause__ = OSError(111, "Connection refused\nIs the server running?")
    assert log_reason(error) == "Connection refused"


def test_an_error_without_a_driver_says_its_own_sentence() -> None:
    for error in (
        TryAgain("lease_lost", lease="merging"),
        ArchiveUnreadable("archive_file_broken", file="f", why="short"),
    ):
        assert log_reason(error) == str(error)
    assert log_reason(OSError(28, "No space left on device")) == "[Errno 28] No space left on device"
