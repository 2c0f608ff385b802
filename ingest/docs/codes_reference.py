"""Every code that the server sends, each with its place and what to do, from the tables of the server."""

from __future__ import annotations

import tomllib
from collections.abc import Mapping
from importlib.resources import files

from cleanside.ingest.cautions import CAUTIONS, SITUATIONS
from cleanside.ingest.docs.markdown_text import anchor, code, page, plain, table
from cleanside.ingest.intake import codes
from cleanside.ingest.restriction.verdict.plain_forms import SENTENCES
from cleanside.ingest.store.gateway_reports import DECLARED_NAMES

#: what the pages say, where the values of a code choose among sentences
SAID = files("cleanside.ingest.console") / "words" / "said.en.toml"


def of_problems() -> str:
    """The page of the codes of refused requests."""
    rows = [
        (_named(name), plain(title), plain(codes.NEXT_STEPS[name])) for name, title in codes.TITLES.items()
    ]
    opening = (
        "A request that is not taken gets a problem (RFC 9457) with a stable `code`. Decide by the code. "
        "`detail` says what was wrong with this request, `next_step` what is written here. The address in "
        "`type` leads to this page."
    )
    return page("Codes of problems", opening, table(("code", "means", "what to do"), rows))


def of_quarantine() -> str:
    """The page of the reasons for quarantine."""
    opening = (
        "A reading that was understood but failed a check is quarantined: kept unchanged under one or more "
        "of these codes, and used nowhere until a person settles it."
    )
    return page("Codes of quarantined readings", opening, _steps(codes.HELD_CODES))


def of_attention() -> str:
    """The page of what may need a person."""
    opening = (
        "`GET /v1/attention` and `cleanside-ingest attention` list what may need a person, each line with "
        "one of these codes or with a [code of a quarantined reading](quarantine.md). Events that gateways "
        "declare have their names here too."
    )
    declared = dict.fromkeys(DECLARED_NAMES, codes.ATTENTION_STEPS["other"])
    steps = declared | {**codes.ATTENTION_STEPS}
    own = {name: step for name, step in steps.items() if name not in codes.HELD_CODES}
    return page("Codes of what needs a person", opening, _steps(own))


def of_evidence() -> str:
    """The page of what the analysis says."""
    opening = (
        "Evidence, advice, verdicts of entries and checks of an installation come as a code with values, and "
        "as an English sentence beside it. In braces stands where a value goes and how it is written. Where "
        "the values choose among sentences, all of them stand here."
    )
    rows = [(_named(name), "<br>".join(map(plain, sentences_of(name)))) for name in SENTENCES]
    return page("Codes of evidence and advice", opening, table(("code", "sentence"), rows))


def sentences_of(code_of_analysis: str) -> list[str]:
    """Every sentence that a code may have: its own, or those of the pages among which its values choose."""
    own = SENTENCES[code_of_analysis]
    if isinstance(own, str):
        return [own]
    words = tomllib.loads(SAID.read_text("utf-8"))
    of_it = (code_of_analysis, *(name for name in words if name.startswith(f"{code_of_analysis}_")))
    found = [str(words[name]) for name in of_it if name in words and name not in _other(code_of_analysis)]
    return found or ["Its sentence depends on the values."]


def _other(code_of_analysis: str) -> set[str]:
    return set(SENTENCES) - {code_of_analysis}


def of_cautions() -> str:
    """The page of all cautions, and where each is shown."""
    opening = (
        "None of this replaces the maker's manual, local rules and licensed practice. All of it is common "
        "practice without a published source. Answers carry the code and the words (`cautions`)."
    )
    rows = [(_named(name), plain(caution), _shown_at(name)) for name, caution in CAUTIONS.items()]
    return page("Cautions", opening, table(("code", "caution", "shown at"), rows))


def _steps(steps: Mapping[str, str]) -> str:
    return table(("code", "what to do"), [(_named(name), plain(step)) for name, step in steps.items()])


def _named(name: str) -> str:
    return f"{anchor(name)}{code(name)}"


def _shown_at(name: str) -> str:
    return ", ".join(situation.replace("_", " ") for situation, names in SITUATIONS.items() if name in names)
