"""The command ``diagnose``: its words, commands, streams and exit codes."""
