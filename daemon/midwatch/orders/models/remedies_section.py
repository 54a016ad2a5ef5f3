"""What is done against faults: ladders of remedies, mildest first, and those that are shipped."""

from __future__ import annotations

from collections.abc import Iterable
from fnmatch import fnmatchcase
from typing import Literal, Self, get_args

from pydantic import Field, field_validator, model_validator

from midwatch.orders.models.declared import Declared

__all__ = ["SHIPPED_LADDERS", "Ladder", "RemedyName", "RemedyStep", "ladder_for"]

RemedyName = Literal[
    "retry",
    "reconnect",
    "restart_driver",
    "power_cycle",
    "recalibrate",
    "centre",
    "focus",
    "less_cooling",
    "rest_target",
    "wait",
    "close",
]
REMEDIES: tuple[str, ...] = get_args(RemedyName)


class RemedyStep(Declared):
    """One rung of a ladder."""

    do: RemedyName = Field(
        description="retry: the duty that failed, again; reconnect, restart_driver, power_cycle: "
        "the device; recalibrate: guiding; centre: centre again by solving; focus: focus again; "
        "less_cooling: take the set point that the cooler can hold; rest_target: leave the target "
        "for a while; wait: do nothing but look again; close: end the night.",
    )
    times: int | None = Field(
        default=1, ge=1, le=1000, description="Attempts; null for as long as the night lasts."
    )
    pause_s: float = Field(
        default=10,
        ge=0,
        le=7200,
        description="Seconds before the first attempt; it doubles with each further one.",
    )
    longest_pause_s: float = Field(
        default=600, ge=0, le=7200, description="The pause grows no longer than this, seconds."
    )
    within_s: float | None = Field(
        default=None,
        gt=0,
        description="The step is left this long after its first attempt, seconds; null for never.",
    )
    outlet: str | None = Field(
        default=None,
        min_length=1,
        description="For power_cycle: the outlet of the switch; left out, the one that is called "
        "like the device.",
    )

    @model_validator(mode="after")
    def _agree(self) -> Self:
        if self.outlet is not None and self.do != "power_cycle":
            raise ValueError(f"outlet belongs to power_cycle only, not to {self.do}")
        return self


class Ladder(Declared):
    """What is done against one kind of fault, step after step."""

    fault: str = Field(
        description="Device and fault joined by a dot, as reports show them; * stands for any.",
        examples=["guide_camera.unplugged"],
    )
    steps: tuple[RemedyStep, ...] = Field(
        min_length=1,
        description="Mildest first.",
        examples=[[{"do": "reconnect", "times": 3, "pause_s": 10}]],
    )

    @field_validator("fault")
    @classmethod
    def _dotted(cls, text: str) -> str:
        device, dot, fault = text.partition(".")
        if not (device and dot and fault):
            raise ValueError(f"{text!r} is no device and fault; write it as guider.no_guiding")
        return text

    @model_validator(mode="after")
    def _endless_last(self) -> Self:
        for step in self.steps[:-1]:
            if step.times is None and step.within_s is None:
                raise ValueError(
                    f"{step.do} never ends, so the steps after it are never reached; "
                    "give it times or within_s"
                )
        return self


def ladder_for(device: str, fault: str, declared: Iterable[Ladder] = ()) -> Ladder:
    """Return the first ladder that fits a fault: of the rig's own, then of the shipped ones."""
    name = f"{device}.{fault}"
    for ladder in (*declared, *SHIPPED_LADDERS):
        if fnmatchcase(name, ladder.fault):
            return ladder
    raise AssertionError("the last shipped ladder fits everything")


def _step(
    do: RemedyName,
    times: int | None = 1,
    pause_s: float = 10.0,
    longest_pause_s: float = 600.0,
) -> RemedyStep:
    return RemedyStep(do=do, times=times, pause_s=pause_s, longest_pause_s=longest_pause_s)


def _ladder(fault: str, *steps: RemedyStep) -> Ladder:
    return Ladder(fault=fault, steps=steps)


def _bring_back(fault: str, first_pause_s: float = 5.0) -> Ladder:
    """The ladder of a device that is gone: its link, its driver, its power; then patience."""
    return _ladder(
        fault,
        _step("reconnect", 3, first_pause_s, 60.0),
        _step("restart_driver", 2, 20.0, 60.0),
        _step("power_cycle", 1, 20.0),
        _step("reconnect", None, 30.0, 90.0),
    )


