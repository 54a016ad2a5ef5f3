"""Simulated weather sensor."""

from __future__ import annotations

from collections.abc import Mapping
from datetime import UTC, datetime
from typing import Any, ClassVar

from pydantic import AwareDatetime, Field, model_validator

from midwatch.devices.contract import Command, DriverContext, Kind
from midwatch.devices.contract.kinds import WeatherState
from midwatch_simulators.base import Handler, Options, SimulatedDevice, normal, read_options, unit
from midwatch_simulators.sky import Air, Spell, Wave

# What faults bring: banks of cloud with gaps between, a gale, each for a night at most.
_BANKS_PERCENT, _BANK_S = 85.0, 900.0
_STORM_MS = 16.0
_NIGHT_S = 86400.0


class Band(Options):
    """A stretch of time: numbers are hours after local mean noon, every day; texts are UTC.

    Attributes:
        edge_s: time in which it comes, and goes, about its ends.
    """

    start: float | AwareDatetime = Field(alias="from")
    end: float | AwareDatetime = Field(alias="to")
    edge_s: float = Field(default=300.0, gt=0, le=7200)

    @model_validator(mode="after")
    def _in_order(self) -> Band:
        if isinstance(self.start, datetime) != isinstance(self.end, datetime):
            raise ValueError("from and to are both hours after noon or both instants")
        if _number(self.start) >= _number(self.end):
            raise ValueError("from must be before to")
        return self

    def spell(self, value: float) -> Spell:
        """Return the band with what it brings."""
        clock = "utc" if isinstance(self.start, datetime) else "noon"
        return Spell(
            clock=clock,
            start=_number(self.start),
            end=_number(self.end),
            value=value,
            edge_s=self.edge_s,
        )


class CloudBand(Band):
    """Cloud that comes and goes, percent of cover."""

    percent: float = Field(ge=0, le=100)


class WindBand(Band):
    """Wind on top of the usual one."""

    more_ms: float = Field(ge=0, le=50)


class WeatherOptions(Options):
    """Settings of the simulated weather.

    Attributes:
        evening_c: air temperature at dusk.
        night_fall_c: how much colder dawn is.
        wave_c: how far waves take the air's temperature to either side; 0 for none.
        wave_min: time from one crest of these waves to the next.
        cloud_percent: faint cloud that is always there.
        read_every_s: time between readings.
    """

    evening_c: float = Field(default=8.0, ge=-50, le=50)
    night_fall_c: float = Field(default=8.0, ge=0, le=40)
    wave_c: float = Field(default=0.0, ge=0, le=10)
    wave_min: float = Field(default=90.0, ge=10, le=600)
    humidity_percent: float = Field(default=50.0, gt=0, le=100)
    wind_ms: float = Field(default=2.0, ge=0, le=50)
    cloud_percent: float = Field(default=2.0, ge=0, le=100)
    clouds: tuple[CloudBand, ...] = ()
    winds: tuple[WindBand, ...] = ()
    rains: tuple[Band, ...] = ()
    read_every_s: float = Field(default=60.0, ge=1, le=600)


class SimulatedWeather(SimulatedDevice):
    """A sensor that reads the simulated air once a minute."""

    kind = Kind.WEATHER
    shows: ClassVar[tuple[str, ...]] = (
        "cloud-bands", "rain", "gust", "dew", "weather-silent", "weather-stuck",
    )  # fmt: skip

    def __init__(self, context: DriverContext) -> None:
        options = read_options(WeatherOptions, context)
        super().__init__(context)
        self._every_s = options.read_every_s
        self._air = Air(
            seed=self.seed,
            longitude_deg=context.place.longitude_deg,
            evening_c=options.evening_c,
            night_fall_c=options.night_fall_c,
            humidity_percent=options.humidity_percent,
            wind_ms=options.wind_ms,
            cloud_percent=options.cloud_percent,
            waves=self._waves(options),
            clouds=tuple(band.spell(band.percent) for band in options.clouds)
            + self._spells("cloud-bands", _BANKS_PERCENT, 240.0, _BANK_S),
            winds=tuple(band.spell(band.more_ms) for band in options.winds)
            + self._spells("gust", _STORM_MS, 60.0),
            rains=tuple(band.spell(1.0) for band in options.rains) + self._spells("rain", 1.0, 1.0),
            damps=self._spells("dew", 100.0, 600.0),
        )
        self._reading: WeatherState | None = None

    def _waves(self, options: WeatherOptions) -> tuple[Wave, ...]:
        if not options.wave_c:
            return ()
        phase = unit(self.seed, "wave")
        return (Wave(swing_c=options.wave_c, period_s=60.0 * options.wave_min, phase=phase),)

    def _spells(
        self, fault: str, value: float, edge_s: float, part_s: float | None = None
    ) -> tuple[Spell, ...]:
        """Return the spells of a fault; where a length is given, every second part of it."""
        found = []
        for span in self.troubles.spans(fault):
            start = span.from_utc_s
            end = min(span.end_utc_s, start + _NIGHT_S)
            while start < end:
                stop = end if part_s is None else min(start + part_s, end)
                found.append(Spell(clock="utc", start=start, end=stop, value=value, edge_s=edge_s))
                start = end if part_s is None else start + 2.0 * part_s
        return tuple(found)

    def handlers(self) -> Mapping[type[Command[Any]], Handler]:
        """Take no commands but those of every kind."""
        return {}

    def truth(self) -> Air:
        """Return the parameters of the air."""
        return self._air

    def state(self) -> WeatherState:
        """Return the latest reading."""
        if not self.connected or self._reading is None:
            return WeatherState(connected=self.connected, fault=self.fault)
        return self._reading

    async def come_to_rest(self) -> None:
        """Do nothing: a sensor is always at rest."""

    def on_connect(self) -> None:
        """Start to read."""
        self._read()
        if self.first_time("readings"):
            self.context.spawn(f"{self.context.name} readings", self._readings())

    async def _readings(self) -> None:
        while True:
            await self.clock.sleep(self._every_s)
            if self.connected:
                self._read()
                self.context.changed()

    def _read(self) -> None:
        now = self.clock.unix_s()
        if self._reading is not None and self.troubles.active("weather-silent"):
            return
        if self._reading is not None and self.troubles.active("weather-stuck"):
            stamp = datetime.fromtimestamp(now, UTC)
            self._reading = self._reading.model_copy(update={"read_at": stamp})
            return
        minute = int(now // 60)
        air, seed = self._air, self.seed
        air_c = air.air_c(now) + 0.05 * normal(seed, "air", minute)
        self._reading = WeatherState(
            connected=True,
            at_rest=True,
            fault=self.fault,
            read_at=datetime.fromtimestamp(now, UTC),
            air_c=round(air_c, 2),
            humidity_percent=round(air.humidity_percent_at(now), 1),
            dew_point_c=round(air.dew_point_c(now), 2),
            wind_ms=round(air.wind_ms_at(now), 2),
            gust_ms=round(air.gust_ms(now), 2),
            cloud_percent=round(
                min(100.0, max(0.0, air.cloud_percent_at(now) + normal(seed, "cloud", minute))), 1
            ),
            rain=air.raining(now),
        )


def _number(when: float | datetime) -> float:
    return when.timestamp() if isinstance(when, datetime) else when


def make(context: DriverContext) -> SimulatedWeather:
    """Build the driver.

    Raises:
        DeviceError: a setting is wrong.
    """
    return SimulatedWeather(context)
