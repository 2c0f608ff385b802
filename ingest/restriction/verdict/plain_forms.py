"""
Plain English for every code of the analysis: what planner and technician read.

Promises: pure. Nothing is decided here; another language is another table of the same codes.
Leaves to others: which code is said, with which values (`evidence`, `suspect`, `entry_words`, `assess`,
`installation`).

A sentence is a template, or a function that chooses the template by the values. A place says how its value is
written: {learned_s:minute} as a date and time, {hours:count hour} as "3 hours"; see `_KINDS`.
"""

from __future__ import annotations

import math
import string
from collections.abc import Callable, Mapping
from datetime import UTC, datetime
from typing import Any

from cleanside.ingest.restriction.measure.words import counted
from cleanside.ingest.restriction.verdict.statement import Statement, Values

#: a template, or a function that chooses it by the values
Sentence = str | Callable[[Values], str]


def text_of(statement: Statement) -> str:
    """The sentence of a statement. Raises KeyError for a code without one, or a value that is missing."""
    sentence = SENTENCES[statement.code]
    template = sentence if isinstance(sentence, str) else sentence(statement.values)
    return _Writer().vformat(template, (), statement.values)


class _Writer(string.Formatter):
    """Formats the places of a template."""

    def format_field(self, value: Any, format_spec: str) -> str:
        """A value as its place wants it."""
        if isinstance(value, Statement):
            return text_of(value)
        kind, _, rest = format_spec.partition(" ")
        if kind in _KINDS:
            return _KINDS[kind](value, rest)
        return format(value, format_spec)


def _count(value: int, nouns: str) -> str:
    return counted(value, *nouns.split(" ")).replace("_", " ")


def _kpa(level_pa: float | None, _: str) -> str:
    return "unknown" if level_pa is None else f"{level_pa / 1000:.2f} kPa"


def _kpa_off(off_pa: float, _: str) -> str:
    return f"{off_pa / 1000:+.2f} kPa"


def _air(level_pa: float, _: str) -> str:
    return f"{level_pa / 1000:.1f} kPa"


def _air_off(off_pa: float, _: str) -> str:
    return f"{off_pa / 1000:+.1f} kPa"


def _minute(at_s: float | None, _: str) -> str:
    return "" if at_s is None else f"{datetime.fromtimestamp(at_s, UTC):%Y-%m-%d %H:%M} UTC"


def _day(at_s: float, _: str) -> str:
    return f"{datetime.fromtimestamp(at_s, UTC):%Y-%m-%d}"


def _speed(speed_rad_s: float, _: str) -> str:
    return f"{speed_rad_s * 30 / math.pi:.0f} r/min"


def _percent(share: float, _: str) -> str:
    return f"{100 * share:.0f} %"


#: what a place says -> how its value is written
_KINDS: Mapping[str, Callable[[Any, str], str]] = {
    "count": _count,
    "kpa": _kpa,
    "kpa_off": _kpa_off,
    "air": _air,
    "air_off": _air_off,
    "minute": _minute,
    "day": _day,
    "speed": _speed,
    "percent": _percent,
}

# ---------------------------------------------------------------- what a figure rests on

_EVENED_BY = {"corrected": "ambient pressure", "from altitude": "altitude and temperature"}

#: what a machine is scaled by -> what makes an entered reference flow of another kind count
_TO_BE_USED = {
    "none": "report engine_speed, boost_pressure or air_mass_flow",
    "engine_speed": "enter it as engine_speed",
    "speed_density": "report air_mass_flow and enter it as that, because speed alone is no flow under boost",
    "air_mass_flow": "enter it as air_mass_flow",
}

#: reason for silence -> what is known, and what is not
SILENCE: Mapping[str, str] = {
    "keyed_off": "keyed off at the last message",
    "off_or_out_of_coverage": "keyed off at the last message; it may have stood since, or worked out of "
    "coverage",
    "out_of_coverage": "out of coverage: its gateway holds readings that did not get through yet",
    "device_fault": "the device reported a fault",
    "unknown": "no reason known",
}


def _flow_scaled(values: Values) -> str:
    how = "fitted on this machine" if values["exponent_fitted"] else "assumed, too few flow steps"
    return "scaled by {flow_kind} with exponent {exponent:.2f} " + f"({how})"


