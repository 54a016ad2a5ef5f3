"""The daemon as a service: what it says to the system, and what the system asks of it."""

from midwatch.runtime.service.end_signals import told_to_end
from midwatch.runtime.service.service_manager import watched_service

__all__ = ["told_to_end", "watched_service"]
