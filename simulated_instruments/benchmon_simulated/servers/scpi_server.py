"""The SCPI server: it answers the queries of the bench file's channels."""

from __future__ import annotations

import asyncio

from benchmon.bench import Bench, Instrument, Sweep
from benchmon.errors import BadInput
from benchmon.text import one_line
from benchmon_simulated.addresses import is_serial, socket_address, wanted_port
from benchmon_simulated.electronic_load import ElectronicLoad
from benchmon_simulated.meters.meter import Meter
from benchmon_simulated.servers.driver_settings import Keys, Scaling, channels_of, keys_of
from benchmon_simulated.servers.oscilloscope import ScopeTrace, WaveformFormat
from benchmon_simulated.servers.scpi_instrument import ScpiInstrument, ScpiSession, split_outside_quotes, split_unit
from benchmon_simulated.servers.server import Language, Medium, WiredServer
from benchmon_simulated.servers.text_server import PLAIN_UNITS, line_format
from benchmon_simulated.servers.transports import PtyTransport, RequestHandler, TcpTransport
from benchmon_simulated.supply.supply import SupplyUnderTest


class ScpiServer(WiredServer):
    """A SCPI instrument on a socket, or on a serial line if its address in the bench file is one."""

    speaks: Language = "scpi"
    has_clock = False

    def __init__(self, instrument: Instrument, bench: Bench, supply: SupplyUnderTest, seed: int) -> None:
        keys = keys_of(instrument)
        self._ends = keys.text("read_termination", "\n"), keys.text("write_termination", "\n")
        self._echo = keys.flag("echo", default=False)
        self._instrument = ScpiInstrument(("benchmon", f"simulated {instrument.name}", f"seed {seed}", "1"))
        self._instrument.separator = keys.text("separator", ",")
        self._instrument.decimal_comma = keys.flag("decimal_comma", default=False)
        self.meters = [Meter(channel, seed, supply.effects) for channel in channels_of(bench, instrument)]
        identity = keys.text("identity", "*IDN?")
        if identity and not identity.startswith("*"):
            self._instrument.add_text_query(identity, lambda: self._instrument.identity)
        self._add_trace_queries(supply, seed)
        self._add_channels(supply, seed, keys.section("waves"))
        for message in keys.texts("setup"):
            if not message.lstrip().startswith("*"):
                self._instrument.add_setting(message)
        if bench.switch_off is not None and bench.switch_off.instrument == instrument.name:
            _add_switch(self._instrument, Keys("switch_off", bench.switch_off.driver_keys), supply)
        for sweep in bench.sweep:
            if sweep.instrument == instrument.name:
                _add_load(self._instrument, sweep, ElectronicLoad(supply, sweep.over, seed))
        self._transport: PtyTransport | TcpTransport
        self.medium: Medium
        if instrument.address and is_serial(instrument.address):
            self._transport, self.medium = PtyTransport(self._session(), instrument.name), "serial"
        else:
            self._transport, self.medium = (
                TcpTransport(lambda _: self._session(), wanted_port(instrument.address)),
                "socket",
            )
        super().__init__(instrument.name, self._transport)
        self._instrument.identity_filter = self._identity_now

    async def open(self) -> str:
        """Open its line; return its VISA resource name. Raises `InstrumentError` where it cannot be opened."""
        await self.open_transport()
        return (
            f"ASRL{self._transport.path}::INSTR"
            if isinstance(self._transport, PtyTransport)
            else socket_address(self._transport.port)
        )

    async def run(self) -> None:
        """Wait until cancelled: the instrument only answers."""
        await asyncio.Event().wait()

    def _add_trace_queries(self, supply: SupplyUnderTest, seed: int) -> None:
        for number, meter in enumerate(self.meters, 1):
            if wave := _wave_of(meter, supply):
                capture = ScopeTrace(wave, meter, seed + number, WaveformFormat())
                self._add_waveform(capture, supply, f"TRACe{number}:PREamble?", f"TRACe{number}:DATA?")

    def _add_channels(self, supply: SupplyUnderTest, seed: int, waves: Keys | None) -> None:
        wave_format = WaveformFormat.from_keys(waves) if waves is not None else None
        captures: dict[tuple[str, str], ScopeTrace] = {}
        for number, meter in enumerate(self.meters, 1):
            keys, name = keys_of(meter.channel), meter.channel.name
            if not keys.has("wave"):
                _add_channel(self._instrument, meter, supply)
                continue
            wave, queries = _wave_of(meter, supply), (keys.text("preamble"), keys.text("wave"))
            if queries in captures:
                captures[queries].meters.append(meter)
                continue
            if not wave:
                raise BadInput(f"channel {name!r}: no wave of {meter.channel.quantity} can be captured here")
            if wave_format is None:
                raise BadInput(f"channel {name!r} asks for a wave, but its format is not given; add [instrument.waves]")
            captures[queries] = ScopeTrace(wave, meter, seed + 100 + number, wave_format, has_preamble=bool(queries[0]))
            self._add_waveform(captures[queries], supply, *queries)

    def _add_waveform(self, capture: ScopeTrace, supply: SupplyUnderTest, preamble: str, data: str) -> None:
        if preamble:
            self._instrument.add_text_query(preamble, lambda: capture.preamble(supply.snapshot).decode("latin-1"))
        self._instrument.add_text_query(data, lambda: capture.data(supply.snapshot).decode("latin-1"))

    def _identity_now(self, name: str) -> str:
        for effect in self.effects:
            name = effect.identity(name)
        return name

    def _session(self) -> RequestHandler:
        return ScpiSession(self._instrument, *self._ends, echo=self._echo).feed


