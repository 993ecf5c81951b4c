"""The recorder: acquisition, watch and session file as one process without a screen.

    python -m benchmon.recorder BENCH --session FILE [--for SECONDS]

Readings go from the instruments' threads through one queue to the watch, and from there to the writer's thread. The
prediction has a thread of its own. So neither a slow instrument nor a slow disk nor a slow prediction stands between a
reading and its limits.
"""

from benchmon.recorder.process import RecorderProcess, spawn_recorder
from benchmon.recorder.recording import record
from benchmon.recorder.summary import ChannelSummary, Summary, summary_text

__all__ = ["ChannelSummary", "RecorderProcess", "Summary", "record", "spawn_recorder", "summary_text"]
