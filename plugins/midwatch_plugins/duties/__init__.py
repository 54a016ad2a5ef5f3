"""Shipped duties, one file for each stretch of the night.

The duty ``centre`` takes a frame and asks for its place by one method of solving after the other;
``diagnosis`` says why nothing was found, from the frames and from the other devices; ``turning``
works the rotator. After two light frames in a row that show no known field the field is centred
again. The duty ``focus`` moves, exposes and accounts for what ``imaging/focus`` of the daemon
asks.
"""
