"""The VISA resources of this computer, and what answers there."""

from __future__ import annotations

import threading
import time
import warnings
from collections.abc import Callable

from pyvisa import VisaIOError
from pyvisa.resources import MessageBasedResource

from benchmon.instruments.ports import Port
from benchmon.text import one_line
from benchmon_drivers.visa import manager


def find_visa(report: Callable[[Port], None], timeout: float, ask_serial: bool, backend: str = "@py") -> None:
    """Report the resources of `backend`, first as they are, then with what answered to `*IDN?`.

    All are asked at the same time, each for at most `timeout` seconds. Serial lines are left out unless `ask_serial`.
    """
    with warnings.catch_warnings():
        # pyvisa-py warns that it searches the network better with optional libraries; nobody asked.
        warnings.filterwarnings("ignore", category=UserWarning, module=r"pyvisa_py\..*")
        try:
            names = manager(backend).list_resources("?*")
        except VisaIOError:
            names = ()
    found = [Port("scpi", name) for name in names if ask_serial or not name.upper().startswith("ASRL")]
    threads = []
    for port in found:
        report(port)
        thread = threading.Thread(target=_ask, args=(report, port, timeout, backend), name=port.address, daemon=True)
        thread.start()
        threads.append(thread)
    deadline = time.monotonic() + timeout
    for thread in threads:
        thread.join(max(0.0, deadline - time.monotonic()))


def _ask(report: Callable[[Port], None], port: Port, timeout: float, backend: str) -> None:
    milliseconds = max(1, round(500 * timeout))
    try:
        resource = manager(backend).open_resource(port.address, open_timeout=milliseconds)
    except Exception as problem:  # noqa: BLE001  whatever the library raises is why nobody answers there
        report(Port(port.driver, port.address, problem=one_line(problem)))
        return
    try:
        if not isinstance(resource, MessageBasedResource):
            return
        resource.timeout = milliseconds
        resource.read_termination = resource.write_termination = "\n"
        report(Port(port.driver, port.address, identity=one_line(resource.query("*IDN?").strip(), 200)))
    except Exception as problem:  # noqa: BLE001  as above
        report(Port(port.driver, port.address, problem=one_line(problem)))
    finally:
        resource.close()
