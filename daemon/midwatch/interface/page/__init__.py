"""The operator's page: shows a running night and takes orders by hand.

It runs outside the night. ``page_server`` keeps it served; ``journal_reader`` reads the journal,
in a worker thread, into a `Glance` of plain values; ``page_bus`` listens to devices and gives
orders as commands do; ``page_sections`` and ``forms`` turn values into markup. A request passes
``connections``, ``request_guards`` (time, host, origin) and ``accounts`` (passwords, sign-ins,
waits) before ``handlers`` answers. To show something more: a field in `Glance`, a section with an
id. No style or script in the markup, nothing shown by colour alone; night colours have
neither green nor blue.
"""

from midwatch.interface.page.page_options import page_settings
from midwatch.interface.page.page_server import OperatorPage

__all__ = ["OperatorPage", "page_settings"]
