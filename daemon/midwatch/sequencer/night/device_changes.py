"""Notices changes of devices that may matter to a running duty."""

from __future__ import annotations

from collections.abc import Callable, Hashable

from midwatch.devices.client import DeviceClient, RigClient
from midwatch.devices.contract import DeviceState
from midwatch.devices.contract.kinds import GuiderState, MountState, RoofState, WeatherState


def watch_devices(rig: RigClient, reconsider: Callable[[], None]) -> Callable[[], None]:
    """Call ``reconsider`` when a device changes in a way that matters to decisions.

    Returns what ends it.

    Positions and temperatures change all the time and are left out: lookouts read them at their
    own pace.
    """
    stops = [_watch(client, reconsider) for client in rig.devices.values()]

    def end() -> None:
        for stop in stops:
            stop()

    return end


def _watch(client: DeviceClient[DeviceState], reconsider: Callable[[], None]) -> Callable[[], None]:
    last = _signature(client)

    def changed() -> None:
        nonlocal last
        now = _signature(client)
        if now != last:
            last = now
            reconsider()

    return client.listen(changed)


def _step(value: float | None, size: float) -> int | None:
    """Return a reading in coarse steps, so that only real changes count."""
    return None if value is None else round(value / size)


def _signature(client: DeviceClient[DeviceState]) -> Hashable:
    state = client.state
    details: Hashable = None
    if isinstance(state, MountState):
        details = (state.tracking, state.parked, state.pier_side)
    elif isinstance(state, GuiderState):
        details = state.phase
    elif isinstance(state, RoofState):
        details = state.position
    elif isinstance(state, WeatherState):
        details = (
            state.rain,
            _step(state.cloud_percent, 10.0),
            _step(state.gust_ms, 3.0),
            _step(state.humidity_percent, 5.0),
        )
    return (client.down, state and state.connected, state and state.fault, details)
