"""Attacks by the system: a disk that fails or hangs, clocks that jump or stand still, another user of the machine.

    python tests/benchmarks/attacks/system_attacks.py [WORD] [--tries 20]

`eio`, `enospc`, `hang`: every write to the session fails with that, or does not come back, for some seconds. `back`,
`ahead`: the wall clock jumps by an hour, by a day. `standstill`: the monotonic clock stands for a second. These need
gcc. `openat`, `sendto`, `fsync`, `pwrite64`, `write`: that system call fails for some seconds in all threads of a
running recorder; `start`: one that is needed at the start fails, as `flock`. These need strace. Meanwhile OFF is
asked for. Counted are requests that never reached the relay, readings that a screen had and the session has not, and
faults that no screen showed. `users` needs root: another user has made the folder of the beacons, locks a
beacon, and asks a recorder that is not his. Leaves with status 1 where something was lost or kept quiet.
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
INJECTED = {
    "openat": "openat:error=EMFILE",
    "sendto": "sendto:error=ENOBUFS",
    "fsync": "fsync,fdatasync:error=EIO",
    "pwrite64": "pwrite64:error=EIO",
    "write": "write:error=ENOSPC",
}
"""What strace does to a running recorder, to all its threads."""
UNNOTICED = {"openat", "write"}
"""Calls that a running recorder does not need: its files are open, and its words go to screens by the session file."""
BRIEF = {"standstill", "sendto"}
"""Faults that are over before OFF can be done."""
LASTING = {"fsync"}
"""Faults that last to the end: a log is put into its session file at last, and hardly before."""
WORDS = {
    "hang": "is not written: a commit has taken",
    "fsync": "its disk fails",
    "sendto": "SWITCH OFF BY HAND",
    "standstill": "stood still",
    "back": "clock was set back",
    "ahead": "clock was set ahead",
}
ANOTHER = 54321
OTHER = ["setpriv", f"--reuid={ANOTHER}", f"--regid={ANOTHER}", "--clear-groups"]


class AttackedSystem:
    """A bench, and a server of recorders of it that run on a system which can be made to fail."""

    bench: AttackedBench
    server: ForkServer
    injected = 0
    """How many calls failed; of a library, how often it was set to fail."""

    def begin(self, name: str, pid: int) -> None:
        """Let the system of the recorder `pid` fail in the way called `name`."""
        raise NotImplementedError

    def cease(self) -> None:
        """Let all be well again."""
        raise NotImplementedError

    def end(self) -> None:
        """Give everything back."""
        self.server.end()
        self.bench.end()
        shutil.rmtree(os.environ["BENCHMON_RECORDERS"], ignore_errors=True)


class InjectedErrors(AttackedSystem):
    """Recorders whose system calls strace lets fail."""

    def __init__(self) -> None:
        self.bench = AttackedBench()
        os.environ["BENCHMON_RECORDERS"] = str(self.bench.path.parent / f"recorders{os.getpid()}")
        self.server = ForkServer(MODULES)
        self._strace: subprocess.Popen[bytes] | None = None

    def begin(self, name: str, pid: int) -> None:
        """Attach to every thread of the recorder; from then on the call fails."""
        calls = INJECTED[name].partition(":")[0]
        self._log = self.bench.path / f"{name}{pid}.strace"
        words = ["strace", "-f", "-qq", "-o", str(self._log), "-e", f"trace={calls}", "-e", f"inject={INJECTED[name]}"]
        self._strace = subprocess.Popen([*words, "-p", str(pid)], stderr=subprocess.DEVNULL)

    def cease(self) -> None:
        """Detach."""
        if self._strace is not None:
            self._strace.terminate()
            self._strace.wait(30)
            self._strace = None
            self.injected += self._log.read_text(errors="replace").count("(INJECTED)")


class FaultySystem(AttackedSystem):
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

    def begin(self, name: str, pid: int) -> None:  # noqa: ARG002 - all recorders have the library
        """Let the system of all recorders fail in a mode, with so many seconds added to the wall clock."""
        self.injected += 1
        self._control[:] = struct.pack("qq", *MODES[name])

    def cease(self) -> None:
        """Let the library pass everything on as it is."""
        self._control[:] = struct.pack("qq", 0, 0)

    def end(self) -> None:
        """Give everything back."""
        super().end()
        self._control_file.unlink()


def attack(name: str, tries: int) -> bool:
    """Print the figures of one fault; return whether nothing was lost or kept quiet."""
    system: AttackedSystem = FaultySystem() if name in MODES else InjectedErrors()
    chance = random.Random(1)
    unheard = refused = lost = quiet = seen_in_all = 0
    longest, statuses = 0.0, set[int]()
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
            system.begin(name, recorder.pid)
            words += look(chance.uniform(0.2, 1.5))
            screen = system.server.start("off_attacks:ask", str(recorder.path), "off", time.monotonic())
            words += look(1.0 if name == "standstill" else 2.5)
            if name in BRIEF:
                system.cease()
            asked = system.server.wait(screen)
            heard = system.bench.news.wait(3.0)
            is_refused = asked.result is not None and bool(asked.result["refused"])
            unheard += not heard and not is_refused
            refused += is_refused
            if heard and asked.result is not None:
                longest = max(longest, system.bench.heard[0] - asked.result["asked"])
            if name not in LASTING:
                system.cease()
            words += look(1.5)
            with suppress(ProcessLookupError):
                os.kill(recorder.pid, signal.SIGTERM)
            ended = recorder.wait()
            words += ended.errors
            system.cease()
            statuses.add(ended.status)
            kept = {(one.channel, one.time, one.value) for one in open_session_view(recorder.path).poll().judgements}
            lost, seen_in_all = lost + len(seen - kept), seen_in_all + len(seen)
            quiet += name not in UNNOTICED and WORDS.get(name, "cannot be written") not in words
            recorder.view.close()
    finally:
        system.end()
    is_good = not (unheard or lost or quiet)
    print(
        f"{'ok    ' if is_good else 'FAILED'} {name}: {tries} tries, OFF never at the relay {unheard} "
        f"(longest {longest:.2f} s; refused in words {refused}), {lost} of {seen_in_all} shown readings lost, "
        f"not reported: {quiet}; {system.injected} failures injected; recorders ended with {sorted(statuses)}",
        flush=True,
    )
    return is_good


AT_THE_START = (
    ("flock:error=EIO", "has no beacon", ()),
    ("flock:error=ENOLCK", "has no beacon", ()),
    ("openat:error=EACCES", "cannot be created", ("", "-wal")),
    ("openat:error=EMFILE:when=2+", "cannot be created", ("", "-wal")),
    ("openat:error=EMFILE:when=3", "cannot be created", ("", "-wal")),
    ("openat:error=EMFILE:when=4", "cannot be created", ("", "-wal")),
    ("openat:error=EMFILE:when=5", "cannot be created", ("", "-wal")),
    ("fsync,fdatasync:error=EIO", "cannot be created", ()),
    ("pwrite64:error=ENOSPC:when=10+", "cannot be created", ()),
    ("pwrite64:error=ENOSPC:when=40+", "cannot be created", ()),
)
"""What fails while a recorder starts, what it says of that, and by which endings of the session file alone it does."""


def start() -> bool:
    """Start recorders on a system that fails; each goes on and says so, or ends with one clear line and no file."""
    found: dict[str, bool] = {}
    bench = AttackedBench()
    os.environ["BENCHMON_RECORDERS"] = str(bench.path / "recorders")
    for number, (fault, words, endings) in enumerate(AT_THE_START):
        bench.switch_on()
        path = bench.path / f"start{number}.benchmon"
        command = ["strace", "-f", "-qq", "-o", "/dev/null", "-e", f"trace={fault.partition(':')[0]}"]
        command += ["-e", f"inject={fault}", *(word for ending in endings for word in ("-P", f"{path}{ending}"))]
        command += [sys.executable, "-m", "benchmon", "run", str(bench.bench_file), "--session", str(path)]
        ended = subprocess.run(
            [*command, "--headless", "--for", "2s"], capture_output=True, text=True, timeout=60, check=False
        )
        if ended.returncode == 0:
            events = open_session_view(path).poll().events
            # That its plan waits for a person is no fault.
            said = [line for line in ended.stderr.splitlines() if not line.startswith("The plan waits")]
            found[fault] = not said and any(words in event.message for event in events)
        else:
            is_one_line = ended.stderr.count("\n") == 1 and words in ended.stderr
            found[fault] = ended.returncode == 2 and is_one_line and not list(bench.path.glob(f"{path.name}*"))
        print(f"{'ok    ' if found[fault] else 'FAILED'} start: {fault}: {ended.stderr.strip() or words}", flush=True)
    bench.end()
    return all(found.values())


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
        found["another user cannot ask, and learns it"] = asked.result not in {None, "taken"}
        found["he may look on where the file lets him"] = asked.result == "refused after a look"
        found["nothing was switched off"] = bench.is_on
        os.kill(recorder.pid, signal.SIGTERM)
        recorder.wait()
        server.end()
        bench.end()
    for what, is_so in found.items():
        print(f"{'ok    ' if is_so else 'FAILED'} users: {what}", flush=True)
    return all(found.values())


OTHERS = {"start": start, "users": users}


def main() -> int:
    """Print the figures; return 1 where something was lost or kept quiet."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("attack", nargs="?", choices=[*MODES, *INJECTED, *OTHERS])
    parser.add_argument("--tries", type=int, default=20)
    given = parser.parse_args()
    names = [given.attack] if given.attack else [*MODES, *INJECTED, *OTHERS]
    good = [OTHERS[name]() if name in OTHERS else attack(name, given.tries) for name in names]
    return 0 if all(good) else 1


if __name__ == "__main__":
    sys.exit(main())
