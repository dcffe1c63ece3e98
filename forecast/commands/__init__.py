"""The command line, one small module a command: parse, call, print; no statistics."""
