"""The guide camera as the guider uses it: frames one after the other, and what to do without."""

from __future__ import annotations

import contextlib
import math

from midwatch.api.driver import (
    Acknowledge,
    CallTimeoutError,
    Clock,
    CommandError,
    Connect,
    DeviceError,
    Disconnect,
    ErrorKind,
    Expose,
    Frame,
    FrameCorruptError,
    FrameRef,
    Peer,
    Stop,
    fetch,
)

# Beyond the exposure: read-out, a busy bus. Longer leaves the mount unguided behind a hung camera.
_ANSWER_S = 15.0
_LINK_S = 30.0
# A guider that was stopped and started again finds its last exposure still running.
_BUSY_S, _BUSY_MOST_S = 0.5, 5.0
# No two exposures have the same noise: so many equal ones come from a driver that has stuck.
_SAME_FRAMES = 3
ADVICE = (
    "check its cable and power, try another port, and close other programs that may hold it;"
    " it is tried again"
)


class GuideEye:
    """Takes exposures with the guide camera.

    Attributes:
        exposure_s: of the next exposure.
    """

    def __init__(
        self,
        camera: Peer,
        clock: Clock,
        name: str,
        *,
        exposure_s: float,
        gain: int,
        offset: int,
        binning: int,
    ) -> None:
        self.exposure_s = exposure_s
        self._camera = camera
        self._clock = clock
        self._name = name
        self._gain, self._offset, self._binning = gain, offset, binning
        self._count = 0
        self._last_sha256 = ""
        self._same = 0

    def scale_arcsec(self, pixel_um: float | None, focal_length_mm: float | None) -> float:
        """Return arcseconds a pixel, from the settings or else from what the camera reports.

        Raises:
            DeviceError: neither says.
        """
        limits = self._camera.about.limits if self._camera.about is not None else {}
        pixel = pixel_um or limits.get("pixel_um")
        focal = focal_length_mm or limits.get("focal_length_mm")
        for value, setting in ((pixel, "pixel_um"), (focal, "focal_length_mm")):
            if not isinstance(value, int | float) or not value > 0:
                raise DeviceError(
                    f"the scale of {self._name} on the sky is not known: set {setting}"
                    " in its options"
                )
        assert isinstance(pixel, int | float) and isinstance(focal, int | float)
        return math.degrees(pixel * self._binning / 1000.0 / focal) * 3600.0

    async def open(self) -> None:
        """Open the link to the camera if it has none.

        Raises:
            DeviceError: it cannot be opened; the message says what to try.
        """
        await self._wait_heard()
        until_s = self._clock.mono() + _LINK_S
        while not self._connected:
            try:
                await self._camera.do(Connect(), _LINK_S)
            except (CommandError, CallTimeoutError) as error:
                # Another client may be connecting it at this very moment.
                busy = isinstance(error, CommandError) and error.kind is ErrorKind.BUSY
                if not busy or self._clock.mono() >= until_s:
                    raise DeviceError(
                        f"the guide camera does not connect: {error}; {ADVICE}", retryable=True
                    ) from error
                await self._clock.sleep(_BUSY_S)
            else:
                return

    @property
    def _connected(self) -> bool:
        state = self._camera.state
        return state is not None and state.connected

    async def frame(self) -> tuple[Frame, float, float]:
        """Take an exposure; return it, when it began by our steady clock, and its length.

        Raises:
            DeviceError: there is no frame; the message says what to try.
        """
        if self._camera.down:
            raise DeviceError(f"the guide camera is silent; {ADVICE}", retryable=True)
        self._count += 1
        command = Expose(
            exposure_id=f"{self._name}-{self._count}",
            frame="guide",
            exposure_s=self.exposure_s,
            gain=self._gain,
            offset=self._offset,
            binning=self._binning,
        )
        try:
            began_s, ref = await self._exposed(command)
            pixels = fetch(ref)
            await self._camera.do(Acknowledge(sha256=ref.sha256), _ANSWER_S)
        except (CommandError, CallTimeoutError) as error:
            raise DeviceError(
                f"the guide camera gives no frame: {error}; {ADVICE}", retryable=True
            ) from error
        except (FrameCorruptError, ValueError) as error:
            raise DeviceError(
                f"a frame of the guide camera cannot be fetched: {error}; host the guider on the"
                " machine of its camera",
                retryable=True,
            ) from error
        self._compare(ref)
        return Frame(pixels, ref.bayer, ref.saturation_adu), began_s, ref.exposure_s

    async def _exposed(self, command: Expose) -> tuple[float, FrameRef]:
        """Return when an exposure began, and its reference; one that still runs is waited for."""
        until_s = self._clock.mono() + self.exposure_s + _BUSY_MOST_S
        while True:
            began_s = self._clock.mono()
            try:
                return began_s, await self._camera.do(command, self.exposure_s + _ANSWER_S)
            except CommandError as error:
                if error.kind is not ErrorKind.BUSY or self._clock.mono() >= until_s:
                    raise
            await self._clock.sleep(_BUSY_S)

    async def mend(self) -> None:
        """Try to bring the camera back: end what hangs, close the link and open it again.

        Raises:
            DeviceError: it is not back.
        """
        self._same = 0
        for command in (Stop(), Disconnect()):
            # What is gone cannot be stopped; opening it decides.
            with contextlib.suppress(CommandError, CallTimeoutError):
                await self._camera.do(command, _ANSWER_S)
        await self.open()

    def _compare(self, ref: FrameRef) -> None:
        self._same = self._same + 1 if ref.sha256 == self._last_sha256 else 1
        self._last_sha256 = ref.sha256
        if self._same >= _SAME_FRAMES:
            raise DeviceError(
                f"the guide camera sends the same frame again and again; {ADVICE}", retryable=True
            )

    async def _wait_heard(self) -> None:
        try:
            async with self._clock.timeout(_LINK_S):
                while self._camera.down:
                    await self._clock.sleep(0.5)
        except TimeoutError:
            raise DeviceError(
                f"no guide camera is on the bus: does the rig name one, and does its driver run?"
                f" Otherwise {ADVICE}",
                retryable=True,
            ) from None
