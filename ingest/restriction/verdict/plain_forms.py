"""
Plain English for every code of the analysis: what planner and technician read.

Promises: pure. It decides nothing; another language is another table of the same codes.
Leaves to others: which code, with which values (`evidence`, `suspect`, `entry_words`, `assess`,
`installation`); the sentences of acceptance (`acceptance_forms`).

A sentence is a template, or a function that chooses the template by the values. A place says how its value is
written: {learned_s:minute} as a date and time, {hours:count hour} as "3 hours"; see `_Writer`.
"""

from __future__ import annotations

import math
import string
from collections.abc import Callable, Iterator, Mapping
from datetime import UTC, datetime
from functools import cache
from typing import Any

from cleanside.ingest.restriction.measure.words import counted
from cleanside.ingest.restriction.verdict.acceptance_forms import NEXT_STEPS, SEEN
from cleanside.ingest.restriction.verdict.statement import Sentence, Statement, Values
from cleanside.ingest.restriction.verdict.suspect import GAUGE_UNITS

MINUTES_FROM_S, HOURS_FROM_S = 120, 7_200  # chosen: from two of a unit on a span is said in it
HALF_MINUTE_S = 30  # arithmetic: half a turn is pi
#: unit of a gauge -> decimals at which a 0.05 kPa monitor still shows its steps (arithmetic)
_DECIMALS = {"kPa": 2, "inH2O": 1, "mbar": 1, "mmH2O": 0, "cmH2O": 1, "mmHg": 1, "psi": 2, "inHg": 2}


def text_of(statement: Statement, unit: str | None = None) -> str:
    """
    The sentence of a statement.

    unit : of the gauge, in which restriction is written; None or no unit of a gauge: kPa.
    Raises KeyError for a code without a sentence, or a value that is missing.
    """
    return _Writer(unit if unit in _DECIMALS else "kPa").text_of(statement)


def state_form(
    state: str, *, has_limit: bool, cleaned: bool = False, age_known: bool = True, look: bool = False
) -> str:
    """
    The code of what a person reads for a state.

    cleaned : the element was cleaned, and is not new. age_known : False, it was in use when first seen.
    look : a person is asked whether a sound element is in.
    """
    if look:
        return "look"
    if state != "running-in":
        return state
    if not has_limit:
        return "no_limit"
    return "age_unknown" if not age_known else "cleaned" if cleaned else state


def state_text(state: str, **known: bool) -> str:
    """What a person reads for a state. known : as of `state_form`."""
    return STATE_FORMS[state_form(state, **known)]


class _Writer:
    """Writes the places of a template, each as the name after its colon says."""

    def __init__(self, unit: str | None) -> None:
        self._unit = unit or "kPa"

    def text_of(self, statement: Statement) -> str:
        sentence = SENTENCES[statement.code]
        template = sentence if isinstance(sentence, str) else sentence(statement.values)
        return "".join(self._filled(template, statement.values))

    def _filled(self, template: str, values: Values) -> Iterator[str]:
        for before, name, form in _places(template):
            yield before
            if name is not None:
                yield self._as_wanted(values[name], form)

    def _as_wanted(self, value: Any, format_spec: str) -> str:
        """A value as its place wants it."""
        if isinstance(value, Statement):
            return self.text_of(value)
        kind, _, rest = format_spec.partition(" ")
        match kind:
            case "count":
                return counted(value, *rest.split(" ")).replace("_", " ")
            case "restriction":
                return "unknown" if value is None else self._restriction(value, "")
            case "restriction_off":
                return self._restriction(value, "+")
            case _ if kind in _KINDS:
                return _KINDS[kind](value)
        return format(value, format_spec)

    def _restriction(self, level_pa: float, sign: str) -> str:
        level = level_pa / GAUGE_UNITS[self._unit]
        return f"{level:{sign}.{_DECIMALS[self._unit]}f} {self._unit}"


@cache
def _places(template: str) -> tuple[tuple[str, str | None, str], ...]:
    """The pieces of a template, each with the place after it: name and form. It is taken apart once."""
    found = string.Formatter().parse(template)
    return tuple((before, name, form or "") for before, name, form, _ in found)


def _instant(at_s: float, form: str) -> str:
    return f"{datetime.fromtimestamp(at_s, UTC):{form}}"


