"""
The gateway put together: sources fill the spool, the uplink empties it, until `stop`.

Promises: a source that fails is reported and started again; one that is stuck does not stop another. A stop
takes two seconds at most, whatever the network or a source is doing. It waits longer only for readings that
the disk has not taken yet; losses are then counted, logged, and declared to the shop. Clock, randomness,
transport and spool folder are arguments, so that a bench runs the same program on simulated time.
Leaves to others: signals and exit codes (`gateway.cli`).
"""

from __future__ import annotations

import logging
import os
import random as system_random
import threading
from collections.abc import Callable, Mapping, Sequence
from typing import Any, Final

from cleanside.gateway.beside.kept_visit import KeptVisit
from cleanside.gateway.beside.machine_facts import FactFinder
from cleanside.gateway.beside.serving import serve_beside, shown
from cleanside.gateway.beside.watch import Watch
from cleanside.gateway.commands.feed import Feed
from cleanside.gateway.commands.live import tell
from cleanside.gateway.commands.notify import ALIVE, READY, STOPPING, Notifier
from cleanside.gateway.errors import SettingsWrong, TryAgain
from cleanside.gateway.log import EventLog, Log
from cleanside.gateway.settings import Settings, key_reader
from cleanside.gateway.spool.identity import RandomBytes
from cleanside.gateway.spool.losses import LOST, noted_loss
from cleanside.gateway.spool.queue import Spool
from cleanside.gateway.timing.clock import Clock, SystemClock
from cleanside.gateway.uplink.declaring import declaration, is_confirmed
from cleanside.gateway.uplink.loop import Uplink
from cleanside.gateway.uplink.network import Network, SystemNetwork
from cleanside.gateway.uplink.transport import HttpTransport, Transport
from cleanside.gateway.version import VERSION
from cleanside.gateway.wire import DeclaredEvent

STOP_WITHIN_S: Final = 2.0
_MEND_EVERY_S: Final = 10.0  # between two checks for a file set aside, or readings that wait (chosen)
_DRAINED_LOOK_S: Final = 0.2
_FINISH_TELLING_S: Final = 1.0
_STOP_LOOK_S: Final = 1.0  # between two tries to write while a stop waits for the disk (chosen)
_DECLARE_WITHIN_S: Final = 5.0  # for declaring the loss of a stop to the shop (chosen)
_STOP_EXTEND_S: Final = (
    10.0  # extension to ask of the service manager at each try, which may hang on the disk (chosen)
)


