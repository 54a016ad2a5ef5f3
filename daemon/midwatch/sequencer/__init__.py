"""Deciding and doing, through one night."""
