"""
What is said of a machine in one place: its state, what to do, and what to mind.

Every page that opens with a machine takes the sentence from here, so that no two pages say two things.
"""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any, NamedTuple

from markupsafe import Markup

from cleanside.ingest.console.fleet_page import advice_said
from cleanside.ingest.console.resting_words import resting_said
from cleanside.ingest.console.said_words import caution_of, said
from cleanside.ingest.console.wording import Sayer
from cleanside.ingest.restriction.verdict.assess import LOOK

#: states in which a machine is not left as it is: the limit is reached, or the readings do not fit
HELD = frozenset({"over", "due", "suspect"})


class MachineSaid(NamedTuple):
    """State, advice and caution of a housing, in the words of who looks."""

    #: code of the state, for its mark
    code: str
    state: Markup
    advice: Markup
    #: None: nothing is to be minded
    caution: Markup | None
    #: causes for mistrust, each with its evidence
    suspicions: list[tuple[Markup, Markup]]
    #: the entry that this rests on until readings confirm it, and what stood before; None: none
    resting: Markup | None = None
    #: a person is asked whether a sound element is in
    asks_to_look: bool = False

    @property
    def is_held(self) -> bool:
        """True where somebody beside the machine has something to do before it goes on."""
        return self.code in HELD or self.asks_to_look


def machine_said(say: Sayer, document: Mapping[str, Any]) -> MachineSaid:
    """What a page says of a housing. document : of `api.routes.restriction.document_of`."""
    return MachineSaid(
        code=document["state"],
        state=say(f"state.{document['state_form']}"),
        advice=advice_said(say, document),
        caution=caution_of(say, document["advice_code"]),
        suspicions=[
            (say(f"said.cause.{found['cause']}"), said(say, found["said"]))
            for found in document["suspicions"]
        ],
        resting=resting_said(say, document["rests_on_entry"]),
        asks_to_look=document["advice_code"] == LOOK,
    )
