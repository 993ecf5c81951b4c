"""Rigs of the conformance kit that several families of drivers share."""

import threading
from contextlib import contextmanager

from benchmon.instruments.testing.conformance import Behaviour, Rig

NOISE = b"\x1b[2J\x00\xff[bold]22.\n,,;\n1.2.3\n"


@contextmanager
def streaming_rig(fake_instrument, address, make, well, shows):
    says = {Behaviour.SILENT: b"", Behaviour.GARBAGE: NOISE}
    behaviour, ended = [Behaviour.WELL], threading.Event()

    def stream():
        while not ended.wait(0.02):
            try:
                fake_instrument.send(says.get(behaviour[0], well))
            except OSError:
                continue

    with fake_instrument:
        thread = threading.Thread(target=stream, daemon=True)
        thread.start()
        driver = make(address(fake_instrument))

        def behave(how):
            behaviour[0] = how

        try:
            yield Rig(driver, shows, behave)
        finally:
            driver.close()
            ended.set()
            thread.join()
