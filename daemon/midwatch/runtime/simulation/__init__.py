"""Turns any rig into one of simulated devices, with the faults that they show."""

from midwatch.runtime.simulation.faulty_devices import faulty_rig
from midwatch.runtime.simulation.simulated_roles import simulated_rig, with_rare_heartbeats

__all__ = ["faulty_rig", "simulated_rig", "with_rare_heartbeats"]