def _span(span_s: float) -> str:
    """A span of time, without its sign."""
    span_s = abs(span_s)
    if span_s < MINUTES_FROM_S:
        return f"{span_s:.3g} s"
    return f"{span_s / 60:.0f} min" if span_s < HOURS_FROM_S else f"{span_s / 3_600:.0f} h"


#: what a place says -> how its value is written
_KINDS: Mapping[str, Callable[[float], str]] = {
    "kpa": lambda level_pa: f"{level_pa / 1000:.2f} kPa",
    "air": lambda pressure_pa: f"{pressure_pa / 1000:.1f} kPa",
    "air_off": lambda off_pa: f"{off_pa / 1000:+.1f} kPa",
    "minute": lambda at_s: _instant(at_s, "%Y-%m-%d %H:%M UTC"),
    "day": lambda at_s: _instant(at_s, "%Y-%m-%d"),
    "speed": lambda speed_rad_s: f"{speed_rad_s * HALF_MINUTE_S / math.pi:.0f} r/min",
    "span": _span,
    "percent": lambda share: f"{100 * share:.0f} %",
}

# ---------------------------------------------------------------- words

#: state, or "no limit" where it cannot be judged without -> what a person reads
STATE_FORMS: Mapping[str, str] = {
    "running-in": "new element, too early to judge",
    "cleaned": "cleaned element, too early to judge",
    "no_limit": "no change limit entered",
    "age_unknown": "element of unknown age, too early to judge",
    "look": "is the element in?",
    "serving": "in service",
    "plan": "plan change",
    "due": "change due",
    "over": "over limit",
    "suspect": "check first",
    "silent": "no data",
}

#: cause for mistrust -> what a person reads
CAUSE_FORMS: Mapping[str, str] = {
    "below_clean": "element missing or torn, or tube off",
    "fell_denied": "restriction fell, though nothing was changed",
    "flat": "restriction does not follow the engine",
    "indicator_at_mark": "the indicator was seen at its mark",
    "indicator_at_odds": "indicator and readings contradict each other",
    "no_restriction": "readings come without restriction",
    "monitors_swapped": "monitors of two machines swapped",
    "ports_swapped": "tubes of the sensor exchanged",
    "zero_moved": "zero has moved",
    "devices_disagree": "two devices disagree",
    "ambient": "ambient pressure does not fit",
    "terminal": "change limit in a wrong unit",
    "not_judged": "its readings could not be judged",
}

#: reason for silence -> what is known, and what is not
SILENCE_FORMS: Mapping[str, str] = {
    "keyed_off": "last message: key off",
    "off_or_out_of_coverage": (
        "last message: key off. Since then it may have stood, or worked out of coverage"
    ),
    "out_of_coverage": "out of coverage. Its gateway has readings that did not get through yet",
    "device_fault": "the device reported a fault",
    "unknown": "reason not known",
    "backlog_arrives": "old readings arrive",
}

#: kind of flow -> what a person reads
_FLOWS = {
    "engine_speed": "engine speed",
    "speed_load": "engine speed and load",
    "speed_density": "engine speed and boost pressure",
    "air_mass_flow": "air mass flow",
}

# ---------------------------------------------------------------- evidence

_EVENED_BY = {"corrected": "ambient pressure", "from altitude": "altitude and temperature"}

#: the flow that a machine is scaled by -> what a person has to enter for it
_TO_BE_USED = {
    "none": "Report engine_speed, boost_pressure or air_mass_flow.",
    "engine_speed": "Enter it as engine_speed.",
    "speed_load": "Enter the rated engine_speed, or report air_mass_flow and enter it as that.",
    "speed_density": "Report air_mass_flow and enter it as that: speed alone is no flow under boost.",
    "air_mass_flow": "Enter it as air_mass_flow.",
}


def _flow_scaled(values: Values) -> str:
    how = "fitted on this machine" if values["exponent_fitted"] else "assumed: too few different flows so far"
    kind = _FLOWS[values["flow_kind"]]
    return f"Restriction at the reference flow is computed by {kind}. Exponent {{exponent:.2f}}, {how}."


def _reference_unused(values: Values) -> str:
    kind = values["flow_kind"]
    by = "reports no flow" if kind == "none" else f"is scaled by {_FLOWS[kind]}"
    entered = _FLOWS[values["entered_kind"]]
    return (
        f"The reference flow entered is not used. It was entered as {entered}, and this machine {by}. "
        + (_TO_BE_USED[kind])
    )