def _reference_unused(values: Values) -> str:
    kind = values["flow_kind"]
    by = "by no flow" if kind == "none" else f"by {kind}"
    return (
        "the reference flow entered is one of {entered_kind} and is not used, "
        f"as this machine is scaled {by}: {_TO_BE_USED[kind]}"
    )


def _air_known(values: Values) -> str:
    return (
        "stated in the air of this site, {site_kg_m3:.2f} kg/m³, weather evened out by "
        f"{_EVENED_BY[values['evened_by']]}; standard air would show {{standard_air_share:.2f}} of it"
    )


def _sure(values: Values) -> str:
    return "" if values["sure"] == "high" else " (too few hours since to be sure)"


def _fell_part_of_the_way(values: Values) -> str:
    what = "the element was likely cleaned; enter a change if it was a new one"
    return f"the level fell part of the way on {{start_s:day}}{_sure(values)}: {what}"


def _fell_to_clean(values: Values) -> str:
    what = "enter the change if the element was changed"
    return f"the level fell to a clean one on {{start_s:day}}{_sure(values)}: {what}"


def _quiet(values: Values) -> str:
    return f"quiet: {SILENCE[values['because']]}"


EVIDENCE: Mapping[str, Sentence] = {
    "no_limit": "no terminal restriction is entered: no share used and no forecast",
    "hours_judged": (
        "{hours:count hour} with readings, {judged_hours:,} at work and fit to judge this element by"
    ),
    "flow_envelope": "no flow proxy: the upper envelope of each operating hour stands for full flow",
    "flow_scaled": _flow_scaled,
    "reference_entered": "reference flow entered",
    "reference_learned": "reference flow learned from the highest flows seen",
    "reference_speed_learned": (
        "reference flow learned from the highest flows seen, {reference_rad_s:speed}"
    ),
    "reference_speed_idle": (
        "reference flow learned from the highest flows seen, {reference_rad_s:speed}: that is idle, the "
        "level at work is not known yet"
    ),
    "reference_unused": _reference_unused,
    "zero_learned": "zero learned with the engine off",
    "zero_not_seen": "zero not seen, taken as 0 Pa",
    "air_unknown": "air density not known: the level moves a little with the weather",
    "air_known": _air_known,
    "in_use_when_first_seen": (
        "element in use when first seen: its clean level is taken from its kind, or its first hours"
    ),
    "fell_part_of_the_way": _fell_part_of_the_way,
    "fell_to_clean": _fell_to_clean,
    "no_lives": "no lives to learn from",
    "lives_learned": (
        "forecast learned from {complete:count life lives} seen to terminal and {others:,} running or ended "
        "before"
    ),
    "outlier": "this element loads at another pace than those: its own curve counts, within wide bounds",
    "duty_assumed": "no duty seen yet: {hours_per_day:.1f} h a day assumed",
    "duty_seen": "duty from {days:count day}: {hours_per_day:.1f} h a day",
    "learned": "the fleet was last learned from on {learned_s:minute}, {days:count day} ago",
    "learning_failed": (
        "learning from the fleet failed on {failed_s:minute}: what was learned before is used; "
        "the server's log says why (ingest.learning_failed)"
    ),
    "quiet": _quiet,
    "readings_waiting": "{waiting:count reading} known to wait at its gateway",
    "work_not_read": (
        "nothing was read in {hours:count hour} of its usual work: the due date is as wide as that"
    ),
    "level_of_earlier": (
        "the level is that of {restriction_s:minute}: the readings of {hours:count operating_hour} since are "
        "in doubt"
    ),
    "just_below_limit": (
        "over limit, though now at {share:percent}: the level was beyond it and has hardly fallen, "
        "so the state stays until it is below {leave_share:percent}; most likely no hours are left, "
        "{late_h:.1f} h at the latest"
    ),
}

# ---------------------------------------------------------------- causes for mistrust


def _devices_apart(values: Values) -> str:
    which = "reads as it did before" if values["is_clear"] else "was there first"
    apart = "two devices on one housing read {apart_pa:.0f} Pa apart"
    return f"{apart}; the level is that of the one that {which}"


def _limit_as_read(values: Values) -> str:
    return f"{values['limit_pa'] / 1000:.3g} kPa" if values["unit"] is None else "{value:g} {unit}"


