"""
A server over HTTP as an observer: posts readings as a gateway does, enters changes, reads `/v1/fleet`.

Leaves to others: how the server is started, how its clock is set, and how its background work is awaited.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator
from dataclasses import asdict
from datetime import UTC, datetime
from typing import Any

import numpy as np
import orjson

from tests.fleets.observing import FoundChange, Observation, Points
from tests.fleets.truth import Entry, Fleet, IndicatorLook, LimitEntry, Machine, Readings

MOST_ROWS = 5_000  # in a batch: the contract's bound
MOST_HOUSINGS = 200  # on a page of the fleet

#: method, path, body -> answer; as an administrator
Ask = Callable[[str, str, dict[str, Any] | None], dict[str, Any]]
#: device, body -> answer; with a key that may post for the device
Post = Callable[[str, bytes], dict[str, Any]]


class RestObserver:
    """Made for one fleet: its machines and devices are registered at once, with the limits first entered."""

    def __init__(
        self,
        fleet: Fleet,
        ask: Ask,
        post: Post,
        *,
        set_time: Callable[[float], None],
        settle: Callable[[], None],
    ) -> None:
        """settle : returns once the server has analysed all that it stored."""
        self._ask, self._post, self._set_time, self._settle = ask, post, set_time, settle
        self._now_s = 0.0
        self.stored = self.quarantined = 0
        set_time(fleet.start_s)
        for machine in fleet.machines:
            self._register(machine)

    def _register(self, machine: Machine) -> None:
        limit = machine.limits[0]
        terminal = {"value": limit.value, "unit": limit.unit}
        housing: dict[str, Any] = {"housing": machine.housing, "terminal_restriction": terminal}
        if machine.reference is not None:
            housing["reference_flow"] = asdict(machine.reference)
        self._ask(
            "POST", "/v1/machines", {"machine": machine.name, "kind": machine.kind, "housings": [housing]}
        )
        if machine.clean_note is not None:
            note = {"subject": "clean_element", "value": machine.clean_note.value_pa, "unit": "Pa"}
            path = f"/v1/machines/{machine.name}/acceptance/hand-comparisons"
            self._ask("POST", path, {**note, "housing": machine.housing})
        for readings in machine.readings:
            self._ask("POST", "/v1/devices", {"device": readings.device, "machine": machine.name})

    def set_time(self, now_s: float) -> None:
        """The server's clock stands at an instant from now on."""
        self._set_time(now_s)

    def set_limit(self, machine: Machine, limit: LimitEntry) -> None:
        """Enter a limit from its instant on."""
        if limit is machine.limits[0]:
            return
        body = {"value": limit.value, "unit": limit.unit, "valid_from": instant(limit.entered_s)}
        self._ask("POST", f"/v1/machines/{machine.name}/terminal-restriction", body)

    def give(self, machine: Machine, readings: Readings, rows: slice) -> None:
        """Post some rows, a batch at a time."""
        del machine
        for first in range(rows.start, rows.stop, MOST_ROWS):
            some = slice(first, min(first + MOST_ROWS, rows.stop))
            answer = self._post(readings.device, batch(readings, some))
            if answer["acknowledged_through"] != some.stop:
                raise RuntimeError(f"{readings.device}: rows to {some.stop}, but {answer}")
            self.stored += answer["stored"]
            self.quarantined += len(answer["quarantined"])

    def enter(self, machine: Machine, entry: Entry) -> None:
        """Enter an element change."""
        body = {
            "changed_at": instant(entry.changed_s),
            "what": entry.what,
            "entry_id": entry.entry_id,
            "housing": machine.housing,
        }
        self._ask("POST", f"/v1/machines/{machine.name}/element-changes", body)

    def look(self, machine: Machine, look: IndicatorLook) -> None:
        """Enter what the indicator on the housing showed."""
        body = {
            "at": instant(look.at_s),
            "source": "own_indicator",
            "latched": look.is_latched,
            "entry_id": look.entry_id,
            "housing": machine.housing,
        }
        self._ask("POST", f"/v1/machines/{machine.name}/gauge-readings", body)

    def evening(self, now_s: float) -> Iterator[Observation]:
        """The server's answer about every machine."""
        self._settle()
        answer = self._ask("GET", f"/v1/fleet?limit={MOST_HOUSINGS}", None)
        if answer["next"] is not None:
            raise RuntimeError(f"more than {MOST_HOUSINGS} housings: read the fleet page by page")
        for housing in answer["housings"]:
            yield self._observation(housing, now_s)

    def _observation(self, housing: dict[str, Any], now_s: float) -> Observation:
        return Observation(
            machine=housing["machine"],
            at_s=now_s,
            state=housing["state"],
            causes=frozenset(suspicion["cause"] for suspicion in housing["suspicions"]),
            share_percent=housing["share_used_percent"],
            hours_left=_points(housing["hours_left"], float),
            due_s=_points(housing["due_at"], seconds),
            latch_s=_points(housing["latch_at"], seconds),
            found=tuple(self._found(housing)),
            questioned=frozenset(question["entry_id"] for question in housing["questions"]),
        )

    def _found(self, housing: dict[str, Any]) -> Iterator[FoundChange]:
        """Lives that begin by the readings alone; a fall that may begin one is only asked about."""
        asked = {seconds(at) for at in housing["changes_found"]}
        if asked:
            for life in self._ask("GET", f"/v1/machines/{housing['machine']}/lives", None)["lives"]:
                if life["began_by"] == "found":
                    at_s = seconds(life["start_at"])
                    asked.discard(at_s)
                    kind = "cleaned" if life["began"] == "cleaned" else "new"
                    by_s = None if life["start_by"] is None else seconds(life["start_by"])
                    yield FoundChange(at_s=at_s, kind=kind, by_s=by_s)
        asked |= set(weighed_openings(housing["evidence_said"]))
        yield from (FoundChange(at_s=at_s, kind="asked") for at_s in sorted(asked))


