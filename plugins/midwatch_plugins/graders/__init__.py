"""Shipped graders: they compare light frames with the night's own."""
