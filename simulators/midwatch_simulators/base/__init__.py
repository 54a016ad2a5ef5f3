"""What all simulated devices share: the link, commands, the published truth, noise."""

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
