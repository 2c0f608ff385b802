"""
The gateway's page as HTML: pure, from facts and words.

Promises: whatever comes from outside is escaped; it works without scripts, by keyboard, at 320 px; nothing
is fetched from anywhere else. A value has its unit, and its age in words.
Leaves to others: what is asked and answered (`gateway.beside.reception`), words
(`gateway.beside.page_words`).
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from functools import cache
from html import escape
from importlib import resources
from string import Template
from typing import Any, Final

from cleanside.gateway.beside.machine_facts import MachineFacts
from cleanside.gateway.beside.page_words import WORDS
from cleanside.gateway.beside.watch import LastValue
from cleanside.gateway.spot_checks import FAILED, LINK, NOT_YET_SEEN, PASSED, Check, Statement
from cleanside.gateway.units import QUANTITIES, from_si, own_name, to_si

#: a value older than this is not what the monitor shows now [s]
_OLD_S: Final = 10.0
#: digits behind the point, by the unit that is shown
_DIGITS: Final[Mapping[str, int]] = {
    "Pa": 0, "kPa": 2, "bar": 4, "psi": 2, "inHg": 2, "V": 1, "mV": 0, "r/min": 0, "deg": 5, "dBm": 0, "m": 0,
    "h": 1, "s": 0, "1": 0, "count": 0, "%": 0, "/": 2,
}  # fmt: skip
_RESTRICTION_UNITS: Final = QUANTITIES["restriction"].units
_LIVE_SCRIPT: Final = """
const live = document.getElementById("live"), stale = document.getElementById("stale");
setInterval(async () => {
  try {
    const answer = await fetch("/live", { cache: "no-store" });
    if (answer.ok) live.innerHTML = await answer.text();
    stale.hidden = answer.ok;
  } catch { stale.hidden = false; }
}, 2000);
"""


def page(
    body: str, *, device: str, language: str, title: str, nonce: str, live: bool = False
) -> tuple[str, str]:
    """
    A whole page, and the content security policy that goes with it (W3C CSP level 3).

    body : HTML. live : it renews itself.
    """
    words = WORDS[language]
    html = Template(_file("page.html")).substitute(
        lang=language,
        title=escape(title),
        device=escape(device),
        nonce=nonce,
        style=_file("page.css"),
        body=body,
        advice=escape(words["advice"]),
        refresh='<noscript><meta http-equiv="refresh" content="5"></noscript>' if live else "",
        script=f'<script nonce="{nonce}">{_LIVE_SCRIPT}</script>' if live else "",
    )
    source = f"'nonce-{nonce}'"
    policy = (
        f"default-src 'none'; style-src {source}; script-src {source}; connect-src 'self'; img-src data:; "
        "form-action 'self'; base-uri 'none'; frame-ancestors 'none'"
    )
    return html, policy


@cache
def _file(name: str) -> str:
    return resources.files("cleanside.gateway.beside").joinpath(name).read_text("utf-8")


# ---------------------------------------------------------------- the door


def door(device: str, language: str, *, fault: str = "", code: str = "") -> str:
    """Which machine this is, and where the code goes. fault : a sentence; "": none yet. code : filled in."""
    words = WORDS[language]
    which = escape(words["door_which"]).replace("{device}", f"<bdi>{escape(device)}</bdi>")
    said = f'<p class="fault" id="fault">{escape(fault)}</p>' if fault else ""
    described = ' aria-describedby="fault" aria-invalid="true"' if fault else ""
    return (
        f'<div class="opening"><h1>{escape(words["door_title"])}</h1><p>{which}</p></div>'
        f'<form method="post" action="/code"><div><label for="code">{escape(words["door_code"])}</label>'
        f'<input id="code" name="code" value="{escape(code[:64])}" required maxlength="64" '
        f'autocomplete="off" autocapitalize="characters" spellcheck="false"{described}>{said}</div>'
        f'<p><button class="first">{escape(words["door_open"])}</button></p></form>'
    )


# ---------------------------------------------------------------- values and checks


def machine(facts: MachineFacts, language: str) -> str:
    """The whole of the live page."""
    words = WORDS[language]
    return (
        f'<div class="opening"><h1><bdi>{escape(facts.device)}</bdi></h1>'
        f'<p class="fault" id="stale" role="status" hidden>{escape(words["not_live"])}</p></div>'
        f'<div id="live">{live_part(facts, language)}</div>'
        f'<div class="end-bar"><a class="button first" href="/entry">{escape(words["make_entry"])}</a></div>'
    )


def live_part(facts: MachineFacts, language: str) -> str:
    """What renews itself."""
    return (
        f'<div class="halves"><div>{_values(facts, language)}{_signal(facts.signal, language)}</div>'
        f"{_checks(facts, language)}</div>"
    )


def _values(facts: MachineFacts, language: str) -> str:
    words = WORDS[language]
    main = next(iter(facts.values), None)
    if main is None:
        shown = f'<p class="age">{escape(words["no_value"])}</p>'
    else:
        age = escape(words["measured"].format(age=age_text(main.age_s)))
        value = f'<p class="value">{_value(main, language)}</p>{_on_gauge(main, facts.gauge_unit, language)}'
        note = f'<p class="note">{escape(words[main.quantity])}</p>'
        shown = f'{note}{value}<p class="age">{age}</p>'
    old = " old" if main is not None and main.age_s > _OLD_S else ""
    pairs = [(escape(words[last.quantity]), _aged(last, main, language)) for last in facts.values[1:]]
    return (
        f'<section class="live{old}" aria-label="{escape(words["live"])}">{shown}'
        f"{_pairs(pairs)}{_pairs(_standing(facts, words))}{_waits(facts.link, words)}</section>"
    )


def _on_gauge(last: LastValue, gauge_unit: str | None, language: str) -> str:
    """Restriction once more, as the machine's gauge and plate have it, where their unit is another."""
    own = own_name(last.unit, last.quantity)
    if gauge_unit in (None, own) or last.quantity != "restriction" or own not in _RESTRICTION_UNITS:
        return ""
    shown = _restriction(to_si(last.value, own, "restriction"), str(gauge_unit), language)
    return f'<p class="note">{escape(shown)}</p>'