def _air_known(values: Values) -> str:
    by = _EVENED_BY[values["evened_by"]]
    return (
        f"Levels are those in the air of this site, {{site_kg_m3:.2f}} kg/m³. Weather is corrected by {by}. "
        "Standard air would show {standard_air_share:.2f} of it."
    )


def _sure(values: Values) -> str:
    return "" if values["sure"] == "high" else " (not sure)"


def _fell_part_of_the_way(values: Values) -> str:
    return (
        f"Restriction fell part of the way on {{start_s:day}}{_sure(values)}. The element was probably "
        "cleaned. Enter a change if it was a new one."
    )


def _fell_to_clean(values: Values) -> str:
    return (
        f"Restriction fell to that of a clean element on {{start_s:day}}{_sure(values)}. If the element was "
        "changed, enter the change."
    )


#: what may have happened at a step of the level -> what a person reads
HAPPENED_FORMS: Mapping[str, str] = {
    "nothing": "no change",
    "new": "a new element",
    "cleaned": "a cleaned element",
    "low": "an element missing or torn",
    "off": "a tube off",
    "wet": "moisture in the element",
    "dried": "an element that dried",
    "light": "light work",
    "back": "the end of something that passed",
    "exchanged": "another sensor",
}


def _step_weighed(values: Values) -> str:
    return (
        "Restriction fell from {before_pa:restriction} to {after_pa:restriction} on {at_s:minute}. Most "
        f"likely: {HAPPENED_FORMS[values['likely']]} ({{chance:percent}}). "
        f"Otherwise: {HAPPENED_FORMS[values['runner']]} ({{runner_chance:percent}})."
    )


def _step_warned(values: Values) -> str:
    return (
        "Restriction fell from {before_pa:restriction} to {after_pa:restriction} on {at_s:minute}. It may be "
        f"{HAPPENED_FORMS[values['likely']]} ({{chance:percent}}), enough to stop and inspect. "
        f"It may also be {HAPPENED_FORMS[values['runner']]} ({{runner_chance:percent}})."
    )


def _quiet(values: Values) -> str:
    since = "No data yet" if values["heard_s"] is None else "No data since {heard_s:minute}"
    return f"{since}; {SILENCE_FORMS[values['because']]}."


_LOOK_DOUBTED = (
    " Both can hardly be right, so the look moves the level little. Was the indicator reset after the change "
    "before, is its tube sound, is the limit right, and was it this machine?"
)


_LOOK_WAITS = (
    " Both can hardly be right, so the look moves no figure until a second one shows the same. Was it this "
    "machine, and this unit?"
)


def _doubted(values: Values) -> str:
    if values.get("waits"):
        return _LOOK_WAITS
    return _LOOK_DOUBTED if values["is_question"] else ""


def _would(values: Values) -> str:
    if values["would_s"] is not None:
        return " By the readings it would have latched on {would_s:minute}."
    if values["limit_pa"] is None:
        return ""
    return (
        " By the readings it would not: the highest was {highest_pa:restriction} of {limit_pa:restriction}."
    )


def _look_latched(values: Values) -> str:
    return "The machine's indicator had latched by {at_s:minute}." + _would(values) + _doubted(values)


def _look_not_latched(values: Values) -> str:
    return "The machine's indicator had not latched by {at_s:minute}." + _would(values) + _doubted(values)


def _look_gauge(values: Values) -> str:
    what = "the engine may have been at full flow" if values["full_flow"] else "a lower bound of full flow"
    text = "A gauge showed {shown_pa:restriction} at {at_s:minute} " + f"({what}); "
    return text + "by the readings full flow gives {level_pa:restriction}." + _doubted(values)


def _look_pointer(values: Values) -> str:
    text = (
        "The machine's indicator stood at {shown_pa:restriction} at {at_s:minute}; by the readings full flow "
    )
    return text + "gave {highest_pa:restriction} at most." + _doubted(values)


