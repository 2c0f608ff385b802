"""
What the analysis says, as a page says it: from code and values, in the language of who looks.

Promises: nothing is decided here; a code chooses its words, its values choose among a few forms.
Leaves to others: which code is said (`ingest.restriction`), the words (`words/said.*.toml`).
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from typing import Any

from markupsafe import Markup

from cleanside.ingest.console.wording import Sayer
from cleanside.ingest.restriction.verdict.assess import LOOK

Values = Mapping[str, Any]

_MAKER, _SECURE = ("short.maker_first",), ("short.secure_machine",)
#: advice -> the cautions that belong to it, as keys of `words/caution.*.toml`; left out: none
CAUTIONS_OF: Mapping[str, tuple[str, ...]] = {
    **dict.fromkeys(
        (f"advice_{name}" for name in ("running-in", "plan", "planned", "silent", "no_limit", "not_judged")),
        _MAKER,
    ),
    **dict.fromkeys((f"advice_{name}" for name in ("terminal", "ambient")), _MAKER),
    **dict.fromkeys((f"advice_{name}" for name in ("due", "over", "flat")), _SECURE),
    **dict.fromkeys((f"advice_{name}" for name in ("zero_moved", "devices_disagree")), _SECURE),
    **dict.fromkeys((f"advice_indicator_{name}" for name in ("at_mark", "at_odds")), _SECURE),
    **dict.fromkeys(
        (f"advice_{name}" for name in ("monitors_swapped", "ports_swapped", "no_restriction")), _SECURE
    ),
    **dict.fromkeys(("advice_below_clean", "advice_fell_denied", LOOK), ("element_out", *_SECURE)),
}
#: verdict of an entry -> the question that it asks
ASKS = {
    "entry_again": "again",
    "entry_entered_before": "again",
    "entry_did_not_fall": "which",
    "entry_before_first_reading": "date",
    "entry_part_of_the_way": "cleaned",
}


def said(say: Sayer, statement: Mapping[str, Any]) -> Markup:
    """The sentence of a statement of an answer: {"code": ..., "values": {...}}."""
    code, values = statement["code"], statement["values"]
    if code.startswith("entry_"):
        return _entry(say, code, values)
    form = _FORMS.get(code)
    return say(f"said.{code}", **values) if form is None else form(say, values)


def entry_said(say: Sayer, change: Mapping[str, Any], name_of: Callable[[str], str]) -> Markup:
    """
    What the readings say of an entry, and who entered the same work close by.

    change : of `GET .../element-changes`, or a question of `GET /v1/fleet`. name_of : what people call who
    entered it.
    """
    other, statement = change["same_work"], change["said"]
    made = None
    if other is not None:
        who = Markup("<bdi>{}</bdi>").format(other["by_name"] or name_of(other["who"]))
        given = {"at": other["changed_at"], "who": who, "entered": other["entered_at"]}
        made = say("said.entry_same_work", **given)
    return _entry(say, statement["code"], statement["values"], made)


def caution_of(say: Sayer, advice_code: str) -> Markup | None:
    """What to mind, after an advice; None: nothing."""
    cautions = CAUTIONS_OF.get(advice_code, ())
    return Markup(" ").join(say(f"caution.{caution}") for caution in cautions) or None


def _flow_scaled(say: Sayer, values: Values) -> Markup:
    how = "fitted" if values["exponent_fitted"] else "assumed"
    return say(f"said.flow_scaled_{how}", **values, flow=say(f"said.flow.{values['flow_kind']}"))


def _reference_unused(say: Sayer, values: Values) -> Markup:
    kind = values["flow_kind"]
    entered = say(f"said.flow.{values['entered_kind']}")
    return say("said.reference_unused", entered=entered, flow=say(f"said.flow.{kind}"))


def _air_known(say: Sayer, values: Values) -> Markup:
    by = say(f"said.evened_by.{values['evened_by'].replace(' ', '_')}")
    return say("said.air_known", **values, by=by)


def _fall(code: str) -> Callable[[Sayer, Values], Markup]:
    def sentence(say: Sayer, values: Values) -> Markup:
        text = say(f"said.{code}", **values)
        return text if values["sure"] == "high" else text + " " + say("said.not_sure")

    return sentence


def _step(code: str) -> Callable[[Sayer, Values], Markup]:
    def sentence(say: Sayer, values: Values) -> Markup:
        happened = {name: say(f"said.happened.{values[name]}") for name in ("likely", "runner")}
        return say(f"said.{code}", **{**values, **happened})

    return sentence


def _quiet(say: Sayer, values: Values) -> Markup:
    because = say(f"said.silence.{values['because']}")
    when = "never" if values["heard_s"] is None else "since"
    return say(f"said.quiet_{when}", **values, why=because)


def _devices_apart(say: Sayer, values: Values) -> Markup:
    return say(f"said.devices_apart_{'clear' if values['is_clear'] else 'first'}", **values)


def _look(say: Sayer, code: str, values: Values) -> Markup:
    """A look with what the readings say, and the question where both hardly go together."""
    parts = [say(f"said.{code}", **values)]
    if "would_s" in values and values["would_s"] is not None:
        parts.append(say("said.look_would", **values))
    elif "would_s" in values and values["limit_pa"] is not None:
        parts.append(say("said.look_would_not", **values))
    if values["is_question"]:
        parts.append(say("said.look_waits" if values.get("waits") else "said.look_doubted"))
    return Markup(" ").join(parts)


def _look_gauge(say: Sayer, values: Values) -> Markup:
    return _look(say, f"look_gauge_{'full' if values['full_flow'] else 'part'}", values)


def _look_of(code: str) -> Callable[[Sayer, Values], Markup]:
    return lambda say, values: _look(say, code, values)


def _limit(say: Sayer, values: Values) -> Markup:
    if values["unit"] is None:
        return say("said.limit_as_known", **values)
    return say("said.limit_as_read", **values)


def _engine_beyond_limit(say: Sayer, values: Values) -> Markup:
    return say("said.engine_beyond_limit", **values, limit=_limit(say, values))


def _limit_in_another_unit(say: Sayer, values: Values) -> Markup:
    return say("said.limit_in_another_unit", **values, limit=_limit(say, values))


def _entry(say: Sayer, code: str, values: Values, same_work: Markup | None = None) -> Markup:
    """
    What the readings say of an entry, with the question it asks, or that a person confirmed it.

    same_work : who entered the same work close by; None: no person did, or it is not said here.
    """
    parts = [_verdict(say, code, values), same_work]
    if values["is_question"]:
        parts += [say(f"said.asks.{ASKS[code]}") if code in ASKS else Markup(""), say("said.entry_until")]
    elif values["confirmed"]:
        parts.append(say("said.entry_confirmed"))
    return Markup(" ").join(filter(None, parts))


def _no_day_ahead(say: Sayer, values: Values) -> bool:
    """No day is known by which it can be checked, or that day is past."""
    look_by_s = values["look_by_s"]
    return look_by_s is None or look_by_s <= say.formats.now_s


def _verdict(say: Sayer, code: str, values: Values) -> Markup:
    if code == "entry_too_low" and values["clean_pa"] is None:
        code = "entry_too_low_unknown"
    if code == "entry_not_seen_yet":
        # By a code at the machine it does not count meanwhile: `said.entry_until` says until when.
        until = "unused" if values["is_question"] else "open" if _no_day_ahead(say, values) else "by"
        code = f"entry_not_seen_yet_{until}"
    text = say(f"said.{code}", **values)
    if code == "entry_did_not_fall" and values["fall_s"] is not None:
        return text + " " + say("said.entry_nearest_fall", **values)
    return text


_FORMS: Mapping[str, Callable[[Sayer, Values], Markup]] = {
    "flow_scaled": _flow_scaled,
    "reference_unused": _reference_unused,
    "air_known": _air_known,
    "fell_part_of_the_way": _fall("fell_part_of_the_way"),
    "fell_to_clean": _fall("fell_to_clean"),
    "step_weighed": _step("step_weighed"),
    "step_warned": _step("step_warned"),
    **{code: _look_of(code) for code in ("look_latched", "look_not_latched", "look_pointer")},
    "look_gauge": _look_gauge,
    "quiet": _quiet,
    "devices_apart": _devices_apart,
    "engine_beyond_limit": _engine_beyond_limit,
    "limit_in_another_unit": _limit_in_another_unit,
}
