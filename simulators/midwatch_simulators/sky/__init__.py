"""The simulated sky: from air, stars and optics to the pixels of a sensor."""

from midwatch_simulators.sky.air import Air, Spell, Wave, cloud_extinction_mag
from midwatch_simulators.sky.fast_facts import facts_of
from midwatch_simulators.sky.scene import render
from midwatch_simulators.sky.sensor import CameraOptions, Sensor
from midwatch_simulators.sky.view import Beam, SkyView

__all__ = [
    "Air", "Beam", "CameraOptions", "Sensor", "SkyView", "Spell", "Wave", "cloud_extinction_mag",
    "facts_of", "render",
]  # fmt: skip
