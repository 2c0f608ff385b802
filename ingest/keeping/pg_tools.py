"""
The tools of the PostgreSQL distribution: running them, and reading a dump without a database.

Leaves to others: making a backup (`ingest.keeping.backup`), restoring it (`ingest.keeping.restore`).
"""

from __future__ import annotations

import os
import re
import shutil
import subprocess
import tempfile
from pathlib import Path

import sqlalchemy as sa

from cleanside.ingest import hidden
from cleanside.ingest.errors import CalledWrongly
from cleanside.ingest.store import database

#: what pg_dump says of a server of a later release (bin/pg_dump/pg_dump.c of PostgreSQL, in English)
OLDER_RELEASE = "server version mismatch"


def run(tools: Path | None, name: str, *arguments: str, url: str | None = None) -> str:
    """
    Run a tool of the PostgreSQL distribution; its release must be the server's or newer. Returns its output.

    url : of the database it connects to; None: it reads and writes files alone.
    """
    program = shutil.which(name) if tools is None else str(tools / name)
    if program is None or not Path(program).exists():
        raise CalledWrongly("tool_missing", name=name)
    target, secret = ([], {}) if url is None else _for_tools(url)
    command = [program, *target, *arguments]
    done = subprocess.run(command, capture_output=True, text=True, check=False, env=os.environ | secret)
    if done.returncode:
        passwords = () if url is None else hidden.passwords_of(url)
        said = hidden.without_passwords(done.stderr.strip(), passwords)
        if OLDER_RELEASE in said:
            raise CalledWrongly("tool_of_older_release", name=name, said=said[:300])
        raise CalledWrongly("tool_failed", name=name, said=said[:300])
    return done.stdout


def _for_tools(url: str) -> tuple[list[str], dict[str, str]]:
    """
    The flag of a URL without its password, and the password for the environment of a tool.

    All users of a machine can read the arguments of a process; only its own user can read its environment.
    """
    parsed = _hosts_for_libpq(sa.make_url(url).set(drivername="postgresql"))
    password = parsed.query.get("password") or parsed.password
    if others := sorted(set(parsed.query) & set(hidden.SECRET_MEMBERS) - {"password"}):
        raise CalledWrongly("url_member_needs_service_file", member=others[0])
    target = sa.URL.create(**{**parsed._asdict(), "password": None}).difference_update_query(["password"])
    secret = {"PGPASSWORD": str(password)} if password else {}
    return [f"--dbname={target.render_as_string(hide_password=False)}"], secret


def _hosts_for_libpq(url: sa.URL) -> sa.URL:
    """Several hosts in one member, with commas: of several members libpq reads the last alone."""
    given = url.query.get("host")
    if not isinstance(given, tuple):
        return url
    parts = [re.fullmatch(r"(.*?)(?::(\d+))?", host) for host in given]
    hosts = {"host": ",".join(part[1] for part in parts if part)}
    if any(ports := [part[2] or "" for part in parts if part]):
        hosts["port"] = ",".join(ports)
    return url.update_query_dict(hosts)


def rows_in_dump(dump: Path, table: str, tools: Path | None) -> list[dict[str, str]]:
    """
    The rows of one table of a dump, as text (PostgreSQL manual, COPY, "Text Format").

    Escapes stay as they are: no wanted value has any.
    """
    text = run(tools, "pg_restore", "--data-only", f"--table={table}", "--file=-", str(dump))
    match = re.search(
        rf"^COPY \S+\.{table} \((.*)\) FROM stdin;\n(.*?)^\\\.$", text, re.DOTALL | re.MULTILINE
    )
    if match is None:
        return []
    names = match[1].split(", ")
    return [dict(zip(names, line.split("\t"), strict=False)) for line in match[2].splitlines()]


def load(url: str, dump: Path, tools: Path | None) -> None:
    """Load a dump without the row of its schema revision."""
    entries = run(tools, "pg_restore", "--list", str(dump)).splitlines()
    with tempfile.TemporaryDirectory() as folder:
        wanted = Path(folder) / "entries"
        wanted.write_text(
            "\n".join(e for e in entries if not re.search(r" TABLE DATA \S+ alembic_version ", e))
        )
        options = ("--single-transaction", "--exit-on-error", "--no-owner", f"--use-list={wanted}")
        run(tools, "pg_restore", *options, str(dump), url=url)


def empty_again(url: str) -> None:
    """Drop every table of a database that was empty before."""
    engine = database.writing_engine(url)
    try:
        with engine.begin() as connection:
            quoted = connection.dialect.identifier_preparer.quote
            tables = [quoted(name) for name in sa.inspect(connection).get_table_names()]
            if tables:
                connection.exec_driver_sql(f"DROP TABLE IF EXISTS {', '.join(tables)} CASCADE")
    finally:
        engine.dispose()
