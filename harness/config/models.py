"""The tables of ``tally.toml``: every key with its type, default, bounds and one-line description.

The descriptions are the only text about the keys; error messages and the file that ``tallystick init`` writes are made
from them, the latter also from the examples, which every key without a useful default has. The tables are frozen: what
a run uses is what the file said.
"""

from __future__ import annotations

from enum import StrEnum
from typing import Self

from pydantic import Field, field_validator, model_validator
from pydantic_core import PydanticCustomError

from harness.config.hints import FunctionHints
from harness.config.outside import External, Segment, Window
from harness.config.values import Address, LocalPath, Seconds, Table

#: Bound of the number of states for each function.
MAX_STATES = 10_000_000


class Abi(StrEnum):
    """Calling conventions: which registers carry arguments and results, and which survive a call."""

    O32 = "o32"
    N32 = "n32"
    O64 = "o64"
    EABI = "eabi"


class Fpu(StrEnum):
    """How the 32 floating-point registers are wired (bit FR of the status register)."""

    PAIRED = "paired"  # FR=0: 32-bit registers, a double takes an even-odd pair
    FLAT = "flat"  # FR=1: 64-bit registers


class MemoryOrder(StrEnum):
    """How the translated C lays guest bytes out in host memory."""

    BIG = "big"
    WORD_SWAPPED = "word-swapped"


class Scope(StrEnum):
    """What is compared after a call."""

    ABI = "abi"  # what a caller may rely on
    ALL = "all"  # every register


class Guest(Table):
    """The program under test as the original processor runs it."""

    image: LocalPath = Field(
        description="ELF file of the guest program (32 or 64 bit, big-endian MIPS) or raw image.",
        examples=["harbour.elf"],
    )
    base: Address | None = Field(
        default=None,
        description="Guest address of the first byte of a raw image; not for an ELF file.",
        examples=["0x80001000"],
    )
    functions: LocalPath | None = Field(
        default=None,
        description='Function list of a raw image, one "address size name" a line; not for an ELF file.',
        examples=["functions.txt"],
    )
    abi: Abi = Field(default=Abi.O32, description="Calling convention of the guest's functions: o32, n32, o64 or eabi.")
    fpu: Fpu | None = Field(
        default=None,
        description="Floating-point registers: paired (FR=0) or flat (FR=1). Absent: paired for o32, else flat.",
        examples=["flat"],
    )

    @model_validator(mode="after")
    def _raw_needs_both(self) -> Self:
        if (self.base is None) != (self.functions is None):
            raise PydanticCustomError(
                "raw_image",
                "a raw image needs both base and functions",
                {"expected": "both keys, or neither for an ELF file"},
            )
        return self

    @property
    def fr(self) -> bool:
        """Bit FR: True where the floating-point registers are flat."""
        return (self.fpu or (Fpu.PAIRED if self.abi is Abi.O32 else Fpu.FLAT)) is Fpu.FLAT


class Translator(Table):
    """How the translated C is made; run only when its inputs have changed."""

    command: str = Field(
        min_length=1,
        description="Command that makes the C, run in the folder of the file: {python} is this Python, "
        "{image} the guest image, {output} the output folder.",
        examples=["{python} translate.py {image} {output}"],
    )
    inputs: tuple[str, ...] = Field(
        default=(),
        description="Files that the output depends on besides the image; shell patterns.",
        examples=[["translate.py"]],
    )
    output: LocalPath = Field(description="Folder that the command writes into.", examples=["out"])
    seconds: Seconds = Field(default=60.0, description="Time after which the command is stopped, in seconds.")


class Calls(StrEnum):
    """What becomes of the calls that a function makes."""

    DEEP = "deep"  # callees run for real on every leg
    ISOLATED = "isolated"  # what a callee did in the reference is what it does on every leg


