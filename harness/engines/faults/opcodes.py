"""Opcodes that Unicorn runs though the chip has none, and the other way round."""

from __future__ import annotations

from harness.engines.faults.model import STOPS, Fault, Group, Probe

_RESERVED, _UNIMPLEMENTED = "trap reserved-instruction", "trap unimplemented-operation"
_ONE, _TWO = 0x3F80_0000, 0x4000_0000
_HUNDRED = 0x4059_0000_0000_0000
_VR = "VR5432"


def _foreign(name: str, word: str, known: str, probe: Probe, right: str = _RESERVED) -> Fault:
    """An instruction of a later architecture, or none at all, that Unicorn executes."""
    chip = "reserved instruction" if right is _RESERVED else "unimplemented operation"
    source = "R4K fig. A-2" if right is _RESERVED else "R4K p. 196"
    does = "shifts as if it were no rotation" if "rot" in name else "executes it" if word else "does nothing"
    return Fault(
        name, Group.OPCODES, word or "none", f"with the {probe.model} model", does, chip, source, STOPS, known, right,
        probe,
    )  # fmt: skip


def _integer(name: str, word: str, known: str, listing: str, model: str = "R4000", **before: int) -> Fault:
    return _foreign(name, word, known, Probe(listing, before, model=model))


def _float(name: str, word: str, known: str, listing: str, model: str = "R4000", **before: int) -> Fault:
    sees = tuple(part.split("=")[0] for part in known.split())
    return _foreign(name, word, known, Probe(listing, before, sees, model=model), _UNIMPLEMENTED)


def _long(name: str, rows: str, right: str, probe: Probe) -> Fault:
    """A conversion of 64-bit integers that a model refuses."""
    paired = not probe.fr
    return Fault(
        name, Group.OPCODES, rows, f"with the {probe.model} model{' and FR = 0' if paired else ''}", "refuses it",
        "converts, of even registers with FR = 0" if paired else "converts", "R4K B-11",
        "unsupported" if paired else "programs that convert 64-bit integers run on the VR5432 model",
        _RESERVED, right, probe,
    )  # fmt: skip


