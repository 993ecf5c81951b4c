"""The bench file (TOML): the supply under test, the instruments on it, and the plan of the test."""

from benchmon.bench.file import Bench, load_bench, read_bench
from benchmon.bench.measurement import (
    Channel,
    Instrument,
    RecordEntry,
    ReportEntries,
    Step,
    SwitchOff,
    calibration_cautions,
    read_recorded,
)
from benchmon.bench.supply import (
    Ambient,
    Capacitor,
    Choke,
    CurrentLoad,
    Diode,
    FilterPart,
    Fuse,
    Load,
    Mains,
    Ntc,
    OpenLoad,
    Rectifier,
    Regulator,
    ResistorLoad,
    SeriesResistor,
)
from benchmon.bench.transformer import Transformer
from benchmon.quantities import Accuracy

__all__ = [
    "Accuracy",
    "Ambient",
    "Bench",
    "Capacitor",
    "Channel",
    "Choke",
    "CurrentLoad",
    "Diode",
    "FilterPart",
    "Fuse",
    "Instrument",
    "Load",
    "Mains",
    "Ntc",
    "OpenLoad",
    "RecordEntry",
    "Rectifier",
    "Regulator",
    "ReportEntries",
    "ResistorLoad",
    "SeriesResistor",
    "Step",
    "SwitchOff",
    "Transformer",
    "calibration_cautions",
    "load_bench",
    "read_bench",
    "read_recorded",
]