class Binding(Table):
    """How the translated C keeps guest registers and memory, in the words of C."""

    function: str = Field(
        default="{name}",
        description="C name of a guest function: {name} is its guest name with _ for what C does not allow, "
        "{address} its address in 8 hex digits, {segment} the name of its segment and _, or nothing. Empty: the C has "
        "no function of its own for each guest function, and "
        "call finds it by {address}.",
    )
    declare: str = Field(
        default="",
        description="C declarations that the expressions below need, at file level after the headers.",
        examples=["static struct machine m;"],
    )
    setup: str = Field(
        default="",
        description="C statements before each call, before the registers are written; placeholders as in call.",
        examples=["m.stopped = 0;"],
    )
    call: str = Field(
        min_length=1,
        description="C statement that calls one translated function: {function} is its C name, {address} its guest "
        "address in 8 hex digits, {memory} a uint8_t pointer to guest memory, {return_address} what ra holds, as a "
        "64-bit constant.",
        examples=["{function}(&m, {memory})"],
    )
    prototype: str = Field(
        default="",
        description="C declaration of the translated function {function}, without semicolon; also makes a stand-in "
        "for one that nobody defines.",
        examples=["void {function}(struct machine *m, uint8_t *ram)"],
    )
    gpr: str = Field(
        description="Lvalue of general register {n}, 4 or 8 bytes; 4 bytes are read back sign-extended. Register 0 is "
        "set to 0 and not read back.",
        examples=["m.r[{n}]"],
    )
    hi: str | None = Field(
        default=None, description="Lvalue of HI, 4 or 8 bytes; absent: not compared.", examples=["m.hi"]
    )
    lo: str | None = Field(
        default=None, description="Lvalue of LO, 4 or 8 bytes; absent: not compared.", examples=["m.lo"]
    )
    fpr: str | None = Field(
        default=None,
        description="Lvalue of floating-point register {n}, 8 bytes, where fpu is flat; absent: not compared.",
        examples=["m.f[{n}]"],
    )
    fpr_word: str | None = Field(
        default=None,
        description="Lvalue of floating-point register {n}, 4 bytes, where fpu is paired; absent: not compared.",
        examples=["m.f[{n}]"],
    )
    fcsr: str | None = Field(
        default=None,
        description="Lvalue of the floating-point control and status register, 4 or 8 bytes; absent: not compared.",
        examples=["m.fcsr"],
    )
    memory_order: MemoryOrder = Field(
        default=MemoryOrder.BIG,
        description="Guest bytes in host memory: as the guest has them (big), or each aligned 32-bit word in the "
        "order of the host (word-swapped).",
    )
    memory_base: Address = Field(default=0xFFFF_FFFF_8000_0000, description="Guest address of {memory}[0].")

    device_read: str = Field(
        default="",
        description="C declarator of the function that the C calls to read a device register; the harness defines it. "
        "{address} names the parameter with the guest address, {bytes} the one with the width; {bits} in its text "
        "stands for one function for each of 8, 16, 32 and 64 bits. Absent: devices are reached through {memory}.",
        examples=["uint32_t device_read{bits}(uint32_t {address})"],
    )
    device_write: str = Field(
        default="",
        description="C declarator of the function that the C calls to write a device register, as device_read, with "
        "{value} for the parameter with the value.",
        examples=["void device_write{bits}(uint32_t {address}, uint32_t {value})"],
    )

    @field_validator("gpr", "fpr", "fpr_word")
    @classmethod
    def _numbered(cls, text: str | None) -> str | None:
        if text is not None and "{n}" not in text:
            raise PydanticCustomError(
                "numbered", "names no register", {"got": repr(text), "expected": "{n} where the number belongs"}
            )
        return text


class Translated(Table):
    """The translated C and how to compile and call it."""

    sources: tuple[str, ...] = Field(
        min_length=1, description="C files of the translation; shell patterns.", examples=[["out/*.c"]]
    )
    include: tuple[LocalPath, ...] = Field(default=(), description="Folders searched for headers.", examples=[["out"]])
    headers: tuple[str, ...] = Field(
        default=(), description="Headers that declare what the binding mentions.", examples=[["machine.h"]]
    )
    compilers: tuple[str, ...] = Field(
        default=("gcc -O2",),
        min_length=1,
        description="Compiler commands with options; more than one: the same check under each.",
    )
    seconds: Seconds = Field(
        default=0.25, description="Processor time that one call may take before it counts as hanging, in seconds."
    )
    binding: Binding = Field(description="How the C keeps guest registers and memory.")


class Exclusion(Table):
    """Functions that are not checked, with the reason that reports show."""

    pattern: str = Field(min_length=1, description="Shell pattern of function names.", examples=["boot_*"])
    reason: str = Field(
        min_length=1, description="Why they are left out; shown in every report.", examples=["waits for a device"]
    )


class Check(Table):
    """Defaults of the command line."""

    states: int = Field(default=200, ge=1, le=MAX_STATES, description="States for each function.")
    fuel: int = Field(default=200_000, ge=1, le=1_000_000_000, description="Guest instructions that one call may take.")
    seed: int = Field(default=0, ge=0, lt=1 << 64, description="Seed of everything random.")
    scope: Scope = Field(
        default=Scope.ABI,
        description="What is compared: what a caller may rely on (abi), or every register (all).",
    )
    calls: Calls = Field(
        default=Calls.DEEP,
        description="Callees run for real on every leg (deep), or do on every leg what they did in the reference "
        "(isolated), so that no function is blamed for one that it calls.",
    )
    shapes: bool = Field(
        default=True,
        description="Whether to find out what a function reads, by running it; otherwise only registers are drawn.",
    )
    guidance: bool = Field(
        default=True, description="Whether states are made that aim at branch directions which no state has gone."
    )
    include: tuple[str, ...] = Field(
        default=("*",), min_length=1, description="Shell patterns of the functions to check."
    )
    exclude: tuple[Exclusion, ...] = Field(default=(), description="Functions left out, each with a reason.")


class Tables(Table):
    """What one build consists of."""

    guest: Guest = Field(description="The program under test.")
    translator: Translator | None = Field(default=None, description="How the C is made, if the check is to make it.")
    translated: Translated | None = Field(
        default=None, description="The translated C; absent: only the references run."
    )
    check: Check = Field(default_factory=Check, description="Defaults of the command line.")
    external: tuple[External, ...] = Field(
        default=(),
        description="Functions outside of what is tested, such as calls of the operating system: every leg must make "
        "the same calls in the same order, and what they give is drawn.",
    )
    window: tuple[Window, ...] = Field(
        default=(),
        description="Registers of devices: what is read is drawn, what is written is compared in order.",
    )
    segment: tuple[Segment, ...] = Field(
        default=(),
        description="Code and data that are loaded over other code: the functions of each are checked with it loaded.",
    )
    function: tuple[FunctionHints, ...] = Field(
        default=(),
        description="What is known of functions that running them does not show: what their arguments are, and how "
        "much of a check will do.",
    )
