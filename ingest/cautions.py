"""
The cautions of the trade, by code: what to mind before acting on a machine.

Promises: one table, so that every answer, page and command has the same words. None of it replaces the
maker's manual, local rules and licensed practice: `maker_first` comes first wherever cautions are shown.
Leaves to others: where they are shown.

All of it is common practice without a source, unless one stands beside it.
"""

from __future__ import annotations

from collections.abc import Mapping

#: code -> caution
CAUTIONS: Mapping[str, str] = {
    "maker_first": (
        "A status is advice: the engine maker's service limit and manual come first, local rules prevail."
    ),
    "own_indicator": "Fit beside the maker's own indicator or sensor; never remove or bypass it.",
    "secure_machine": (
        "Engine off, key out, machine secured and locked out before anyone works in the engine "
        "bay: parking brake on, bucket or blade lowered, wheels chocked, articulation lock in. "
        "Mind hot surfaces and moving fans."
    ),
    "element_out": "Never run the engine with the element out.",
    "electrical": (
        "Electrical work by the machine maker's instructions, fused at the source, by qualified people."
    ),
    "battery": (
        "Engine off, key out, machine secured and locked out before any wiring; isolate the battery as and in"
        " the order that the machine maker's manual says. Turn the key on only where a step measures, with "
        "hands and tools clear."
    ),
    "climbing": (
        "Climb only with the engine off and the machine secured, by the steps and holds of the machine "
        "maker, with three points of contact; work at height by local rules."
    ),
    "before_start": (
        "Before the engine is started: element in, housing closed, people and tools clear of the engine bay. "
        "Each person takes off their own lock; start by the maker's manual and local rules."
    ),
    "high_idle": (
        "Before the engine is brought to high idle: parking brake on, bucket or blade lowered, "
        "wheels chocked, articulation lock in, nobody near, good ventilation; by the maker's "
        "manual."
    ),
    "gauge_at_work": (
        "A hand gauge is put on and taken off with the engine off, its tube clear of fan, belts and hot "
        "parts, and read from outside the engine bay; then the tap is closed again."
    ),
    "plug_tap": (
        "When a monitor comes off, plug the tap on the clean side: an open tap lets dust past the"
        " element into the engine."
    ),
    "without_monitor": "The machine that loses the monitor has its own indicator only: tell who runs it.",
    "reset_indicator": "After a change, reset the machine's own indicator.",
    "safety_element": (
        "The safety element is never cleaned. It has its own interval in the maker's manual; a "
        "blocked one means that the primary element leaked, so find out why."
    ),
    "no_compressed_air": (
        "Do not blow an element out with compressed air and do not knock it: that tears the paper"
        " where it cannot be seen."
    ),
    "cleaning": (
        "Clean an element only where its maker's manual allows it, in the way and as often as it says: many "
        "paper elements are not made for it. Cleaning can damage medium and seal where no one sees it, and "
        "dust then reaches the engine. A reading that came down does not show that the element is sound."
    ),
    "wipe_housing": (
        "Wipe the housing outside before it is opened, and its sealing face before the new "
        "element goes in; check clamps, hoses and the dust valve."
    ),
    "respirable_dust": (
        "The dust may be respirable quartz: mask and eye protection by local rules, wipe damp, stay upwind."
    ),
    "below_clean": (
        "Restriction below that of a clean element: before starting again look for dust behind "
        "the element, for one that is torn, missing or badly seated, and for an open tube or tap."
    ),
}

#: the planned work -> codes, in the order in which they are shown
SITUATIONS: Mapping[str, tuple[str, ...]] = {
    "acceptance": (
        "maker_first",
        "own_indicator",
        "secure_machine",
        "element_out",
        "electrical",
        "battery",
        "climbing",
        "before_start",
        "high_idle",
        "gauge_at_work",
    ),
    "enrolment": ("maker_first", "own_indicator", "secure_machine", "electrical", "element_out"),
    "moved": ("maker_first", "secure_machine", "plug_tap", "without_monitor", "own_indicator", "electrical"),
    "transfer": ("maker_first", "plug_tap", "without_monitor", "own_indicator"),
    "change": (
        *("maker_first", "secure_machine", "respirable_dust", "wipe_housing", "no_compressed_air"),
        *("safety_element", "element_out", "reset_indicator"),
    ),
    "cleaning": ("maker_first", "cleaning", "no_compressed_air", "safety_element"),
    "below_clean": ("maker_first", "secure_machine", "below_clean", "element_out"),
}


def shown(situation: str) -> list[dict[str, str]]:
    """The cautions of a situation for an answer: code and words. Raises KeyError for an unknown one."""
    return [{"code": code, "caution": CAUTIONS[code]} for code in SITUATIONS[situation]]


def words(situation: str) -> tuple[str, ...]:
    """The cautions of a situation for people. Raises KeyError for an unknown one."""
    return tuple(CAUTIONS[code] for code in SITUATIONS[situation])
