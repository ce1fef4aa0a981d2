"""States: what a function reads, drawn by Hypothesis and expanded into MachineState."""
