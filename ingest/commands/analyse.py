"""
The command `analyse`: one more process that analyses readings, beside those that serve one database.

Promises: the processes share the work through the database, on one host or several; what a killed one had is
taken over. SIGTERM ends it in good order.
Leaves to others: the work (`ingest.analysis`), who takes what (`ingest.store.turns`).
"""

from __future__ import annotations

import argparse
import json
import os
import signal
from typing import Any

from cleanside.ingest import hidden, log, settings
from cleanside.ingest.analysis.knowledge import Snapshots
from cleanside.ingest.analysis.learner import Learner
from cleanside.ingest.analysis.memory import Memory
from cleanside.ingest.analysis.summarising import Analyst
from cleanside.ingest.api.routes.services import new_services
from cleanside.ingest.commands import freed_memory
from cleanside.ingest.commands.serve import prepare
from cleanside.ingest.errors import CalledWrongly
from cleanside.ingest.settings import Settings
from cleanside.ingest.store import database
from cleanside.ingest.writer import system_clock

FLAGS = (
    *("database", "durability", "weak_durability", "archive_folder", "recheck_interval_s"),
    *("webhook_key_file", "log_level", "log_format"),
)
ENDS_IT = (signal.SIGTERM, signal.SIGINT)


def add(commands: Any) -> None:
    """Hang the command in."""
    parser = commands.add_parser(
        "analyse", help="analyse readings in one more process, beside those that serve (PostgreSQL)"
    )
    settings.add_flags(parser, *FLAGS)
    parser.set_defaults(run=run_analyse)


def run_analyse(chosen: Settings, _: argparse.Namespace) -> int:
    """Analyse until a signal ends it."""
    log.set_up(chosen.log_level, chosen.log_format, secrets=hidden.passwords_of(chosen.database))
    if database.sqlite_path(chosen.database) is not None:
        raise CalledWrongly("analyse_of_sqlite")
    prepare(chosen, migrate_old=False)
    signal.pthread_sigmask(signal.SIG_BLOCK, ENDS_IT)  # in every thread from now on: `sigwait` takes them
    freed_memory.run_long()
    services = new_services(chosen, system_clock.now_us)
    with services.open() as resources:
        analyst = Analyst(resources, on_pass=lambda: None)
        learner = Learner(resources, Snapshots(), Memory())
        analyst.start()
        learner.start()
        print(json.dumps({"analysing": hidden.database_url(chosen.database), "pid": os.getpid()}), flush=True)
        signal.sigwait(ENDS_IT)
        resources.stopping.set()
        analyst.join()
        learner.join()
    return 0
