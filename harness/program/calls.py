"""What can be said about a function's code without running it: whom it calls, how it jumps, what is no instruction."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass

from harness.program.model import Function, Program
from interp.optable import Kind, decode

_RA = 31


@dataclass(frozen=True, slots=True)
class Calls:
    """The control flow that leaves a function, and what in it cannot be read; guest addresses, ascending.

    ``callees`` are the targets of direct calls, ``tail_calls`` those of jumps and branches out of the function's
    extent. ``indirect_calls`` and ``indirect_jumps`` are the places of calls and jumps through a register (jump tables
    and tail calls through pointers; a return is neither). ``reserved`` are the places of words that are no instruction.
    """

    callees: tuple[int, ...]
    tail_calls: tuple[int, ...]
    indirect_calls: tuple[int, ...]
    indirect_jumps: tuple[int, ...]
    reserved: tuple[int, ...]


def calls_of(program: Program, function: Function) -> Calls:
    """Reads the calls off a function's code; what lies after a jump table or in data between is read as code too."""
    callees: set[int] = set()
    tail_calls: set[int] = set()
    indirect_calls: list[int] = []
    indirect_jumps: list[int] = []
    reserved: list[int] = []
    for address, word in program.words(function):
        insn = decode(word)
        if insn is None:
            reserved.append(address)
        elif insn.row.kind is Kind.INDIRECT:
            if insn.row.links:
                indirect_calls.append(address)
            elif insn.s != _RA:
                indirect_jumps.append(address)
        elif insn.row.kind.has_slot:
            goal = insn.target(address)
            if insn.row.links:
                callees.add(goal)
            elif not function.address <= goal < function.end:
                tail_calls.add(goal)
    return Calls(
        tuple(sorted(callees)), tuple(sorted(tail_calls)), tuple(indirect_calls), tuple(indirect_jumps), tuple(reserved)
    )


def reached_from(program: Program, function: Function) -> Iterator[Function]:
    """Yields ``function`` and every function that direct calls and tail calls lead to, each once, callers first."""
    seen = {function.address}
    waiting = [function]
    while waiting:
        current = waiting.pop(0)
        yield current
        calls = calls_of(program, current)
        for address in (*calls.callees, *calls.tail_calls):
            callee = program.function_at(address)
            if callee is not None and callee.address not in seen:
                seen.add(callee.address)
                waiting.append(callee)
