"""The guider: measures stars in frames of the guide camera and corrects the mount by pulses.

It works on two other devices of the rig, over the bus and under the lease that its host receives.
The mount's own host judges each pulse by the mount's limits.
"""

from __future__ import annotations

import asyncio
import contextlib
from typing import Any, Literal

from midwatch.api.driver import (
    CallTimeoutError,
    Command,
    CommandError,
    Connect,
    DeviceAbout,
    DeviceError,
    Disconnect,
    Dither,
    DriverContext,
    ErrorKind,
    GuideLoop,
    GuidePointing,
    GuidePulse,
    GuiderState,
    Kind,
    LoopOutput,
    MountState,
    Pulse,
    SettleRule,
    StartGuiding,
    Stop,
    StopGuiding,
    together,
)
from midwatch_plugins.drivers.guide_eye import GuideEye
from midwatch_plugins.drivers.guider_settings import figures, read_options, rule_of

Phase = Literal["idle", "calibrating", "guiding", "settling", "lost"]

_PULSE_ANSWER_S = 5.0
_REPORT_S = 10.0  # figures in the state; more often only makes messages
# Stars are looked for in so many frames, each exposed longer, before guiding gives up.
_LOOKS = 4
# Calibrating takes some twenty cycles for each direction of each axis, with play to cross.
_CALIBRATING_S = 240.0
_MEND_FIRST_S, _MEND_MOST_S = 5.0, 60.0
_TRIES = 3  # frames that may fail before a command that waits for guiding fails

# What the loop says when a wait for it is over, and whether that is good.
_ENDINGS = {"settled": True, "settle_timed_out": False, "calibration_failed": False}


