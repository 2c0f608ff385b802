"""
`cleanside-simulator faults`: real gateways and a real server under every fault that there is a name for.

Links go wrong, gateways are killed, keyed off, copied and damaged, clocks jump, disks fill up, the server is
killed, held up and restored from backups of every age. Each round ends with everything switched on again and
one more restore; then an audit holds the campaign's own ledger against the shop, row for row, and against
the files. Exit code 0 only if all of it holds.
Leaves to others: which fault when (`campaign.py`), what has to hold (`row_audit.py`).
"""

from __future__ import annotations

import json
import threading
import time
from collections import Counter
from collections.abc import Callable, Iterator, Sequence
from contextlib import ExitStack
from dataclasses import asdict, dataclass, field
from pathlib import Path
from typing import Any, Final

from rich.console import Console

from cleanside.gateway.units import counted
from cleanside.simulator.campaign import Round, Stroke, rounds
from cleanside.simulator.campaign_evidence import gather, waiting
from cleanside.simulator.crooked_link import MODES, STRAIGHT, CrookedLink
from cleanside.simulator.demo import run_folder
from cleanside.simulator.errors import CampaignFailed
from cleanside.simulator.fleet import FLEET
from cleanside.simulator.ledger import Ledger, WrittenReading
from cleanside.simulator.row_audit import MOST_OF_A_KIND, Flaw, audit, by_kind
from cleanside.simulator.small_disk import small_disk
from cleanside.simulator.tried_gateway import ASK_EVERY_S, TriedGateway
from cleanside.simulator.tried_shop import TriedShop

ROUND_S: Final = 60.0  # of a long campaign; a short one is one round (chosen)
COPY_FIRST_NUMBER: Final = 100_000_000  # of a copy's readings, times which copy it is
WHOLE_WITHIN_S: Final = 400.0  # a deadline: a gateway that backs off tries again within five minutes
SMALL_BUDGET_BYTES: Final = 2**20
HOLDS: Final = (
    "0 lost, 0 twice, 0 out of order, 0 changed; each time within its width, each loss declared and shown"
)
DOES_NOT_HOLD: Final = "NOT all of it holds, see above"
TIME_KNOWN_WITHIN_S: Final = 20.0
#: what a campaign leaves out, because it is known not to hold, or needs a machine that may be broken
LEFT_OUT: Final = (
    "a spool that is copied before its time is known: both are stored until a person discards the second",
    "a copy in a machine that has been on for longer: only machine or file tell it, and a bench has one",
    "a process that dies while its disk is dead: what it lost stands in its log alone",
    "power cuts below the file system: a simulated disk stands for it, in the tests of the spool",
)
WITHOUT_DISKS: Final = "small file systems and read-only ones: this user may not mount any"
MET_WITHIN_S: Final = 6.0  # of a mode of a link; its gateway asks every two seconds, or backs off
_READY_WITHIN_S: Final = 60.0
_LOOK_S: Final = 0.5


@dataclass(frozen=True, kw_only=True, slots=True)
class FaultChoices:
    """What can be chosen on the command line."""

    seed: int = 7
    minutes: float = 1.0
    gateways: int = 4
    #: "sqlite", or the URL of an empty PostgreSQL database
    server: str = "sqlite"
    #: folder of pg_dump and pg_restore; None: on the path
    pg_tools: Path | None = None
    json_file: Path | None = None
    folder: Path | None = None


@dataclass(frozen=True, slots=True)
class MadeWhole:
    """A restore with everything switched on: how long until the shop had all that the gateways hold."""

    round: int
    backup_age_s: float
    took_s: float


@dataclass(kw_only=True)
class CampaignOutcome:
    """All that a campaign found."""

    choices: FaultChoices
    took_s: float
    rounds: int
    entries: Sequence[WrittenReading]
    gateway_faults: Counter[str]
    shop_faults: Counter[str]
    link_modes: Counter[str]
    made_whole: list[MadeWhole]
    flaws: list[Flaw]
    given_up: int
    #: what could not be had here, in words
    left_out: list[str] = field(default_factory=list)


def run_faults(choices: FaultChoices, *, console: Console) -> int:
    """Run a campaign; returns the exit code."""
    with run_folder(choices.folder, prefix="cleanside-faults-") as folder:
        outcome = run_campaign(choices, folder, say=console.print)
    for line in lines_of(outcome):
        console.print(line, soft_wrap=True, highlight=False, markup=False)
    if choices.json_file is not None:
        choices.json_file.write_text(json.dumps(document_of(outcome), indent=2) + "\n")
    return 1 if outcome.flaws else 0


def run_campaign(choices: FaultChoices, folder: Path, *, say: Callable[[str], object]) -> CampaignOutcome:
    """Run a campaign in an empty folder. say : hears how it goes."""
    with ExitStack() as stack:
        return Campaign(choices, folder, stack, say).run()


