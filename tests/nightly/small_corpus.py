"""A corpus of tiny projects whose C can be changed from night to night."""

from __future__ import annotations

import datetime
import re
from dataclasses import dataclass, replace
from pathlib import Path

from tiny_project import RIGHT, make

from harness.nightly.night import NightOptions, nightly
from harness.nights import Night

NO_SPIN = 'exclude = [{ pattern = "spin", reason = "never ends" }]'

#: Wrong bodies of functions: v0 loses its sign extension, a byte of the word stored has a bit changed, and a host
#: division by zero ends the process.
WRONG = {
    "add": "g.r[2] = (uint32_t)(g.r[4] + g.r[5]);",
    "store": "put(m, g.r[4], g.r[5] ^ 0x100);",
    "divide": "g.r[2] = (int32_t)g.r[4] / (int32_t)g.r[5];",
}


@dataclass
class SmallCorpus:
    """A corpus.toml in a folder; ``night`` runs the night of a day of March."""

    folder: Path

    @classmethod
    def made(cls, folder: Path, *programs: str, ready_after: int = 3) -> SmallCorpus:
        """A corpus of right programs of these names, ``tiny`` alone where there are none."""
        names = programs or ("tiny",)
        text = f"[nightly]\nready_after = {ready_after}\n"
        for name in names:
            (folder / name).mkdir(parents=True)
            make(folder / name, check=NO_SPIN)
            text += f'[[program]]\nname = "{name}"\nconfig = "{name}/tally.toml"\n'
        (folder / "corpus.toml").write_text(text)
        return cls(folder)

    @property
    def file(self) -> Path:
        """The corpus.toml."""
        return self.folder / "corpus.toml"

    def translate(self, program: str = "tiny", **bodies: str) -> None:
        """Writes the C of a program anew: right but for ``bodies``."""
        path = self.folder / program / "c" / "all.c"
        head = '#include "guest.h"\nstruct guest g;\n'
        functions = (f"void f_{name}(uint8_t *m) {{ (void)m; {body} }}" for name, body in {**RIGHT, **bodies}.items())
        path.write_text(head + "\n".join(functions) + "\n")

    def translate_once_wrong(self) -> None:
        """Translates so that the next call of ``add`` is wrong, and every one after it right."""
        flag = self.folder / "wrong-once"
        flag.touch()
        wrong = f'int remove(const char *); if (remove("{flag}") == 0) g.r[2] ^= 1;'
        self.translate(add=f"{RIGHT['add']} {wrong}")

    def cases(self, program: str = "tiny") -> list[Path]:
        """The saved cases of a program."""
        return sorted((self.folder / program / ".tallystick" / "cases").glob("*.json"))

    def know(self, *entries: str) -> None:
        """Writes known.toml anew, an entry for each text."""
        (self.folder / "known.toml").write_text("\n".join(f"[[known]]\n{entry}\n" for entry in entries))

    def night(self, day: int = 1, **options: object) -> Night:
        """The night of that day, in one worker process where ``options`` do not say otherwise."""
        chosen = NightOptions(datetime.date(2026, 3, day), workers=1)
        return nightly(self.file, replace(chosen, **options))  # type: ignore[arg-type]  # tests name fields alone


def table(night: Night) -> list[tuple[str, str, str]]:
    """What a night tells, as (function, status, why without the number of states)."""
    return sorted(
        (one.key.subject.function, str(one.status), re.sub(r"[\d,]+ states agree", "N states agree", one.why))
        for one in night.findings
    )
