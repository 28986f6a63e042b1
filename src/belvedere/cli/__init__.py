"""The command line: parses words into options, prints answers."""
