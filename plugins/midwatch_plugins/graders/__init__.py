"""Shipped graders."""