class Gateway:
    """One device's gateway, made from its arguments; `run` works until `stop`."""

    def __init__(
        self,
        settings: Settings,
        *,
        clock: Clock | None = None,
        random: Callable[[], float] | None = None,
        random_bytes: RandomBytes = os.urandom,
        transport: Transport | None = None,
        environ: Mapping[str, str] | None = None,
        log: Log | None = None,
        tells: bool = False,
        network: Network | None = None,
    ) -> None:
        """
        network : detects that a link came back; None: the system's, on the system's clock only.
        tells : answer `status` on a socket beside the spool.
        clock, random, transport, log : None: the system's; the transport from the settings.
        environ : where the key and the service manager may be. Raises CalledWrongly and the spool's errors.
        """
        self.settings = settings
        self.clock: Clock = clock if clock is not None else SystemClock()
        self.log: Log = log if log is not None else EventLog(now_us=self.clock.since_boot_us)
        self.stop_event = threading.Event()
        self._notifier = Notifier(environ or {})
        self._wake = threading.Event()
        self._tells = tells
        self._silent = threading.Event()  # set last: `status` still shows a stop that waits for the disk
        self._began_us = self.clock.since_boot_us()
        self._random_bytes = random_bytes
        self._end_now = threading.Event()  # a second stop was requested
        self._transport = transport if transport is not None else _transport(settings, environ or {})
        self._network = network
        if network is None and clock is None and settings.uplink_server is not None:
            self._network = SystemNetwork(settings.uplink_server, now_us=self.clock.since_boot_us)
        self._last_hour = Watch(self.clock.since_boot_us)
        self._beside_port: int | None = None  # once the page is served
        self.spool = Spool(
            settings.spool_path,
            device=settings.device,
            clock=self.clock,
            random=random_bytes,
            budget_bytes=settings.spool_budget_bytes,
            budget_days=settings.spool_budget_days,
            on_append=self._wake.set,
            log=self.log,
        )
        try:
            self._visit = self._make_visit()
            self._finder = None if settings.beside_listen is None else self._make_finder()
            self._feeds = [self._make_feed(number, entry) for number, entry in enumerate(settings.sources, 1)]
            self.uplink = None if self._transport is None else self._make_uplink(self._transport, random)
        except BaseException:
            self.spool.close()
            raise

    def _make_feed(self, number: int, entry: Mapping[str, Any]) -> Feed:
        seen = {} if self.settings.beside_listen is None else {"seen": self._last_hour.take}
        return Feed(
            self.spool,
            entry,
            number=number,
            clock=self.clock,
            log=self.log,
            stop=self.stop_event,
            **seen,
        )

    def _make_visit(self) -> KeptVisit | None:
        if self.settings.beside_listen is None:
            return None
        path = self.settings.spool_path.with_name(f"{self.settings.spool_path.name}.visit")
        return KeptVisit(path, now_us=self.clock.since_boot_us, utc_us=self.clock.utc_us)

    def _make_finder(self) -> FactFinder:
        return FactFinder(
            self.settings.spool_path,
            device=self.settings.device,
            watch=self._last_hour,
            clock=self.clock,
            link=lambda: None if self.uplink is None else self.uplink.view.told(),
            marks_at_start={s.stream: s.acknowledged_through for s in self.spool.state().streams},
            visit=self._visit,
            gauge_unit=self.settings.beside_gauge_unit,
        )

    def _make_uplink(self, transport: Transport, random: Callable[[], float] | None) -> Uplink:
        return Uplink(
            self.spool,
            transport,
            clock=self.clock,
            random=random if random is not None else system_random.SystemRandom().random,
            log=self.log,
            wake=self._wake,
            linger_s=self.settings.uplink_linger_s,
            max_readings=self.settings.uplink_max_readings,
            max_bytes=self.settings.uplink_max_bytes,
            network=self._network,
            ask_every_s=self.settings.uplink_ask_every_s,
        )

    def run(self) -> int:
        """
        Work until `stop` is called, or until done if the settings say so.

        Returns how many readings are lost: taken from a source, and not on disk when the process had to end.
        """
        self.log("gateway.started", device=self.settings.device, spool=self.settings.spool_path)
        self._note_budget()
        threads = [threading.Thread(target=feed.run, name=feed.name, daemon=True) for feed in self._feeds]
        if self.uplink is not None:
            threads.append(
                threading.Thread(target=self.uplink.run, args=(self.stop_event,), name="uplink", daemon=True)
            )
        threads.append(threading.Thread(target=self._mend, name="mend", daemon=True))
        for thread in threads:
            thread.start()
        if self._tells:  # not watched: the gateway works without it
            telling = threading.Thread(
                target=tell,
                args=(self.settings.spool_path, self.told, self._silent),
                kwargs={"log": self.log},
                name="tell",
                daemon=True,
            )
            telling.start()
        if self.settings.beside_listen is not None:  # nor this one
            threading.Thread(target=self._serve_beside, name="beside", daemon=True).start()
        self._notifier.tell(READY)
        self._watch(threads)
        self._notifier.tell(STOPPING)
        try:
            return self._finish(threads)
        finally:
            self._silent.set()
            if self._tells:
                telling.join(_FINISH_TELLING_S)

    def _serve_beside(self) -> None:
        """The page beside the machine."""
        assert self.settings.beside_listen is not None
        assert self._finder is not None
        assert self._visit is not None
        serve_beside(
            self.settings.beside_listen,
            self.settings.code_file,
            address=self.settings.beside_address,
            device=self.settings.device,
            finder=self._finder,
            visit=self._visit,
            spool=self.spool,
            clock=self.clock,
            random=self._random_bytes,
            stop=self.stop_event,
            log=self.log,
            bound=self._beside_bound,
        )

    def _beside_bound(self, port: int) -> None:
        assert self.settings.beside_listen is not None
        self._beside_port = port
        self.log("gateway.beside_serves", listen=shown((self.settings.beside_listen[0], port)))

    def _beside_told(self) -> str | None:
        if self.settings.beside_listen is None or self._beside_port is None:
            return None
        return shown((self.settings.beside_listen[0], self._beside_port))

    def told(self) -> dict[str, Any]:
        """The state that only this process knows, in the form of `status`; spans in seconds."""
        return {
            "pid": os.getpid(),
            "version": VERSION,
            "device": self.settings.device,
            "running_s": (self.clock.since_boot_us() - self._began_us) / 1e6,
            "stopping": self.stop_event.is_set(),
            "server": self.settings.uplink_server,
            "sources": [feed.told() for feed in self._feeds],
            "link": None if self.uplink is None else self.uplink.view.told(),
            "beside": self._beside_told(),
        }

    def _note_budget(self) -> None:
        try:
            self.spool.note("budget_bytes", self.spool.budget_bytes)
            self.spool.note("budget_days", self.spool.budget_days)
        except TryAgain as error:  # `status` does without; sources are bridged until the disk works
            self.log("gateway.spool_failed", level=logging.ERROR, reason=error)

    def _watch(self, threads: Sequence[threading.Thread]) -> None:
        """
        Wait for the stop; meanwhile report to the manager that all threads are alive, as long as they are.
        """
        alive_every_s = self._notifier.alive_every_s or 3600.0
        look_every_s = _DRAINED_LOOK_S if self.settings.run_exit_when_done else alive_every_s
        while not self.stop_event.wait(min(look_every_s, alive_every_s)):
            if all(thread.is_alive() or thread.name in self._ended() for thread in threads):
                self._notifier.tell(ALIVE)  # a thread that died of our own fault: the manager starts us again
            if self.settings.run_exit_when_done and self._is_done():
                self.stop()

    def _ended(self) -> set[str]:
        return {feed.name for feed in self._feeds if feed.ended.is_set()}

    def _mend(self) -> None:
        """Carry over readings of a damaged file, and append those in memory, a little at a time."""
        while not self.stop_event.is_set():
            try:
                more = self.spool.salvage()
            except TryAgain as error:
                self.log("gateway.salvage_failed", level=logging.ERROR, reason=error)
                more = False
            if more:
                self._wake.set()
            for feed in self._feeds:
                feed.flush()
            self.stop_event.wait(0.0 if more else _MEND_EVERY_S)

    def stop(self) -> None:
        """
        Ask the gateway to end. Safe from another thread; a signal goes through `stop_on_signals`.

        A second call ends it even if that loses readings which the disk has not taken.
        """
        if self.stop_event.is_set():
            self._end_now.set()
        self.stop_event.set()
        self._wake.set()

    def _is_done(self) -> bool:
        if not all(feed.ended.is_set() for feed in self._feeds):
            return False
        state = self.spool.state()
        return not state.notes.get("salvage") and all(
            stream.acknowledged_through == stream.appended_through for stream in state.streams
        )

    def _finish(self, threads: Sequence[threading.Thread]) -> int:
        # A thread that waits for network or input is left behind: its readings are on disk, or not taken yet.
        deadline_s = STOP_WITHIN_S * 0.6 / max(1, len(threads))
        for thread in threads:
            thread.join(deadline_s)
        lost = self._wait_for_disk()
        said = self._say_lost(lost) if lost else {}
        try:
            self.spool.close()
        except TryAgain as error:  # counters; the readings were written above
            self.log("gateway.spool_failed", level=logging.ERROR, reason=error)
        if self._transport is not None and not any(thread.is_alive() for thread in threads):
            self._transport.close()
        level = logging.ERROR if lost else logging.INFO
        self.log("gateway.stopped", level=level, device=self.settings.device, lost=lost, **said)
        return lost

    def _wait_for_disk(self) -> int:
        """Write readings that are only in memory, as long as there is time. Returns how many could not be."""
        until_us: int | None = None
        while True:
            for feed in self._feeds:
                feed.flush()
            unwritten = sum(feed.unwritten for feed in self._feeds) + self.spool.undeclared
            now_us = self.clock.since_boot_us()
            if not unwritten or self._end_now.is_set() or (until_us is not None and now_us >= until_us):
                return unwritten
            if until_us is None:
                until_us = now_us + round(self.settings.run_stop_wait_s * 1e6)
                self._say_waiting(unwritten)
            left_s = (until_us - now_us) / 1e6
            self._notifier.extend(min(left_s, _STOP_LOOK_S) + _STOP_EXTEND_S)
            self.clock.wait(self._end_now, min(left_s, _STOP_LOOK_S))

    def _say_lost(self, count: int) -> dict[str, bool]:
        """
        Declare lost readings that the disk does not take: to the server now, and by a note at the next start.

        By both, because the server may be restored to before it; the id says that they are the same.
        """
        note, is_noted = self.spool.note_losses(count)
        content = {"event": LOST, **noted_loss(note)}
        declared = self._transport is not None and self._declare(self._transport, content)
        return {"declared": declared, "declared_at_next_start": is_noted}

    def _declare(self, transport: Transport, content: Mapping[str, Any]) -> bool:
        """Declare an event to the server past the disk. True once it has confirmed it."""
        self._notifier.extend(_DECLARE_WITHIN_S + _STOP_EXTEND_S)
        events = [DeclaredEvent(stream=None, content=content)]
        confirmed = threading.Event()

        def declare() -> None:
            if is_confirmed(transport.send(declaration(self.settings.device, events)), len(events)):
                confirmed.set()

        declaring = threading.Thread(target=declare, name="declare", daemon=True)
        declaring.start()
        declaring.join(_DECLARE_WITHIN_S)
        name = "gateway.loss_declared" if confirmed.is_set() else "gateway.loss_not_declared"
        self.log(name, level=logging.ERROR, readings=content["count"])
        return confirmed.is_set()

    def _say_waiting(self, unwritten: int) -> None:
        self.log(
            "gateway.stop_waits",
            level=logging.ERROR,
            readings=unwritten,
            at_most_s=self.settings.run_stop_wait_s,
            reason="the disk takes no writes, and they are only in memory; a second signal gives them up",
        )


def _transport(settings: Settings, environ: Mapping[str, str]) -> Transport | None:
    return None if settings.uplink_server is None else transport_of(settings, environ)


def transport_of(settings: Settings, environ: Mapping[str, str]) -> Transport:
    """The transport of these settings. Raises SettingsWrong where key or certificates do not fit."""
    if settings.uplink_server is None:
        raise SettingsWrong("server_not_set")
    return HttpTransport(
        settings.uplink_server,
        key=key_reader(settings, environ),
        timeout_s=settings.uplink_timeout_s,
        ca_file=settings.uplink_ca_file,
        certificate_file=settings.uplink_certificate_file,
        certificate_key_file=settings.uplink_certificate_key_file,
    )
