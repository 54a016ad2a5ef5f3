"""The duties, lookouts, graders and drivers that Midwatch ships; they use the public API only."""
