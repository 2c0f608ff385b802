"""The command `restore`: restore a backup into an empty place, after checking it."""

from __future__ import annotations

import argparse
import shlex
from pathlib import Path
from typing import Any

from cleanside.gateway.units import counted
from cleanside.ingest import hidden, settings
from cleanside.ingest.commands.backup import add_tools
from cleanside.ingest.owners.key_review import Review
from cleanside.ingest.settings import Settings
from cleanside.ingest.store import database
from cleanside.ingest.store.people import Person
from cleanside.ingest.writer import system_clock


def add(commands: Any) -> None:
    """Hang the command in."""
    parser = commands.add_parser(
        "restore", help="a backup into an empty place, checked; gateways send again what came since"
    )
    settings.add_flags(parser, "database", "archive_folder")
    parser.add_argument(
        "--from", dest="source", type=Path, required=True, metavar="FOLDER", help="of `backup`"
    )
    parser.add_argument(
        "--revoked-keys",
        type=Path,
        metavar="FILE",
        help="file of revoked keys that outlived the database; default: revoked-keys in the archive folder",
    )
    add_tools(parser)
    parser.set_defaults(run=run_restore)


def run_restore(chosen: Settings, given: argparse.Namespace) -> int:
    """Restore, and print the time of the backup."""
    from cleanside.ingest.keeping import full_disk, restore
    from cleanside.ingest.store.archive_disk import Disk

    folder = database.archive_folder(chosen.database, chosen.archive_folder)
    with (
        full_disk.said_where_full(lambda: full_disk.of_restore(given.source, chosen.database, folder)),
        database.exclusive(chosen.database),
    ):
        put = restore.restore(
            chosen.database,
            folder,
            source=given.source,
            now_us=system_clock.now_us(),
            disk=Disk(),
            tools=given.pg_tools,
            revoked_keys=given.revoked_keys,
        )
    totals = put.manifest.totals
    stored = "not counted" if totals is None else f"{counted(totals.stored, 'reading')} stored"
    print(f"restored as of {put.manifest.made_at}, schema {put.manifest.schema}: {stored}")
    print("\n".join(review_lines(put.review, chosen.database)))
    print("gateways that hold more send it again by themselves, once the server is there")
    return 0


def review_lines(review: Review, url: str) -> list[str]:
    """
    The outcome for keys and codes, for a person; commands as they can be copied.

    url : of the restored database.
    """
    there = f" --database {shlex.quote(hidden.database_url(url))}"

    def of_people(action: str, one: Person) -> str:
        return f"cleanside-ingest people {action} {one.name} --owner {shlex.quote(one.owner)}{there}"

    lines = [f"{counted(review.codes, 'open code')} cancelled: make new ones"]
    lines += [f"key {key.handle} was revoked after the backup, and is again" for key in review.ended]
    lines += [f"person {one.name} was revoked after the backup, and is again" for one in review.people_ended]
    if review.doubt is None:
        return lines + [
            f"the link of {one.name} has ended: {of_people('reset', one)}" for one in review.people_invited
        ]
    lines += [f"{review.doubt}: keys that were revoked after the backup may be valid again."]
    if review.suspended:
        lines += ["Device keys go on. All others do nothing until you confirm them, each that still may:"]
        lines += [
            f"  cleanside-ingest keys confirm {key.handle}{there}  # {key.role}, {key.owner}"
            for key in review.suspended
        ]
    if review.people_waiting:
        invited = {one.id for one in review.people_invited}
        lines += ["People wait too. Confirm each who may still sign in, before you serve:"]
        for one in review.people_waiting:
            lines += [f"  {of_people('confirm', one)}  # {one.role}"]
            if one.id in invited:
                lines += [f"  {of_people('reset', one)}  # after confirm: the link of {one.name} has ended"]
    lines += ["These were valid when the backup was made. Revoke each that should not be:"]
    lines += [f"  cleanside-ingest keys revoke HANDLE{there} --owner OWNER"]
    lines += [
        f"  {key.handle}  {key.owner}  {key.role:<10}  {', '.join(sorted(key.devices)) or '-'}  {key.note}"
        for key in review.valid
    ]
    return lines
