"""The other simulated devices, one in each file."""
