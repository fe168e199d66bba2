"""The command line: one thin file per command; ``main`` turns errors into text and exit status."""