class Campaign:
    """The bench: a shop, gateways and their links, and the ledger."""

    def __init__(
        self, choices: FaultChoices, folder: Path, stack: ExitStack, say: Callable[[str], object]
    ) -> None:
        self._choices, self._folder, self._stack, self._say = choices, folder, stack, say
        self._began_s = time.monotonic()
        is_sqlite = choices.server == "sqlite"
        database = None if is_sqlite else choices.server
        self.shop = TriedShop(folder, database=database, pg_tools=choices.pg_tools)
        stack.callback(self.shop.stop)
        self.ledger = stack.enter_context(Ledger(folder / "ledger.jsonl"))
        self.gateways: list[TriedGateway] = []
        self._links: dict[str, CrookedLink] = {}
        self._shop_gate = threading.Lock()  # its backup and its end do not meet a bundle that is sent
        self._made_whole: list[MadeWhole] = []
        self._troubles: list[str] = []
        self._flaws: list[Flaw] = []
        self._threads: list[threading.Thread] = []
        self._ending = threading.Event()
        self._bundles = 0
        self._has_disks = False
        #: kinds of faults that cannot be had here
        self.without = () if is_sqlite else ("no_room",)

    def run(self) -> CampaignOutcome:
        """Round after round, then the audit."""
        self.shop.open()
        for number in range(self._choices.gateways):
            self._fit_out(number)
        for gateway in self.gateways:
            gateway.wait_ready(_READY_WITHIN_S)
        try:
            return self._judge(self._play_rounds())
        finally:
            self._end()

    def _play_rounds(self) -> int:
        """Returns how many were played."""
        played = 0
        for played, faults in enumerate(self._rounds(), 1):
            self._play(faults)
            self._settle(played)
            if self._elapsed_s() >= self._choices.minutes * 60:
                break
            for gateway in self.gateways:
                gateway.is_fed.set()
        return played

    def _elapsed_s(self) -> float:
        return time.monotonic() - self._began_s

    def _rounds(self) -> Iterator[Round]:
        return rounds(
            seed=self._choices.seed,
            gateways=[gateway.name for gateway in self.gateways],
            modes=[mode for mode in MODES if mode != STRAIGHT],
            round_s=min(ROUND_S, self._choices.minutes * 60),
            without=self.without,
        )

    # ------------------------------------------------------------ who takes part

    def _fit_out(self, number: int) -> None:
        """A machine with its monitor, its key, its link and its gateway."""
        spec = FLEET[number % len(FLEET)]
        device = spec.device if number < len(FLEET) else f"{spec.device}-{number // len(FLEET) + 1}"
        self.shop.register_machine(device, spec.kind, spec.terminal, spec.terminal_unit)
        key = self.shop.register_device(device, device)
        disk = self._stack.enter_context(small_disk(self._folder / f"{device}.disk")) if number % 2 else None
        self._has_disks |= disk is not None
        self._add(
            device,
            device=device,
            key=key,
            known_within_us=50_000 if number % 3 == 1 else None,
            in_kpa=number % 2 == 1,
            budget_bytes=SMALL_BUDGET_BYTES if number % 2 and disk is None else None,
            disk=disk,
        ).open()

    def _add(self, name: str, *, device: str, key: str, **more: Any) -> TriedGateway:
        port = int(self.shop.url.rsplit(":", 1)[1])
        link = CrookedLink(port, seed=f"{self._choices.seed} {name}")
        self._links[name] = self._stack.enter_context(link)
        gateway = TriedGateway(
            name,
            self._folder / name,
            device=device,
            key=key,
            server=link.url,
            ledger=self.ledger,
            seed=self._choices.seed,
            **more,
        )
        self._stack.callback(gateway.close)
        self.gateways.append(gateway)
        return gateway

    def _copy(self, gateway: TriedGateway) -> None:
        """Its spool goes on in a second machine too, under the same name."""
        copies = sum(other.device == gateway.device for other in self.gateways)
        if gateway.is_small or gateway.is_copied:  # what a small one gives up is not told apart
            return
        until_s = time.monotonic() + TIME_KNOWN_WITHIN_S
        while not gateway.knows_time():  # see LEFT_OUT
            if time.monotonic() > until_s or self._ending.wait(_LOOK_S):
                return
        other = self._add(
            f"{gateway.name}.copy-{copies}",
            device=gateway.device,
            key=gateway.key,
            first_number=COPY_FIRST_NUMBER * copies,
            in_kpa=gateway.in_kpa,
        )
        gateway.copy_to(other)
        other.open()
        gateway.done["copy"] += 1

    # ------------------------------------------------------------ a round

    def _play(self, faults: Round) -> None:
        """Everybody meets their faults at the same time."""
        began_s = time.monotonic()
        by_name = {gateway.name: gateway for gateway in self.gateways}
        parts: list[tuple[Callable[[Stroke], None], Sequence[Stroke]]] = [(self._strike_shop, faults.shop)]
        for name, strokes in faults.gateways.items():
            parts.append((lambda stroke, g=by_name[name]: self._strike(g, stroke), strokes))  # type: ignore[misc]
        for name, strokes in faults.links.items():
            parts.append((lambda stroke, link=self._links[name]: _bend(link, stroke), strokes))  # type: ignore[misc]
        self._threads = [threading.Thread(target=self._carry_out, args=(began_s, *part)) for part in parts]
        for thread in self._threads:
            thread.start()
        for thread in self._threads:
            thread.join()
        if self._troubles:
            raise CampaignFailed("; ".join(self._troubles))

    def _carry_out(self, began_s: float, do: Callable[[Stroke], None], strokes: Sequence[Stroke]) -> None:
        try:
            for stroke in strokes:
                if self._ending.wait(max(0.0, began_s + stroke.at_s - time.monotonic())):
                    return
                do(stroke)
        except Exception as error:  # in a thread: said by the one that waits for it
            self._troubles.append(f"{type(error).__name__}: {error}")

    def _end(self) -> None:
        """However it ends: no further fault, so that nothing is started again behind our back."""
        self._ending.set()
        for thread in self._threads:
            thread.join()

    def _strike_shop(self, stroke: Stroke) -> None:
        with self._shop_gate:
            self.shop.strike(stroke.what, stroke.size)

    def _strike(self, gateway: TriedGateway, stroke: Stroke) -> None:
        if stroke.what == "copy":
            self._copy(gateway)
        elif stroke.what == "carry":
            self._carry(gateway)
        else:
            gateway.strike(stroke.what, stroke.size)

    def _carry(self, gateway: TriedGateway) -> None:
        """Its backlog goes to the shop as a file, and the same file once more."""
        self._bundles += 1
        bundle = self._folder / f"{self._bundles}.bundle"
        if gateway.command("export", "--out", str(bundle)) == 0:
            with self._shop_gate:
                taken = [self.shop.take_bundle(bundle) for _ in range(2)]
            gateway.done["carry"] += all(taken)

    def _settle(self, played: int) -> None:
        """Switch everything on, wait until all has arrived; then one restore more, and wait again."""
        for link in self._links.values():
            link.go(STRAIGHT)
        for gateway in self.gateways:
            gateway.is_fed.clear()
            if waiting(gateway):  # it may wait for minutes before it tries again: a technician would not
                gateway.strike("stop", 0.0)
        self._wait_whole(f"round {played} is over")
        if "restore" not in self.without:
            with self._shop_gate:
                self.shop.strike("restore", (played * 0.37) % 1.0)
            restored = self.shop.restores[-1]
            self._wait_whole(f"the restore after round {played}")
            took_s = time.monotonic() - restored.done_s
            self._made_whole.append(MadeWhole(played, restored.backup_age_s, took_s))
        kept = sum(entry.is_kept is True for entry in self.ledger.entries().values())
        self._say(
            f"round {played}: {self._elapsed_s():.0f} s, {counted(kept, 'reading')} on disk, all arrived"
        )

    def _wait_whole(self, what: str) -> None:
        until_s = time.monotonic() + WHOLE_WITHIN_S
        while lacking := self._lacking():
            if time.monotonic() > until_s:
                late = f"{what}, and after {WHOLE_WITHIN_S:g} s: {'; '.join(lacking)}"
                self._flaws.append(Flaw("not_whole", "shop", late))
                return
            time.sleep(_LOOK_S)

    def _lacking(self) -> list[str]:
        """What has not arrived yet, as the gateways and the account say."""
        held = {gateway.name: waiting(gateway) for gateway in self.gateways}
        lacking = [f"{count} wait in {name}" for name, count in held.items() if count]
        lacking += [f"{gateway.name} writes" for gateway in self.gateways if gateway.is_writing()]
        database = self.shop.database_id()
        said = {gateway.name: gateway.undeclared(database) for gateway in self.gateways}
        lacking += [f"{count} events wait in {name}" for name, count in said.items() if count]
        if lacking:
            return lacking
        streams = self.shop.get("/v1/account")["streams"]
        lacking = [
            f"{line['device']} {line['stream']}: {line[state]} {state}"
            for line in streams
            for state in ("gap", "pending", "lost")
            if line[state]
        ]
        return lacking or self._lacking_rows(streams)

    def _lacking_rows(self, streams: Sequence[dict[str, Any]]) -> list[str]:
        """A restored server may not know a stream at all: the ledger knows how many there have to be."""
        kept, there = Counter[str](), Counter[str]()
        for entry in self.ledger.entries().values():
            kept[entry.device] += entry.is_kept is True
        for line in streams:
            there[line["device"]] += line["stored"] + line["quarantined"] + line["shed"]
        return [
            f"{count - there[device]} of {device} are not at the shop"
            for device, count in kept.items()
            if count > there[device]
        ]

    # ------------------------------------------------------------ the end

    def _judge(self, played: int) -> CampaignOutcome:
        for gateway in self.gateways:
            gateway.close()
        self.ledger.finish()
        self._say("audit: every row of the ledger against the shop and the files")
        evidence = gather(self.ledger.path, self.shop, self.gateways)
        return CampaignOutcome(
            choices=self._choices,
            took_s=self._elapsed_s(),
            rounds=played,
            entries=list(evidence.ledger.values()),
            gateway_faults=_sum(gateway.done for gateway in self.gateways),
            shop_faults=self.shop.done,
            link_modes=_sum(link.met for link in self._links.values()),
            made_whole=self._made_whole,
            flaws=self._flaws + audit(evidence),
            given_up=sum(line["shed"] for line in evidence.account["streams"]),
            left_out=list(self._left_out()),
        )

    def _left_out(self) -> Iterator[str]:
        yield from LEFT_OUT
        if not self._has_disks:
            yield WITHOUT_DISKS
        yield from (f"{kind} of the server (PostgreSQL)" for kind in self.without)


