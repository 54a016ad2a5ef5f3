"""Logging: one stream on standard error, for people on a terminal and as JSON elsewhere."""

from __future__ import annotations

import logging
import sys
from collections.abc import MutableMapping
from typing import TYPE_CHECKING, Any, TextIO

import structlog

if TYPE_CHECKING:
    from structlog.typing import Processor

    from midwatch.clock import Clock

_LEVELS = {-1: logging.ERROR, 0: logging.WARNING, 1: logging.INFO, 2: logging.DEBUG}

# Libraries whose own INFO level reports every message.
_CHATTY = ("apscheduler", "asyncio", "paho")
# The MQTT client reports each lost connection as errors of its own; the bus says it once, better.
_MUTED = "mqtt"


def set_up_logs(
    loudness: int = 0,
    *,
    clock: Clock | None = None,
    stream: TextIO | None = None,
) -> None:
    """Route structlog, and the standard library's logging, to one stream.

    Args:
        loudness: -1 errors, 0 warnings, 1 what is done, 2 debug.
        clock: stamps the lines; None takes the machine's.
        stream: where to; None takes standard error.
    """
    from midwatch.clock import WallClock

    out = sys.stderr if stream is None else stream
    level = _LEVELS[max(-1, min(loudness, 2))]
    shared = _shared(WallClock() if clock is None else clock)
    final: list[Processor] = (
        [structlog.dev.ConsoleRenderer(colors=True)]
        if out.isatty()
        else [structlog.processors.format_exc_info, structlog.processors.JSONRenderer()]
    )
    structlog.configure(
        processors=[*shared, structlog.stdlib.ProcessorFormatter.wrap_for_formatter],
        wrapper_class=structlog.make_filtering_bound_logger(level),
        logger_factory=structlog.stdlib.LoggerFactory(),
        # Cached loggers would keep an earlier set-up, and the stream of a test that is over.
        cache_logger_on_first_use=False,
    )
    handler = logging.StreamHandler(out)
    handler.setFormatter(
        structlog.stdlib.ProcessorFormatter(
            foreign_pre_chain=shared,
            processors=[structlog.stdlib.ProcessorFormatter.remove_processors_meta, *final],
        )
    )
    if level > logging.DEBUG:
        # By a filter: the library sets the level of its logger when it is imported, later.
        handler.addFilter(lambda record: record.name != _MUTED)
    root = logging.getLogger()
    for old in [h for h in root.handlers if getattr(h, "_of_midwatch", False)]:
        root.removeHandler(old)
    handler._of_midwatch = True  # type: ignore[attr-defined]
    root.addHandler(handler)
    root.setLevel(level)
    for name in _CHATTY:
        logging.getLogger(name).setLevel(max(level, logging.WARNING))


def _shared(clock: Clock) -> list[Processor]:
    return [
        structlog.contextvars.merge_contextvars,
        structlog.stdlib.add_log_level,
        structlog.stdlib.ExtraAdder(),
        _stamp(clock),
        structlog.processors.StackInfoRenderer(),
    ]


def _stamp(clock: Clock) -> Processor:
    def stamp(
        _logger: Any, _method: str, event: MutableMapping[str, Any]
    ) -> MutableMapping[str, Any]:
        event["at"] = clock.now().isoformat(timespec="milliseconds").replace("+00:00", "Z")
        return event

    return stamp
