"""The status of a bench, which answers "is it right, is it safe?"."""

from benchmon.watch.status.bench_status import (
    FAR_TOO_MUCH,
    LIKELY,
    NONE_OF_THESE,
    NOTHING_WRONG,
    STALE_AFTER,
    Alarm,
    BenchStatus,
    Level,
    Outlooks,
    StatusFinding,
    Subject,
    bench_status,
    in_order,
    limit_words,
)
from benchmon.watch.status.status_watch import StatusWatch

__all__ = [
    "FAR_TOO_MUCH",
    "LIKELY",
    "NONE_OF_THESE",
    "NOTHING_WRONG",
    "STALE_AFTER",
    "Alarm",
    "BenchStatus",
    "Level",
    "Outlooks",
    "StatusFinding",
    "StatusWatch",
    "Subject",
    "bench_status",
    "in_order",
    "limit_words",
]
