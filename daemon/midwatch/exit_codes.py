"""The one place where an error that ends a command becomes a message and an exit code."""

from __future__ import annotations

import contextlib
import errno
import os
import sys
import traceback

from midwatch.errors import InputError, MidwatchError, UnreachableError

DONE = 0
BROKEN_PROMISE = 1
WRONG_INPUT = InputError.exit_code
UNREACHABLE = UnreachableError.exit_code
INTERRUPTED = 130  # the shell's convention: 128 and the number of the signal

# What to do about an error of the operating system, and whether the input or a service is to
# blame; others are shown as they are.
_ADVICE: dict[int, tuple[int, str]] = {
    errno.ENOSPC: (UNREACHABLE, "the disk is full: free some space, or give another --out folder"),
    errno.EDQUOT: (
        UNREACHABLE,
        "the disk quota is used up: free some space, or give another --out",
    ),
    errno.EROFS: (WRONG_INPUT, "the disk can only be read: give another --out folder"),
    errno.EACCES: (WRONG_INPUT, "no permission: give a folder that this account may write"),
    errno.EPERM: (WRONG_INPUT, "no permission: give a folder that this account may write"),
    errno.ENOTDIR: (WRONG_INPUT, "a file is where a folder is needed: give another path"),
    errno.EEXIST: (WRONG_INPUT, "a file is where a folder is needed: give another path"),
    errno.EISDIR: (WRONG_INPUT, "a folder is where a file is needed: give another path"),
    errno.ENOENT: (WRONG_INPUT, "there is no such file: check the path"),
    errno.ENAMETOOLONG: (WRONG_INPUT, "the path is too long: give a shorter one"),
    errno.EADDRINUSE: (UNREACHABLE, "another program uses that port: end it, or use another port"),
    errno.ECONNREFUSED: (UNREACHABLE, "nothing listens there: is the broker running?"),
    errno.EIO: (UNREACHABLE, "the disk fails: check its cable and health before the night"),
}


def reported(error: BaseException, *, show_traceback: bool = False) -> int:
    """Write what went wrong to standard error and return the exit code."""
    if show_traceback:
        traceback.print_exception(error)
    if isinstance(error, BrokenPipeError):
        # The reader of our output has seen enough; nothing more may be written there.
        with contextlib.suppress(OSError):
            os.dup2(os.open(os.devnull, os.O_WRONLY), sys.stdout.fileno())
        return DONE
    code, message = explained(error)
    with contextlib.suppress(OSError):
        sys.stderr.write(f"midwatch: {message}\n")
    return code


def explained(error: BaseException) -> tuple[int, str]:
    """Return the exit code of an error, and a message that can be acted on.

    Of a group of errors the first that was raised on purpose counts.
    """
    if isinstance(error, BaseExceptionGroup):
        return explained(_spokesman(error))
    if isinstance(error, KeyboardInterrupt):
        return INTERRUPTED, "interrupted"
    if isinstance(error, MidwatchError):
        return error.exit_code, str(error)
    if isinstance(error, OSError) and error.errno is not None:
        code, advice = _ADVICE.get(error.errno, (UNREACHABLE, error.strerror or "input or output"))
        where = f"{error.filename}: " if error.filename else ""
        return code, f"{where}{advice}"
    kind = type(error).__name__
    return BROKEN_PROMISE, f"unforeseen {kind}: {error} (-vv shows where; please report it)"


def _spokesman(group: BaseExceptionGroup[BaseException]) -> BaseException:
    flat: list[BaseException] = []
    waiting: list[BaseException] = [group]
    while waiting:
        error = waiting.pop(0)
        if isinstance(error, BaseExceptionGroup):
            waiting.extend(error.exceptions)
        else:
            flat.append(error)
    return next((error for error in flat if isinstance(error, MidwatchError)), flat[0])
