"""A small reference interpreter for the MIPS R4300 (MIPS III, big-endian), in the standard library alone."""

# Each import fills its chapter of ``optable.ROWS``, so that any module of this package comes with the whole table.
from interp import ops_alu as ops_alu
from interp import ops_branch as ops_branch
from interp import ops_fpu_arith as ops_fpu_arith
from interp import ops_fpu_move as ops_fpu_move
from interp import ops_memory as ops_memory
from interp import ops_muldiv as ops_muldiv
from interp import ops_shift as ops_shift
from interp import ops_system as ops_system