OPCODES: tuple[Fault, ...] = (
    _integer("special-05", "", "v0=0", "00000005 word"),
    _integer("special-15", "", "v0=0", "00000015 word"),
    _integer("cop0-08", "", "v0=0", "41000000 word"),
    _integer("cop0-0c", "", "v0=0", "41800000 word"),
    _integer("cop0-co-03", "", "v0=0", "42000003 word"),
    _integer("cop0-co-04", "", "v0=0", "42000004 word"),
    _integer("wait", "wait", "v0=0", "42000020 wait"),
    _integer("mul", "mul", "v0=2a", "70851002 mul v0,a0,a1", a0=6, a1=7),
    _integer("rotr", "rotr", "v0=1", "00241042 rotr v0,a0,0x1", a0=3),
    _integer("rotrv", "rotrv", "v0=1", "00a41046 rotrv v0,a0,a1", a0=3, a1=1),
    _integer("drotr", "drotr drotr32", "v0=1", "0024107a drotr v0,a0,0x1", a0=3),
    _integer("drotrv", "drotrv", "v0=1", "00a41056 drotrv v0,a0,a1", a0=3, a1=1),
    _float("movf-fmt", "movf.s movt.s movf.d movt.d", "f2=3f800000", "46002091 movf.s $f2,$f4,$fcc0", f4=_ONE),
    _float("movz-fmt", "movz.s movz.d", "f2=3f800000", "46052092 movz.s $f2,$f4,a1", f4=_ONE),
    _float("movn-fmt", "movn.s movn.d", "f2=3f800000", "46052093 movn.s $f2,$f4,a1", f4=_ONE, a1=1),
    _float("recip", "recip.s recip.d", "f2=3f000000", "46002095 recip.s $f2,$f4", f4=_TWO),
    _float("rsqrt", "rsqrt.s rsqrt.d", "f2=3f800000", "46002096 rsqrt.s $f2,$f4", f4=_ONE),
    _float("compare-cc", "c.cond.fmt, cc 1 to 7", "fcsr=2000000", "46062132 c.eq.s $fcc1,$f4,$f6", f4=_ONE, f6=_ONE),
    _integer("vr-movz", "movz", "v0=6", "0085100a movz v0,a0,a1", _VR, a0=6),
    _integer("vr-movn", "movn", "v0=6", "0085100b movn v0,a0,a1", _VR, a0=6, a1=1),
    _integer("vr-movf", "movf movt", "v0=6", "00801001 movf v0,a0,$fcc0", _VR, a0=6),
    _integer("vr-pref", "pref", "v0=0", "cc800000 pref 0x0,0(a0)", _VR, a0=0xFFFF_FFFF_8003_0000),
    _foreign(
        "vr-cop1x", "madd.s lwxc1 and all of COP1X", "f2=40400000",
        Probe("4c8830a0 madd.s $f2,$f4,$f6,$f8", {"f4": _ONE, "f6": _ONE, "f8": _TWO}, ("f2",), model=_VR),
    ),
    _integer("vr-bc1-cc", "bc1f bc1t, cc 1 to 7", "v0=1",
             "45040002 bc1f $fcc1,0x8000100c; 24020001 addiu v0,zero,1; 24020002 addiu v0,zero,2", _VR),
    _float("vr-recip1", "recip1 recip2 rsqrt1 rsqrt2", "f2=3f000000", "4600209d recip1.s $f2,$f4", _VR, f4=_TWO),
    *(
        Fault(
            row, Group.OPCODES, row, "always", "executes it on a TLB of its own", "uses the TLB", "R4K ch. 4",
            "the leg stops before it, and the reference refuses it", "v0=0", "trap refused", Probe(f"{word} {row}"),
        )
        for row, word in (("tlbr", "42000001"), ("tlbwi", "42000002"), ("tlbwr", "42000006"), ("tlbp", "42000008"))
    ),
    Fault(
        "reserved-fields", Group.OPCODES, "addu and others", "fields that must be 0 are not", "ignores them",
        "unspecified", "R4K App. A", STOPS, "v0=5", _RESERVED,
        Probe("00851061 word", {"a0": 2, "a1": 3}),
    ),
    Fault(
        "lui-rs", Group.OPCODES, "lui", "its field rs is not 0", "ignores it", "unspecified", "R4K App. A", STOPS,
        "v0=10000", _RESERVED,
        Probe("3c220001 word"),
    ),
    Fault(
        "fp-function", Group.OPCODES, "COP1", "a function without a meaning (cvt.s.s)", "reserved instruction",
        "unimplemented operation", "R4K p. 196", STOPS, _RESERVED, _UNIMPLEMENTED,
        Probe("460020a0 word"),
    ),
    Fault(
        "fp-format", Group.OPCODES, "COP1", "a format without a meaning (paired singles)", "reserved instruction",
        "unimplemented operation", "R4K p. 196", STOPS, _RESERVED, _UNIMPLEMENTED,
        Probe("46c62080 word"),
    ),
    _long("long-results", "cvt.l round.l trunc.l ceil.l floor.l", "f2=64",
          Probe("4620208b floor.l.d $f2,$f4", {"f4": _HUNDRED}, ("f2",))),
    _long("long-operands", "cvt.s.l cvt.d.l", f"f2={_HUNDRED:x}",
          Probe("46a020a1 cvt.d.l $f2,$f4", {"f4": 100}, ("f2",))),
    _long("long-results-paired", "cvt.l round.l trunc.l ceil.l floor.l", "f2=64 f3=0",
          Probe("4620208b floor.l.d $f2,$f4", {"f5": _HUNDRED >> 32}, ("f2", "f3"), fr=False, model=_VR)),
    _long("long-operands-paired", "cvt.s.l cvt.d.l", "f2=0 f3=40590000",
          Probe("46a020a1 cvt.d.l $f2,$f4", {"f4": 100}, ("f2", "f3"), fr=False, model=_VR)),
)  # fmt: skip
