"""Attacks by the system: a disk that fails or hangs, clocks that jump or stand still, another user of the machine.

    python tests/benchmarks/attacks/system_attacks.py [WORD] [--tries 20]

`eio`, `enospc`, `hang`: every write to the session fails with that, or does not come back, for some seconds. `back`,
`ahead`: the wall clock jumps by an hour, by a day. `standstill`: the monotonic clock stands for a second. Meanwhile OFF
is asked for. Counted are requests that never reached the relay, readings that a screen had and the session has not, and
faults of which no screen was told. These need gcc. `users` needs root: another user has made the folder of the beacons,
locks a beacon, and asks a recorder that is not his. Leaves with status 1 where something was lost or kept quiet.
"""

from __future__ import annotations

import argparse
import mmap
import os
import random
import shutil
import signal
import struct
import subprocess
import sys
import tempfile
import time
from contextlib import suppress
from pathlib import Path

sys.path.insert(0, str(Path(__file__).parents[2]))
sys.path.insert(0, str(Path(__file__).parent))

from attacked_bench import AttackedBench, RunningRecorder
from fork_server import ForkServer
from off_attacks import MODULES

from benchmon.errors import BenchmonError
from benchmon.session.follower import open_session_view
from benchmon.session.requests import SwitchPowerOff

MODES = {
    "eio": (1, 0),
    "enospc": (2, 0),
    "hang": (3, 0),
    "back": (0, -3600),
    "ahead": (0, 86_400),
    "standstill": (4, 0),
}
WORDS = {"back": "clock was set back", "ahead": "clock was set ahead"}
ANOTHER = 54321
OTHER = ["setpriv", f"--reuid={ANOTHER}", f"--regid={ANOTHER}", "--clear-groups"]


class FaultySystem:
    """A bench whose recorder runs under a library that fails on demand."""

    def __init__(self) -> None:
        self.bench = AttackedBench()
        library, control = self.bench.path / "faulty.so", self.bench.path.parent / f"control{os.getpid()}"
        source = Path(__file__).with_name("faulty_system.c")
        subprocess.run(["gcc", "-shared", "-fPIC", "-O1", "-o", str(library), str(source), "-ldl"], check=True)
        control.write_bytes(bytes(16))
        with control.open("r+b") as file:
            self._control = mmap.mmap(file.fileno(), 16)
        control_variables = {"SHIM_CONTROL": str(control), "SHIM_FOLDER": str(self.bench.path)}
        os.environ["BENCHMON_RECORDERS"] = str(self.bench.path.parent / f"recorders{os.getpid()}")
        self.server = ForkServer(MODULES, {"LD_PRELOAD": str(library)} | control_variables)
        self._control_file = control

    def set(self, mode: int, seconds: int) -> None:
        """Let the system fail in a mode, with so many seconds added to the wall clock."""
        self._control[:] = struct.pack("qq", mode, seconds)

    def end(self) -> None:
        """Give everything back."""
        self.server.end()
        self.bench.end()
        self._control_file.unlink()
        shutil.rmtree(os.environ["BENCHMON_RECORDERS"], ignore_errors=True)


