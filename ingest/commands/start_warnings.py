"""
What a server warns of at its start: files that its settings name, and a database that may be mistyped.

Promises: nothing here ends a start but a new database beside another: readings matter more than mails and
webhooks, and gateways keep theirs while a mistyped name is corrected.
Leaves to others: what the settings refuse by themselves (`ingest.commands.serve`).
"""

from __future__ import annotations

import logging
import sqlite3
from contextlib import closing, suppress
from itertools import islice
from pathlib import Path
from urllib.parse import quote

from cleanside.gateway.wire import instant_text
from cleanside.ingest.analysis import server_clock
from cleanside.ingest.errors import CalledWrongly, why
from cleanside.ingest.keeping.watched import certificate_span_s
from cleanside.ingest.settings import Settings
from cleanside.ingest.store.key_file import KeyFile

log = logging.getLogger("cleanside.ingest")

CERTIFICATE_ENDS_S = 14 * 86_400  # as the alert rule that the package brings
MOST_LOOKED_AT = 200  # files beside a new database; chosen: more is no folder of a shop
_HEAD = b"SQLite format 3\x00"  # sqlite.org/fileformat.html, section 1.3.1


def warn_of_files(chosen: Settings) -> None:
    """Warn of files that the settings name and that are not there: else only the first use says so."""
    if chosen.smtp_host and chosen.smtp_password_file:
        try:
            Path(chosen.smtp_password_file).open("rb").close()
        except OSError as error:
            reason = f"no mail is sent until it can be read ({why(error)}); correct smtp_password_file"
            said = {"file": chosen.smtp_password_file, "reason": reason}
            log.warning("ingest.smtp_password_unreadable", extra=said)
    if chosen.backup_folder and not Path(chosen.backup_folder).is_dir():
        reason = "no backup is found there, and its age counts as infinite; make it, or correct backup_folder"
        log.warning(
            "ingest.backup_folder_not_there", extra={"folder": chosen.backup_folder, "reason": reason}
        )
    if chosen.webhook_key_file and KeyFile.of(chosen).makes_itself:
        reason = "the first webhook makes it; if there is an older one, correct webhook_key_file"
        said = {"file": chosen.webhook_key_file, "reason": reason}
        log.warning("ingest.webhook_key_not_there", extra=said)


def warn_of_certificate(chosen: Settings, now_us: int) -> None:
    """Warn where the server's own certificate has ended, ends soon, or has not begun."""
    if not chosen.tls_certificate:
        return
    with suppress(OSError, ValueError):  # what does not fit was refused when it was loaded
        begins_s, ends_s = certificate_span_s(Path(chosen.tls_certificate))
        left_s = ends_s - now_us / 1e6
        said = {"file": chosen.tls_certificate, "days_left": round(left_s / 86_400, 1)}
        if left_s <= 0:
            reason = "it has ended, and no gateway and browser trusts it; renew it, then reload the server"
            log.error("ingest.certificate_ended", extra=said | {"reason": reason})
        elif now_us / 1e6 < begins_s:
            reason = "it is not valid yet by this machine's clock; look at both"
            log.error("ingest.certificate_not_begun", extra=said | {"reason": reason})
        elif left_s < CERTIFICATE_ENDS_S:
            log.warning(
                "ingest.certificate_ends", extra=said | {"reason": "renew it, then reload the server"}
            )


def warn_of_clock(newest_us: int | None, now_us: int) -> None:
    """Warn where this machine's clock is behind the newest instant at which something was received."""
    if back_us := server_clock.went_back_us(newest_us, now_us):
        reason = (
            "readings were received later than it is now by this machine's clock; compare it with a right "
            "one (timedatectl). If it is behind now, set it, else right readings are quarantined as "
            "time_in_future. If it was ahead before and is right now, readings received meanwhile may bear "
            "times that are too late: look at attention for boot_contradicted and time_in_future"
        )
        said = {"back_s": round(back_us / 1e6), "newest_received": instant_text(newest_us or 0)}
        log.error("ingest.clock_went_back", extra=said | {"reason": reason})


def refuse_beside_another(new: Path | None, *, is_meant: bool) -> None:
    """
    Raise CalledWrongly where a new SQLite file would lie beside a database of ours: a mistyped name.

    new : the file that would be made; None: none. is_meant : a flag says so; then it is only logged.
    An empty server would refuse every key, and show nothing of the shop.
    """
    other = None if new is None else _another_of_ours(new)
    if new is None or other is None:
        return
    if not is_meant:
        raise CalledWrongly("new_database_beside", path=new, other=other)
    reason = "a new, empty database was made beside another; if its name is mistyped, stop and correct it"
    log.warning("ingest.new_database_beside", extra={"file": str(new), "other": str(other), "reason": reason})


def _another_of_ours(new: Path) -> Path | None:
    """The newest database of ours in the folder of a file; None: there is none."""
    found = []
    with suppress(OSError):
        for path in islice(new.parent.iterdir(), MOST_LOOKED_AT):
            with suppress(OSError, sqlite3.Error):
                if path.is_file() and _is_ours(path):
                    found.append((path.stat().st_mtime_ns, path))
    return max(found)[1] if found else None


def _is_ours(path: Path) -> bool:
    """True for a SQLite file with a schema of ours. Nothing beside it is made or locked."""
    with path.open("rb") as file:
        if file.read(len(_HEAD)) != _HEAD:
            return False
    address = f"file:{quote(str(path))}?immutable=1"
    with closing(sqlite3.connect(address, uri=True)) as connection:
        names = "SELECT count(*) FROM sqlite_master WHERE name IN ('alembic_version', 'streams', 'devices')"
        return bool(connection.execute(names).fetchone()[0] == 3)
