"""What holds for all tests."""

import gc
import itertools
import os
import shutil
import subprocess
import sys

import pytest
from hypothesis import HealthCheck, settings
from hypothesis.internal.conjecture import providers

# The same examples in every run, so that a change is judged by what it changed, and half of the usual number, since
# they find nothing new; `BENCHMON_EXPLORE=1` draws new ones.
# A busy machine makes an example slow, which is no failure.
settings.register_profile("new examples", deadline=None, suppress_health_check=[HealthCheck.too_slow])
settings.register_profile("same examples", settings.get_profile("new examples"), derandomize=True, max_examples=50)
settings.load_profile("new examples" if os.environ.get("BENCHMON_EXPLORE") else "same examples")
if not os.environ.get("BENCHMON_EXPLORE"):
    # Hypothesis also draws constants that stand in the modules loaded so far: the examples of a test would depend on
    # which tests the same worker had run before it.
    vars(providers).update(is_local_module_file=lambda _: False)

# Tests start some hundred processes; each would compile what the one before has compiled, and each worker all tests.
os.environ.pop("PYTHONDONTWRITEBYTECODE", None)
sys.dont_write_bytecode = False


@pytest.hookimpl(optionalhook=True)
def pytest_xdist_auto_num_workers() -> int:
    """Let three workers run for each processor: tests wait for lines and processes, but to load a worker costs time."""
    return 3 * len(os.sched_getaffinity(0))


@pytest.hookimpl(wrapper=True)
def pytest_collection():
    """Spare the garbage collector what is loaded and collected: it stays to the end, and is much."""
    gc.disable()
    try:
        return (yield)
    finally:
        gc.enable()
        gc.freeze()


@pytest.fixture(scope="session")
def _recorders(tmp_path_factory):
    """Return names of folders for beacons, a new one each time; none exists yet."""
    folder = tmp_path_factory.mktemp("recorders")
    return (folder / str(number) for number in itertools.count())


@pytest.fixture(autouse=True)
def _recorders_of_this_test(_recorders, monkeypatch):
    """Keep the beacons of this test's recorders apart from those of other tests, and of real ones."""
    monkeypatch.setenv("BENCHMON_RECORDERS", str(next(_recorders)))


@pytest.fixture
def disk(tmp_path):
    """Return the folder of a disk of 2 MB of its own; skips where there is no leave to mount one."""
    folder = tmp_path / "disk"
    folder.mkdir()
    mount = ["mount", "-t", "tmpfs", "-o", "size=2m", "none", str(folder)]
    can_mount = os.geteuid() == 0 and shutil.which("mount") is not None
    if not can_mount or subprocess.run(mount, capture_output=True, check=False).returncode:
        pytest.skip("a small disk of its own needs leave to mount one")
    yield folder
    subprocess.run(["umount", "-l", str(folder)], check=True)


@pytest.fixture(scope="session")
def fill_disk():
    """Return a function that fills a disk to its last byte; removing its file `ballast` makes room again."""

    def fill(folder):
        with (folder / "ballast").open("wb", buffering=0) as ballast:
            try:
                while True:
                    ballast.write(b"\0" * 4096)
            except OSError:
                return

    return fill