def attack(name: str, tries: int) -> bool:
    """Print the figures of one fault; return whether nothing was lost or kept quiet."""
    system, chance = FaultySystem(), random.Random(1)
    unheard = refused = lost = quiet = seen_in_all = 0
    longest = 0.0
    try:
        for number in range(tries):
            system.bench.switch_on()
            recorder = RunningRecorder(system.server, system.bench, f"{name}{number}")
            seen, words = set(), ""

            def look(seconds: float, recorder: RunningRecorder = recorder, seen: set[object] = seen) -> str:
                said, end = "", time.monotonic() + seconds
                while time.monotonic() < end:
                    with suppress(BenchmonError):
                        update = recorder.view.poll()
                        seen |= {(one.channel, one.time, one.value) for one in update.judgements}
                        said += update.trouble + "".join(event.message for event in update.events)
                    time.sleep(0.02)
                return said

            words += look(0.7)
            system.set(*MODES[name])
            words += look(chance.uniform(0.2, 1.5))
            screen = system.server.start("off_attacks:ask", str(recorder.path), "off", time.monotonic())
            words += look(1.0 if name == "standstill" else 2.5)
            if name == "standstill":
                system.set(0, 0)
            asked = system.server.wait(screen)
            heard = system.bench.news.wait(3.0)
            is_refused = asked.result is not None and bool(asked.result["refused"])
            unheard += not heard and not is_refused
            refused += is_refused
            if heard and asked.result is not None:
                longest = max(longest, system.bench.heard[0] - asked.result["asked"])
            system.set(0, 0)
            words += look(1.5)
            with suppress(ProcessLookupError):
                os.kill(recorder.pid, signal.SIGTERM)
            recorder.wait()
            kept = {(one.channel, one.time, one.value) for one in open_session_view(recorder.path).poll().judgements}
            lost, seen_in_all = lost + len(seen - kept), seen_in_all + len(seen)
            expected = WORDS.get(name, "stood still" if name == "standstill" else "written")
            quiet += expected not in words
            recorder.view.close()
    finally:
        system.end()
    is_good = not (unheard or lost or quiet)
    print(
        f"{'ok    ' if is_good else 'FAILED'} {name}: {tries} tries, OFF never at the relay {unheard} "
        f"(longest {longest:.2f} s; refused in words {refused}), {lost} of {seen_in_all} shown readings lost, "
        f"not told of {quiet}",
        flush=True,
    )
    return is_good


def ask_as_another(path: str) -> str:
    """Become another user and ask a recorder to switch off; return what came of it."""
    open_session_view(path).poll()  # it loads what another user may not be able to read
    os.setgroups([])
    os.setgid(ANOTHER)
    os.setuid(ANOTHER)
    view = open_session_view(path)
    has_seen = bool(view.poll().judgements)
    try:
        view.request(SwitchPowerOff("by another"))
    except BenchmonError:
        return f"refused {'after a look' if has_seen else 'without a look'}"
    return "taken"


def users() -> bool:
    """Let another user of the machine try; print what came of it."""
    found: dict[str, bool] = {}
    with tempfile.TemporaryDirectory() as name:
        folder, bench = Path(name), AttackedBench()
        folder.chmod(0o1777)
        bench.path.chmod(0o755)
        (folder / "benchmon-0").mkdir()
        os.chown(folder / "benchmon-0", ANOTHER, ANOTHER)
        environment = {name: value for name, value in os.environ.items() if name != "BENCHMON_RECORDERS"}
        environment |= {"TMPDIR": name, "XDG_CACHE_HOME": str(folder / "cache")}
        server = ForkServer((*MODULES, "system_attacks"), environment | {"BENCHMON_RECORDERS": ""})
        recorder = RunningRecorder(server, bench, "users")
        beacons = list((folder / "cache").rglob("*.recorder"))
        found["a folder made beforehand is not used"] = bool(beacons) and not any((folder / "benchmon-0").iterdir())
        words = [str(bench.bench_file), "--session", str(bench.path / "second.benchmon")]
        second = server.run("benchmon.recorder.__main__:main", words, seconds=30.0)
        found["a second recorder is refused"] = second.status == 2
        for beacon in beacons:
            locked = subprocess.run([*OTHER, "flock", "-n", str(beacon), "true"], capture_output=True, check=False)
            found["his lock on a beacon is refused"] = locked.returncode != 0
        asked = server.run("system_attacks:ask_as_another", str(recorder.path))
        found["he cannot ask, and is told so"] = asked.result not in {None, "taken"}
        found["he may look on where the file lets him"] = asked.result == "refused after a look"
        found["nothing was switched off"] = bench.is_on
        os.kill(recorder.pid, signal.SIGTERM)
        recorder.wait()
        server.end()
        bench.end()
    for what, is_so in found.items():
        print(f"{'ok    ' if is_so else 'FAILED'} users: {what}", flush=True)
    return all(found.values())


def main() -> int:
    """Print the figures; return 1 where something was lost or kept quiet."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("attack", nargs="?", choices=[*MODES, "users"])
    parser.add_argument("--tries", type=int, default=20)
    given = parser.parse_args()
    names = [given.attack] if given.attack else [*MODES, "users"]
    good = [users() if name == "users" else attack(name, given.tries) for name in names]
    return 0 if all(good) else 1


if __name__ == "__main__":
    sys.exit(main())
