"""The journal of a night, the only source of truth, and what is folded from it."""
