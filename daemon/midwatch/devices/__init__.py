"""Devices: the contract of drivers, the daemon's view of them, and their hosts."""
