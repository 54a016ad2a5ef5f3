"""Draws markup from templates, and holds the macros that report and page share."""

from midwatch.markup.drawing import draw, prepare

__all__ = ["draw", "prepare"]
