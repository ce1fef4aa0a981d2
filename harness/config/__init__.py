"""``tally.toml``: the tables (``models``), reading them (``loading``) and several builds in one file (``builds``)."""

from harness.config.builds import Build, Config
from harness.config.loading import load_config
from harness.config.models import (
    MAX_STATES,
    Abi,
    Binding,
    Check,
    Exclusion,
    Fpu,
    Guest,
    MemoryOrder,
    Scope,
    Tables,
    Translated,
    Translator,
)

__all__ = [
    "MAX_STATES",
    "Abi",
    "Binding",
    "Build",
    "Check",
    "Config",
    "Exclusion",
    "Fpu",
    "Guest",
    "MemoryOrder",
    "Scope",
    "Tables",
    "Translated",
    "Translator",
    "load_config",
]
