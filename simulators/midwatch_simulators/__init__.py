"""Simulated devices and the world that they share."""
