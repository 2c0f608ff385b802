"""
The command of the gateway: run it, ask how it stands, send again, check the file.

Promises: our own errors end with one line on standard error and a non-zero exit; anything else keeps its
traceback. SIGTERM and SIGINT stop cleanly. Leaves to others: all the work.
"""

from __future__ import annotations

import argparse
import getpass
import json
import logging
import os
import secrets
import shutil
import sys
import time
from collections.abc import Callable, Sequence
from contextlib import suppress
from datetime import UTC, datetime
from pathlib import Path
from typing import Any, Final

from cleanside.gateway.errors import CalledWrongly, GatewayError, TryAgain
from cleanside.gateway.output import until_cut_off
from cleanside.gateway.private import hidden
from cleanside.gateway.settings import TABLE, Settings, add_flags, key_reader, load
from cleanside.gateway.units import counted
from cleanside.gateway.version import BUILT, VERSION

EXIT_OK: Final = 0
EXIT_FAILED: Final = 1  # asked and answered: something is not as it should be (verify)
EXIT_CALLED_WRONGLY: Final = 2
EXIT_TRY_AGAIN: Final = 3
EXIT_LOST: Final = 4  # `run` had to end with readings that the disk never took

# The settings that a command beside `run` reads; the rest of the file is checked all the same.
_SPOOL: Final = ("device", "spool.path")
_CARRY: Final = (*_SPOOL, "uplink.key_file")
_BESIDE: Final = (*_SPOOL, *(f"beside.{key}" for key in ("listen", "address", "code_file")))
_ENROL: Final = (
    "device",
    *(f"uplink.{key}" for key in ("server", "key_file", "timeout_s")),
    *(f"uplink.{key}_file" for key in ("ca", "certificate", "certificate_key")),
)


def main(arguments: Sequence[str] | None = None) -> int:
    """Run the command. Returns its exit code."""
    return until_cut_off(lambda: _main(arguments))


def _main(arguments: Sequence[str] | None) -> int:
    parser = build_parser()
    parsed = TABLE.parse(parser, sys.argv[1:] if arguments is None else arguments)
    try:
        settings = load(vars(parsed), os.environ, notify=_tell)
        command: Callable[[Settings, argparse.Namespace], int] = parsed.command
        return command(settings, parsed)
    except GatewayError as error:
        print(f"cleanside-gateway: {hidden(str(error))}", file=sys.stderr)
        return EXIT_TRY_AGAIN if isinstance(error, TryAgain) else EXIT_CALLED_WRONGLY


def _tell(notice: str) -> None:
    print(f"cleanside-gateway: {notice}", file=sys.stderr)


