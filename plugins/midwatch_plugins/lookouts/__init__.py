"""Shipped lookouts."""
