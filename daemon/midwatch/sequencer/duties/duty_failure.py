"""A duty that could not do its work."""

from __future__ import annotations

from midwatch.errors import RetryableError

__all__ = ["DutyFailedError"]


class DutyFailedError(RetryableError):
    """A duty could not do its work.

    Attributes:
        device: which device (or "sky") prevented it.
        fault: short constant name of the fault.
        message: what happened, with values and units, and what to try.
    """

    def __init__(self, device: str, fault: str, message: str) -> None:
        super().__init__(message)
        self.device = device
        self.fault = fault
        self.message = message
