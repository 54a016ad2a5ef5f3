"""Drivers that work on other devices of the rig."""
