"""A small reference interpreter for the MIPS R4300 (MIPS III, big-endian), in the standard library alone."""

# ruff: noqa: F401 - each import fills its chapter of ``optable.ROWS``, so that any module comes with the whole table
from interp import ops_alu, ops_branch, ops_fpu_arith, ops_fpu_move, ops_memory, ops_muldiv, ops_shift, ops_system