def _add_channel(instrument: ScpiInstrument, meter: Meter, supply: SupplyUnderTest) -> None:
    channel, keys = meter.channel, keys_of(meter.channel)
    query, sent = keys.text("query"), Scaling.from_keys(channel)

    def value() -> float:
        return sent.shown(meter.read(supply.snapshot))

    try:
        if pattern := keys.text("pattern"):
            form = line_format(pattern, {"unit": PLAIN_UNITS.get(sent.unit, sent.unit)})
            instrument.add_text_query(query, lambda: form.line({"value": value()}))
        else:
            instrument.add_query(query, value, keys.index("index"))
    except BadInput as problem:
        raise BadInput(f"channel {channel.name!r}: query = {one_line(query, 60)!r} {problem}") from problem


def _wave_of(meter: Meter, supply: SupplyUnderTest) -> str:
    """Return the waveform that a meter's quantity is measured on, "" if the supply has none."""
    wave = ".".join(meter.channel.quantity.split(".")[:2])
    return wave if wave in supply.snapshot.waveforms else ""


def _add_load(instrument: ScpiInstrument, sweep: Sweep, load: ElectronicLoad) -> None:
    """Answer the commands by which a sweep sets and releases its load."""
    for key, text in (("set", sweep.set), ("off", sweep.off)):
        units = [unit.strip() for unit in split_outside_quotes(str(text), ";")]
        try:
            for unit in units:
                if "{value}" in unit:
                    instrument.add_number_command(split_unit(unit)[0], load.set)
                else:
                    instrument.add_command(unit, load.switch_on if key == "set" else load.switch_off)
            if key == "set" and len(units) == 1:
                load.is_on_when_set = True
        except BadInput as problem:
            raise BadInput(f"sweep {sweep.name!r}: {key} = {one_line(text, 60)!r} {problem}") from problem


def _add_switch(instrument: ScpiInstrument, keys: Keys, supply: SupplyUnderTest) -> None:
    command, confirm = keys.text("command"), keys.text("confirm")
    try:
        if command:
            instrument.add_command(command, supply.switch_off)
        if confirm:
            instrument.add_query(confirm, lambda: float(supply.on))
    except BadInput as problem:
        key, text = ("confirm", confirm) if "query" in str(problem) else ("command", command)
        raise BadInput(f"switch_off: {key} = {one_line(text, 60)!r} {problem}") from problem