class MidwatchGuider:
    """Guides a mount by a camera of its own."""

    kind = Kind.GUIDER

    def __init__(self, context: DriverContext) -> None:
        self._context = context
        self._clock = context.clock
        self._options = options = read_options(context)
        self._mount = context.peer("mount")
        self._eye = GuideEye(
            context.peer("guide_camera"), context.clock, context.name,
            exposure_s=options.exposure_s, gain=options.gain, offset=options.offset,
            binning=options.binning,
        )  # fmt: skip
        # Steady, and yet the same over restarts, for what is kept about the mount's periods.
        self._epoch_s = context.clock.unix_s() - context.clock.mono()
        self._loop: GuideLoop | None = None
        self._run: asyncio.Task[None] | None = None
        self._runs = 0
        self._unleased: str | None = None
        self._phase: Phase = "idle"
        self._connected = False
        self._fault: str | None = None
        self._ending: asyncio.Future[None] | None = None
        self._figures: dict[str, float | int | None] = {}
        self._performed: tuple[GuidePulse, ...] = ()
        self._reported_s = 0.0
        self._cycles = self._refused = 0
        self._state = GuiderState()

    def about(self) -> DeviceAbout:
        """Say what the device can do."""
        return DeviceAbout(
            kind=self.kind,
            driver="midwatch-guider",
            capabilities=("dither", "start_guiding", "stop_guiding"),
            limits={
                "exposure_s": self._options.exposure_s,
                "max_pulse_ms": self._options.max_pulse_ms,
            },
        )

    def state(self) -> GuiderState:
        """Return the whole state; figures are renewed every ten seconds."""
        return self._state

    async def perform(self, command: Command[Any]) -> None:
        """Do one command."""
        match command:
            case Connect():
                await self._connect()
            case Disconnect():
                await self._halt()
                self._connected = False
            case StartGuiding():
                await self._start(command)
            case Dither():
                await self._dither(command)
            case StopGuiding() | Stop():
                await self._halt()
            case _:
                raise DeviceError(f"{self._context.name} cannot do {command.command}")
        self._inform()

    async def make_safe(self, reason: str) -> None:
        """Let go of the mount."""
        del reason
        await self._halt()
        self._inform()

    async def close(self) -> None:
        """Let go of the mount; the process ends."""
        await self._halt()

    # Commands --------------------------------------------------------------------------------

    async def _connect(self) -> None:
        await self._eye.open()
        if self._loop is None:
            options = self._options
            scale = self._eye.scale_arcsec(options.pixel_um, options.focal_length_mm)
            self._loop = GuideLoop(options.loop(scale))
            if kept := self._context.kept_facts.load():
                try:
                    self._loop.restore(kept)
                except ValueError as error:
                    self._context.emit("keepsake_unreadable", {"error": str(error)})
        self._connected = True
        self._fault = None

    async def _start(self, command: StartGuiding) -> None:
        await self._halt()
        self._require_tracking()
        rule = rule_of(command.settle)
        limit_s = _CALIBRATING_S + rule.timeout_s + _LOOKS * self._options.longest_exposure_s
        self._cycles = self._refused = 0
        self._enter("calibrating" if command.recalibrate or not self._calibrated else "settling")
        ending = self._ending = asyncio.get_running_loop().create_future()
        self._runs += 1
        self._context.spawn(
            "guiding", self._guide(self._runs, rule, recalibrate=command.recalibrate)
        )
        try:
            await self._await_ending(ending, limit_s)
        except BaseException:
            await self._halt(keep_lost=True)
            raise

    async def _dither(self, command: Dither) -> None:
        if self._loop is None or self._phase not in ("guiding", "settling"):
            raise DeviceError(
                f"{self._context.name} is {self._phase}; it dithers only while it guides",
                retryable=self._phase == "lost",
            )
        rule = rule_of(command.settle)
        ending = self._ending = asyncio.get_running_loop().create_future()
        self._loop.dither(command.east_arcsec, command.north_arcsec, rule)
        self._enter("settling")
        # A dither that does not settle leaves a loop that still guides.
        await self._await_ending(ending, rule.timeout_s + 2.0 * self._eye.exposure_s + 10.0)

    async def _await_ending(self, ending: asyncio.Future[None], limit_s: float) -> None:
        try:
            async with self._clock.timeout(limit_s):
                await ending
        except TimeoutError:
            why = self._fault or f"it was {self._phase} for {limit_s:.0f} s"
            raise DeviceError(
                f"{self._context.name} has not settled: {why}", retryable=True
            ) from None
        finally:
            if self._ending is ending:
                self._ending = None
            if ending.done() and not ending.cancelled():
                ending.exception()  # seen, also when a limit came first

    async def _halt(self, *, keep_lost: bool = False) -> None:
        """End the run of guiding, if there is one, and be idle."""
        run, self._run = self._run, None
        self._runs += 1  # one that was not begun yet never begins
        if run is not None:
            run.cancel()
            await asyncio.wait((run,))
        if self._loop is not None:
            self._loop.stop()
        if not (keep_lost and self._phase == "lost"):
            self._fault = None if self._connected else self._fault
            self._enter("idle")

    # The run ---------------------------------------------------------------------------------

    async def _guide(self, number: int, rule: SettleRule, *, recalibrate: bool) -> None:
        if number != self._runs:
            return
        self._run, self._unleased, self._performed = asyncio.current_task(), None, ()
        try:
            if not await self._begin(rule, recalibrate=recalibrate):
                return
            failures = 0
            while self._follows() and self._unleased is None:
                try:
                    await self._cycle()
                    failures = 0
                except DeviceError as error:
                    failures += 1
                    await self._mend(error, failures)
            self._give_up(self._unleased or "the mount does not track")
        except Exception as error:
            self._give_up(f"guiding has failed: {error}")
            raise

    async def _begin(self, rule: SettleRule, *, recalibrate: bool) -> bool:
        """Choose stars, on ever longer exposures; reports what went wrong and returns False."""
        assert self._loop is not None
        self._eye.exposure_s = self._options.exposure_s
        for _ in range(_LOOKS):
            try:
                frame, began_s, _ = await self._eye.frame()
            except DeviceError as error:
                try:
                    await self._eye.mend()
                except DeviceError:
                    self._give_up(str(error))
                    return False
                continue
            out = self._loop.begin(
                frame, self._epoch_s + began_s, self._pointing(), rule, recalibrate=recalibrate
            )
            self._take(out)
            if not any(event.name == "no_stars" for event in out.events):
                await self._correct(out.pulses)
                return True
            self._eye.exposure_s = min(2.0 * self._eye.exposure_s, self._options.longest_exposure_s)
        self._give_up(
            "no guide star is seen: is the cap of the guide scope off, is it in focus, is the sky"
            " clear? A longer longest_exposure_s or more gain shows fainter stars"
        )
        return False

    async def _cycle(self) -> None:
        assert self._loop is not None
        frame, began_s, exposure_s = await self._eye.frame()
        if not self._follows():
            return  # it was moved away meanwhile: these stars are none of ours
        out = self._loop.on_frame(
            frame, self._epoch_s + began_s, exposure_s, performed=self._performed
        )
        self._cycles += 1
        self._fault = None if out.phase != "lost" else "the guide stars are lost; looking for them"
        self._take(out)
        await self._correct(out.pulses)

    async def _correct(self, pulses: tuple[GuidePulse, ...]) -> None:
        """Have the mount do the pulses, both axes at once, and note what it did."""
        done = await together({f"pulse {p.direction}": self._pulse(p) for p in pulses})
        self._performed = tuple(pulse for pulse, ok in zip(pulses, done, strict=True) if ok)
        self._refused += done.count(False)

    async def _pulse(self, pulse: GuidePulse) -> bool:
        if not self._follows():
            return False
        length_ms = min(pulse.duration_ms, self._options.max_pulse_ms)
        command = Pulse(direction=pulse.direction, duration_ms=length_ms)
        try:
            await self._mount.do(command, length_ms / 1000.0 + _PULSE_ANSWER_S)
        except CommandError as error:
            if error.kind is ErrorKind.NO_LEASE:
                self._unleased = str(error)
            self._context.emit("pulse_refused", {"why": str(error)})
            return False
        except CallTimeoutError as error:
            self._context.emit("pulse_refused", {"why": str(error)})
            return False
        return True

    async def _mend(self, error: DeviceError, failures: int) -> None:
        """Bring the guide camera back, at growing intervals; the mount goes on as it is."""
        self._fault = str(error)
        self._enter("lost")
        if failures >= _TRIES:
            self._end(DeviceError(str(error), retryable=True))
        if failures > 1:
            await self._clock.sleep(min(_MEND_FIRST_S * 2.0 ** (failures - 2), _MEND_MOST_S))
        with contextlib.suppress(DeviceError):
            await self._eye.mend()

    # What is known and reported ------------------------------------------------------------------

    def _take(self, out: LoopOutput) -> None:
        """Take in what the loop says."""
        for event in out.events:
            self._context.emit("guiding", {"event": event.name, "text": event.text})
            if event.name in ("calibrated", "period_found") and self._loop is not None:
                self._context.kept_facts.save(self._loop.save())  # type: ignore[arg-type]
            if event.name in _ENDINGS:
                good = _ENDINGS[event.name]
                self._end(None if good else DeviceError(event.text, retryable=True))
        if out.phase != "idle":
            self._figures = figures(out)
            self._enter(out.phase)

    def _end(self, error: DeviceError | None) -> None:
        """Answer the command that waits, if one does."""
        if self._ending is None or self._ending.done():
            return
        if error is None:
            self._ending.set_result(None)
        else:
            self._ending.set_exception(error)

    def _give_up(self, why: str) -> None:
        """End the run by itself: the mount is not guided until guiding is started again."""
        self._run = None
        self._fault = why
        if self._loop is not None:
            self._loop.stop()
        self._end(DeviceError(f"{self._context.name} does not guide: {why}", retryable=True))
        self._enter("lost")

    def _enter(self, phase: Phase) -> None:
        """Take on a phase; the state is published when it, or the fault, has changed, or is old."""
        changed = phase != self._phase or self._fault != self._state.fault
        self._phase = phase
        if changed or self._clock.mono() - self._reported_s >= _REPORT_S:
            self._inform()

    def _inform(self) -> None:
        self._reported_s = self._clock.mono()
        figures: dict[str, Any] = {}
        if self._phase in ("guiding", "settling", "lost"):
            figures = dict(self._figures)
        self._state = GuiderState(
            connected=self._connected,
            at_rest=self._phase == "idle",
            fault=self._fault,
            phase=self._phase,
            calibrated=self._calibrated,
            cycles=self._cycles,
            refused_pulses=self._refused,
            **figures,
        )
        self._context.changed()

    @property
    def _calibrated(self) -> bool:
        return self._loop is not None and self._loop.calibrated

    def _tracking(self) -> MountState | None:
        """Return the mount's state if it follows the stars."""
        state = self._mount.state
        if self._mount.down or not isinstance(state, MountState):
            return None
        return state if state.tracking and not state.slewing and not state.parked else None

    def _follows(self) -> bool:
        return self._tracking() is not None

    def _require_tracking(self) -> None:
        if not self._follows():
            raise DeviceError(
                f"{self._context.name} cannot guide: the mount does not track", retryable=True
            )

    def _pointing(self) -> GuidePointing:
        mount = self._tracking()
        if mount is None:
            raise DeviceError("the mount does not track", retryable=True)
        side = self._context.geometry.calibration_side(mount.pier_side)
        return GuidePointing(dec_deg=mount.dec_deg, pier_side=side)


def make(context: DriverContext) -> MidwatchGuider:
    """Build the driver.

    Raises:
        DeviceError: a setting is wrong.
    """
    return MidwatchGuider(context)
