"""Shipped lookouts: reasons to focus again, and what goes on around the rig."""
