"""The command line: one file a command, argument parsing only."""
