"""What people and programs touch: the command line, the commands, the operator's page."""
