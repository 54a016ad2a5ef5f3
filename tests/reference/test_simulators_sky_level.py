"""The level of a frame of empty sky against the handbook's photon rate, through all of a camera."""

from datetime import UTC, datetime

import numpy as np
import pytest

from midwatch.devices.contract.kinds import Expose
from midwatch.sky import Observer
from midwatch_simulators.base import MountTruth
from midwatch_simulators.instruments.simulated_camera import make
from midwatch_simulators.sky import Air
from support.simulators_bench import Bench, connected, on_bench

# Hours after the new Moon of 2027-03-08 had set, with the Sun far below the horizon.
MOONLESS = datetime(2027, 3, 8, 23, 0, tzinfo=UTC)

# 80 mm of aperture, 480 mm of focal length, 3.76 um pixels, 880 A at an efficiency of 0.5: from
# 996 photons/s/cm2/A at V = 0 (Bessell, Castelli and Plez 1998, recalled from memory) follow
# 0.1445 e-/s a pixel under 21.5 mag/arcsec2 and 0.5752 e-/s under 20.0.
HANDBOOK = [(21.5, 0.1445), (20.0, 0.5752)]
TELESCOPE = {
    "aperture_mm": 80.0, "focal_length_mm": 480.0, "pixel_um": 3.76, "band_angstrom": 880.0,
    "efficiency": 0.5, "corner_loss": 0.0, "width_px": 200, "height_px": 160,
    "dark_electrons_s": 0.0, "electrons_per_adu": 0.1, "full_well_e": 5000.0,
}  # fmt: skip


@pytest.mark.parametrize(("sky_mag", "electrons_s"), HANDBOOK)
@pytest.mark.parametrize("sky_mode", ["pixels", "fast"])
def test_sky_at_the_zenith_has_the_level_of_the_handbook(sky_mag, electrons_s, sky_mode):
    async def main(bench: Bench):
        camera = await connected(
            make(bench.context("camera", sky_mag=sky_mag, sky_mode=sky_mode, **TELESCOPE))
        )
        bench.publish("weather", **Air(cloud_percent=0.0).model_dump())
        now = bench.clock.unix_s()
        ra_deg, dec_deg = Observer(bench.place).icrs_from_altaz(89.9, 180.0, now)
        truth = MountTruth(
            utc_s=now, ra_deg=float(ra_deg), dec_deg=float(dec_deg), hour_angle_deg=0.0,
            tracking=True, guided=True,
        )  # fmt: skip
        bench.publish("mount", **truth.model_dump())
        ref = await camera.perform(Expose(exposure_id="sky", frame="light", exposure_s=600.0))
        return bench.spools["camera"].frames[ref.sha256][0], ref

    pixels, ref = on_bench(main, start=MOONLESS)
    level_adu = np.median(pixels) if sky_mode == "pixels" else ref.facts.background_adu
    # 100 ADU of pedestal; a tenth of an electron an ADU.
    assert (level_adu - 100) * 0.1 / 600 == pytest.approx(electrons_s, rel=0.01)