def _engine_beyond_limit(values: Values) -> str:
    return f"terminal is {_limit_as_read(values)}, and the engine works at {{percent:.0f}} % of that"


def _limit_in_another_unit(values: Values) -> str:
    in_kpa = "" if values["meant_unit"] == "kPa" else f" ({values['meant_pa'] / 1000:.1f} kPa)"
    return (
        f"terminal is {_limit_as_read(values)}; {{meant_value:.3g}} {{meant_unit}}{in_kpa} is what engine "
        "makers state"
    )


SUSPICIONS: Mapping[str, Sentence] = {
    "flat_spread": "within an hour restriction varies by {percent:.0f} % of what it used to",
    "flat_swing": "of the swing that the engine's flow should cause, {percent:.0f} % comes through",
    "devices_apart": _devices_apart,
    "zero_moved": "reading at rest moved by {moved_pa:+.0f} Pa",
    "air_off_standard": "ambient pressure is {off_pa:air_off} off the standard atmosphere at its altitude",
    "air_off_nearby": (
        "ambient pressure is {off_pa:air_off} off that of {machines:count machine} nearby in the same "
        "{hours:count hour}"
    ),
    "below_clean": "{now_pa:.0f} Pa lately, {clean_pa:.0f} Pa with the element clean",
    "engine_beyond_limit": _engine_beyond_limit,
    "limit_in_another_unit": _limit_in_another_unit,
}

# ---------------------------------------------------------------- entries

#: what is asked until a person has settled it
_ASKS = {"entry_did_not_fall": "Wrong machine or time?", "entry_before_first_reading": "Is the date right?"}

_UNTIL = "The entry is not used until it is confirmed, corrected or taken back."

_LEVELS = "from {before_pa:kpa} to {after_pa:kpa}"


def _entry(code: str, sentence: Sentence) -> Sentence:
    """The sentence of an entry, with the question it asks, or that a person confirmed it."""

    def template(values: Values) -> str:
        says = sentence if isinstance(sentence, str) else sentence(values)
        if values["is_question"]:
            return f"{says} {_ASKS[code]} {_UNTIL}"
        return f"{says} Confirmed by a person." if values["confirmed"] else says

    return template


def _work(values: Values) -> str:
    return "Cleaning" if values["what"] == "cleaned" else "Change"


def _too_low(values: Values) -> str:
    than = (
        "lower than an element reads"
        if values["clean_pa"] is None
        else "and a clean element reads about {clean_pa:kpa}"
    )
    return (
        f"Restriction fell {_LEVELS}, {than}. Look for a missing, torn or badly seated element, "
        "and for a tube that is off."
    )


def _did_not_fall(values: Values) -> str:
    nearest = "" if values["fall_s"] is None else " The nearest fall was at {fall_s:minute}."
    return (
        f"{_work(values)} entered for {{at_s:minute}}, but restriction did not fall "
        f"({{before_pa:kpa}} before, {{after_pa:kpa}} after).{nearest}"
    )


def _before_first_reading(values: Values) -> str:
    return f"{_work(values)} entered for {{at_s:minute}}, before the first reading of this machine."


_OF_ENTRIES: Mapping[str, Sentence] = {
    "entry_fits": f"Restriction fell {_LEVELS}: this fits the entry.",
    "entry_fits_at_fall": (
        f"Restriction fell {_LEVELS} at {{used_s:minute}}, within a shift of the entry. "
        "The entry counts from then."
    ),
    "entry_too_low": _too_low,
    "entry_part_of_the_way": (
        f"Restriction fell {_LEVELS}, and a new element reads about {{clean_pa:kpa}}. "
        "Was the element cleaned, or is it another part?"
    ),
    "entry_not_seen_yet": (
        "Too few working hours since the entry. It counts, and will be checked by {look_by_s:minute}."
    ),
    "entry_no_level_before": "No readings before the entry to compare with.",
    "entry_clean_before": (
        "Restriction was that of a clean element before ({before_pa:kpa}): a change does not show."
    ),
    "entry_did_not_fall": _did_not_fall,
    "entry_before_first_reading": _before_first_reading,
    "entry_double": "Entered already within the same shift. Both entries count as one.",
    "entry_noted": "Noted. The element stays the same.",
    "entry_denied": "Noted: the element was not changed then.",
}

ENTRIES: Mapping[str, Sentence] = {code: _entry(code, sentence) for code, sentence in _OF_ENTRIES.items()}

