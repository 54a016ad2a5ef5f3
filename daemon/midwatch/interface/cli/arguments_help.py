"""What the help of each command says."""

from __future__ import annotations

WIDTH = 79
EXIT_CODES = """\
exit codes:
  0  done
  1  the night broke a promise
  2  the input is wrong (the message names file, line and field, and what to write instead)
  3  a device or service cannot be reached
(130, as the shell has it, when interrupted)
"""

HELP = {
    "check": ("check a night's files, and the rig", "Reads night orders with their site and rig "
              "and says everything that is wrong at once; then looks at drivers, plugins, "
              "darkness, targets, clock and disk."),
    "plan": ("what the night allows", "Shows twilight, Moon and dark hours, and for each target "
             "when it can be imaged and how many of its frames fit."),
    "polar": ("measure the polar axis, and guide its knobs", "Measures at set-up time where the "
              "mount's polar axis points, then says after each frame which knob to turn, which way "
              "and how far. Says what the mount will do, and asks, before it moves."),
    "rehearse": ("run the night against simulated devices", "Runs the orders through the real "
                 "daemon in virtual time: a night takes minutes, and leaves the files that a real "
                 "one would."),
    "drill": ("many nights under faults", "Rehearses many nights under faults drawn from a seed, "
              "holds each against every promise and against what perfect knowledge could have "
              "had, and says how to see the worst of them again."),
    "run": ("run the night for real", "Runs the night until the rig is parked, warm and closed. "
            "Interrupt once (or SIGTERM) to close the night in good order; a second time ends at "
            "once, and the devices make themselves safe."),
    "status": ("what a running night is doing", "Asks the bus what the daemon and the devices of "
               "a running night are doing."),
    "pause": ("pause a running night", "Takes no new frames until resumed; the frame under way "
              "is finished."),
    "resume": ("go on after a pause", "Goes on after a pause."),
    "skip": ("leave a target for tonight", "Leaves a target out for the rest of the night: the "
             "current one, or the one named."),
    "close": ("end a running night in good order", "Stops imaging, parks, closes and warms up."),
    "change": ("give a running night new orders", "Reads new night orders, and has the running "
               "night go by them. Targets that are gone end, what was taken still counts; site, "
               "rig and the hours of the night stay. Orders with mistakes change nothing."),
    "why": ("the decision in force at a time", "Reads from the journal what was being done at a "
            "time of the night, why, and what was ruled out."),
    "report": ("write the report again", "Writes night.json and report.html again from the "
               "journal; needs no daemon."),
    "measure": ("what a frame shows", "Measures FITS files as the night does: stars, their size "
                "and shape, background, full pixels, trails, what speaks against the frame. Files "
                "that cannot be measured are named, and the others go on."),
    "device": ("run, or talk to, one device", "Without a word after the name: hosts the device's "
               "driver in this process until it is asked to end. With 'state': shows its state. "
               "With 'do COMMAND key=value ...': has it do something."),
    "schema": ("JSON Schema of the files, AsyncAPI of the bus", "Prints the machine-readable "
               "description of a file or of the bus."),
}  # fmt: skip
