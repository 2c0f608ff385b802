"""
Plain English for the acceptance of an installation: what a technician reads, and what to do.

Promises: pure, as `plain_forms`, which writes the places of the templates.
Leaves to others: the checks (`installation`).
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence

from cleanside.ingest.restriction.verdict.statement import Sentence, Values

#: check -> what a person reads
CHECK_FORMS: Mapping[str, str] = {
    "supply voltage": "supply voltage",
    "key-off": "power goes off with the key",
    "clock": "clock",
    "link": "link to the server",
    "ambient pressure": "ambient pressure",
    "zero with the engine off": "zero with the engine off",
    "restriction answers the engine": "restriction follows the engine",
    "terminal restriction": "change limit",
    "clean level": "level of the clean element",
}

#: state of a check -> what a person reads
VERDICT_FORMS: Mapping[str, str] = {
    "passed": "passed",
    "failed": "failed",
    "not yet seen": "open",
    "not measured": "not measured",
}


def result_text(verdicts: Sequence[str]) -> str:
    """What a person reads for the result, of the states of all checks."""
    failed, unseen = verdicts.count("failed"), verdicts.count("not yet seen")
    if failed:
        return f"failed, {failed} of {len(verdicts)} checks failed"
    if unseen:
        return f"not complete, {unseen} of {len(verdicts)} checks open"
    return "passed"


# ---------------------------------------------------------------- what was seen

_SUPPLY = "{middle_v:.1f} V, from {low_v:.1f} to {high_v:.1f} V"
_ACKNOWLEDGED = "{readings:count reading} acknowledged"


def _power_cycled(values: Values) -> str:
    times = "once" if values["times"] == 1 else "{times:count time}"
    return f"Power went off with the key and came back {times}."


def _time_known(values: Values) -> str:
    by = "" if values["anchor"] is None else ", by {anchor}"
    return f"Times are right within {{uncertainty_s:span}}{by}."


def _limit(values: Values) -> str:
    return "{as_read}" if str(values["as_read"]).endswith(" kPa") else "{as_read} ({limit_pa:kpa})"


SEEN: Mapping[str, Sentence] = {
    "supply_not_reported": "No supply voltage reported.",
    "supply": f"{_SUPPLY}.",
    "supply_of_system": f"{_SUPPLY}: a {{system_v}} V system.",
    "supply_running": f"With the engine running {_SUPPLY}.",
    "supply_running_of_system": f"With the engine running {_SUPPLY}: a {{system_v}} V system.",
    "read_on_at_rest": "Readings went on for {stayed_min:.0f} min with the engine at rest.",
    "power_has_not_gone": "Power has not gone off yet.",
    "power_cycled": _power_cycled,
    "nothing_arrived": "Nothing has arrived.",
    "arrived_quarantined": "Readings arrived. All of them are quarantined.",
    "time_doubted": "The newest readings are quarantined: their time cannot be right.",
    "time_known": _time_known,
    "read_before_its_time": "A reading arrived {ahead_s:span} before the time it carries.",
    "read_soon": "Readings arrive within {delay_s:span} of the time they carry.",
    "time_not_known": "Clock accuracy unknown. No reading came as soon as it was taken.",
    "acknowledged": f"{_ACKNOWLEDGED}.",
    "acknowledged_with_gaps": f"{_ACKNOWLEDGED}, {{missing:count number}} missing.",
    "ambient_not_measured": "The monitor does not report it.",
    "ambient_not_reported": "No ambient pressure reported.",
    "ambient_impossible": "{ambient_pa:air}. No place of work has that.",
    "ambient_without_altitude": "{ambient_pa:air}; altitude not reported.",
    "ambient": "{ambient_pa:air} at {altitude_m:.0f} m. The standard atmosphere has {standard_pa:air} there.",
    "rest_not_seen": "No reading with the engine known to be at rest.",
    "at_rest": "{zero_pa:restriction_off} with the engine at rest.",
    "idle_not_seen": "No reading at idle yet.",
    "high_idle_not_seen": "No reading at high idle yet.",
    "idle_and_high_idle": "{low_pa:restriction} at idle, {high_pa:restriction} at high idle.",
    "one_speed_rest_not_seen": "It runs at one governed speed. No reading at rest yet.",
    "rest_and_one_speed": "{rest_pa:restriction} at rest, {run_pa:restriction} at its governed speed.",
    "limit_not_entered": "Not entered.",
    "limit": lambda values: f"{_limit(values)}.",
    "limit_not_confirmed": lambda values: f"{_limit(values)}, not confirmed.",
    "limit_confirmed": lambda values: f"{_limit(values)}, confirmed.",
    "full_flow_not_seen": "No reading at full flow yet; at idle every element reads low.",
    "clean_level": "{level_pa:restriction} at {speed_rad_s:speed}, {share:percent} of the change limit.",
    "clean_level_high": (
        "{level_pa:restriction} at {speed_rad_s:speed}, {share:percent} of the change limit; a clean element "
        "reads about {clean_pa:restriction} there. High: is it new, and are snorkel and hose free?"
    ),
    "level_in_use": (
        "{level_pa:restriction} at {speed_rad_s:speed}, {share:percent} of the limit: the element in use."
    ),
    "far_below_clean": (
        "{level_pa:restriction} at {speed_rad_s:speed}; a clean element reads about {clean_pa:restriction} "
        "there."
    ),
    "suspected_below_clean": (
        "{level_pa:restriction} at {speed_rad_s:speed}; a clean element reads about {clean_pa:restriction} "
        "there. By its hours at work the element is missing or torn, or the tube is off."
    ),
    "suspected_no_element": (
        "{level_pa:restriction} at {speed_rad_s:speed}. By its hours at work the element is missing or torn, "
        "or the tube is off."
    ),
    "element_in_question": (
        "{level_pa:restriction} at {speed_rad_s:speed}, {share:percent} of the change limit. By its hours at "
        "work the element may be missing or torn."
    ),
    "seen_by_hand": "Seen by a person: it holds. The readings say: {seen}",
    "fits_by_hand": "Compared by hand, {hand_value:g} {hand_unit}: it fits. The readings say: {seen}",
    "does_not_fit_by_hand": (
        "Compared by hand, {hand_value:g} {hand_unit}: it does not fit. The readings say: {seen}"
    ),
}

# ---------------------------------------------------------------- what to do

# As the caution `high_idle` in `ingest.cautions`, which this room may not read; a test compares them.
BEFORE_HIGH_IDLE = (
    "Before the engine is brought to high idle: parking brake on, bucket or blade lowered, wheels chocked, "
    "articulation lock in, nobody near, good ventilation; by the maker's manual."
)

NEXT_STEPS: Mapping[str, Sentence] = {
    "do_report_supply": "Let the monitor report its supply voltage.",
    "do_check_feed": (
        "Neither a 12 V nor a 24 V system: check feed, fuse and earth point by the machine maker's "
        "instructions. Electrical work by qualified people."
    ),
    "do_check_contact": (
        "A {system_v} V system, but not steady: look for a loose contact or a poor earth point."
    ),
    "do_switch_feed": (
        "The monitor has a permanent feed, or the key was left on. Turn the key off. If readings go on, move "
        "the feed to one that is switched with the key."
    ),
    "do_key_off": "Turn the key off for a minute and on again.",
    "do_wait": "Wait for the first readings.",
    "do_settle_quarantine": "The page Quarantine says why, and what to correct at the machine.",
    "do_correct_clock": (
        "Connect GPS or network time, or set the clock. The page Quarantine shows the time that was sent."
    ),
    "do_give_sky": "Connect GPS or network time, then look at the gateway's status again.",
    "do_set_clock": "The clock of the readings is ahead: set it, or let the gateway stamp them.",
    "do_show_time": (
        "Connect GPS or network time and send at_uncertainty_s. Or post a reading as soon as it is taken. Or "
        "compare the clock by hand and enter the difference."
    ),
    "do_look_at_gateway": "Look at the gateway's status on the machine: it says what stops it.",
    "do_wait_for_missing": (
        "Wait for the gateway to send them again. If they stay missing, look at its status."
    ),
    "do_check_ambient_unit": (
        "It is between {low_kpa:.0f} and {high_kpa:.0f} kPa anywhere: check the sensor, its opening and "
        "the unit that is sent."
    ),
    "do_compare_station_pressure": (
        "A weather report and many phones give the pressure at sea level. Compare with the pressure at this "
        "place (station pressure), and enter that."
    ),
    "do_compare_barometer": "Compare it with a barometer at the machine, and enter what that shows.",
    "do_check_ambient": "Check the ambient sensor, its opening, and the altitude reported.",
    "do_stand": "Key on, engine off, for half a minute.",
    "do_check_zero": "Not zero: check that the ambient side is open and dry, then the sensor itself.",
    "do_run": (
        "Run the engine at {wanted} for half a minute, by the maker's manual. A set with one governed speed "
        f"needs {{one_speed_min:.0f}} min at that speed instead. {BEFORE_HIGH_IDLE}"
    ),
    "do_look_at_tube": (
        "Restriction does not follow the engine. Engine off and secured, then look for a tube that is off, "
        "pinched or wet, a plugged tap, or a missing element. Never run the engine with the element out."
    ),
    "do_exchange_tubes": (
        "The tubes of the sensor seem to be exchanged, which explains this: put each where it belongs. The "
        "housing stays closed."
    ),
    "do_compare_labels": (
        "The monitors of two machines seem to have changed places, which explains this: compare the labels "
        "first. The housing stays closed."
    ),
    "do_enter_limit": "Enter it from the engine maker's manual, in the unit printed there.",
    "do_check_limit": (
        "Engine makers state {low_kpa:.0f} to {high_kpa:.0f} kPa: check value and unit on the gauge or in "
        "the manual."
    ),
    "do_confirm_limit": "Read it a second time and confirm it in the unit of the gauge or manual.",
    "do_high_idle": (
        "Raise the engine to rated speed for {run_min:.0f} min, at least {speed_rad_s:speed}. A set with one "
        f"governed speed needs {{one_speed_min:.0f}} min at that speed instead. {BEFORE_HIGH_IDLE}"
    ),
    "do_check_element": (
        "Hardly any restriction: engine off and secured, then check that the element is in and seated and "
        "the tube is on."
    ),
    "do_check_element_first": (
        "Engine off and secured, then check that the element is in, whole and seated and the tube is on. "
        "Enter what you did."
    ),
    "do_work_after_repair": (
        "Let it work for an hour: without load a sound element may read as low. Until its hours at work show "
        "an element, go by the maker's indicator and look again."
    ),
    "do_check_new_element": (
        "High for a new element: the element is already loaded, the intake is covered, or the change limit "
        "is in the wrong unit."
    ),
}
