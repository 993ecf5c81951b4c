"""The error family, drawn once, and the exit codes.

    BenchmonError                     anything benchmon can say in one clear line
    ├── BadInput (ValueError)         what the user gave cannot be used: exit 2
    │   ├── BenchFileError            the bench file: key, value, reason and line
    │   ├── SessionFileError          a session file that is not one, or is damaged
    │   └── DataFileError             a file of readings or a waveform
    ├── PredictionError (ArithmeticError)   a circuit with no trustworthy answer: which part, why, what to change
    │   └── NoSteadyState             the equations gave none; which part is to blame is still to be found
    ├── InstrumentError (OSError)     an instrument that cannot be reached
    │   ├── InstrumentTimeout (TimeoutError)   it did not answer in time
    │   └── BadReply (ValueError)     it answered something that is no reading
    └── RecorderError (RuntimeError)  the recorder cannot start, or is gone

A message says what is wrong and what to do next, in one line.
"""

from __future__ import annotations

EXIT_DONE = 0
EXIT_ANSWER_IS_NO = 1
EXIT_BAD_INPUT = 2


class BenchmonError(Exception):
    """Anything benchmon can say to its user in one clear line."""


class BadInput(BenchmonError, ValueError):
    """What the user gave cannot be used."""


class BenchFileError(BadInput):
    """The bench file is missing, malformed or impossible."""


class SessionFileError(BadInput):
    """A session file that is not one, is damaged, or is from a newer version."""


class DataFileError(BadInput):
    """A file of readings or a captured waveform that cannot be used."""


class PredictionError(BenchmonError, ArithmeticError):
    """A circuit that has no trustworthy answer."""


class NoSteadyState(PredictionError):
    """A circuit of which no steady state was found."""


class InstrumentError(BenchmonError, OSError):
    """An instrument that cannot be reached."""


class InstrumentTimeout(InstrumentError, TimeoutError):
    """An instrument that did not answer in time."""


class BadReply(InstrumentError, ValueError):
    """A reply that is no reading."""


class RecorderError(BenchmonError, RuntimeError):
    """The recorder cannot start, or is gone."""
