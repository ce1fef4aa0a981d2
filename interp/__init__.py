"""A small reference interpreter for the MIPS R4300 (MIPS III, big-endian), in the standard library alone."""
