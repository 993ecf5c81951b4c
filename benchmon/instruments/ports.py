"""Where instruments may be: the ports that the installed drivers find, and who answers there."""

from __future__ import annotations

import threading
import time
from dataclasses import dataclass

from benchmon.errors import BadInput
from benchmon.instruments.driver import AnyDriver
from benchmon.instruments.registry import driver_names, load_driver
from benchmon.text import one_line


@dataclass(frozen=True, slots=True)
class Port:
    """A place where an instrument may be: `driver` and `address` as a bench file would have them.

    `description` is what the system says of the port, `identity` what answered; `problem` says why nothing did.
    """

    driver: str
    address: str
    description: str = ""
    identity: str = ""
    problem: str = ""


def find_ports(timeout: float = 5.0, *, ask_serial: bool = False) -> list[Port]:
    """Return what every installed driver finds within `timeout` seconds, sorted by driver and address.

    All look at the same time; who has not finished in time is cut short, and what it found so far counts. Serial
    ports are listed but sent nothing unless `ask_serial`: a question may upset what hangs there.
    """
    found: dict[tuple[str, str], Port] = {}
    threads = [
        threading.Thread(target=_look, args=(name, found, timeout, ask_serial), name=f"ports of {name}", daemon=True)
        for name in driver_names()
    ]
    for thread in threads:
        thread.start()
    deadline = time.monotonic() + timeout
    for thread in threads:
        thread.join(max(0.0, deadline - time.monotonic()))
    return sorted(found.copy().values(), key=lambda port: (port.driver, port.address))


def _look(name: str, found: dict[tuple[str, str], Port], timeout: float, ask_serial: bool) -> None:
    def report(port: Port) -> None:
        found[name, port.address] = port

    try:
        driver: type[AnyDriver] = load_driver(name)
        driver.discover(report, timeout, ask_serial)
    except BadInput as problem:
        report(Port(name, "", problem=str(problem)))
    except Exception as problem:  # noqa: BLE001  one driver's fault must not hide the ports of the others
        report(Port(name, "", problem=one_line(f"could not look for ports: {problem}")))