# ---------------------------------------------------------------- advice

_SECURE = "Engine off, key out, machine secured and locked out before anyone works in the engine bay."
_MAKER = "The engine maker's service limit and manual come first."

#: by state, by cause where it is suspect, and without a limit
ADVICE: Mapping[str, str] = {
    "advice_running-in": (
        f"Too little seen yet to judge this element; until then go by the maker's indicator. {_MAKER}"
    ),
    "advice_serving": f"Nothing to do; leave the housing closed, each opening lets dust in. {_MAKER}",
    "advice_plan": f"Order an element and plan the change before the due date. {_MAKER}",
    "advice_due": f"Change the element at the next stop. {_SECURE}",
    "advice_over": (
        f"Beyond terminal restriction: change the element now; power falls and fuel use rises. {_SECURE}"
    ),
    "advice_silent": f"Find out why nothing is heard; until then go by the maker's indicator. {_MAKER}",
    "advice_no_limit": (
        "Enter the terminal restriction from the engine maker's manual: without it nothing says when the "
        "element is due. Until then go by the maker's indicator."
    ),
    "advice_below_clean": (
        "Stop and inspect: element missing, torn or not seated, or tube off; dust reaches the engine. Never "
        f"run the engine with the element out. {_SECURE}"
    ),
    "advice_flat": (
        f"Restriction does not answer the engine: look for a plugged tap or a pinched or wet tube. {_SECURE}"
    ),
    "advice_zero_moved": f"The reading at rest has moved: check the sensor and its tube. {_SECURE}",
    "advice_ambient": (
        "Ambient pressure does not fit the altitude: check the sensor and the entered altitude."
    ),
    "advice_terminal": (
        "The terminal value looks as if it were of another unit: check both on the gauge or in the engine "
        "maker's manual."
    ),
    "advice_devices_disagree": (
        f"Two devices do not agree: compare both with a gauge and check their tubes. {_SECURE}"
    ),
}

# ---------------------------------------------------------------- acceptance: what was seen

_SUPPLY = "{middle_v:.1f} V, from {low_v:.1f} to {high_v:.1f} V"
_LIMIT = "{as_read}, that is {limit_pa:kpa}"


def _power_cycled(values: Values) -> str:
    times = "once" if values["times"] == 1 else "{times:count time}"
    return f"power went with the key and came back {times}"


def _time_known(values: Values) -> str:
    tied = "" if values["anchor"] is None else " by {anchor}"
    return f"time known to {{uncertainty_s:.3g}} s{tied}"


SEEN: Mapping[str, Sentence] = {
    "supply_not_reported": "no supply voltage reported",
    "supply": _SUPPLY,
    "supply_of_system": f"{_SUPPLY}, a {{system_v}} V system",
    "read_on_at_rest": "readings went on for {stayed_min:.0f} min with the engine at rest",
    "power_has_not_gone": "power has not gone yet",
    "power_cycled": _power_cycled,
    "nothing_arrived": "nothing has arrived",
    "time_known": _time_known,
    "read_before_its_time": "a reading came {ahead_s:.0f} s before the time it carries",
    "read_soon": "readings arrive {delay_s:.0f} s after the time they carry",
    "time_not_known": (
        "readings do not say how well their time is known, and none came as soon as it was taken"
    ),
    "acknowledged": "{readings:count reading} acknowledged",
    "acknowledged_with_gaps": "{readings:count reading} acknowledged, {missing:count number} missing",
    "ambient_not_measured": "the monitor does not report it",
    "ambient_not_reported": "no ambient pressure reported",
    "ambient_impossible": "{ambient_pa:air}, and no place of work has that",
    "ambient_without_altitude": "{ambient_pa:air}, altitude not reported",
    "ambient": "{ambient_pa:air} at {altitude_m:.0f} m, standard atmosphere {standard_pa:air}",
    "rest_not_seen": "no reading with the engine known to be at rest",
    "at_rest": "{zero_pa:kpa_off} with the engine at rest",
    "idle_not_seen": "not yet seen at idle",
    "high_idle_not_seen": "not yet seen at high idle",
    "idle_and_high_idle": "{low_pa:kpa} at idle, {high_pa:kpa} at high idle",
    "one_speed_rest_not_seen": "it runs at one governed speed, and was not yet seen at rest",
    "rest_and_one_speed": "{rest_pa:kpa} at rest, {run_pa:kpa} at its governed speed",
    "limit_not_entered": "not entered",
    "limit": _LIMIT,
    "limit_not_confirmed": f"{_LIMIT}; not confirmed",
    "limit_confirmed": f"{_LIMIT}; confirmed",
    "not_run_or_no_limit": "engine not seen running, or no terminal restriction",
    "clean_level": "{level_pa:kpa} at the highest flow seen, {share:percent} of terminal",
    "fits_by_hand": "compared by hand; {seen}",
    "does_not_fit_by_hand": "compared by hand, and it does not fit; {seen}",
}

