"""Guest programs: ELF and raw images read into segments, functions and calls."""
