"""Rows run on values that are not numbers.

Each integer row is run once on stand-ins that only record what is done to them and refuse to be looked at; then the
recorded expressions, evaluated on numbers, must give what the row gives on these numbers directly.
"""

from __future__ import annotations

import inspect
import operator
import random
from collections.abc import Callable
from types import FunctionType
from typing import Any

import pytest

from interp import words
from interp.events import GuestTrap
from interp.optable import ROWS, Row

#: FP arithmetic goes through the soft-float, whose own tests it needs.
INTEGER_ROWS = [row for row in ROWS if not {"fs", "ft", "fcsr"} & {*row.operands, *row.results}]
PAIRS = ("quotrem", "quotrem_u64", "product64", "product_u64")
Value = dict[str, int]


class Symbol:
    """An unknown number or condition: knows how to evaluate itself, and nothing else about itself."""

    def __init__(self, evaluate: Callable[[Value], Any]) -> None:
        self.evaluate = evaluate

    def __bool__(self) -> bool:
        raise AssertionError("a row looked at a guest value")

    __int__ = __index__ = __float__ = __hash__ = __iter__ = __len__ = __bool__  # type: ignore[assignment]  # all refuse


def applied(function: Callable[..., Any], *operands: Any) -> Symbol:
    def evaluate(values: Value) -> Any:
        return function(*(n.evaluate(values) if isinstance(n, Symbol) else n for n in operands))

    return Symbol(evaluate)


for name in ("add", "sub", "mul", "and_", "or_", "xor", "lshift", "rshift"):
    plain = getattr(operator, name)
    stem = name.rstrip("_")
    setattr(Symbol, f"__{stem}__", lambda x, y, plain=plain: applied(plain, x, y))
    setattr(Symbol, f"__r{stem}__", lambda x, y, plain=plain: applied(plain, y, x))
for name in ("lt", "le", "gt", "ge", "eq", "ne"):
    plain = getattr(operator, name)
    setattr(Symbol, f"__{name}__", lambda x, y, plain=plain: applied(plain, x, y))
setattr(Symbol, "__invert__", lambda x: applied(operator.invert, x))  # noqa: B010 - as those above


class Effects:
    """What a row does besides returning: conditions of traps and open cases, and memory accesses, in order."""

    def __init__(self) -> None:
        self.log: list[tuple[Any, ...]] = []

    def event(self, kind: str, cond: Any, **_: Any) -> None:
        self.log.append((kind, cond))

    def load(self, address: Any, n: int) -> Any:
        self.log.append(("load", address, n))
        return Symbol(lambda values: values["memory"] & (1 << 8 * n) - 1)

    def store_conditional(self, address: Any, n: int, value: Any) -> Any:
        self.log.append(("store if linked", address, n, value))
        return Symbol(lambda values: values["memory"] & 1)

    def store(self, address: Any, n: int, value: Any) -> None:
        self.log.append(("store", address, n, value))

    def merge(self, address: Any, n: int, value: Any, mask: Any) -> None:
        self.log.append(("merge", address, n, value, mask))

    load_linked = load


def symbolic(row: Row, effects: Effects) -> Any:
    """The results of a row on symbols, its words and events taken by the stand-ins."""
    meaning = row.meaning
    assert isinstance(meaning, FunctionType)
    names = dict(meaning.__globals__)
    for name, function in inspect.getmembers(words, inspect.isfunction):
        if names.get(name) is function:
            if name in PAIRS:
                names[name] = lambda *operands, f=function: tuple(
                    applied(lambda *n, f=f, i=i: f(*n)[i], *operands) for i in (0, 1)
                )
            else:
                names[name] = lambda *operands, f=function: applied(f, *operands)
    names |= {"trap": effects.event, "open_": effects.event}
    rebound = FunctionType(meaning.__code__, names, meaning.__name__, meaning.__defaults__, meaning.__closure__)
    parameters = inspect.signature(meaning).parameters
    fixed = {"mem": effects, "n": row.access}
    return rebound(*(fixed.get(name) or Symbol(lambda values, name=name: values[name]) for name in parameters))


class Numbers(Effects):
    """The same effects on numbers."""

    def __init__(self, memory: int) -> None:
        super().__init__()
        self.memory = memory

    def load(self, address: Any, n: int) -> Any:
        super().load(address, n)
        return self.memory & (1 << 8 * n) - 1

    def store_conditional(self, address: Any, n: int, value: Any) -> Any:
        super().store_conditional(address, n, value)
        return self.memory & 1

    load_linked = load


def concrete(row: Row, values: Value) -> tuple[Any, list[tuple[Any, ...]]]:
    effects = Numbers(values["memory"])
    names = {**row.meaning.__globals__, "trap": effects.event, "open_": effects.event}
    rebound = FunctionType(row.meaning.__code__, names)
    parameters = inspect.signature(row.meaning).parameters
    return rebound(*(effects if n == "mem" else values[n] for n in parameters)), effects.log


def evaluated(result: Any, values: Value) -> Any:
    if isinstance(result, (tuple, list)):
        return type(result)(evaluated(part, values) for part in result)
    return result.evaluate(values) if isinstance(result, Symbol) else result


def draw(rng: random.Random, parameter: str) -> int:
    if parameter in ("i", "u", "a", "k"):
        return rng.getrandbits(5) if parameter in "ak" else rng.getrandbits(15)
    value = rng.choice([0, 1, -1, 1 << 31, -1 << 31, (1 << 63) - 1, -1 << 63, rng.getrandbits(63), rng.getrandbits(31)])
    return value & 63 if parameter == "count" else value


@pytest.mark.parametrize("row", INTEGER_ROWS, ids=lambda row: row.name)
def test_an_integer_row_runs_on_symbols_and_means_the_same(row: Row) -> None:
    effects = Effects()
    result = symbolic(row, effects)
    rng = random.Random(row.name)
    for _ in range(30):
        values = {name: draw(rng, name) for name in inspect.signature(row.meaning).parameters if name != "mem"}
        values |= {"memory": rng.getrandbits(64), "n": row.access}
        expected, log = concrete(row, values)
        assert evaluated(result, values) == expected
        assert evaluated(effects.log, values) == log


def test_the_stand_in_refuses_a_row_that_looks_at_its_operands() -> None:
    with pytest.raises(AssertionError, match="looked at a guest value"):
        Symbol(lambda _: 1) and None
    with pytest.raises(AssertionError, match="looked at a guest value"):
        range(Symbol(lambda _: 1))  # type: ignore[call-overload]  # that is the point


def test_traps_and_open_cases_take_their_condition_from_the_row() -> None:
    from interp.events import heard_by, open_, trap

    heard: list[str] = []
    with heard_by(heard.append):
        open_("odd-fpr", False)
        open_("odd-fpr", 1)
    open_("odd-fpr", True)
    assert heard == ["odd-fpr"]
    trap("overflow", 0)
    with pytest.raises(GuestTrap) as raised:
        trap("fp-exception", True, fcsr=5)
    assert (raised.value.kind, raised.value.fcsr) == ("fp-exception", 5)
