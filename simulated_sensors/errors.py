"""What can stop a simulation from starting, each said in one sentence."""

from __future__ import annotations

from analysis.errors import WattproofError


class NoSimulation(WattproofError):
    """The simulation's own packages or transports are missing or unusable."""
