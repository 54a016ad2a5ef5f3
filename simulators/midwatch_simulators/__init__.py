"""midwatch_simulators."""
