"""The command line: commands by group, the parser, and the output."""
