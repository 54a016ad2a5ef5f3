"""Rehearsals: the real daemon, simulated devices, virtual time, and faults on request.

``rehearsal`` runs a night in one process: the in-process bus, `rehearsed_devices` that can die,
hang and be started again, a daemon whose life may end at any instant (``daemon_life``), a person
who gives orders by hand (``rehearsed_person``), and ``fault_stage``, which brings about the
faults that no simulated device can show: of processes, of the bus, of the daemon's machine.
`RehearsalOptions.guest` lets another client take part at the bus; the tests of strangers and of
orders by hand use it.
"""

from midwatch.runtime.rehearsal.rehearsal import Guest, RehearsalOptions, rehearse
from midwatch.runtime.rehearsal.rehearsed_devices import RehearsedDevices

__all__ = ["Guest", "RehearsalOptions", "RehearsedDevices", "rehearse"]
