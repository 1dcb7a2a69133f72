"""An invented railway: trains that move, and named ways in which the truth is lost."""

from __future__ import annotations

from replay.simulator.faults import Fault
from replay.simulator.simulation import Simulation, simulate

__all__ = ["Fault", "Simulation", "simulate"]
