"""What a rig can do against faults: not every rig has a switch, or a supervisor of its drivers."""

from __future__ import annotations

from dataclasses import dataclass

from midwatch.devices.client import RigClient
from midwatch.journal.facts import FaultBegan
from midwatch.orders.models import Ladder, RemedyStep, ladder_for
from midwatch.sequencer.faults.links import trouble_of

__all__ = ["LINK_REMEDIES", "AvailableRemedies"]

# A sensor that is not so far below the air is not cooled at all, degrees Celsius. Lower: a cooler
# that is dead has the set point raised for nothing; higher: one that is weak has not.
_COOLS_C = 4.0
# Remedies that bring back a device, and touch nothing else.
LINK_REMEDIES = ("reconnect", "restart_driver", "power_cycle")


@dataclass(frozen=True)
class AvailableRemedies:
    """What can be done.

    Attributes:
        declared: the rig's own ladders.
        restartable: devices whose drivers can be started again on this machine.
        cooled: the camera is to be cooled.
    """

    rig: RigClient
    declared: tuple[Ladder, ...] = ()
    restartable: tuple[str, ...] = ()
    cooled: bool = False

    def possible(self, fault: FaultBegan) -> tuple[str, ...]:
        """Return the remedies that can be tried against a fault now."""
        found = ["wait", "close"]
        if fault.duty is not None:
            found += ["retry", "focus"]
        if fault.duty is not None and fault.target is not None:
            found += ["rest_target", "centre"]
        client = self.rig.devices.get(fault.device)
        if not self.rig.connected or self._all_silent():
            # Not one device: the way to all of them. What is started again over it loses its state.
            return tuple(found)
        if client is not None and not client.down:
            found.append("reconnect")
        if fault.device in self.restartable:
            found.append("restart_driver")
        if self._outlets(fault):
            found.append("power_cycle")
        guider = self.rig.guider
        if fault.duty is not None and guider is not None and not guider.down:
            found.append("recalibrate")
        if fault.device == "camera" and self.cooled and self._cools():
            found.append("less_cooling")
        return tuple(found)

    def trouble(self, device: str) -> str | None:
        """Return what is wrong with the link of a device now; None if nothing is."""
        client = self.rig.devices.get(device)
        trouble = None if client is None else trouble_of(client)
        return None if trouble is None else trouble[0]

    def outlet(self, fault: FaultBegan, step: RemedyStep) -> str:
        """Return the outlet of the switch that feeds a device."""
        return step.outlet or fault.device

    def _cools(self) -> bool:
        """Return whether the cooler does something, so that asking for less of it may help."""
        camera, weather, focuser = self.rig.camera.state, self.rig.weather, self.rig.focuser.state
        air_c = weather.state.air_c if weather is not None and weather.state is not None else None
        if air_c is None:
            air_c = focuser.temperature_c if focuser is not None else None
        if camera is None or camera.sensor_c is None or air_c is None:
            return True
        return camera.sensor_c <= air_c - _COOLS_C

    def _all_silent(self) -> bool:
        devices = self.rig.devices.values()
        return len(devices) > 1 and all(client.down for client in devices)

    def _outlets(self, fault: FaultBegan) -> bool:
        """Return whether the switch has every outlet that the fault's ladder names."""
        switch = self.rig.switch
        if switch is None or switch.down or switch.state is None or not switch.state.connected:
            return False
        steps = ladder_for(fault.device, fault.fault, self.declared).steps
        named = [self.outlet(fault, step) for step in steps if step.do == "power_cycle"]
        return bool(named) and all(name in switch.state.outlets for name in named)