EVIDENCE: Mapping[str, Sentence] = {
    "no_limit": "No change limit is entered, so there is no share used and no forecast.",
    "hours_judged": (
        "Readings from {hours:count hour}. This element is judged by {judged_hours:,} of them, at work."
    ),
    "flow_envelope": (
        "No engine speed or air flow: the highest readings of each hour are used. Reads low on light work."
    ),
    "flow_scaled": _flow_scaled,
    "sensor_follows_slowly": (
        "The sensor follows slowly: restriction at the reference flow is computed from the means of whole "
        "hours, and is less sure. Exponent {exponent:.2f}, assumed."
    ),
    "sensor_misses_peaks": "The sensor follows slowly: it misses short peaks of the work, and may read low.",
    "reference_entered": "Reference flow: entered.",
    "reference_learned": "Reference flow: the highest flows seen.",
    "reference_full_load": "Reference flow: that of full load at top speed, as this machine answers them.",
    "raised_to_full_flow": "Levels are multiplied by {factor:.2f}: such machines seldom meet full flow.",
    "share_width": "Used, from clean to limit, may be off by {points:.0f} points; in 8 cases of 10 by less.",
    "enter_full_flow": (
        "No reading shows full flow. Enter the air mass flow at rated speed and full load from the engine's "
        "papers."
    ),
    "send_load": "No reading shows full flow. Engine load, sent with the speed, would show it.",
    "send_speed_and_load": (
        "No reading shows full flow. Engine speed and load, sent with the restriction, would show it."
    ),
    "reference_speed_learned": "Reference flow: the highest engine speeds seen, {reference_rad_s:speed}.",
    "reference_speed_idle": (
        "Only idle was seen so far, {reference_rad_s:speed}. The level at work is not known yet."
    ),
    "reference_unused": _reference_unused,
    "zero_learned": "Zero was read with the engine off.",
    "zero_not_seen": "No reading with the engine off yet; zero is assumed to be right.",
    "air_unknown": "Air density is not known. The level moves a little with the weather.",
    "air_known": _air_known,
    "change_denied": (
        "A person entered that the element was not changed at {at_s:minute}. If the level fell then, check "
        "tube, tap and element."
    ),
    "in_use_when_first_seen": (
        "The element was in use before the first reading. Its clean level comes from its kind, or from the "
        "first hours."
    ),
    "fell_part_of_the_way": _fell_part_of_the_way,
    "fell_to_clean": _fell_to_clean,
    "step_weighed": _step_weighed,
    "step_warned": _step_warned,
    "no_lives": "No earlier elements to learn the forecast from.",
    "lives_learned": (
        "Forecast learned from {complete:count element} that reached the limit and {others:count other} "
        "still in use or changed before."
    ),
    "outlier": "This element loads at another pace than those. Its own curve is used, within wide bounds.",
    "duty_assumed": "Working hours are not known yet; {hours_per_day:.1f} h a day is assumed.",
    "duty_seen": "Works {hours_per_day:.1f} h a day, from {days:count day}.",
    "learned": "The forecast was last learned from the fleet on {learned_s:minute}, {days:count day} ago.",
    "learning_failed": (
        "Learning from the fleet failed on {failed_s:minute}. The forecast uses what was learned before. "
        "The server's log says why (ingest.learning_failed)."
    ),
    "quiet": _quiet,
    "backlog_arrives": (
        "Old readings arrive: the newest was measured {measured_s:minute}, the last came {received_s:minute}."
    ),
    "readings_waiting": "{waiting:count reading} waiting at its gateway.",
    "work_not_read": (
        "It may have worked {hours:count hour} since, at its normal pace. The due date is less sure by that."
    ),
    "stands_laid_up": "Laid up since {from_s:day}. No work is counted from then on.",
    "worked_laid_up": (
        "Worked {hours_per_day:.0f} h a day from {from_s:day} to {until_s:day}, although it is entered as "
        "laid up. Is it back? The dates count its work until a person has said so."
    ),
    "level_of_earlier": (
        "The level is from {restriction_s:minute}. The readings of {hours:count operating_hour} since then "
        "are in doubt."
    ),
    "clean_noted": (
        "With a new element in that was looked at, a gauge showed {shown_pa:restriction} at full flow, as a "
        "person noted. Clean elements here are judged by it."
    ),
    "clean_noted_doubted": (
        "With a new element in, a gauge showed {shown_pa:restriction} at full flow, as a person noted. The "
        "other elements and machines contradict it, so nothing goes by it. Was the element new, the engine "
        "at full flow, and was it this machine? Note it again, or take it back."
    ),
    "looks_calibrate": (
        "People's looks at indicator or gauge multiply all levels by {factor:.2f}, to within "
        "{spread_percent:.0f} %: {looks:count look} here, and those at {machines:count other_machine} by the "
        "same measure of flow."
    ),
    "look_latched": _look_latched,
    "look_not_latched": _look_not_latched,
    "look_gauge": _look_gauge,
    "look_pointer": _look_pointer,
    "indicator_by_met": (
        "What people saw of the machine's indicator fits the date of the indicator better than the one at "
        "full flow ({chance:percent} likely)."
    ),
    "indicator_by_full_flow": (
        "What people saw of the machine's indicator fits the date at full flow better than its own "
        "({chance:percent} likely)."
    ),
    "just_below_limit": (
        "Over limit, though now at {share:percent}: the level was above the limit and has hardly fallen. The "
        "state ends below {leave_share:percent}. Most likely no hours are left, at most {late_h:.1f} h."
    ),
}

