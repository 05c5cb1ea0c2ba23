"""From the trace of an oscilloscope, or what a generator's sweep leaves, to readings."""
