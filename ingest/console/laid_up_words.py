"""Whether a machine is laid up, in the language of who looks. Pure."""

from __future__ import annotations

from collections.abc import Mapping

from markupsafe import Markup

from cleanside.ingest.console.formats import Formats, WrittenDays
from cleanside.ingest.console.wording import Sayer


def laid_up_said(say: Sayer, laid_up: Mapping[str, str | None] | None) -> Markup | None:
    """Until when a machine is laid up, or from when it will be; None: it is not, or it is over."""
    if laid_up is None:
        return None
    today = _today(say.formats)
    first, last = laid_up["from"] or today, laid_up["until"]
    days = WrittenDays(say.formats)
    if last is not None and last < today:
        return None
    if first > today:
        if last is None:
            return say("fleet.laid_up_from_on", start=days.of(first))
        return say("fleet.laid_up_from", start=days.of(first), until=days.of(last))
    return say("fleet.laid_up_open") if last is None else say("fleet.laid_up", until=days.of(last))


def is_ahead(formats: Formats, laid_up: Mapping[str, str | None]) -> bool:
    """True where it begins on a later day: the machine works until then."""
    return (laid_up["from"] or "") > _today(formats)


def _today(formats: Formats) -> str:
    """The day where the viewer is, ISO 8601."""
    return formats.moment(formats.now_s).date().isoformat()
