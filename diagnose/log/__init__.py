"""The case log: what did it turn out to be, before? See ``README.md`` of this room."""