# ---------------------------------------------------------------- acceptance: what to do

# As the caution `high_idle` in `ingest.cautions`, which this room may not read; a test compares them.
BEFORE_HIGH_IDLE = (
    "before the engine is brought to high idle: parking brake on, bucket or blade lowered, wheels chocked, "
    "articulation lock in, nobody near, good ventilation; by the maker's manual"
)


def _do_run(values: Values) -> str:
    return (
        f"run the engine at {values['wanted']} for half a minute, by the maker's manual; a set with one "
        "governed speed needs {one_speed_min:.0f} min at that speed instead. "
        f"{BEFORE_HIGH_IDLE.capitalize()}"
    )


NEXT_STEPS: Mapping[str, Sentence] = {
    "do_report_supply": "let the monitor report its supply voltage",
    "do_check_feed": (
        "neither a 12 V nor a 24 V system: check feed, fuse and earth point by the machine maker's "
        "instructions; electrical work by qualified people"
    ),
    "do_check_contact": (
        "a {system_v} V system, but not steady: look for a loose contact or a poor earth point"
    ),
    "do_switch_feed": (
        "the monitor hangs on a permanent feed, or the key was left on: turn the key off; if readings go "
        "on, move the feed to one that is switched with the key"
    ),
    "do_key_off": "turn the key off for a minute and on again",
    "do_wait": "wait for the first readings",
    "do_give_sky": "no trustworthy time yet: give it sky for GPS, or a link, and look at its status again",
    "do_set_clock": "the clock that stamps the readings is ahead: set it, or let the gateway stamp them",
    "do_show_time": (
        "post a reading as soon as it is taken, send at_uncertainty_s, or compare the clock by hand and "
        "enter that"
    ),
    "do_look_at_gateway": "look at the gateway's status on the machine: it says what stops it",
    "do_wait_for_missing": (
        "wait for the gateway to send them again; if they stay missing look at its status"
    ),
    "do_check_ambient_unit": (
        "between {low_kpa:.0f} and {high_kpa:.0f} kPa anywhere: check the sensor, its opening and "
        "the unit that is sent"
    ),
    "do_compare_barometer": ("compare it by hand with a barometer at the machine, and enter what that shows"),
    "do_check_ambient": "check the ambient sensor, its opening, and the altitude reported",
    "do_stand": "key on, engine off, for half a minute",
    "do_check_zero": "not zero: check that the ambient side is open and dry; then the sensor itself",
    "do_run": _do_run,
    "do_look_at_tube": (
        "it does not follow: engine off and secured, then look for a tube that is off, pinched or wet, a "
        "plugged tap, or a missing element; never run the engine with the element out"
    ),
    "do_enter_limit": "enter it from the engine maker's manual, in the unit printed there",
    "do_check_limit": (
        "engine makers state {low_kpa:.0f} to {high_kpa:.0f} kPa: check value and unit on the gauge or "
        "in the manual"
    ),
    "do_confirm_limit": "read it a second time and confirm it in the unit of the gauge or manual",
    "do_high_idle": f"run the engine up to high idle; {BEFORE_HIGH_IDLE}",
    "do_check_element": (
        "hardly any restriction: engine off and secured, then check that the element is in and seated "
        "and the tube is on"
    ),
    "do_check_new_element": (
        "high for a new element: element already loaded, intake covered, or the terminal value in the "
        "wrong unit"
    ),
}

#: code -> sentence, of all that the analysis says
SENTENCES: Mapping[str, Sentence] = {
    **EVIDENCE,
    **SUSPICIONS,
    **ENTRIES,
    **ADVICE,
    **SEEN,
    **NEXT_STEPS,
}
