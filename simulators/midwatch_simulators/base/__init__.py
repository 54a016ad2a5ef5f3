"""What all simulated devices share: the link, commands, the published truth, noise.

Hardware outlives its driver. ``body()`` says what it does, and is kept whenever that changes; a
new driver gets it by ``take_up(body, gone_s)``, with the time that has passed. A mount tracks on
or ends its slew, a roof, a focuser and a rotator run to their goals, a cooler goes on; an
exposure under way is lost, and a guide loop ends, for both live in the driver's process. A new
driver stops what it finds under way, except the mount, whose own computer brings it to its end.
It says ``awake``, and the other simulated devices answer with their truths. A driver that is
cancelled keeps nothing, since it cannot distinguish a command to stop from its own death.
"""

from midwatch_simulators.base.noise import derived_seed, generator, normal, smooth, unit
from midwatch_simulators.base.simulated_device import (
    Handler,
    Heard,
    Options,
    SimulatedDevice,
    awake,
    read_options,
)
from midwatch_simulators.base.truth import (
    CALM_WIND_MS,
    SIDEREAL_ARCSEC_PER_S,
    FocuserTruth,
    GuiderTruth,
    MountTruth,
    PanelTruth,
    RoofTruth,
    RotatorTruth,
    WheelTruth,
    shifted,
)

__all__ = [
    "CALM_WIND_MS", "SIDEREAL_ARCSEC_PER_S", "FocuserTruth", "GuiderTruth", "Handler", "Heard",
    "MountTruth", "Options", "PanelTruth", "RoofTruth", "RotatorTruth", "SimulatedDevice",
    "WheelTruth", "awake", "derived_seed", "generator", "normal", "read_options", "shifted",
    "smooth", "unit",
]  # fmt: skip
