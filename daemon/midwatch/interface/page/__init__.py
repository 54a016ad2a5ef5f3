"""The operator's page: shows a running night and takes orders by hand.

It reads the journal and the bus like anybody outside, and gives orders over the bus. Nothing of the
night depends on it.
"""
