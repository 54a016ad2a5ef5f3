"""midwatch_plugins."""
