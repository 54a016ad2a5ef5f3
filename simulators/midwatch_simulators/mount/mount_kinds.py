"""How the two axes of a simulated mount carry its telescope: on a German mount, or in a fork.

The fork's polar axis is at zero with the telescope on the meridian, positive westwards; the
declination axis counts the distance from the elevated pole. Its cables wind up with the polar
axis, so that the way from far east to far west always goes through the meridian, and near the pole
the camera meets the base between the arms.
"""

from __future__ import annotations

from abc import ABC, abstractmethod
from typing import ClassVar

from pydantic import JsonValue

from midwatch.sky.mounts import STRICT_GERMAN, ForkEquatorial, MountGeometry, PierSide
from midwatch_simulators.mount.axes import Axes, Side, axes_of, direction_of, wrapped_deg
from midwatch_simulators.mount.options import MountOptions

__all__ = ["ForkAxes", "GermanAxes", "MountAxes", "mount_axes"]


class MountAxes(ABC):
    """The geometry of two axes, and the limits that the mount itself keeps.

    Attributes:
        geometry: of the kind, for the sides of its pier.
        park: where the axes are locked.
    """

    geometry: ClassVar[MountGeometry]
    park: ClassVar[Axes]

    def __init__(self, options: MountOptions) -> None:
        self._options = options

    @abstractmethod
    def side(self, axes: Axes) -> PierSide:
        """Return where the telescope is."""

    @abstractmethod
    def arrive_on(self, asked: Side | None, ha_deg: float) -> PierSide:
        """Return the side on which a slew to an hour angle ends."""

    @abstractmethod
    def axes_of(self, ha_deg: float, dec_deg: float, side: PierSide, hemisphere: float) -> Axes:
        """Return the angles that point the telescope at an hour angle and declination of date."""

    @abstractmethod
    def direction_of(self, axes: Axes, hemisphere: float) -> tuple[float, float]:
        """Return hour angle and declination of date: the inverse of `axes_of`."""

    @abstractmethod
    def refusal(self, goal: Axes, ha_deg: float) -> str | None:
        """Say why the axes do not go there, None where they do."""

    @abstractmethod
    def end_reached(self, axes: Axes) -> str | None:
        """Say at which end of its travel the polar axis is, None where it can go on."""

    @abstractmethod
    def limits(self) -> dict[str, JsonValue]:
        """Return the limits that the mount reports."""

    def turned_over(self, side: PierSide) -> PierSide:
        """Return the side taken by a mount that goes the wrong way; the same on one without."""
        return side


class GermanAxes(MountAxes):
    """A German equatorial mount; see mount/axes.py."""

    geometry = STRICT_GERMAN
    park = Axes(0.0, 0.0)

    def side(self, axes: Axes) -> PierSide:
        """By the sign of the declination axis."""
        return axes.side

    def arrive_on(self, asked: Side | None, ha_deg: float) -> PierSide:
        """As asked, else without the telescope below the polar axis."""
        return asked or self.geometry.natural_side(ha_deg)

    def axes_of(self, ha_deg: float, dec_deg: float, side: PierSide, hemisphere: float) -> Axes:
        """On a side of the pier."""
        return axes_of(ha_deg, dec_deg, "east" if side == "east" else "west", hemisphere)

    def direction_of(self, axes: Axes, hemisphere: float) -> tuple[float, float]:
        """From either side of the pier."""
        return direction_of(axes, hemisphere)

    def refusal(self, goal: Axes, ha_deg: float) -> str | None:
        """Refuse where the counterweight would rise too high."""
        past_deg = self._options.past_meridian_deg
        if abs(goal.polar_deg) <= 90.0 + past_deg:
            return None
        return (
            f"cannot reach hour angle {ha_deg:.1f} deg on the {goal.side} side of the pier; its "
            f"own limit is {past_deg:.1f} deg past the meridian. Ask for the other side"
        )

    def end_reached(self, axes: Axes) -> str | None:
        """Where the counterweight is as high as it may be."""
        past_deg = abs(axes.polar_deg) - 90.0
        if past_deg <= self._options.past_meridian_deg:
            return None
        return f"{past_deg:.1f} deg past the meridian"

    def limits(self) -> dict[str, JsonValue]:
        """Return how far past the meridian it goes."""
        return {"past_meridian_deg": self._options.past_meridian_deg}

    def turned_over(self, side: PierSide) -> PierSide:
        """Return the other side."""
        return "east" if side == "west" else "west"


class ForkAxes(MountAxes):
    """A fork on an equatorial wedge."""

    geometry = ForkEquatorial()
    park = Axes(0.0, 90.0)  # on the meridian, at the equator: the arms are upright

    def side(self, axes: Axes) -> PierSide:  # noqa: ARG002
        """It has none."""
        return "unknown"

    def arrive_on(self, asked: Side | None, ha_deg: float) -> PierSide:  # noqa: ARG002
        """Whatever was asked, there is one way to look somewhere."""
        return "unknown"

    def axes_of(self, ha_deg: float, dec_deg: float, side: PierSide, hemisphere: float) -> Axes:  # noqa: ARG002
        """The axes as hour angle and pole distance."""
        return Axes(wrapped_deg(ha_deg), 90.0 - hemisphere * dec_deg)

    def direction_of(self, axes: Axes, hemisphere: float) -> tuple[float, float]:
        """Read them off the circles."""
        return wrapped_deg(axes.polar_deg), hemisphere * (90.0 - axes.pole_distance_deg)

    def refusal(self, goal: Axes, ha_deg: float) -> str | None:
        """Refuse what would wind up the cables or drive the camera into the base."""
        options = self._options
        if abs(goal.polar_deg) > options.cable_deg:
            return (
                f"cannot reach hour angle {ha_deg:.1f} deg; its cables end at "
                f"{options.cable_deg:.1f} deg to either side of the meridian"
            )
        if goal.pole_distance_deg < options.base_clear_deg:
            return (
                f"does not go nearer to the pole than {options.base_clear_deg:.1f} deg, where the "
                f"camera meets the base of the fork; asked for {goal.pole_distance_deg:.1f} deg"
            )
        return None

    def end_reached(self, axes: Axes) -> str | None:
        """Where the cables are wound up."""
        if abs(axes.polar_deg) <= self._options.cable_deg:
            return None
        return f"with its cables wound up at hour angle {axes.polar_deg:.1f} deg"

    def limits(self) -> dict[str, JsonValue]:
        """Return how far the cables reach and where the base is in the way."""
        return {
            "cable_deg": self._options.cable_deg,
            "base_clear_deg": self._options.base_clear_deg,
        }


def mount_axes(options: MountOptions) -> MountAxes:
    """Return the axes of the kind of mount that the options name."""
    return ForkAxes(options) if options.geometry == "fork" else GermanAxes(options)
