"""Errors, branched by what the caller should do about them."""

from __future__ import annotations

from typing import ClassVar


class MidwatchError(Exception):
    """Root of every error raised on purpose.

    `exit_code` is what the command line returns when the error ends a command.
    """

    exit_code: ClassVar[int] = 1


class RetryableError(MidwatchError):
    """The same thing may well succeed if tried again."""


class SkipTargetError(MidwatchError):
    """This target cannot go on; another one can."""


class MakeSafeError(MidwatchError):
    """Something endangers the rig: stop exposing, park, close."""


class StopError(MidwatchError):
    """The night cannot go on: close it."""


class InputError(MidwatchError):
    """What the user wrote is wrong; the message says where and what to write instead."""

    exit_code: ClassVar[int] = 2


class UnreachableError(MidwatchError):
    """A device or service cannot be reached."""

    exit_code: ClassVar[int] = 3