# Common practice, no source: pauses short enough that a loose plug costs little of the night,
# long enough that a device has time to come up; heavier remedies once the milder have failed.
SHIPPED_LADDERS: tuple[Ladder, ...] = (
    # The link to a device.
    _bring_back("*.unplugged"),
    _bring_back("*.not_connected"),
    _bring_back("*.missing"),
    _ladder(
        "*.silent",
        _step("restart_driver", 3, 20.0, 120.0),
        _step("power_cycle", 1, 30.0),
        _step("restart_driver", None, 120.0, 180.0),
    ),
    # A driver that has lost one of its tasks works on, and is restarted between two duties.
    _ladder("*.task_died", _step("restart_driver", 3, 10.0, 300.0)),
    # Whatever is open under a bad sky is retried without end.
    _ladder(
        "*.not_safe",
        _step("retry", 2, 10.0, 10.0),
        _step("reconnect", 1, 5.0),
        _step("retry", 2, 10.0, 30.0),
        _step("restart_driver", 1, 10.0),
        _step("retry", None, 30.0, 60.0),
    ),
    # The main camera.
    _ladder(
        "camera.no_answer",
        _step("reconnect", 2, 2.0, 10.0),
        _step("restart_driver", 2, 10.0, 30.0),
        _step("power_cycle", 1, 20.0),
        _step("reconnect", None, 60.0, 300.0),
    ),
    _ladder(
        "camera.corrupt_frame",
        _step("retry", 2, 2.0),
        _step("reconnect", 1, 5.0),
        _step("restart_driver", 2, 10.0, 60.0),
        _step("power_cycle", 1, 20.0),
        _step("retry", None, 60.0, 300.0),
    ),
    _ladder(
        "camera.not_cold",
        _step("retry", 1, 5.0),
        _step("less_cooling", 2, 5.0),
        _step("retry", None, 300.0, 1800.0),
    ),
    _ladder(
        "camera.*",
        _step("retry", 2, 5.0),
        _step("reconnect", 1, 10.0),
        _step("restart_driver", 1, 20.0),
        _step("power_cycle", 1, 20.0),
        _step("retry", None, 60.0, 300.0),
    ),
    # Guiding. The night goes on unguided meanwhile.
    _ladder(
        "guider.no_guiding",
        _step("retry", 2, 10.0, 30.0),
        _step("recalibrate", 1, 10.0),
        _step("retry", None, 120.0, 600.0),
    ),
    _ladder(
        "guider.not_settled",
        _step("retry", 1, 5.0),
        _step("recalibrate", 1, 10.0),
        _step("retry", None, 300.0, 900.0),
    ),
    # Pointing.
    _ladder(
        "mount.not_tracking",
        _step("retry", 2, 5.0),
        _step("reconnect", 1, 10.0),
        _step("restart_driver", 1, 20.0),
        _step("retry", None, 60.0, 600.0),
    ),
    _ladder(
        "mount.wrong_side",
        _step("retry", 2, 10.0),
        _step("rest_target", 1, 5.0),
        _step("retry", None, 300.0, 900.0),
    ),
    # Some drivers set the mount's time and site when they connect. Else a person must.
    _ladder(
        "mount.wrong_hour_angle", _step("reconnect", 1, 5.0), _step("wait", None, 300.0, 1800.0)
    ),
    _ladder(
        "mount.wrong_place",
        _step("retry", 2, 5.0),
        _step("rest_target", 1, 5.0),
        _step("retry", None, 300.0, 900.0),
    ),
    _ladder(
        "mount.trailed",
        _step("retry", 2, 30.0, 60.0),
        _step("reconnect", 1, 10.0),
        _step("retry", None, 120.0, 600.0),
    ),
    # A dither that the mount did not take costs nothing but itself.
    _ladder("mount.no_dither", _step("retry", None, 600.0, 3600.0)),
    _ladder(
        "mount.*",
        _step("retry", 2, 5.0, 20.0),
        _step("reconnect", 1, 10.0),
        _step("retry", 2, 30.0, 60.0),
        _step("restart_driver", 1, 20.0),
        _step("retry", None, 60.0, 600.0),
    ),
    _ladder(
        "sky.not_centred",
        _step("retry", 2, 5.0, 20.0),
        _step("focus", 1, 5.0),
        _step("rest_target", 1, 5.0),
        _step("retry", None, 300.0, 900.0),
    ),
    _ladder(
        "sky.out_of_focus",
        _step("focus", 1, 2.0),
        _step("retry", 2, 2.0),
        _step("focus", 1, 60.0),
        _step("retry", None, 120.0, 600.0),
    ),
    _ladder(
        "sky.sparse_catalogue",
        _step("retry", 1, 5.0),
        _step("rest_target", 1, 5.0),
        _step("retry", None, 600.0, 1800.0),
    ),
    # Only where there is no other target: those come first.
    _ladder("sky.hidden", _step("retry", None, 120.0, 600.0)),
    _ladder("sky.clouds", _step("retry", None, 60.0, 300.0)),
    _ladder("sky.bright_sky", _step("retry", None, 120.0, 600.0)),
    # Focus. The last good position is kept meanwhile.
    _ladder("sky.no_focus", _step("retry", 1, 10.0), _step("retry", None, 120.0, 300.0)),
    _ladder(
        "focuser.*",
        _step("retry", 1, 5.0),
        _step("reconnect", 1, 10.0),
        _step("restart_driver", 1, 20.0),
        _step("power_cycle", 1, 20.0),
        # A run costs a minute or two; frames out of focus are worth nothing.
        _step("retry", None, 120.0, 300.0),
    ),
    _ladder(
        "filter_wheel.*",
        _step("retry", 2, 5.0, 20.0),
        _step("reconnect", 1, 10.0),
        _step("restart_driver", 1, 20.0),
        _step("power_cycle", 1, 20.0),
        _step("retry", None, 120.0, 600.0),
    ),
    # Whatever keeps the sky out or lets it in is tried again and again, soon.
    _ladder("roof.*", _step("retry", 3, 10.0, 30.0), _step("retry", None, 60.0, 300.0)),
    # Another attempt only writes what is at hand; but each is journaled, on the same disk.
    _ladder("disk.*", _step("retry", None, 10.0, 120.0)),
    _ladder("*.*", _step("retry", 3, 10.0, 60.0), _step("retry", None, 120.0, 600.0)),
)
