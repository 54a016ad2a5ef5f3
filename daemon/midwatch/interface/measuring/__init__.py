"""What a file of any origin shows: read, measured, judged and solved as the night does it.

``frame_content`` has it as JSON, ``frame_listing`` for a person.
"""

from midwatch.interface.measuring.frame_content import content_of
from midwatch.interface.measuring.frame_listing import lines_of

__all__ = ["content_of", "lines_of"]
