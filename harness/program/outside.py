"""What of a program is outside of what is tested: what the file says, and what the C turns out to lack."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass, replace
from fnmatch import fnmatchcase
from functools import cached_property

from harness.abi import Abi
from harness.config import Build, Calls, External
from harness.engines.base import PAGE
from harness.engines.outside import Boundary, DeviceWindow, Outside, Slot, Span
from harness.errors import UsageError
from harness.program.model import Function, Program


@dataclass(frozen=True, eq=False)
class Surroundings:
    """Everything outside of one program.

    ``declared`` are the functions that the file names, ``undeclared`` those that the C calls and does not have;
    ``callees`` are isolated, whichever of them is not under test itself.
    """

    abi: Abi
    declared: tuple[Boundary, ...]
    windows: tuple[DeviceWindow, ...] = ()
    undeclared: tuple[Boundary, ...] = ()
    callees: tuple[Boundary, ...] = ()

    @classmethod
    def of(cls, build: Build, program: Program, abi: Abi) -> Surroundings:
        """What the file says.

        Errors: ``UsageError`` for an external that the image does not name, and windows that cannot be.
        """
        declared: dict[int, Boundary] = {}
        for number, external in enumerate(build.externals, 1):
            for boundary in _boundaries(f"{build.file} [external] item {number}", external, program):
                declared.setdefault(boundary.address, boundary)  # the first that names it counts
        callees: tuple[Boundary, ...] = ()
        if build.check.calls is Calls.ISOLATED:
            rest = (function for function in program.functions if function.address not in declared)
            callees = tuple(Boundary(one.name, one.address, isolated=True, segment=one.segment) for one in rest)
        return cls(abi, tuple(declared.values()), _windows(build, program), callees=callees)

    def completed(self, program: Program, undeclared: Iterable[int], unseen: Iterable[int]) -> Surroundings:
        """With the functions that the C lacks, and without callees whose calls cannot be told in it."""
        known = {one.address: one for one in (*program.functions, *program.beyond)}
        lost = set(unseen)
        lacking = [known[address] for address in sorted(set(undeclared))]
        return replace(
            self,
            undeclared=tuple(Boundary(one.name, one.address, declared=False, segment=one.segment) for one in lacking),
            callees=tuple(one for one in self.callees if one.address not in lost),
        )

    def for_function(self, function: Function) -> Outside | None:
        """What is outside while ``function`` is under test: one and the same where no callee is isolated."""
        callees = [one for one in self.callees if one.address != function.address]
        return self._with(callees) if callees else self.for_search()

    def for_search(self) -> Outside | None:
        """What is outside of the whole program."""
        return self._alone

    def for_calls(self, program: Program) -> Outside | None:
        """What is outside where all calls are followed: a function that only the C lacks is none of it."""
        held = {function.address for function in program.functions}
        lacking = tuple(one for one in self.undeclared if one.address not in held)
        return replace(self, undeclared=lacking, callees=()).for_search()

    @cached_property
    def _alone(self) -> Outside | None:
        return self._with(()) if self.declared or self.undeclared or self.windows else None

    def _with(self, callees: Iterable[Boundary]) -> Outside:
        boundaries = {one.address: one for one in (*callees, *self.undeclared, *self.declared)}
        return Outside(self.abi, boundaries, self.windows)


def _boundaries(where: str, external: External, program: Program) -> list[Boundary]:
    """The functions that one ``[[external]]`` names."""
    if external.address is not None:
        found = [(external.name, external.address, "")]
    else:
        found = [
            (name, one.address, one.segment)
            for one in (*program.functions, *program.beyond)
            for name in (one.name, *one.aliases)
            if fnmatchcase(name, external.name)
        ]
    if not found and any(fnmatchcase(one.name, external.name) for one in program.elsewhere):
        return []  # it is in a segment that is not in memory
    if not found:
        raise UsageError(
            f"{where} name",
            "matches no function and no absolute symbol of the image",
            got=f"'{external.name}'",
            help="correct it, or give its guest address as address",
        )
    code = {region.address for region in program.code}
    for name, address, _ in found:
        for region in program.regions:
            if region.address <= address < region.end and region.address not in code:
                raise UsageError(
                    f"{where} address", "is data of the image", got=f"{address:016x}", expected=f"the code of {name}"
                )
    return [
        Boundary(
            name,
            address,
            tuple(map(Slot.of, external.arguments)),
            tuple(map(Span.of, external.reads)),
            tuple(map(Span.of, external.writes)),
            external.result,
            segment=segment,
        )
        for name, address, segment in found
    ]


def _windows(build: Build, program: Program) -> tuple[DeviceWindow, ...]:
    """The windows of devices, which may not lie over each other or over the image."""
    windows: list[DeviceWindow] = []
    for number, window in enumerate(build.windows, 1):
        one = DeviceWindow(window.name, window.address, window.size, window.width, window.values)
        for other in windows:
            if other.offset(one.address) is not None or one.offset(other.address) is not None:
                raise _overlap(build, number, one, f"window {other.name}")
        for region in program.regions:
            start = one.address & -PAGE
            pages = replace(one, address=start, size=-(-one.end // PAGE) * PAGE - start)
            if pages.offset(region.address) is not None or _holds(region.address, region.end, pages.address):
                raise _overlap(build, number, one, f"the image's {region.name}")
        windows.append(one)
    return tuple(windows)


def _holds(start: int, end: int, address: int) -> bool:
    """Whether an address lies in a range of the image, in whichever of the two views of memory."""
    return start & 0x1FFF_FFFF <= address & 0x1FFF_FFFF < (start & 0x1FFF_FFFF) + end - start


def _overlap(build: Build, number: int, window: DeviceWindow, other: str) -> UsageError:
    return UsageError(
        f"{build.file} [window] item {number}",
        f"shares pages with {other}" if other.startswith("the") else f"overlaps {other}",
        got=f"{window.address:016x}-{window.end - 1:016x}",
        expected="addresses that nothing else has",
    )
