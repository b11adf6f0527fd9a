"""The command line, through the real command in a process of its own."""
