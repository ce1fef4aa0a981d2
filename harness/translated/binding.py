"""From the binding's C text to C for one function or register: placeholders and names."""

from __future__ import annotations

import re
from dataclasses import dataclass

from harness.config import Binding
from harness.engines.base import RETURN_ADDRESS


@dataclass(frozen=True, slots=True)
class BoundRegister:
    """One guest register that the binding names.

    ``key`` is the key of the binding, ``lvalue`` its C text for this register, ``field`` the member of
    ``struct tally_registers``; ``bytes`` is the only size that fits, 0 where 4 and 8 do.
    """

    key: str
    lvalue: str
    field: str
    bytes: int = 0
    read_back: bool = True


def filled(text: str, **values: str) -> str:
    """``text`` with each ``{word}`` for which there is a value replaced; other braces are C and stay."""
    return re.sub(r"\{(\w+)\}", lambda found: values.get(found[1], found[0]), text)


def c_name(name: str) -> str:
    """A guest name as a C identifier: what C does not allow becomes ``_``."""
    return re.sub(r"\W", "_", name, flags=re.ASCII)


def function_name(binding: Binding, name: str, address: int, segment: str = "") -> str:
    """C name of a guest function; empty where the C has none of its own for each function."""
    prefix = f"{c_name(segment)}_" if segment else ""
    return filled(binding.function, name=c_name(name), address=_short(address), segment=prefix)


def call_text(binding: Binding, function: str, address: int) -> str:
    """The statement that calls the translated function of one guest function."""
    return filled(binding.call, function=function, address=_short(address), **_MEMORY)


def setup_text(binding: Binding) -> str:
    """The statements before a call."""
    return filled(binding.setup, **_MEMORY)


def prototype_text(binding: Binding, function: str) -> str:
    """The declarator of one translated function, without a semicolon."""
    return filled(binding.prototype, function=function).rstrip().removesuffix(";")


@dataclass(frozen=True, slots=True)
class DeviceHook:
    """A C function that the translated C calls to reach a device: ``key`` of the binding, declarator and body."""

    key: str
    declarator: str
    body: str


def device_hooks(binding: Binding) -> list[DeviceHook]:
    """The functions of ``device_read`` and ``device_write``, one for each width where their text has ``{bits}``."""
    hooks = []
    address = "(uint64_t)(int64_t)(int32_t)(uint32_t)(tally_address)"
    for key, text in (("device_read", binding.device_read), ("device_write", binding.device_write)):
        for bits in (8, 16, 32, 64) if "{bits}" in text else (0,):
            if not text:
                continue
            names = {"address": "tally_address", "bytes": "tally_bytes", "value": "tally_value", "bits": str(bits)}
            declarator = filled(text, **names).rstrip().removesuffix(";")
            size = str(bits // 8) if bits else "tally_bytes"
            body = f"return tally_ask.load({address}, {size});"
            if key == "device_write":
                body = f"tally_ask.store({address}, {size}, (uint64_t)tally_value);"
            hooks.append(DeviceHook(key, declarator, body))
    return hooks


def bound_registers(binding: Binding, fr: bool) -> list[BoundRegister]:
    """Every register that the binding names, in the order of ``struct tally_registers``."""
    registers = [BoundRegister("gpr", filled(binding.gpr, n=str(n)), f"gpr[{n}]", read_back=n != 0) for n in range(32)]
    registers += [BoundRegister(key, text, key) for key in ("hi", "lo") if (text := getattr(binding, key)) is not None]
    key, text, size = ("fpr", binding.fpr, 8) if fr else ("fpr_word", binding.fpr_word, 4)
    if text is not None:
        registers += [BoundRegister(key, filled(text, n=str(n)), f"fpr[{n}]", size) for n in range(32)]
    if binding.fcsr is not None:
        registers.append(BoundRegister("fcsr", binding.fcsr, "fcsr"))
    return registers


_MEMORY = {"memory": "tally_memory", "return_address": f"UINT64_C({RETURN_ADDRESS:#x})"}


def _short(address: int) -> str:
    """The 32-bit form of an address, as C names and tables usually carry it."""
    return f"{address & 0xFFFF_FFFF:08x}"
