"""Turns any rig into one of simulated devices, with the faults that they show."""

from midwatch.runtime.simulation.faulty_devices import faulty_rig
from midwatch.runtime.simulation.simulated_roles import simulated_rig, with_rare_heartbeats
from midwatch.runtime.simulation.simulated_trees import in_the_way

__all__ = ["faulty_rig", "in_the_way", "simulated_rig", "with_rare_heartbeats"]
