"""What the user chose on leaving the screen."""

from __future__ import annotations

from enum import StrEnum


class Leaving(StrEnum):
    """What becomes of the recorder when the screen is left. NOTHING: there was none to decide about."""

    RECORDER_GOES_ON = "leave the recorder running"
    STOP_RECORDER = "stop the recorder"
    NOTHING = ""
