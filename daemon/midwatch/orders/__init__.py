"""orders."""
