"""The simulated mount: its base, axes, gears and computer."""
