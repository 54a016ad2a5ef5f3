"""See whether it is dark before the sensor: darks under an open sky are none."""

from __future__ import annotations

import math

from midwatch.api.duty import CameraSetting, DutyContext

__all__ = ["is_covered", "light_let_in"]

# Exposure by which light is looked for. Shorter: it drowns in the noise; longer: each dark of a rig
# without cover costs more.
_PROBE_S = 20.0
# More than this in an unbinned pixel, electrons a second, is light: cooled sensors of the trade
# have a tenth of it or less, and the darkest sky through a broad filter gives more. Common
# practice, no source. It doubles with every so many degrees above that temperature, as dark current
# does.
_LIT_E_S, _BELOW_C, _DOUBLING_C = 0.1, 5.0, 6.0


def is_covered(context: DutyContext) -> bool:
    """Return whether something of the rig keeps light out: a shutter, a roof, a panel's cover."""
    about, panel = context.rig.camera.about, context.rig.flat_panel
    if about is not None and "shutter" in about.capabilities:
        return True
    if panel is not None and panel.state is not None and panel.state.cover == "closed":
        return True
    roof = context.rig.roof
    return roof is not None and roof.state is not None and roof.state.position == "closed"


async def light_let_in(context: DutyContext, setting: CameraSetting) -> str | None:
    """Measure whether light falls in; say how much, or return None where it is dark.

    A short dark is compared with a bias; what is more than a sensor's own current is light.
    """
    frame_taker = context.frame_taker
    bias = await frame_taker.throwaway("bias", 0.0, setting)
    probe = await frame_taker.throwaway("dark", _PROBE_S, setting)
    e_per_adu = probe.ref.electrons_per_adu or 1.0
    grown_adu = probe.measures.background_adu - bias.measures.background_adu
    found_e_s = grown_adu * e_per_adu / probe.ref.exposure_s / setting.binning**2
    sensor_c = probe.ref.sensor_c
    above_c = 0.0 if sensor_c is None else max(sensor_c - _BELOW_C, 0.0)
    if found_e_s <= _LIT_E_S * math.pow(2.0, above_c / _DOUBLING_C):
        return None
    return (
        f"light falls in ({found_e_s:.1f} electrons a second in a pixel), and nothing of this rig "
        "covers the telescope: put its cap on after the last light, or take darks by day, capped "
        "and as cold"
    )
