"""Faults that simulated devices show on request."""

from midwatch_simulators.faults.spoilt_frames import SpoiltFrames
from midwatch_simulators.faults.troubles import Faulty, Troubles

__all__ = ["Faulty", "SpoiltFrames", "Troubles"]
