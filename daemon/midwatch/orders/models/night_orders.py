"""The night orders: targets, wanted frames, standing orders, calibration."""

from __future__ import annotations

from datetime import date as Date  # noqa: N812
from typing import Annotated, Literal, Self

from pydantic import BeforeValidator, Field, model_validator

from midwatch.orders.models import field_rules as rules
from midwatch.orders.models.declared import Declared, Name


class FrameOrder(Declared):
    """A number of light frames of one kind."""

    filter: str | None = Field(
        default=None, min_length=1, description="A filter of the wheel; none without a wheel."
    )
    exposure_s: float = Field(
        gt=0, le=3600, description="Exposure of one frame, seconds.", examples=[240]
    )
    count: int = Field(
        ge=1, le=10_000, description="How many accepted frames are wanted.", examples=[20]
    )
    gain: int | None = Field(
        default=None, ge=0, description="Gain setting; left out, the rig's own."
    )
    offset: int | None = Field(
        default=None, ge=0, description="Offset setting; left out, the rig's own."
    )
    binning: int | None = Field(
        default=None, ge=1, le=8, description="Pixels binned; left out, the rig's own."
    )
    dither_every: int | None = Field(
        default=None,
        ge=0,
        description="Fewest of these frames between dithers, 0 for never; left out, the rig's own.",
    )
    dither_apart_s: float | None = Field(
        default=None,
        ge=0,
        description="Shortest exposure time between dithers, seconds; left out, the rig's own.",
    )


class Target(Declared):
    """Something to image."""

    name: Name = Field(
        description="As in the deep-sky catalogue, or any name where coordinates are given.",
        examples=["M 42"],
    )
    ra: Annotated[float | str | None, BeforeValidator(rules.right_ascension)] = Field(
        default=None,
        description="Right ascension (J2000): degrees as a number, or hours as text (05h35m17s).",
    )
    dec: Annotated[float | str | None, BeforeValidator(rules.declination)] = Field(
        default=None,
        description="Declination (J2000): degrees as a number, or degrees as text (-05d23m28s).",
    )
    priority: int = Field(
        default=1,
        ge=1,
        le=99,
        description="1 is served first; equal priorities share the night by who sets first.",
    )
    min_altitude_deg: float | None = Field(
        default=None,
        ge=0,
        le=89,
        description="Not below this altitude, degrees; left out, the rig's own limit.",
    )
    moon_distance_deg: float | None = Field(
        default=None,
        ge=0,
        le=180,
        description="Not nearer to the Moon than this while it is up, degrees.",
    )
    rotation_deg: float | None = Field(
        default=None,
        ge=0,
        lt=360,
        description="Position angle of the frame's upward axis, from north through east, degrees; "
        "left out, as the camera is.",
    )
    half_turn: Literal["equal", "different"] = Field(
        default="equal",
        description="equal takes a frame turned by 180 degrees, as after a meridian flip, as it "
        "is; different has a rotator turn it back.",
    )
    frames: tuple[FrameOrder, ...] = Field(
        min_length=1,
        description="The frames wanted.",
        examples=[[{"exposure_s": 240, "count": 20}]],
    )
    frames_in_turn: bool = Field(
        default=False,
        description="true takes the frame orders in turn, false one after the other.",
    )

    @model_validator(mode="after")
    def _agree(self) -> Self:
        rules.both_coordinates(self.ra, self.dec)
        return self


class StandingOrder(Declared):
    """One declared reaction: when a lookout trips, do a duty."""

    when: str = Field(min_length=1, description="Name of a lookout.", examples=["temperature"])
    trip: float | None = Field(
        default=None, description="Level at which it trips; left out, the lookout's own."
    )
    clear: float | None = Field(
        default=None, description="Level at which it clears again; left out, the lookout's own."
    )
    for_s: float = Field(
        default=0,
        ge=0,
        description="How long the level must last before it trips or clears, seconds.",
    )
    do: str = Field(min_length=1, description="Name of a duty.", examples=["focus"])
    at: Literal["between_frames", "at_once"] = Field(
        default="between_frames",
        description="between_frames, or at_once (the exposure under way is lost).",
    )


class UnguidedOrder(Declared):
    """What to do while the guider of the rig cannot guide."""

    do: Literal["go_on", "rest", "close"] = Field(
        default="go_on",
        description="go_on takes unguided frames, as long as stars stay round; rest waits for the "
        "guider; close ends the night.",
    )
    after_min: float = Field(
        default=10,
        ge=0,
        le=720,
        description="Unguided frames are taken this long before rest or close, minutes.",
    )
    shortest_exposure_s: float = Field(
        default=20,
        gt=0,
        le=600,
        description="Unguided exposures are never shorter, seconds; reading out costs too much "
        "then.",
    )


class CalibrationOrder(Declared):
    """Calibration frames to take after the lights, with the lights' own settings."""

    darks: int = Field(
        default=0, ge=0, le=500, description="Frames for each exposure time used in the night."
    )
    flats: int = Field(
        default=0, ge=0, le=500, description="Frames for each filter used, on the flat panel."
    )
    bias: int = Field(default=0, ge=0, le=500, description="Frames of no exposure.")


class NightOrders(Declared):
    """A night, declared."""

    site: str = Field(
        min_length=1,
        description="Path of the site file, relative to this file.",
        examples=["../sites/larch-hollow.yaml"],
    )
    rig: str = Field(
        min_length=1,
        description="Path of the rig file, relative to this file.",
        examples=["../rigs/harrier.yaml"],
    )
    evening: Annotated[Date, Field(ge=Date(2000, 1, 1), le=Date(2099, 12, 31))] | None = Field(
        default=None, description="Local date of the evening; left out, tonight."
    )
    sun_below_deg: float = Field(
        default=18,
        ge=6,
        le=18,
        description="How far the Sun must be below the horizon for light frames, degrees.",
    )
    targets: tuple[Target, ...] = Field(
        min_length=1,
        description="What to image.",
        examples=[[{"name": "M 42", "frames": [{"exposure_s": 240, "count": 20}]}]],
    )
    standing_orders: tuple[StandingOrder, ...] = Field(
        default=(), description="Reactions: when something is noticed, what to do."
    )
    unguided: UnguidedOrder = Field(
        default=UnguidedOrder(), description="What to do while guiding cannot be had."
    )
    calibration: CalibrationOrder = Field(
        default=CalibrationOrder(), description="Calibration frames to take after the lights."
    )
    seed: int = Field(default=1, ge=0, description="Start of every random number of a rehearsal.")
