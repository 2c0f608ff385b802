"""The blocks of the page on upgrades work as they are copied, with SQLite and with PostgreSQL."""

from __future__ import annotations

import subprocess
import sys
from pathlib import Path

from tests.support.docs_shell import blocks_of
from tests.support.house import ROOT

PAGE = (ROOT / "ingest" / "docs" / "howto" / "upgrade.md").read_text()
#: what a real machine has: root, a service, a function of another page; the address is printed by the server
STAND_INS = """
set -eu
ingest() { "$PYTHON" -m cleanside.ingest "$@" --database "$DATABASE"; }
as_cleanside() { ingest "$@"; }
sudo() { case "$1" in */pip) echo "pip: $*";; *) "$@";; esac; }
systemctl() {
    if [ "$1" = stop ]; then
        kill "$(cat pid)"
        while kill -0 "$(cat pid)" 2>/dev/null; do sleep 0.1; done
        return
    fi
    : > serve.out
    "$PYTHON" -m cleanside.ingest serve --port 0 --database "$DATABASE" > serve.out 2>> serve.err &
    echo $! > pid
    until grep -q listening serve.out; do kill -0 "$(cat pid)"; sleep 0.1; done
}
address() { sed 's/.*"listening": "\\([^"]*\\)".*/\\1/' serve.out; }
curl() { local last="${*: -1}"; command curl "${@:1:$#-1}" "$(address)/${last##*/}"; echo; }
trap 'kill "$(cat pid)" 2>/dev/null; wait' EXIT
ingest migrate
systemctl start cleanside-ingest
"""


def test_its_blocks_work_as_they_are_copied(database_url: str, tmp_path: Path) -> None:
    blocks = [block.text for block in blocks_of(PAGE)]
    assert any("--previous-release-ended" in text for text in blocks)
    done = subprocess.run(
        ["bash", "-c", "\n".join([STAND_INS, *blocks, "curl /readyz"])],
        cwd=tmp_path,
        env={
            "PATH": "/usr/bin:/bin",
            "PYTHON": sys.executable,
            "DATABASE": database_url,
            "HOME": str(tmp_path),
        },
        capture_output=True,
        text=True,
        timeout=240,
        check=False,
    )
    assert done.returncode == 0, done.stdout + done.stderr
    assert done.stdout.count('"status":"ready"') == 2
    assert "in the clear taken away" in done.stdout
