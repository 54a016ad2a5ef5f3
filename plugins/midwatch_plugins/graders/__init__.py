"""Shipped graders: they judge light frames beside the night's own."""