def weighed_openings(evidence: list[dict[str, Any]]) -> Iterator[float]:
    """Instants of falls of which a person is asked whether the element was changed or cleaned."""
    for said in evidence:
        values = said["values"]
        if said["code"] == "step_weighed" and {values["likely"], values["runner"]} & {"new", "cleaned"}:
            yield values["at_s"]


def batch(readings: Readings, rows: slice) -> bytes:
    """Some rows in the columns layout, with the key cycles that lie in them."""
    at_ms = np.round(readings.at_s[rows] * 1000).astype(np.int64)
    columns = {name: values[rows] for name, values in readings.values.items()}
    columns = {name: values for name, values in columns.items() if not np.isnan(values).all()}
    first, last = rows.start + 1, rows.stop
    events = [{"at_seq": n, "event": name} for n, name in readings.events if first <= n <= last]
    document = {
        "device": readings.device,
        "stream": readings.stream,
        "units": {name: readings.units[name] for name in columns},
        "first_seq": first,
        "start": instant(at_ms[0] / 1000),
        "step_ms": np.diff(at_ms, prepend=at_ms[0]).tolist(),
        "at_uncertainty_s": 1.0,
        "columns": {
            name: [None if v != v else v for v in values.tolist()] for name, values in columns.items()
        },
        "gateway": {"version": "1.0.0", "appended_through": last, "events": events},
    }
    return orjson.dumps(document)


def instant(at_s: float) -> str:
    """RFC 3339 in UTC, to the millisecond."""
    return (
        datetime.fromtimestamp(round(at_s * 1000) / 1000, UTC)
        .isoformat(timespec="milliseconds")
        .replace("+00:00", "Z")
    )


def seconds(at: str | None) -> float:
    """Seconds since 1970 of an instant in an answer; inf: null."""
    return np.inf if at is None else datetime.fromisoformat(at).timestamp()


def _points(points: dict[str, Any] | None, read: Callable[[Any], float]) -> Points | None:
    return None if points is None else (read(points["p10"]), read(points["p50"]), read(points["p90"]))
