"""
Answers about element lives: of a housing, and parts, sites and cleanings of a fleet compared.

Leaves to others: what the properties mean that several answers have (`meanings`).
"""

from __future__ import annotations

from pydantic import Field

from cleanside.ingest.api.routes.described import CautionShown, Described, SafetyElementShown
from cleanside.ingest.api.routes.described_kinds import Certainty, ChangeSource, LifeBegan, LifeEnded


class CleaningShown(Described):
    """
    One cleaning of an element, and what it gave back.

    Whether an element may be cleaned, and how often, its maker's manual says: cleaning can damage the medium.
    """

    cleaned_at: str = Field(description="when it was cleaned, UTC")
    cleaned_by: str | None = Field(
        description="done between `cleaned_at` and then, while no reading was fit to judge by; null: then"
    )
    known_by: ChangeSource = Field(
        description="how it is known; found: in the readings only, likely, never certain"
    )
    sure: Certainty = Field(description="how sure it is that the element was cleaned then")
    hours_before: float = Field(
        description="operating hours since the element went in, or was cleaned before [h]"
    )
    hours_after: float = Field(
        description="operating hours until it was cleaned again, or changed, or until now [h]"
    )
    ended: LifeEnded = Field(description="how these hours ended")
    level_before_pa: float | None = Field(
        description="restriction just before, at the reference flow; null: not seen [Pa]"
    )
    level_after_pa: float | None = Field(
        description="restriction just after, at the reference flow; null: not seen [Pa]"
    )
    clean_restriction_pa: float | None = Field(
        description="what the element read when it was new, or most likely read; null: nothing is said [Pa]"
    )
    given_back_percent: float | None = Field(
        description="share of the rise above clean that came off; 0: nothing, 100: all, scatter can exceed "
        "both; null: a level is not known, or the rise was too small to say [%]"
    )
    given_back_low_percent: float | None = Field(
        description="lower end of its interval: one in ten gave back less [%]"
    )
    given_back_high_percent: float | None = Field(
        description="upper end of its interval: one in ten gave back more [%]"
    )


class ElementAccountShown(Described):
    """One element, from going in to coming out, with its cleanings."""

    element: int = Field(description="number among the elements of the housing, from 1")
    start_at: str = Field(description="when it went in, or was first seen, UTC")
    start_by: str | None = Field(
        description="it went in between `start_at` and then, while no reading was fit to judge by; null: then"
    )
    end_at: str | None = Field(description="when it came out, UTC; null: it is in")
    from_new: bool = Field(description="false: it was in use when first seen")
    hours: float = Field(description="operating hours that were seen of it, over all its cleanings [h]")
    ended: LifeEnded = Field(description="how it ended")
    cleanings: list[CleaningShown] = Field(description="in time order")


class LifeShown(Described):
    """One element life. Hours are operating hours; restriction is at the reference flow."""

    start_at: str
    start_by: str | None = Field(
        description="it began between `start_at` and then, while no reading was fit to judge by; null: then"
    )
    end_at: str | None
    began: LifeBegan = Field(
        description="how the life began; first seen: before the first reading; cleaned: likely, never certain"
    )
    began_by: ChangeSource | None = Field(
        description="how it is known; found: in the readings only, enter what was done; null: first seen"
    )
    ended: LifeEnded
    sure: Certainty = Field(description="how sure the beginning of the life is")
    hours: float
    level_before_pa: float | None
    level_start_pa: float | None
    level_end_pa: float | None


class LivesAnswer(Described):
    """The element lives of a housing in time order, the running one last."""

    machine: str
    housing: str
    now: str
    analysed_through: str | None
    lives: list[LifeShown]
    elements: list[ElementAccountShown] = Field(
        description="the same as elements, from going in to coming out: a life that began with a cleaning "
        "belongs to the element before it"
    )
    most_cleanings: int | None
    safety_element: SafetyElementShown = Field(description="what was worked since it was changed last")
    cautions: list[CautionShown] = Field(description="common practice; the maker's manual comes first")


# ---------------------------------------------------------------- parts compared


class SurvivalShown(Described):
    """A Kaplan-Meier curve: the share of elements that last longer than so many hours."""

    hours: list[float] = Field(description="operating hours from new on, at each step [h]")
    share: list[float] = Field(description="share that lasts longer, 0 to 1")
    low: list[float] = Field(description="lower end of its interval")
    high: list[float] = Field(description="upper end of its interval")


class PartComparedShown(Described):
    """The lives of one part."""

    part: str | None = Field(description="null: not entered")
    description: str | None
    lives: int = Field(description="elements seen from new on")
    lives_by_papers: int = Field(description="of them, those whose part no entry says, but the papers")
    reached_limit: int = Field(description="how many of them reached the limit; the others are censored")
    hours_seen: float = Field(description="operating hours of all of them [h]")
    curve: SurvivalShown | None = Field(description="null: too few lives to say anything")


class SiteWearShown(Described):
    """How fast elements load at a site."""

    site: str | None = Field(description="null: machines without a site")
    machines: int
    hours_seen: float = Field(description="operating hours of their elements, as far as they were seen [h]")
    elements_used: float = Field(description="how many elements' worth of the way to the limit they used")
    used_percent: float = Field(
        description="that as a share of what all sites of the answer used; beside `hours_percent` it says "
        "which site eats elements [%]"
    )
    hours_percent: float = Field(
        description="its operating hours as a share of those of all sites of the answer [%]"
    )
    new_elements: int = Field(description="elements that went in new while their machines were seen")
    hours_an_element: float | None = Field(
        description="operating hours from clean to the limit; null: too little was used to say [h]"
    )
    low: float | None = Field(description="lower end of its interval, over machines; null: too few [h]")
    high: float | None = Field(description="upper end of its interval [h]")


class FleetCleaningShown(CleaningShown):
    """A cleaning, with the machine and the element."""

    machine: str
    display_name: str | None
    housing: str
    site: str | None = Field(description="name of the site where the machine is; null: not entered")
    part: str | None = Field(description="part number of the element; null: not entered")
    element: int = Field(description="number among the elements of the housing, from 1")
    element_start_at: str = Field(description="when the element went in, or was first seen, UTC")
    element_end_at: str | None = Field(description="when it came out, UTC; null: it is in")
    element_hours: float = Field(description="operating hours that were seen of it, over all cleanings [h]")
    cleaning: int = Field(description="which of this element, from 1")


class ElementLivesAnswer(Described):
    """Parts compared by the hours that their elements reach."""

    now: str
    confidence: float = Field(description="of the intervals, 0 to 1")
    least_lives: int = Field(description="below that there is no curve")
    least_reached: int = Field(description="of these so many have to have reached the limit")
    parts: list[PartComparedShown]
    sites: list[SiteWearShown] = Field(description="those that use elements fastest first")
    cleanings: list[FleetCleaningShown] = Field(description="every cleaning, newest first")
    cautions: list[CautionShown] = Field(description="common practice; the maker's manual comes first")
