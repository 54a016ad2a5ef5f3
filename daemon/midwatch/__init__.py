"""Midwatch runs a deep-sky imaging rig through a whole night, unattended."""

__version__ = "0.1.0"
