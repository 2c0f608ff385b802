"""What can go wrong in the simulator, in one place."""

from __future__ import annotations


class SimulatorError(Exception):
    """Base of ours. Ends a command with one line on standard error."""


class DemoFailed(SimulatorError):
    """A part of the demo did not do what it has to; the message says which and where to look."""


class CalledWrongly(SimulatorError):
    """A folder or file that was named cannot be used; the message has value, rule and next step."""


class CampaignFailed(SimulatorError):
    """A part of a fault campaign did not do what it has to; the message says which and where to look."""


class LoadFailed(SimulatorError):
    """A part of a run under load did not do what it has to; the message says which and what to do."""
