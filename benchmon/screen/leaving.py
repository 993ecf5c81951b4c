"""What the user chose on leaving the screen."""

from __future__ import annotations

from enum import StrEnum


class Leaving(StrEnum):
    """What becomes of the recorder when the screen is left, as the last words to the user.

    NOTHING: there was no recorder to decide about.
    """

    RECORDER_GOES_ON = "The recorder goes on without a screen; `benchmon attach` shows it again."
    STOP_RECORDER = "The recorder was asked to stop."
    NOTHING = "The session file stays as it is."
