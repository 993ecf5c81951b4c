"""The twin of a SCPI instrument: it answers the very queries that the bench file's channels ask."""

from __future__ import annotations

import asyncio

from benchmon.bench import Bench, Instrument
from benchmon.errors import BadInput
from benchmon.text import one_line
from benchmon_simulated.addresses import is_serial, socket_address, wanted_port
from benchmon_simulated.meters.meter import Meter
from benchmon_simulated.meters.oscilloscope import ScopeTrace, Telling
from benchmon_simulated.servers.driver_settings import Keys, channels_of, keys_of
from benchmon_simulated.servers.scpi_instrument import ScpiInstrument, ScpiSession
from benchmon_simulated.servers.server import Language, Medium, WiredServer
from benchmon_simulated.servers.transports import Answer, PtyTransport, TcpTransport
from benchmon_simulated.supply.supply import SupplyUnderTest


class ScpiServer(WiredServer):
    """A SCPI instrument on a socket, or on a serial line if its address in the bench file is one."""

    speaks: Language = "scpi"
    has_clock = False

    def __init__(self, instrument: Instrument, bench: Bench, supply: SupplyUnderTest, seed: int) -> None:
        keys = keys_of(instrument)
        self._ends = keys.text("read_termination", "\n"), keys.text("write_termination", "\n")
        self._box = ScpiInstrument(("benchmon", f"simulated {instrument.name}", f"seed {seed}", "1"))
        self.meters = [Meter(channel, seed) for channel in channels_of(bench, instrument)]
        self._teach_own_waves(supply, seed)
        self._teach_channels(supply, seed, keys.section("waves"))
        for message in keys.texts("setup"):
            if not message.lstrip().startswith("*"):
                self._box.learn_setting(message)
        if bench.switch_off is not None and bench.switch_off.instrument == instrument.name:
            _teach_switch(self._box, Keys("switch_off", bench.switch_off.driver_keys), supply)
        self._wire: PtyTransport | TcpTransport
        self.medium: Medium
        if instrument.address and is_serial(instrument.address):
            self._wire, self.medium = PtyTransport(self._session(), instrument.name), "serial"
        else:
            self._wire, self.medium = TcpTransport(lambda _: self._session(), wanted_port(instrument.address)), "socket"
        super().__init__(instrument.name, self._wire)
        self._box.rename = self._name_now

    async def open(self) -> str:
        """Open its line; return its VISA resource name. Raises `InstrumentError`."""
        await self.open_wire()
        return (
            f"ASRL{self._wire.path}::INSTR" if isinstance(self._wire, PtyTransport) else socket_address(self._wire.port)
        )

    async def run(self) -> None:
        """Wait for ever: it speaks only when asked."""
        await asyncio.Event().wait()

    def _teach_own_waves(self, supply: SupplyUnderTest, seed: int) -> None:
        for number, meter in enumerate(self.meters, 1):
            if wave := _wave_of(meter, supply):
                capture = ScopeTrace(wave, meter, seed + number, Telling())
                self._teach_wave(capture, supply, f"TRACe{number}:PREamble?", f"TRACe{number}:DATA?")

    def _teach_channels(self, supply: SupplyUnderTest, seed: int, waves: Keys | None) -> None:
        telling = Telling.of(waves) if waves is not None else None
        captures: dict[tuple[str, str], ScopeTrace] = {}
        for number, meter in enumerate(self.meters, 1):
            asked, name = keys_of(meter.channel), meter.channel.name
            if not asked.has("wave"):
                _teach(self._box, meter, supply)
                continue
            wave, questions = _wave_of(meter, supply), (asked.text("preamble"), asked.text("wave"))
            if questions in captures:
                captures[questions].meters.append(meter)
                continue
            if not wave:
                raise BadInput(f"channel {name!r}: no wave of {meter.channel.quantity} can be captured here")
            if telling is None:
                raise BadInput(f"channel {name!r} asks for a wave; add [instrument.waves], how it is told")
            captures[questions] = ScopeTrace(wave, meter, seed + 100 + number, telling)
            self._teach_wave(captures[questions], supply, *questions)

    def _teach_wave(self, capture: ScopeTrace, supply: SupplyUnderTest, preamble: str, data: str) -> None:
        if preamble:
            self._box.learn_text(preamble, lambda: capture.preamble(supply.snapshot))
        self._box.learn_text(data, lambda: capture.data(supply.snapshot).decode("latin-1"))

    def _name_now(self, name: str) -> str:
        for mishap in self.mishaps:
            name = mishap.identity(name)
        return name

    def _session(self) -> Answer:
        return ScpiSession(self._box, *self._ends).feed


def _teach(box: ScpiInstrument, meter: Meter, supply: SupplyUnderTest) -> None:
    channel, keys = meter.channel, keys_of(meter.channel)
    query, factor = keys.text("query"), keys.number("factor", 1.0)
    try:
        box.learn_query(query, lambda: meter.read(supply.snapshot) / factor, keys.index("index"))
    except BadInput as problem:
        raise BadInput(f"channel {channel.name!r}: query = {one_line(query, 60)!r} {problem}") from problem


def _wave_of(meter: Meter, supply: SupplyUnderTest) -> str:
    """Return the wave that a meter's quantity is of, "" where the supply has none."""
    wave = ".".join(meter.channel.quantity.split(".")[:2])
    return wave if wave in supply.snapshot.waveforms else ""


def _teach_switch(box: ScpiInstrument, keys: Keys, supply: SupplyUnderTest) -> None:
    command, confirm = keys.text("command"), keys.text("confirm")
    try:
        if command:
            box.learn_command(command, supply.switch_off)
        if confirm:
            box.learn_query(confirm, lambda: float(supply.on))
    except BadInput as problem:
        key, text = ("confirm", confirm) if "query" in str(problem) else ("command", command)
        raise BadInput(f"switch_off: {key} = {one_line(text, 60)!r} {problem}") from problem
