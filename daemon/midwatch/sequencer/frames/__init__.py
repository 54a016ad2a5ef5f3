"""Frames that count: from the shutter to the graded file in the ledger, exactly once.

1. The engine performs ``expose``. ``frame_begun`` is journaled before the shutter opens.
2. The driver reads out and keeps the pixels in its spool, durably, under their SHA-256. Its
   answer is a reference (`FrameRef`), never pixels.
3. ``frame_read`` is journaled. The measurer fetches the pixels and checks them against the sum.
   On a real night it is another process, which keeps the frame at hand until the next one: the
   daemon itself never holds pixels (``sequencer/camera``).
4. There it is measured: stars, HFR, background, zones, tilt, trails, where the frame points. The
   graders judge (``sequencer/grading``).
5. The FITS file is written whole, with measures and grade in its header: under a partial name,
   synced, renamed, the folder synced. ``frame_filed`` is journaled, then ``frame_graded``. Only
   an accepted frame counts against the orders.
6. The daemon acknowledges, and the spool drops the pixels.

What finds no room on the disk waits in the spool, goes first once there is room, and is waited
for when the night ends (`file_what_waits`). If anything dies in between, the next start asks the
spool what is waiting and goes on from there. A frame that is nowhere is journaled as lost.
Throw-away frames (focus, solving) skip step 5.
"""

from midwatch.sequencer.frames.keeping import collect_waiting, file_what_waits, keep_frame

__all__ = ["collect_waiting", "file_what_waits", "keep_frame"]
