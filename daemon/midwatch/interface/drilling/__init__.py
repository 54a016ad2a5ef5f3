"""Drills: many rehearsals under seeded faults, each held against every promise."""