def build_parser() -> argparse.ArgumentParser:
    """The command line."""
    parser = argparse.ArgumentParser(
        prog="cleanside-gateway",
        description="Stores the readings of a restriction monitor on disk, and sends each until the server "
        "has stored it.",
        epilog="Fit the monitor beside the machine's own indicator, never instead of it; "
        "the engine maker's service limits and manual come first.",
    )
    parser.add_argument("--version", action="version", version=f"cleanside-gateway {VERSION} ({BUILT})")
    commands = parser.add_subparsers(required=True, metavar="COMMAND")
    _command(commands, "run", _run, "Collect and send until stopped.")
    status = _command(
        commands,
        "status",
        _status,
        "Show the state of the gateway on one screen; changes nothing. Exit code 0: all is well; 1: a person "
        "is needed, see the lines marked to do; 2: the gateway does not run, or its state cannot be read.",
        *_SPOOL,
    )
    status.add_argument("--json", action="store_true", help="Output as JSON.")
    rewind = _command(
        commands,
        "rewind",
        _rewind,
        "Send again from a number on, as far back as readings are still stored.",
        *_SPOOL,
    )
    rewind.add_argument(
        "--from", dest="first", type=int, required=True, metavar="N", help="First number to send again."
    )
    rewind.add_argument("--stream", help="Which stream; default: the one that is open.")
    carry = _command(
        commands,
        "export",
        _export,
        "Write waiting readings to a file that can be carried; they stay in the spool too. Exit code 1 if "
        "none could be written because the time is not known.",
        *_CARRY,
    )
    carry.add_argument(
        "--out", required=True, metavar="FILE", help="Output file. An interrupted export is resumed."
    )
    told = _command(
        commands,
        "tell-time",
        _tell_time,
        "Tell the gateway what time it is, where no GPS, network time or server will. Refused where it "
        "contradicts what is known better. Exit code 1 if you decline.",
        *_SPOOL,
    )
    told.add_argument(
        "--now",
        required=True,
        metavar="TIME",
        help="The time now, with its offset: 2026-12-02T09:30:00+01:00, or in UTC with Z.",
    )
    told.add_argument(
        "--within", type=float, metavar="S", help="How far it may be off, in seconds; default: 120."
    )
    told.add_argument("--yes", action="store_true", help="Take it without asking.")
    enrol = _command(commands, "enrol", _enrol, "Get the device's key with a one-time code.", *_ENROL)
    enrol.add_argument(
        "--code-file",
        metavar="FILE",
        help="File with the code; default: asked for on a terminal, else the first line of standard input.",
    )
    doctor = _command(
        commands,
        "doctor",
        _doctor,
        "Check key, server, disk, clock, unit and sources, each with what to do; changes nothing. "
        "Exit code 1 if a check fails.",
    )
    doctor.add_argument("--json", action="store_true", help="As one JSON object.")
    label = _command(
        commands,
        "label",
        _label,
        "Print address and code of the page beside the machine, for a label on the gateway.",
        *_BESIDE,
    )
    label.add_argument("--out", metavar="FILE", help="Write the QR code to a new file, .svg or .png.")
    service = _command(
        commands,
        "install-service",
        _install_service,
        "Show the systemd unit, ask, and write it; exit code 1 if you decline.",
        *_SPOOL,
    )
    service.add_argument("--yes", action="store_true", help="Write it without asking.")
    service.add_argument("--folder", metavar="FOLDER", help="Where units go; default: /etc/systemd/system.")
    verify = _command(
        commands, "verify", _verify, "Check the file and its numbering; changes nothing.", *_SPOOL
    )
    verify.add_argument("--json", action="store_true", help="Output as JSON.")
    return parser


def _command(
    commands: Any, name: str, command: Callable[..., int], sentence: str, *settings: str
) -> argparse.ArgumentParser:
    # No abbreviations: a code or name given to a flag that is not there must not end up in another.
    parser: argparse.ArgumentParser = commands.add_parser(
        name, help=sentence, description=sentence, allow_abbrev=False
    )
    parser.set_defaults(command=command)
    add_flags(parser, *settings)
    return parser


def _run(settings: Settings, _: argparse.Namespace) -> int:
    from cleanside.gateway.commands.run import (
        Gateway,  # only here: the other commands need no network library
    )
    from cleanside.gateway.commands.stop_signals import stop_on_signals
    from cleanside.gateway.log import OthersBounded, silence_http_clients
    from cleanside.gateway.timing.clock import SystemClock

    handler = logging.StreamHandler(sys.stderr)
    handler.addFilter(OthersBounded(now_us=SystemClock().since_boot_us))
    form = logging.Formatter("%(asctime)s.%(msecs)03dZ %(levelname)s %(message)s", "%Y-%m-%dT%H:%M:%S")
    form.converter = time.gmtime  # UTC, because the shop that reads the log may be in another zone
    handler.setFormatter(form)
    logging.basicConfig(handlers=[handler], level=logging.INFO)
    silence_http_clients()
    _warn_of_readable(settings.uplink_key_file)
    gateway = Gateway(settings, environ=os.environ, tells=True)
    stop_on_signals(gateway.stop)
    lost = gateway.run()
    if lost:
        print(
            f"cleanside-gateway: {counted(lost, 'reading')} lost: the disk took no writes until the end; "
            "check the disk and who may write there",
            file=sys.stderr,
        )
    return EXIT_LOST if lost else EXIT_OK