# ---------------------------------------------------------------- causes for mistrust


def _devices_apart(values: Values) -> str:
    which = "reads as it did before" if values["is_clear"] else "was there first"
    return (
        "Two devices on this housing read {apart_pa:restriction} apart. "
        f"The level is that of the device that {which}."
    )


def _limit_as_read(values: Values) -> str:
    return "{limit_pa:restriction}" if values["unit"] is None else "{value:g} {unit}"


def _engine_beyond_limit(values: Values) -> str:
    return f"The change limit is {_limit_as_read(values)}. The engine works at {{percent:.0f}} % of that."


def _limit_in_another_unit(values: Values) -> str:
    in_kpa = "" if values["meant_unit"] == "kPa" else " ({meant_pa:air})"
    meant = f"{{meant_value:.3g}} {{meant_unit}}{in_kpa}"
    return (
        f"The change limit is {_limit_as_read(values)}. Was {meant} meant? Engine makers state such values."
    )


SUSPICIONS: Mapping[str, Sentence] = {
    "flat_spread": "Within an hour, restriction varies by {percent:.0f} % of what it did before.",
    "flat_swing": "Restriction shows {percent:.0f} % of the change that the engine's flow should cause.",
    "sends_as_other": (
        "Since {from_s:minute} the readings are of the kind that {other} sent before, and the other way "
        "round. Were the monitors swapped?"
    ),
    "sends_as_another": (
        "Since {from_s:minute} the readings are of the kind that another machine sent before, and the other "
        "way round. Were the monitors swapped?"
    ),
    "devices_apart": _devices_apart,
    "zero_moved": "The reading at rest has moved by {moved_pa:restriction_off}.",
    "air_off_standard": "Ambient pressure is {off_pa:air_off} off the standard atmosphere at its altitude.",
    "air_off_nearby": (
        "Ambient pressure is {off_pa:air_off} off that of {machines:count machine} nearby in the same "
        "{hours:count hour}."
    ),
    "held_alike": (
        "{held_pa:restriction} at rest, at low and at high speed alike: look for a plugged tap first, then "
        "at the sensor."
    ),
    "no_answer": (
        "Since {at_s:minute} it reads {level_pa:restriction} at idle and at high idle: it does not follow "
        "the engine."
    ),
    "reads_below_zero": (
        "Since {from_s:minute} the reading lies below zero and falls further the harder the engine works, as "
        "where the tubes of the sensor are exchanged. Its sign is turned for all figures."
    ),
    "indicator_at_mark": (
        "The machine's own indicator was seen at its mark on {at_s:minute}, and there is no operating hour "
        "to compare it with."
    ),
    "indicator_at_odds": (
        "The machine's own indicator was seen at its mark on {at_s:minute}, and the highest reading of this "
        "element by then was {highest_pa:restriction} of {limit_pa:restriction}: one of the two is wrong."
    ),
    "no_restriction": (
        "Restriction was last read on {at_s:day}. Readings came in {hours:count hour} since, without it."
    ),
    "never_restriction": "Readings came in {hours:count hour}, and restriction was in none of them.",
    "study_failed": (
        "Judging the readings of {hours:count hour} failed. They are all kept. The server's log says why "
        "(ingest.study_failed)."
    ),
    "next_to_nothing": "Since {at_s:minute} it reads {level_pa:restriction} at high idle: next to nothing.",
    "below_clean": "Now {now_pa:restriction}; a clean element reads {clean_pa:restriction}.",
    "fell_denied": (
        "Restriction fell from {before_pa:restriction} on {at_s:minute} and reads {after_pa:restriction} "
        "now, and a person says that nothing was changed. Share used and dates are those of before the fall, "
        "until a reading fits them again or the element was looked at."
    ),
    "engine_beyond_limit": _engine_beyond_limit,
    "limit_in_another_unit": _limit_in_another_unit,
}

