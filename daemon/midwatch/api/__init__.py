"""What plugins may import; nothing else of the daemon is public to them.

One module for each kind of author: `midwatch.api.duty`, `midwatch.api.lookout`,
`midwatch.api.grader`, `midwatch.api.notifier`, `midwatch.api.driver`. Each says what to write and
shows a small example. A plugin is a package with entry points: those in the groups
``midwatch.duties``, ``midwatch.lookouts``, ``midwatch.graders`` and ``midwatch.notifiers`` name
classes that take no arguments, those in ``midwatch.drivers`` a callable that takes a
`DriverContext`. ``midwatch check`` says what is wrong with one.
"""
