"""The simulated bench as a whole: the supply in real time, and every instrument of the bench file on its line."""

from __future__ import annotations

import asyncio
import threading
from collections.abc import Callable, Sequence
from concurrent.futures import Future
from contextlib import suppress
from types import TracebackType
from typing import Self

from benchmon.bench import Bench, Instrument
from benchmon.errors import BadInput
from benchmon.text import one_line
from benchmon_simulated.addresses import rewrite_addresses
from benchmon_simulated.commands import Orders
from benchmon_simulated.fault_schedule import Troubles
from benchmon_simulated.servers.file_server import CsvTwin, ValueFileTwin
from benchmon_simulated.servers.frame_server import FrameServer
from benchmon_simulated.servers.scpi_server import ScpiServer
from benchmon_simulated.servers.server import HandServer, InstrumentServer
from benchmon_simulated.servers.text_server import TextServer
from benchmon_simulated.supply.supply import SLICE, SupplyUnderTest

TICK = 0.1
"""Seconds between two looks at the supply."""

LONGEST_TICK = 2.0
"""Seconds that at most pass for the supply in one go, however long this machine slept."""


def _modbus_twin(instrument: Instrument, bench: Bench, supply: SupplyUnderTest, seed: int) -> InstrumentServer:
    from benchmon_simulated.servers.modbus_server import ModbusServer  # noqa: PLC0415 - its server takes long to load

    return ModbusServer(instrument, bench, supply, seed)


TWINS: dict[str, Callable[[Instrument, Bench, SupplyUnderTest, int], InstrumentServer]] = {
    "scpi": ScpiServer,
    "serial_lines": TextServer,
    "serial_frames": FrameServer,
    "modbus": _modbus_twin,
    "value_file": ValueFileTwin,
    "csv_tail": CsvTwin,
    "hand": HandServer,
}
"""The driver of an instrument, and what stands in for it."""