def _aged(last: LastValue, main: LastValue | None, language: str) -> str:
    """A value, with its age where that is not the main value's."""
    shown = _value(last, language)
    if main is not None and abs(last.age_s - main.age_s) > _OLD_S:
        shown += f' <span class="unit">({age_text(last.age_s)})</span>'
    return shown


def _standing(facts: MachineFacts, words: Mapping[str, str]) -> list[tuple[str, str]]:
    found = []
    if facts.backlog is not None:
        found.append((escape(words["waiting"]), str(facts.backlog)))
    if facts.backlog and facts.oldest_s is not None:
        found.append((escape(words["oldest"]), age_text(facts.oldest_s)))
    if facts.entries_waiting:
        found.append((escape(words["entries_waiting"]), str(facts.entries_waiting)))
    return [*found, (escape(words["link_state"]), _link(facts.link, words))]


def _link(link: Mapping[str, Any] | None, words: Mapping[str, str]) -> str:
    if link is None:
        return escape(words["link_none"])
    if link["failing_s"] is None:
        return escape(words["link_works"] if link["last_word"] is not None else "–")
    return escape(words["link_failing"].format(age=age_text(link["failing_s"])))


def _waits(link: Mapping[str, Any] | None, words: Mapping[str, str]) -> str:
    if link is None or link["waits_for"] is None:
        return ""
    what = words[f"waits_{link['waits_for']}"]
    return f'<p class="aside">{escape(words["waits"].format(what=what, age=age_text(link["waits_s"])))}</p>'


def _pairs(pairs: Sequence[tuple[str, str]]) -> str:
    if not pairs:
        return ""
    return f'<dl class="pairs">{"".join(f"<dt>{name}</dt><dd>{value}</dd>" for name, value in pairs)}</dl>'


def _signal(signal: Sequence[tuple[float, float]], language: str) -> str:
    """Signal over the last minutes, so that a place for the monitor can be chosen."""
    if len(signal) < 2:
        return ""
    words = WORDS[language]
    levels = [level for _, level in signal]
    low, high = min(*levels, levels[0] - 1), max(*levels, levels[0] + 1)
    span_s = max(1.0, signal[0][0])
    points = [
        f"{34 + 290 * (1 - ago_s / span_s):.1f} {10 + 44 * (high - level) / (high - low):.1f}"
        for ago_s, level in signal
    ]
    now = escape(words["signal_now"].format(level=number(levels[-1], 0, language)))
    label = f"{words['signal_title']}: {number(low, 0, language)} – {number(high, 0, language)} dBm"
    return (
        f'<section class="section"><h2>{escape(words["signal_title"])}</h2><p><strong>{now}</strong></p>'
        f'<svg class="signal" viewBox="0 0 330 74" role="img" aria-label="{escape(label)}">'
        f'<path class="hair" d="M34 10H330M34 54H330"/><path d="M{"L".join(points)}"/>'
        f'<text x="0" y="14">{number(high, 0, language)}</text>'
        f'<text x="0" y="58">{number(low, 0, language)}</text>'
        f'<text x="34" y="72">{age_text(span_s)}</text></svg></section>'
    )