def _warn_of_readable(key_file: Path | None) -> None:
    # A warning only: readings matter more than a mode, and it can be set right while the gateway runs.
    if os.name != "posix" or key_file is None:
        return
    with suppress(OSError):  # what cannot be looked at is refused when it is read
        mode = key_file.stat().st_mode & 0o777
        if mode & 0o077:
            logging.getLogger("cleanside.gateway").warning(
                'gateway.key_readable file=%s mode=%04o reason="others can get at the key; chmod 600 it"',
                key_file,
                mode,
            )


def _status(settings: Settings, parsed: argparse.Namespace) -> int:
    from cleanside.gateway.commands.standing import document, look
    from cleanside.gateway.commands.standing_text import as_text
    from cleanside.gateway.timing.clock import SystemClock

    standing = look(settings.spool_path, SystemClock())
    print(json.dumps(document(standing), indent=2) if parsed.json else as_text(standing))
    return standing.exit_code


def _rewind(settings: Settings, parsed: argparse.Namespace) -> int:
    from cleanside.gateway.spool.rewind import rewind

    if parsed.first < 1:
        raise CalledWrongly("number_below_one", number=parsed.first)
    again = rewind(settings.spool_path, stream=parsed.stream, first=parsed.first)
    print(f"to be sent again: {counted(again, 'reading')}, from number {parsed.first}")
    return EXIT_OK


def _export(settings: Settings, parsed: argparse.Namespace) -> int:
    from cleanside.gateway.commands.export import export
    from cleanside.gateway.commands.status import read
    from cleanside.gateway.timing.clock import SystemClock

    done = export(settings.spool_path, Path(parsed.out), key=key_reader(settings, os.environ)())
    earlier = f"; {counted(done.kept, 'block')} stood there before" if done.kept else ""
    what = f"{counted(done.readings, 'reading')} in {counted(done.blocks, 'block')}"
    print(f"{what} written to {parsed.out}{earlier}")
    print("what was written stays in the spool until the server holds it")
    left = read(settings.spool_path, now_us=SystemClock().utc_us()).spool
    if left.waits_for_anchor:
        waiting = counted(left.backlog, "reading")
        print(f"{waiting} waiting in all. Those whose time is not known yet are not in the file.")
        print("Let the gateway get the time once (GPS, network time or the server), then export again.")
        print("Where none will come, tell it: cleanside-gateway tell-time --now TIME.")
    return EXIT_OK if done.readings or done.kept or not left.waits_for_anchor else EXIT_FAILED


def _tell_time(settings: Settings, parsed: argparse.Namespace) -> int:
    from cleanside.gateway.spool.told_time import USUAL_WITHIN_S, read_time, tell_time
    from cleanside.gateway.timing.clock import SystemClock

    utc_us, in_utc = read_time(parsed.now)
    clock = SystemClock()
    read_us = clock.since_boot_us()
    within_s = USUAL_WITHIN_S if parsed.within is None else parsed.within
    if not parsed.yes:
        print(f"This is {in_utc} in UTC, within {within_s:g} s.")
        print("All readings of this boot, and of those before it that wait, get their times by it.")
        print("Only a better source (GPS, network time, the server) corrects it.")
        if input("Is it that time now? [y/N] ").strip().lower() not in ("y", "yes"):
            return EXIT_FAILED
    passed_us = clock.since_boot_us() - read_us  # while the person was reading
    tell_time(settings.spool_path, clock, utc_us=utc_us + passed_us, within_s=within_s)
    print(f"taken; times are right within about {within_s:g} s. The server hears that a person said so.")
    return EXIT_OK


