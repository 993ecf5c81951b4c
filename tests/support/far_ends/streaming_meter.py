"""A meter that streams lines over a real socket on this machine, and a bench that has it."""

import itertools
import socket
import threading

from support.supplies import supply

BENCH = supply(mains={"tolerance": "10 %"})

METER = """
[[instrument]]
name = "meter"
driver = "serial_lines"
address = "socket://127.0.0.1:{port}"
pattern = 'm (?P<mains>\\S+) v (?P<vout>\\S+) t (?P<case>\\S+)'
[[channel]]
name = "line"
instrument = "meter"
quantity = "mains.voltage.rms"
group = "mains"
accuracy = "0.5 %"
period = "50 ms"
[[channel]]
name = "vout"
instrument = "meter"
quantity = "output.voltage.rms"
group = "vout"
accuracy = "0.1 % + 5 mV"
period = "50 ms"
[[channel]]
name = "case"
instrument = "meter"
quantity = "diode.temperature.case"
group = "case"
accuracy = "1 K"
period = "50 ms"
warn_above = "80 °C"
trip_above = "90 °C"
"""


class StreamingMeter:
    """A meter that sends a line every 20 ms to whoever connects; `line` makes the next one from a running number."""

    def __init__(self):
        self._server = socket.create_server(("127.0.0.1", 0))
        self.port = self._server.getsockname()[1]
        self.line = lambda number: f"m 230.0 v {15 + number % 100 / 1000:.4f} t 41.5"
        self._stopped = threading.Event()
        self._threads = [threading.Thread(target=self._accept)]
        self._threads[0].start()

    def _accept(self):
        self._server.settimeout(0.05)
        while not self._stopped.is_set():
            try:
                connection, _ = self._server.accept()
            except TimeoutError:
                continue
            self._threads.append(threading.Thread(target=self._send, args=(connection,)))
            self._threads[-1].start()

    def _send(self, connection):
        with connection:
            for number in itertools.count():
                if self._stopped.wait(0.02):
                    return
                try:
                    connection.sendall(f"{self.line(number)}\r\n".encode())
                except OSError:
                    return

    def stop(self):
        self._stopped.set()
        for thread in self._threads:
            thread.join(60)
        self._server.close()


def bench_text(meter):
    """Return the bench file of a supply with that meter, by which mains, output and a case are read."""
    return BENCH + METER.format(port=meter.port)
