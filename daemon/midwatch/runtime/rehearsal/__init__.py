"""Rehearsals: the real daemon, simulated devices, virtual time, and faults on request."""

from midwatch.runtime.rehearsal.fault_stage import faulty_rig
from midwatch.runtime.rehearsal.rehearsal import RehearsalOptions, rehearse
from midwatch.runtime.rehearsal.simulated_roles import simulated_rig

__all__ = ["RehearsalOptions", "faulty_rig", "rehearse", "simulated_rig"]
