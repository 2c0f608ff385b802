"""
Where readings come from: one small interface, found by entry point so that others can add theirs.

A source is a class registered in the entry point group `cleanside.sources`. It is made with its options and
its context, and its `run` emits readings until it has no more or `stop` is set. Promises: `emit` returns
once the readings are on disk; their mark is written in the same transaction, so that a source that
starts again from its mark neither skips nor repeats.
Leaves to others: restarting a source that fails, stopping (`gateway.commands.run`).
"""

from __future__ import annotations

import threading
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from importlib.metadata import entry_points
from typing import Any, Protocol

from cleanside.gateway.errors import SourceWrong
from cleanside.gateway.timing.clock import Anchor, Clock
from cleanside.gateway.wire import Reading

ENTRY_POINT_GROUP = "cleanside.sources"

__all__ = [
    "ENTRY_POINT_GROUP",
    "Context",
    "Emit",
    "Keep",
    "Source",
    "SourceFactory",
    "Verdicts",
    "find_source",
    "split_entry",
]


def _none_hears(what: str, **fields: object) -> None:
    """Where no process counts."""


def _none_asks(_: Anchor) -> None:
    """Where no spool is behind the source."""


#: takes a verdict for each reading, in order: None: it is on disk; a text: why it never will be
Verdicts = Callable[[Sequence[str | None]], None]


class Keep(Protocol):
    """As `Emit` without a mark, for a source that has to answer for each reading."""

    def __call__(self, readings: Sequence[Reading], then: Verdicts, /) -> None:
        """
        Returns at once where the disk does not take them now. `then` is called once, from any thread, when
        they are on disk or never will be; it must not block.
        """


def _keeps_nothing(_: Sequence[Reading], __: Verdicts) -> None:
    """Where no spool is behind the source."""
    raise NotImplementedError


class Emit(Protocol):
    """Takes readings; returns once they are on disk."""

    def __call__(self, readings: Sequence[Reading], *, mark: str | None = None) -> None:
        """mark : how far the source has come with these; given back as `Context.mark` after a restart."""


@dataclass(frozen=True, kw_only=True)
class Context:
    """The context of a source."""

    #: its own name among the sources of this gateway
    name: str
    clock: Clock
    #: the mark of its last emit; None: it has not begun
    mark: Callable[[], str | None]
    #: report a reading that could not be taken: what, with fields. Counted and logged, never raised
    report: Callable[..., None]
    #: the same of a reading of which the rest was taken
    report_part: Callable[..., None] = _none_hears
    #: the same of what is no measurement of now, so that nothing is lost with it
    report_unwanted: Callable[..., None] = _none_hears
    #: report the time, where the source knows it better than the machine (a GPS receiver). Never raises
    tell_time: Callable[[Anchor], None] = _none_asks
    #: say why restriction is not among what it emits, in a sentence for a person
    lacks_restriction: Callable[[str], None] = _none_hears
    #: put readings on disk and get the outcome of each
    keep: Keep = _keeps_nothing


class Source(Protocol):
    """Something that measures, or replays what was measured."""

    def run(self, emit: Emit, stop: threading.Event) -> None:
        """
        Emit readings until there are no more (return) or `stop` is set. Raise to be restarted.

        Raise `gateway.errors.SourceAway` to give the reason in your own words: of any other error only its
        class and the system's text are logged, because a library's text may quote a password.
        """


class SourceFactory(Protocol):
    """What an entry point names: makes a source, or raises SourceWrong."""

    def __call__(self, options: Mapping[str, Any], context: Context) -> Source:
        """options : as in the settings, without `use` and `name`."""


def split_entry(entry: Mapping[str, Any], number: int) -> tuple[str, str, dict[str, Any]]:
    """
    `use`, the source's name and its own options, from its table in the settings.

    number : of the table, from 1; it completes the name of a source that the settings give none.
    """
    options = dict(entry)
    use = str(options.pop("use"))
    return use, str(options.pop("name", f"{use}-{number}")), options


def find_source(use: str) -> SourceFactory:
    """The source registered under `use`. Raises SourceWrong, naming those that there are."""
    registered = entry_points(group=ENTRY_POINT_GROUP)
    for entry in registered:
        if entry.name == use:
            factory: SourceFactory = entry.load()
            return factory
    names = ", ".join(sorted(entry.name for entry in registered)) or "none (is the package installed?)"
    raise SourceWrong("unknown_source", use=use, known=names)
