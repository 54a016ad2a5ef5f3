"""interface."""
