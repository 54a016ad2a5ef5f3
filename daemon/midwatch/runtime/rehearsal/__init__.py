"""Rehearsals: the real daemon, simulated devices, virtual time, and faults on request."""

from midwatch.runtime.rehearsal.fault_stage import faulty_rig
from midwatch.runtime.rehearsal.rehearsal import Guest, RehearsalOptions, rehearse
from midwatch.runtime.rehearsal.rehearsald_devices import RehearsedDevices
from midwatch.runtime.rehearsal.simulated_roles import simulated_rig

__all__ = [
    "Guest", "RehearsalOptions", "RehearsedDevices", "faulty_rig", "rehearse", "simulated_rig",
]  # fmt: skip
