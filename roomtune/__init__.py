"""roomtune: measure, tune and verify an active home-cinema loudspeaker system.

The names that a notebook needs load on first use, so that importing the
package costs next to nothing and needs no audio library.
"""

from __future__ import annotations

from importlib import import_module
from typing import Any

__version__ = "0.1.0"

_WHERE = {
    "FrequencyResponse": "roomtune.signal.values",
    "ImpulseResponse": "roomtune.signal.values",
    "Measured": "roomtune.advisor.measured",
    "RoomtuneError": "roomtune.errors",
    "Session": "roomtune.session.folder",
    "Sweep": "roomtune.signal.sweeps",
    "System": "roomtune.system.model",
    "Tuning": "roomtune.processor.tuning",
    "plan": "roomtune.advisor.planning",
    "predict": "roomtune.advisor.prediction",
    "read_system": "roomtune.system.reading",
    "read_tuning": "roomtune.processor.storage",
}

__all__ = sorted([*_WHERE, "__version__"])


def __getattr__(name: str) -> Any:
    """Load one of the offered names from its room."""
    if name not in _WHERE:
        raise AttributeError(f"module 'roomtune' has no attribute {name!r}")
    return getattr(import_module(_WHERE[name]), name)


def __dir__() -> list[str]:
    return __all__
