"""Shipped duties, one file for each stretch of the night."""
