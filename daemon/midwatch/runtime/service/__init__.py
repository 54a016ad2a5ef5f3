"""The daemon as a service: what it says to the system, and what the system asks of it."""

from midwatch.runtime.service.end_signals import ending_on_signal
from midwatch.runtime.service.service_manager import watched_service

__all__ = ["ending_on_signal", "watched_service"]