class SimulatedBench:
    """Every instrument of `bench` on a real socket or pseudo-terminal, measuring one simulated supply.

    Building one raises `BadInput` where a circuit or an instrument has no twin. `addresses` maps, once started, each
    instrument's name to where its driver finds it. `supply` may be worked from any thread: switched, its load changed.
    `faults` begin and end at the times they name (see `troubles`); `tell` is given a line on each, from another thread.

    >>> with SimulatedBench(bench, seed=7) as simulated:    # doctest: +SKIP
    ...     text = simulated.bench_text()
    """

    def __init__(
        self, bench: Bench, seed: int = 1, faults: Sequence[str] = (), tell: Callable[[str], None] | None = None
    ) -> None:
        self.supply = SupplyUnderTest(bench, seed)
        _refuse_unknown_quantities(bench, self.supply)
        self.addresses: dict[str, str] = {}
        self._text, self._tell = bench.source, tell
        self._twins = [_twin_of(instrument, bench, self.supply, seed) for instrument in bench.instrument]
        self._troubles = Troubles(self.supply, self._twins)
        self._orders = Orders(self.supply, self._twins, self._troubles)
        for fault in faults:
            self._troubles.plan(fault, 0.0)
        self._thread: threading.Thread | None = None
        self._ended: Future[None] = Future()

    def start(self) -> None:
        """Open every line and let time pass. Raises `InstrumentError` where a line cannot be opened."""
        ready: Future[dict[str, str]] = Future()
        self._ended = Future()
        self._thread = threading.Thread(target=self._live, args=(ready,), name="simulated bench", daemon=True)
        self._thread.start()
        self.addresses = ready.result()

    def stop(self) -> None:
        """Close every line and wait until all is still. Stopping what does not run is no fault."""
        if self._thread is None:
            return
        if self._thread.is_alive():
            # A loop that broke at this very moment is closed, and need not be told.
            with suppress(RuntimeError):
                self._loop.call_soon_threadsafe(self._stop_asked.set)
        self._thread.join()
        self._thread = None

    def wait(self, timeout: float | None = None) -> bool:
        """Wait until the bench stops, at most `timeout` seconds; return whether it did. Raises what stopped it."""
        try:
            self._ended.result(timeout)
        except TimeoutError:
            return False
        return True

    def order(self, text: str) -> str:
        """Do what `text` says (see `orders`) while the bench runs; return the answer, one line. Raises `BadInput`."""
        return asyncio.run_coroutine_threadsafe(self._obey(text), self._loop).result()

    async def _obey(self, text: str) -> str:
        delay, now = self._orders.delayed(text)
        if delay > 0.0:
            self._loop.call_later(delay, self._obey_later, now)
            return f"in {delay:g} s: {now}"
        answer = self._orders.obey(now)
        return "; ".join(await self._troubles.advance(self.supply.snapshot.time)) or answer

    def _obey_later(self, text: str) -> None:
        try:
            answer = self._orders.obey(text)
        except BadInput as problem:
            answer = str(problem)
        if self._tell is not None:
            self._tell(f"{self.supply.snapshot.time:.1f} s: {answer}")

    async def _let_faults_happen(self) -> None:
        for news in await self._troubles.advance(self.supply.snapshot.time):
            if self._tell is not None:
                self._tell(f"{self.supply.snapshot.time:.1f} s: {news}")

    def bench_text(self) -> str:
        """Return the bench file's text with the addresses of the simulated instruments. Raises `BadInput`."""
        return rewrite_addresses(self._text, self.addresses)

    def __enter__(self) -> Self:
        self.start()
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        self.stop()

    def _live(self, ready: Future[dict[str, str]]) -> None:
        try:
            asyncio.run(self._serve(ready))
        except BaseException as problem:  # noqa: BLE001  a thread's end is told to whoever waits for it
            if not ready.done():
                ready.set_exception(problem)
            self._ended.set_exception(problem)
        else:
            self._ended.set_result(None)

    async def _serve(self, ready: Future[dict[str, str]]) -> None:
        self._loop, self._stop_asked = asyncio.get_running_loop(), asyncio.Event()
        opened: list[InstrumentServer] = []
        try:
            addresses = {}
            for twin in self._twins:
                if address := await twin.open():
                    addresses[twin.name] = address
                opened.append(twin)
            await self._let_faults_happen()
            ready.set_result(addresses)
            await self._run_until_stopped()
        finally:
            for twin in opened:
                await twin.close()

    async def _run_until_stopped(self) -> None:
        works = [self._stop_asked.wait(), self._pass_time(), *(twin.run() for twin in self._twins)]
        tasks = [asyncio.ensure_future(work) for work in works]
        done, running = await asyncio.wait(tasks, return_when=asyncio.FIRST_COMPLETED)
        for task in running:
            task.cancel()
        await asyncio.gather(*running, return_exceptions=True)
        for task in done:
            task.result()

    async def _pass_time(self) -> None:
        last = self._loop.time()
        while True:
            await asyncio.sleep(TICK)
            now = self._loop.time()
            behind, last = min(now - last, LONGEST_TICK), now
            while behind > 0.0:
                passed = min(behind, SLICE)
                self.supply.advance(passed)
                behind -= passed
                await self._let_faults_happen()
                # However much there is to catch up with, the lines are served in between.
                await asyncio.sleep(0)


def _refuse_unknown_quantities(bench: Bench, supply: SupplyUnderTest) -> None:
    for channel in bench.channel:
        if channel.quantity not in supply.snapshot.values:
            raise BadInput(f"channel {channel.name!r}: this supply has no {channel.quantity} that could be simulated")


def _twin_of(instrument: Instrument, bench: Bench, supply: SupplyUnderTest, seed: int) -> InstrumentServer:
    make = TWINS.get(instrument.driver)
    if make is None:
        raise BadInput(
            f"instrument {instrument.name!r}: the driver {one_line(instrument.driver, 40)!r} has no simulated twin; "
            f"there are twins for {' and '.join(TWINS)}"
        )
    return make(instrument, bench, supply, seed)
