"""The bench page: the whole job in a browser on this machine, over the same functions."""
