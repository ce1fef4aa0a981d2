"""``tally.toml``: the tables (``models``), reading them (``loading``) and several builds in one file (``builds``)."""

from harness.config.builds import Build, Config
from harness.config.loading import load_config
from harness.config.models import (
    MAX_STATES,
    Abi,
    Binding,
    Calls,
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
from harness.config.outside import External, Segment, Window

__all__ = [
    "MAX_STATES",
    "Abi",
    "Binding",
    "Build",
    "Calls",
    "Check",
    "Config",
    "Exclusion",
    "External",
    "Fpu",
    "Guest",
    "MemoryOrder",
    "Scope",
    "Segment",
    "Tables",
    "Translated",
    "Translator",
    "Window",
    "load_config",
]