def _bend(link: CrookedLink, stroke: Stroke) -> None:
    """A bad mode is not over before a request has met it: a busy bench has few."""
    if stroke.what == STRAIGHT:
        link.wait_met(MET_WITHIN_S)
    link.go(stroke.what)


def _sum(counters: Any) -> Counter[str]:
    total = Counter[str]()
    for counter in counters:
        total.update(counter)
    return total


def lines_of(outcome: CampaignOutcome) -> Iterator[str]:
    """The report for a person."""
    said = Counter(entry.is_kept for entry in outcome.entries)
    written = counted(len(outcome.entries), "reading")
    yield f"{written} written to {counted(outcome.choices.gateways, 'gateway')}"
    yield f"  {said[True]:,} on disk, {said[False]:,} lost as it said, {said[None]:,} without an answer"
    yield f"gateways: {_counts(outcome.gateway_faults)}"
    yield f"server: {_counts(outcome.shop_faults)}"
    yield f"requests by the link's mode: {_counts(outcome.link_modes)}"
    yield from _restores(outcome.made_whole)
    yield f"numbers that gateways gave up, as declared: {outcome.given_up:,}"
    yield from (f"left out: {what}" for what in outcome.left_out)
    for kind, flaws in by_kind(outcome.flaws).items():
        yield f"{kind.upper()}: {counted(len(flaws), 'finding')}"
        yield from (f"  {flaw.device}: {flaw.detail}" for flaw in flaws[:MOST_OF_A_KIND])
    spent = f"seed {outcome.choices.seed}, {counted(outcome.rounds, 'round')}, {outcome.took_s:.0f} s"
    yield f"{spent}: {DOES_NOT_HOLD if outcome.flaws else HOLDS}"