# ---------------------------------------------------------------- entries

#: the question until a person has settled it
_ASKS = {
    "entry_did_not_fall": "Wrong machine or time?",
    "entry_before_first_reading": "Is the date right?",
    "entry_entered_before": "Was it done twice, or is it one?",
    "entry_again": "Was it done twice, or is it one?",
}

_UNTIL = "The entry is not used until it is confirmed, corrected or taken back."

#: of an entry that is in doubt for nothing but where it was made
_BY_CODE = (
    "Entered at the machine with the code on its label. It is not used until a person confirms it or a clear "
    "drop shows it."
)

_FELL = "Restriction fell from {before_pa:restriction} to {after_pa:restriction}"


def _entry(code: str, sentence: Sentence) -> Sentence:
    """The sentence of an entry, with the question it asks, or that a person confirmed it."""

    def template(values: Values) -> str:
        text = sentence if isinstance(sentence, str) else sentence(values)
        if values["is_question"] and code in _ASKS:
            return f"{text} {_ASKS[code]} {_UNTIL}"
        if values["is_question"]:
            return f"{text} {_BY_CODE}"
        return f"{text} Confirmed by a person." if values["confirmed"] else text

    return template


def _work(values: Values) -> str:
    return "Cleaning" if values["what"] == "cleaned" else "Change"


def _too_low(values: Values) -> str:
    clean = ". A clean element reads about {clean_pa:restriction}"
    if values["clean_pa"] is None:
        clean = ", less than an element reads"
    return f"{_FELL}{clean}. Look for a missing, torn or badly seated element, and for a tube that is off."


def _not_seen_yet(values: Values) -> str:
    if values.get("by_code"):  # it does not count meanwhile, which is said behind this
        return "Too few working hours since the entry."
    until = "it can be checked" if values["look_by_s"] is None else "it is checked, by {look_by_s:minute}"
    return f"Too few working hours since the entry. It counts until {until}."


def _did_not_fall(values: Values) -> str:
    nearest = "" if values["fall_s"] is None else " The nearest drop was at {fall_s:minute}."
    span = "{before_pa:restriction} to {after_pa:restriction}"
    return f"{_work(values)} entered for {{at_s:minute}}, but no drop ({span}).{nearest}"


def _before_first_reading(values: Values) -> str:
    return f"{_work(values)} entered for {{at_s:minute}}, before the first reading of this machine."


def _again(values: Values) -> str:
    other = "a few operating hours away, but not in the same shift"
    return f"{_work(values)} entered for {{at_s:minute}}. One is entered for {{other_s:minute}} too, {other}."


def _entered_before(values: Values) -> str:
    return (
        f"{_work(values)} entered for {{at_s:minute}}. One is entered for {{other_s:minute}} already, and a "
        "second does not show ({before_pa:restriction} to {after_pa:restriction})."
    )


_OF_ENTRIES: Mapping[str, Sentence] = {
    "entry_fits": f"{_FELL}. This fits the entry.",
    "entry_fits_at_fall": (
        f"{_FELL} at {{used_s:minute}}, within a shift of the entry. The entry counts from then."
    ),
    "entry_too_low": _too_low,
    "entry_part_of_the_way": (
        f"{_FELL}. A new element reads about {{clean_pa:restriction}}. "
        "Was the element cleaned, or is it another part?"
    ),
    "entry_not_seen_yet": _not_seen_yet,
    "entry_not_watched": "No monitor sits here, so no reading can check the entry.",
    "entry_no_level_before": "No readings before the entry to compare with.",
    "entry_clean_before": (
        "Restriction was already that of a clean element ({before_pa:restriction}). A change does not show."
    ),
    "entry_did_not_fall": _did_not_fall,
    "entry_before_first_reading": _before_first_reading,
    "entry_again": _again,
    "entry_entered_before": _entered_before,
    "entry_double": "Already entered within the same shift. Both entries count as one.",
    "entry_noted": "Noted. The element stays the same.",
    "entry_denied": "Noted. The element was not changed then.",
}

