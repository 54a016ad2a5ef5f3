"""sequencer."""
