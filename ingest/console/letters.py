"""
Messages to people in words: subject, plain text and HTML, from codes and values, in the reader's language.

Promises: the words are those of the pages (`words/letter.*.toml` and what the pages say); a value is escaped
in HTML and plain in text. A message has no picture and loads nothing. Its times are in the reader's zone, as
of when it was written, so that it reads the same at every try.
Leaves to others: who gets which message (`ingest.messages`), the way it goes (`ingest.messages.letter`).
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from datetime import datetime
from functools import cache
from typing import Any
from zoneinfo import ZoneInfo

from jinja2 import Environment, FileSystemLoader, StrictUndefined, select_autoescape
from markupsafe import Markup

from cleanside.ingest.console.declared_words import event_said, event_step
from cleanside.ingest.console.formats import Formats, WrittenDays
from cleanside.ingest.console.letter_look import style
from cleanside.ingest.console.plan_words import plan_said
from cleanside.ingest.console.rendering import TEMPLATES
from cleanside.ingest.console.said_words import caution_of, said
from cleanside.ingest.console.viewer import locale_of
from cleanside.ingest.console.wording import Sayer
from cleanside.ingest.console.work_sentences import WorkSentences
from cleanside.ingest.messages.letter import Letter, Outgoing, one_line
from cleanside.ingest.messages.matters import CHECK_FIRST, OPENED
from cleanside.ingest.messages.telling import ESCALATED, OF_NO_MATTER
from cleanside.ingest.store.messages import Message

#: where one chooses which messages one gets
MESSAGES = "/messages"
Words = Callable[..., str]


@cache
def letter_templates() -> Environment:
    """The templates of messages: HTML is escaped, text is not."""
    made = Environment(
        loader=FileSystemLoader(TEMPLATES),
        autoescape=select_autoescape(["html"]),
        undefined=StrictUndefined,
        trim_blocks=True,
        lstrip_blocks=True,
        auto_reload=False,
    )
    made.globals |= {"style": style, "event_said": event_said, "event_step": event_step}
    return made


def letter_of(outgoing: Outgoing) -> Letter:
    """The words of a message."""
    message = outgoing.message
    formats = Formats(locale_of("", message.language), ZoneInfo(message.zone), message.written_us / 1e6)
    say = Sayer(message.language, formats, unit=message.about.get("unit"))
    name = message.kind if message.kind in OF_NO_MATTER else "matter"
    shared = _shared(outgoing, formats) | {"subject_key": _subject_key(outgoing)}
    as_html = shared | _html(say) | {"called": _in_markup(message.about)}
    as_text = shared | _text(say) | {"called": called(message.about)}
    for given in (as_html, as_text):
        given["sentences"] = _sentences(given["say"], message.about, formats)
    subject = say.plain(shared["subject_key"], **_subject_values(outgoing, formats))
    html = letter_templates().get_template(f"letter_{name}.html").render(as_html)
    text = letter_templates().get_template(f"letter_{name}.txt").render(as_text)
    return Letter(subject=one_line(subject), text=text.strip() + "\n", html=html)


def _subject_key(outgoing: Outgoing) -> str:
    message = outgoing.message
    if message.kind in OF_NO_MATTER:
        return f"letter.{message.kind}.subject"
    what = message.about["what"]
    is_dust = what == OPENED and message.about.get("advice_code") == "advice_below_clean"
    return f"letter.{message.kind}.{'dust' if is_dust and message.kind == CHECK_FIRST else what}"


def _subject_values(outgoing: Outgoing, formats: Formats) -> dict[str, Any]:
    about = outgoing.message.about
    day = noon_of(formats, about["day"]) if "day" in about else None
    return {"called": called(about), "day": day}


def called(about: Mapping[str, Any]) -> str:
    """What people call the thing that a message is about; "": nothing of its own."""
    return str(about.get("display_name") or about.get("machine") or about.get("device") or "")


def _in_markup(about: Mapping[str, Any]) -> Markup:
    """The same in HTML, whichever way its letters run."""
    return Markup("<bdi>{}</bdi>").format(called(about))


def noon_of(formats: Formats, day: str) -> float:
    """A calendar day as an instant of the reader's. [s]"""
    return formats.from_local(datetime.fromisoformat(day).replace(hour=12))


def _shared(outgoing: Outgoing, formats: Formats) -> dict[str, Any]:
    """What every template may name, in HTML and text."""
    message, pages = outgoing.message, outgoing.relay.pages
    return {
        "about": message.about,
        "kind": message.kind,
        "why": f"letter.why.{_why(message)}",
        "language": message.language,
        "format": formats,
        "pages": pages,
        "choose": f"{pages}{MESSAGES}",
        "leave": outgoing.leave_link,
        "confirm": outgoing.confirm_link,
        "on": WrittenDays(formats).of,
        "plan_said": plan_said,
        "noon": lambda day: noon_of(formats, day),
    }


def _why(message: Message) -> str:
    """Why a person gets a message: they chose its kind, or an admin chose them."""
    is_escalated = message.about.get("what") == ESCALATED
    return ESCALATED if is_escalated else message.kind


def _sentences(say: Words, about: Mapping[str, Any], formats: Formats) -> WorkSentences:
    """What the work list says, as its page says it. about : of a digest; of another message no site."""
    carries = about.get("carries", ())
    sites = {one[place]: one[f"{place}_display_name"] for one in carries for place in ("site", "from_site")}
    named = {code: called for code, called in sites.items() if called}
    return WorkSentences(say, on=WrittenDays(formats).of, sites=named)


def _html(say: Sayer) -> dict[str, Any]:
    return {
        "say": say,
        "tell": lambda statement, unit=None: said(say.in_unit(unit), statement),
        "advice": lambda code: say(f"said.{code}"),
        "caution": lambda code: caution_of(say, code),
        "named": lambda entry: _in_markup(entry),
    }


def _text(say: Sayer) -> dict[str, Any]:
    def caution(code: str) -> str | None:
        found = caution_of(say, code)
        return None if found is None else found.striptags()

    return {
        "say": say.plain,
        "tell": lambda statement, unit=None: said(say.in_unit(unit), statement).striptags(),
        "advice": lambda code: say.plain(f"said.{code}"),
        "caution": caution,
        "named": called,
    }
