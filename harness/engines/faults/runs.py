"""Faults of the engine itself: how a run stops, what it leaves, and what does not survive it."""

from __future__ import annotations

from harness.engines.faults.model import Fault, Group

_RESTORE = "a clean context is restored before each run"


def _run(
    name: str, when: str, unicorn: str, expected: str, remedy: str, known: str, right: str, source: str = "UC",
    also: tuple[str, ...] = (),
) -> Fault:
    return Fault(name, Group.RUNS, "", when, unicorn, expected, source, remedy, known, right, also=also)


RUNS: tuple[Fault, ...] = (
    _run("long-run", "more than about 360 instructions without a branch", "kills the process", "runs them",
         "each instruction is counted (`count=`), which ends blocks early", "kills the process", "runs through"),
    _run("slot-trap-state", "a trap in a delay slot", "leaves a pending branch to the next run", "nothing is left",
         _RESTORE, "the next run is wrong", "the next run is right", also=("kills the process",)),
    _run("bad-fetch", "a fetch from unmapped memory", "kills the process at the next run", "nothing is left",
         "jumps are checked first; after any other bad fetch the instance is thrown away",
         "kills the process", "the next run is right"),
    _run("bad-fetch-restored", "a fetch from unmapped memory, then `context_restore`", "kills the process all the same",
         "cures it", "the instance is thrown away", "kills the process", "the next run is right"),
    _run("misaligned-fetch", "a jump to a misaligned address", "kills the process at the next run",
         "nothing is left", "register jumps are checked first", "kills the process", "the next run is right"),
    _run("memory-hook-in-slot", "a hook watches memory, a store in a delay slot", "runs the branch target twice",
         "once", "no memory hooks", "twice", "once"),
    _run("virtual-tlb-in-slot", "the virtual TLB, a store in a delay slot", "runs the branch target twice",
         "once", "the TLB mode stays at its default", "twice", "once"),
    _run("virtual-tlb-alias", "the virtual TLB, an address in kseg1", "nothing is mapped", "the bytes of kseg0",
         "the TLB mode stays at its default", "trap tlb-load", "the same bytes", "R4K p. 75-76"),
    _run("stop-in-slot", "a hook in a delay slot stops the run", "stops behind the slot", "stops before it",
         "such a stop has the registers that the hook saw", "the slot ran", "the slot did not run"),
    _run("hook-in-skipped-slot", "a hook in the slot of a likely branch that is not taken", "calls it",
         "the slot is not executed", "wires there work out whether the branch is taken", "called", "not called"),
    _run("count-in-slot", "`count=` ends between a branch and its slot", "runs the slot as well", "counts exactly",
         "the reference alone counts", "the slot ran", "the slot did not run"),
    _run("stale-pc", "a trap that is no SYSCALL", "PC is not the address of the trap", "PC is that address",
         "the leg never tells an address", "PC is another", "PC is right"),
    _run("pc-of-block", "code runs on into `until`", "PC stays at the start of the block", "PC is `until`",
         "runs end at a jump to the return page", "PC is another", "PC is right"),
    _run("no-vector", "a trap", "Cause, EPC and Status stay", "all three tell of it",
         "the exception hook tells which it is", "Cause is 0", "Cause tells", "R4K ch. 5"),
    _run("quiet-trap", "a trap, a hook that stops the run", "returns as if nothing were wrong", "raises",
         "the leg keeps what its hook saw", "no error", "an error"),
    _run("stale-code", "code is written from outside over code that ran", "the old code runs", "the new code runs",
         "`ctl_remove_cache` wherever code is written", "the old code ran", "the new code ran"),
    _run("stale-until", "another `until` inside code that ran", "runs past it", "stops there",
         "`until` is always the return page", "ran past it", "stopped there"),
    _run("physical-addresses", "memory is read from outside by the address the guest uses", "nothing is mapped",
         "the guest's bytes", "the leg names physical addresses", "raises UC_ERR_READ_UNMAPPED", "the bytes"),
    _run("memory-not-restored", "`context_restore`", "memory stays as it is", "as the context",
         "the leg writes memory itself", "memory stays", "memory restored"),
)  # fmt: skip