def _checks(facts: MachineFacts, language: str) -> str:
    words = WORDS[language]
    units = _restriction_units(facts)
    order = {FAILED: 0, NOT_YET_SEEN: 1}
    rows = sorted(facts.checks, key=lambda check: order.get(check.verdict, 2))
    shown = "".join(_check(check, language, units, note=_note(check, facts.link, words)) for check in rows)
    return (
        f'<section class="judged" aria-label="{escape(words["checks"])}">'
        f"<h2>{escape(_summary(facts.checks, words))}</h2>"
        f'<p class="aside">{escape(words["checks_rest"])}</p><ul class="checks">{shown}</ul></section>'
    )


def _summary(checks: Sequence[Check], words: Mapping[str, str]) -> str:
    verdicts = [check.verdict for check in checks]
    failed, unseen = verdicts.count(FAILED), verdicts.count(NOT_YET_SEEN)
    code = "checks_failed" if failed else "checks_open" if unseen else "checks_passed"
    return words[code].format(failed=failed, open=unseen, all=len(verdicts))


def _note(check: Check, link: Mapping[str, Any] | None, words: Mapping[str, str]) -> str:
    """What the present adds to a check that passed before: the link may be gone again."""
    if check.check != LINK or check.verdict != PASSED or link is None or link["failing_s"] is None:
        return ""
    return words["link_fails_now"].format(age=age_text(link["failing_s"]))


def _restriction_units(facts: MachineFacts) -> list[str]:
    """The units that restriction is shown in: the monitor's own, and the gauge's where that is another."""
    own = next((last.unit for last in facts.values if last.quantity == "restriction"), "kPa")
    return [own] if facts.gauge_unit in (None, own_name(own, "restriction")) else [own, str(facts.gauge_unit)]


def _check(check: Check, language: str, units: Sequence[str], *, note: str) -> str:
    words = WORDS[language]
    kind = {FAILED: "failed", NOT_YET_SEEN: "open"}.get(check.verdict, "passed")
    do = "" if check.next_step is None else sentence(check.next_step, language, units)
    return (
        f'<li class="{kind}"><span class="word">{escape(words[check.verdict])}</span>'
        f"<div><strong>{escape(words[check.check])}</strong><br>"
        f"{escape(sentence(check.seen, language, units))}"
        f"{f'<p class=do>{escape(do or note)}</p>' if do or note else ''}</div></li>"
    )


# ---------------------------------------------------------------- words, numbers, units


def sentence(said: Statement, language: str, units: Sequence[str]) -> str:
    """A statement of a check as a sentence. units : that restriction is shown in, the first one first."""
    words = WORDS[language]
    values = {name: _figure(name, value, language, units) for name, value in said.values.items()}
    return words[said.code].format(**values)


def _figure(name: str, value: Any, language: str, units: Sequence[str]) -> str:
    words = WORDS[language]
    if name.endswith("_pa"):
        first, *more = (_restriction(float(value), unit, language) for unit in units)
        return f"{first} ({', '.join(more)})" if more else first
    if name == "wanted":
        return words[str(value)]
    if value is None:
        return words["none"]
    if name == "anchor":
        return words.get(f"anchor_{value}", str(value))  # a source of its own may name another
    if isinstance(value, float):
        digits = 0 if name.endswith("_min") else 2 if name == "uncertainty_s" and value < 1.0 else 1
        return number(value, digits, language)
    return str(value)


def _restriction(value_pa: float, unit: str, language: str) -> str:
    """A restriction in a unit. value_pa : [Pa]"""
    return f"{number(from_si(value_pa, unit, 'restriction'), _DIGITS.get(unit, 1), language)} {unit}"


def _value(last: LastValue, language: str) -> str:
    # The unit as it was sent; QUANTITIES know it, but it is outside's word all the same.
    own = own_name(last.unit, last.quantity)
    shown = number(last.value, _DIGITS.get(own, 1), language)
    if own in ("1", "count"):
        return shown
    return f'{shown} <span class="unit">{escape(own)}</span>'


def number(value: float, digits: int, language: str) -> str:
    """A number as the language writes it, with a true minus sign."""
    text = f"{value:.{digits}f}"
    if float(text) == 0:
        text = text.removeprefix("-")
    text = text.replace("-", "\N{MINUS SIGN}")
    return text.replace(".", ",") if language == "de" else text


def age_text(seconds: float) -> str:
    """An age: seconds below 2 min, minutes below 2 h, then hours and minutes, days from two on."""
    whole = max(0, int(seconds))
    if whole < 120:
        return f"{whole} s"
    if whole < 7_200:
        return f"{whole // 60} min"
    if whole < 172_800:
        return f"{whole // 3600} h {whole % 3600 // 60} min"
    return f"{whole // 86_400} d"
