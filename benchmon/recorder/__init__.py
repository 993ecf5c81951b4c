"""The recorder: acquisition, watch and session file as one process without a screen.

    python -m benchmon.recorder BENCH --session FILE [--for SECONDS]

Readings go from the instruments' threads through one queue to the watch, and from there to the writer's thread. The
prediction has a thread of its own. So neither a slow instrument nor a slow disk nor a slow prediction stands between a
reading and its limits.
"""

from importlib import import_module
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from benchmon.recorder.process import RecorderProcess, spawn_recorder, start_recorder
    from benchmon.recorder.recording import record
    from benchmon.recorder.summary import ChannelSummary, Summary, summary_text

__all__ = [
    "ChannelSummary",
    "RecorderProcess",
    "Summary",
    "record",
    "spawn_recorder",
    "start_recorder",
    "summary_text",
]

_FROM = {
    "RecorderProcess": "process",
    "spawn_recorder": "process",
    "start_recorder": "process",
    "record": "recording",
}


def __getattr__(name: str) -> Any:
    """Return one of the names above; its module is loaded then, so that who starts a recorder need not load one."""
    if name not in __all__:
        raise AttributeError(f"module {__name__!r} has no attribute {name!r}")
    return getattr(import_module(f"{__name__}.{_FROM.get(name, 'summary')}"), name)
