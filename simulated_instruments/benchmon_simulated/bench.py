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
from benchmon_simulated.commands import Commands
from benchmon_simulated.effects import Effects
from benchmon_simulated.fault_schedule import FaultSchedule
from benchmon_simulated.servers import SERVERS
from benchmon_simulated.servers.own_certificate import certificate_file, is_encrypted
from benchmon_simulated.servers.server import InstrumentServer
from benchmon_simulated.supply.supply import IDEAL, SLICE, SupplyUnderTest

TICK = 0.1
"""Seconds between two steps of the supply."""

LONGEST_TICK = 2.0
"""The most seconds by which the supply advances at once, however long this machine slept."""


class SimulatedBench:
    """Every instrument of `bench` on a real socket or pseudo-terminal, measuring one simulated supply.

    Raises `BadInput` where a circuit or an instrument cannot be simulated. Once started, `addresses` maps each
    instrument's name to the address for its driver. `supply` may be used from any thread (switched, its load changed).
    `effects` are what it has of a real bench. `faults` begin and end at the times they name (see `fault_schedule`);
    `notify` is called with a line on each, from another thread.

    >>> with SimulatedBench(bench, seed=7) as simulated:    # doctest: +SKIP
    ...     text = simulated.bench_text()
    """

    def __init__(
        self,
        bench: Bench,
        seed: int = 1,
        faults: Sequence[str] = (),
        notify: Callable[[str], None] | None = None,
        effects: Effects = IDEAL,
    ) -> None:
        # A core and leakage take longer to step than to wait for.
        self.supply = SupplyUnderTest(bench, seed, effects, interpolated=effects != IDEAL)
        _check_quantities(bench, self.supply)
        self.addresses: dict[str, str] = {}
        self._text, self._notify = bench.source, notify
        self._servers = [_server_for(instrument, bench, self.supply, seed) for instrument in bench.instrument]
        self._schedule = FaultSchedule(self.supply, self._servers)
        self._commands = Commands(self.supply, self._servers, self._schedule)
        for fault in faults:
            self._schedule.plan(fault, 0.0)
        self._thread: threading.Thread | None = None
        self._ended: Future[None] = Future()

    def start(self) -> None:
        """Open every line and start the supply's time. Raises `InstrumentError` where a line cannot be opened."""
        ready: Future[dict[str, str]] = Future()
        self._ended = Future()
        self._thread = threading.Thread(target=self._run_thread, args=(ready,), name="simulated bench", daemon=True)
        self._thread.start()
        self.addresses = ready.result()

    def stop(self) -> None:
        """Close every line and wait until the thread has ended. Does nothing if the bench is not running."""
        if self._thread is None:
            return
        if self._thread.is_alive():
            # A loop that failed at this very moment is closed already.
            with suppress(RuntimeError):
                self._loop.call_soon_threadsafe(self._stop_asked.set)
        self._thread.join()
        self._thread = None

    def wait(self, timeout: float | None = None) -> bool:
        """Wait until the bench stops, at most `timeout` seconds; return whether it did.

        Raises the exception that stopped it, if one did.
        """
        try:
            self._ended.result(timeout)
        except TimeoutError:
            return False
        return True

    def execute(self, text: str) -> str:
        """Execute the command `text` while the bench runs; return the reply, one line (see `commands`).

        Raises `BadInput` where the command is unknown or cannot be executed.
        """
        return asyncio.run_coroutine_threadsafe(self._execute(text), self._loop).result()

    async def _execute(self, text: str) -> str:
        delay, now = self._commands.delayed(text)
        if delay > 0.0:
            self._loop.call_later(delay, self._execute_delayed, now)
            return f"in {delay:g} s: {now}"
        async with self._stepping:
            reply = self._commands.execute(now)
            return "; ".join(await self._schedule.advance(self.supply.snapshot.time)) or reply

    def _execute_delayed(self, text: str) -> None:
        try:
            reply = self._commands.execute(text)
        except BadInput as problem:
            reply = str(problem)
        if self._notify is not None:
            self._notify(f"{self.supply.snapshot.time:.1f} s: {reply}")

    async def _advance_faults(self) -> None:
        for event in await self._schedule.advance(self.supply.snapshot.time):
            if self._notify is not None:
                self._notify(f"{self.supply.snapshot.time:.1f} s: {event}")

    def bench_text(self) -> str:
        """Return the bench file's text with the addresses of the simulated instruments, and the certificate of some.

        Raises `BadInput` where they cannot be replaced (see `rewrite_addresses`).
        """
        return rewrite_addresses(self._text, self.addresses, self.authorities())

    def authorities(self) -> dict[str, str]:
        """Return the file of the certificate that an instrument's driver has to trust, for those that speak TLS."""
        encrypted = [name for name, address in self.addresses.items() if is_encrypted(address)]
        return {name: str(certificate_file()) for name in encrypted}

    def __enter__(self) -> Self:
        self.start()
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        self.stop()

    def _run_thread(self, ready: Future[dict[str, str]]) -> None:
        try:
            asyncio.run(self._serve(ready))
        except BaseException as problem:  # noqa: BLE001  passed on to the thread that waits
            if not ready.done():
                ready.set_exception(problem)
            self._ended.set_exception(problem)
        else:
            self._ended.set_result(None)

    async def _serve(self, ready: Future[dict[str, str]]) -> None:
        self._loop, self._stop_asked = asyncio.get_running_loop(), asyncio.Event()
        self._stepping = asyncio.Lock()
        opened: list[InstrumentServer] = []
        try:
            addresses = {}
            for server in self._servers:
                if address := await server.open():
                    addresses[server.name] = address
                opened.append(server)
            await self._advance_faults()
            ready.set_result(addresses)
            await self._run_until_stopped()
        finally:
            for server in opened:
                await server.close()

    async def _run_until_stopped(self) -> None:
        coroutines = [self._stop_asked.wait(), self._advance_supply(), *(server.run() for server in self._servers)]
        tasks = [asyncio.ensure_future(coroutine) for coroutine in coroutines]
        done, running = await asyncio.wait(tasks, return_when=asyncio.FIRST_COMPLETED)
        for task in running:
            task.cancel()
        await asyncio.gather(*running, return_exceptions=True)
        for task in done:
            task.result()

    async def _advance_supply(self) -> None:
        last = self._loop.time()
        while True:
            await asyncio.sleep(TICK)
            now = self._loop.time()
            behind, last = min(now - last, LONGEST_TICK), now
            while behind > 0.0:
                passed = min(behind, SLICE)
                async with self._stepping:
                    if self.supply.effects == IDEAL:
                        self.supply.advance(passed)
                    else:
                        # The lines are served meanwhile, which solving a few periods would hold up.
                        await asyncio.to_thread(self.supply.advance, passed)
                behind -= passed
                await self._advance_faults()
                # The lines are served in between, however much there is to catch up.
                await asyncio.sleep(0)


def _check_quantities(bench: Bench, supply: SupplyUnderTest) -> None:
    for channel in bench.channel:
        if channel.quantity not in supply.snapshot.values:
            raise BadInput(f"channel {channel.name!r}: the simulated supply has no {channel.quantity}")


def _server_for(instrument: Instrument, bench: Bench, supply: SupplyUnderTest, seed: int) -> InstrumentServer:
    make = SERVERS.get(instrument.driver)
    if make is None:
        raise BadInput(
            f"instrument {instrument.name!r}: the driver {one_line(instrument.driver, 40)!r} cannot be simulated; "
            f"these can: {', '.join(SERVERS)}"
        )
    return make(instrument, bench, supply, seed)