ENTRIES: Mapping[str, Sentence] = {code: _entry(code, sentence) for code, sentence in _OF_ENTRIES.items()}

# ---------------------------------------------------------------- advice

_SECURE = "Engine off, key out, machine secured and locked out before anyone works in the engine bay."
_MAKER = "The engine maker's service limit and manual come first."

#: by state, by cause where it is suspect, and without a limit
ADVICE: Mapping[str, str] = {
    "advice_running-in": f"Too early to judge this element. Until then go by the maker's indicator. {_MAKER}",
    "advice_serving": f"Nothing to do now. Leave the housing closed: each opening lets dust in. {_MAKER}",
    "advice_plan": f"Order an element and plan the change before the due date. {_MAKER}",
    "advice_planned": (
        "The change is planned for {on}. Have the element there by then, and leave the housing closed until "
        f"then: each opening lets dust in. {_MAKER}"
    ),
    "advice_due": f"Change the element at the next stop. {_SECURE}",
    "advice_over": f"Over limit: change the element now. Power falls and fuel use rises. {_SECURE}",
    "advice_silent": f"Find out why no data arrives. Until then go by the maker's indicator. {_MAKER}",
    "advice_no_limit": (
        "Enter the change limit from the engine maker's manual. Without it there is no due date. Until then "
        "go by the maker's indicator."
    ),
    "advice_below_clean": (
        "Stop and inspect: element missing, torn or not seated, or tube off. Dust reaches the engine. Never "
        f"run the engine with the element out. {_SECURE}"
    ),
    "advice_may_be_missing": (
        "The element may be missing or torn: at the next stop look that it is in, whole and seated, and "
        "enter what you found. Without it dust reaches the engine, and its level shows no date. Never run "
        f"the engine with the element out. {_SECURE}"
    ),
    "advice_fell_denied": (
        "Restriction fell and stayed low, though nothing was changed: look at tube, tap and element before "
        f"the machine works on, and enter what you found. Dust may reach the engine. {_SECURE}"
    ),
    "advice_flat": (
        f"Restriction does not follow the engine: look for a plugged tap or a pinched or wet tube. {_SECURE}"
    ),
    "advice_indicator_at_mark": (
        "The machine's own indicator was seen at its mark, and it comes first: check the element before the "
        f"machine works on, by the maker's manual, and enter what you found. {_SECURE}"
    ),
    "advice_indicator_at_odds": (
        "The machine's own indicator was seen at its mark, and the readings lie far below the limit. Latched "
        "since an earlier load? Reset it and look again after work. Otherwise check the element by the "
        "maker's manual, then the monitor's tap and tube, and enter what you found. Until then the maker's "
        f"indicator comes first. {_SECURE}"
    ),
    "advice_no_restriction": (
        "The monitor sends, and no restriction: check the sensor and its cable. The level shown is an old "
        f"one. Until then go by the maker's indicator. {_SECURE}"
    ),
    "advice_monitors_swapped": (
        "The monitors of two machines seem to have changed places: compare the labels, and put each back or "
        f"enter where it sits now. Until then go by the maker's indicator. {_SECURE}"
    ),
    "advice_ports_swapped": (
        "The tubes of the sensor seem to be exchanged: compare them with the marks at its ports, and put "
        f"each where it belongs. {_SECURE}"
    ),
    "advice_zero_moved": f"The reading at rest has moved: check the sensor and its tube. {_SECURE}",
    "advice_ambient": (
        "Ambient pressure does not fit the altitude: check the sensor and the entered altitude."
    ),
    "advice_terminal": (
        "The change limit looks like a value in another unit: check value and unit on the gauge or in the "
        "engine maker's manual."
    ),
    "advice_not_judged": (
        "Nothing is known of this element: judging its readings failed, which is a fault of the server and "
        "not of the machine. Pass the lines of the server's log on to those who keep the server. Until then "
        f"go by the maker's indicator. {_MAKER}"
    ),
    "advice_devices_disagree": (
        f"Two devices do not agree: compare both with a gauge and check their tubes. {_SECURE}"
    ),
}

#: code -> sentence, for all statements of the analysis
SENTENCES: Mapping[str, Sentence] = {
    **EVIDENCE,
    **SUSPICIONS,
    **ENTRIES,
    **ADVICE,
    **SEEN,
    **NEXT_STEPS,
}
