"""SPICE netlists in and out: a netlist as a stage file, and a stage as a netlist."""
