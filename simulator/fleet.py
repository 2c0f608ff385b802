"""
The invented fleet: a road-building crew on a gravel plateau, with a valley that has no coverage.

Promises: machines, places and elements are made up for this scenario; the same seed gives the same fleet.
Leaves to others: what the machines do hour by hour (`schedule.py`), what they measure (`instrument.py`).
"""

from __future__ import annotations

from dataclasses import dataclass


@dataclass(frozen=True, kw_only=True, slots=True)
class MachineSpec:
    """One machine of the scenario, its element and what goes wrong with it."""

    #: short name, used for machine and (with "-intake") device
    name: str
    kind: str
    #: speed at which the engine breathes its full flow [r/min]
    rated_r_min: float
    #: a genset holds one speed; a machine works between idle and rated
    constant_speed: bool = False
    #: terminal restriction as read from the machine's papers, with the unit printed there
    terminal: float = 25.0
    terminal_unit: str = "inH2O"
    #: whether the rated speed of the papers is entered as the flow at which terminal is stated; else learned
    rated_entered: bool = False
    #: restriction of the element when new, at rated flow [Pa]
    clean_pa: float = 2000.0
    #: operating hours from new to terminal in this dust
    life_hours: float = 260.0
    #: share of that life already used when the monitor was fitted, 0 to 1
    used_at_fitting: float = 0.3
    #: nominal battery system [V]
    system_v: float = 24.0
    #: days (counted from the start) spent in the valley, where there is no coverage
    valley_days: tuple[tuple[int, int], ...] = ()
    #: day on which a new element was fitted, None: not in this time
    changed_on_day: int | None = None
    #: days on which the monitor was set up with a unit the server does not accept for engine speed
    wrong_unit_days: tuple[int, int] | None = None
    #: how many key-offs of this machine hit the gateway in mid-write
    cuts: int = 3

    @property
    def device(self) -> str:
        """Name of the monitor on its (only) housing."""
        return f"{self.name}-intake"


#: The crew. Ages and dust are chosen so that every state of the fleet table has an example.
FLEET: tuple[MachineSpec, ...] = (
    MachineSpec(
        name="grader-07",
        kind="grader",
        rated_r_min=2000,
        rated_entered=True,
        life_hours=320,
        used_at_fitting=0.42,
        valley_days=((4, 9),),
    ),
    MachineSpec(name="grader-11", kind="grader", rated_r_min=2000, life_hours=420, used_at_fitting=0.10),
    MachineSpec(
        name="loader-02",
        kind="loader",
        rated_r_min=2100,
        life_hours=210,
        used_at_fitting=0.55,
        changed_on_day=11,
    ),
    MachineSpec(
        name="loader-05",
        kind="loader",
        rated_r_min=2100,
        life_hours=300,
        used_at_fitting=0.35,
        wrong_unit_days=(6, 7),
    ),
    MachineSpec(
        name="hauler-21",
        kind="hauler",
        rated_r_min=1900,
        rated_entered=True,
        terminal=6.2,
        terminal_unit="kPa",
        life_hours=230,
        used_at_fitting=0.30,
        valley_days=((2, 5), (12, 16)),
        cuts=4,
    ),
    MachineSpec(
        name="hauler-22",
        kind="hauler",
        rated_r_min=1900,
        terminal=6.2,
        terminal_unit="kPa",
        life_hours=380,
        used_at_fitting=0.20,
        valley_days=((18, 99),),
    ),
    MachineSpec(
        name="crusher-genset-1",
        kind="genset",
        rated_r_min=1500,
        constant_speed=True,
        terminal=62,
        terminal_unit="mbar",
        life_hours=270,
        used_at_fitting=0.25,
    ),
    MachineSpec(
        name="crusher-genset-2",
        kind="genset",
        rated_r_min=1500,
        constant_speed=True,
        terminal=62,
        terminal_unit="mbar",
        life_hours=500,
        used_at_fitting=0.0,
        system_v=12.0,
        cuts=2,
    ),
)