def _enrol(settings: Settings, parsed: argparse.Namespace) -> int:
    from cleanside.gateway.commands.enrol import enrol, read_code
    from cleanside.gateway.uplink.transport import HttpTransport

    if settings.uplink_server is None or settings.uplink_key_file is None:
        raise CalledWrongly("server_and_key_needed")
    code = read_code(parsed.code_file, sys.stdin, getpass.getpass)
    transport = HttpTransport(
        settings.uplink_server,
        key=None,
        timeout_s=settings.uplink_timeout_s,
        ca_file=settings.uplink_ca_file,
        certificate_file=settings.uplink_certificate_file,
        certificate_key_file=settings.uplink_certificate_key_file,
    )
    try:
        done = enrol(
            transport,
            settings.uplink_key_file,
            code=code,
            device=settings.device,
            new_attempt=lambda: secrets.token_hex(16),
            sleep=time.sleep,
            now=lambda: datetime.now(UTC),
            say=lambda words: print(words, file=sys.stderr, flush=True),
        )
    finally:
        transport.close()
    print(f"{done.device} on {done.machine}: the key is in {settings.uplink_key_file}")
    for caution in done.cautions:
        print(caution, file=sys.stderr)
    return EXIT_OK


def _verify(settings: Settings, parsed: argparse.Namespace) -> int:
    from cleanside.gateway.commands.verify import unprotected, verify

    findings = verify(settings.spool_path)
    count = 0 if findings else unprotected(settings.spool_path)  # a file with a fault may not be countable
    if parsed.json:
        document = {"path": str(settings.spool_path), "findings": findings, "unprotected": count}
        print(json.dumps(document, indent=2))
    elif findings:
        print("\n".join(findings))
    else:
        old = f"{counted(count, 'reading')} of an earlier version unprotected: without a checksum"
        print(f"{settings.spool_path}: file and numbering are sound" + (f"; {old}" if count else ""))
    return EXIT_FAILED if findings else EXIT_OK


def _doctor(settings: Settings, parsed: argparse.Namespace) -> int:
    from cleanside.gateway.commands.doctor import BAD, as_text, document, examine
    from cleanside.gateway.commands.run import transport_of
    from cleanside.gateway.timing.clock import SystemClock

    checks = list(
        examine(
            settings,
            environ=os.environ,
            clock=SystemClock(),
            connect=lambda given: transport_of(given, os.environ),
        )
    )
    print(json.dumps(document(checks), indent=2) if parsed.json else as_text(checks))
    return EXIT_FAILED if any(entry.result == BAD for entry in checks) else EXIT_OK


def _label(settings: Settings, parsed: argparse.Namespace) -> int:
    from cleanside.gateway.commands.label import label_text, notices, write_qr

    print(label_text(settings, random=os.urandom))
    if parsed.out:
        write_qr(settings, Path(parsed.out), random=os.urandom)
        print(f"QR code written to {parsed.out}; it holds the code")
    for notice in notices(settings):
        _tell(notice)
    return EXIT_OK


def _install_service(settings: Settings, parsed: argparse.Namespace) -> int:
    from cleanside.gateway.commands.service import UNIT_FOLDER, install, unit_text
    from cleanside.gateway.unit_places import require_visible

    def agree(question: str) -> bool:
        return parsed.yes or input(f"{question} [y/N] ").strip().lower() in ("y", "yes")

    folder = Path(parsed.folder) if parsed.folder else UNIT_FOLDER
    command = Path(shutil.which("cleanside-gateway") or sys.argv[0]).absolute()
    require_visible(
        command,
        "cleanside.gateway",
        is_used=folder == UNIT_FOLDER,
        refusal=lambda part: CalledWrongly("command_hidden", part=part),
        say=_tell,
    )
    done = install(folder, unit_text(command), agree=agree, say=print, device=settings.device)
    return EXIT_OK if done else EXIT_FAILED
