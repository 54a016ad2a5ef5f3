"""One module for each command; each has `execute(args) -> exit code`."""
