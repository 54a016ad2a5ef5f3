"""Puts nights together and runs them."""