def _restores(made_whole: Sequence[MadeWhole]) -> Iterator[str]:
    if not made_whole:
        return
    slowest = max(found.took_s for found in made_whole)
    oldest = max(found.backup_age_s for found in made_whole)
    restores = counted(len(made_whole), "restore")
    yield f"{restores} with everything on, from backups of up to {oldest:.0f} s of age"
    yield f"  whole again within {slowest:.1f} s; gateways ask every {ASK_EVERY_S:g} s"


def _counts(counter: Counter[str]) -> str:
    return ", ".join(f"{count} {name}" for name, count in sorted(counter.items())) or "none"


def document_of(outcome: CampaignOutcome) -> dict[str, Any]:
    """The same for a program."""
    said = Counter(entry.is_kept for entry in outcome.entries)
    return {
        "holds": not outcome.flaws,
        "seed": outcome.choices.seed,
        "took_s": round(outcome.took_s, 1),
        "rounds": outcome.rounds,
        "gateways": outcome.choices.gateways,
        "server": "sqlite" if outcome.choices.server == "sqlite" else "postgresql",
        "readings": {"on_disk": said[True], "lost": said[False], "unanswered": said[None]},
        "gateway_faults": dict(outcome.gateway_faults),
        "server_faults": dict(outcome.shop_faults),
        "link_modes": dict(outcome.link_modes),
        "made_whole": [asdict(found) for found in outcome.made_whole],
        "given_up": outcome.given_up,
        "left_out": outcome.left_out,
        "findings": [asdict(flaw) for flaw in outcome.flaws],
    }
