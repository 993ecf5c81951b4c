"""Rigs of the conformance kit that several families of drivers share."""

import threading
import time
from contextlib import contextmanager, suppress

from benchmon.instruments.testing.conformance import ALWAYS_PLAYED, Behaviour, Rig

NOISE = b"\x1b[2J\x00\xff[bold]22.\n,,;\n1.2.3\n"


ASKED = ALWAYS_PLAYED | {Behaviour.DRIPPING, Behaviour.LATE}
NEVER_ASKED = "an instrument that sends by itself is never late"
WHOLE_MESSAGES = f"{NEVER_ASKED}, and a message comes whole or not at all"


def answers_ill(fake_instrument, behaviour, timeout, well):
    """Return answers that come after `timeout`, or single bytes that never end; `well` gives the right one."""

    def late(query):
        time.sleep(1.2 * timeout)
        return well(query)

    def dripping(_):
        for _ in range(5):
            with suppress(OSError):
                fake_instrument.send(b"1")
            time.sleep(0.25 * timeout)

    return late if behaviour is Behaviour.LATE else dripping


@contextmanager
def streaming_rig(fake_instrument, address, make, well, shows, *, one_bad=b"", drips=False, why=NEVER_ASKED):
    """Play a meter that sends `well` by itself, or `one_bad`, in which the last channel alone is no reading."""
    says = {Behaviour.SILENT: b"", Behaviour.GARBAGE: NOISE, Behaviour.ONE_BAD: one_bad, Behaviour.DRIPPING: b"1"}
    plays = ALWAYS_PLAYED | ({Behaviour.ONE_BAD} if one_bad else set()) | ({Behaviour.DRIPPING} if drips else set())
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
            yield Rig(driver, shows, behave, plays, why)
        finally:
            driver.close()
            ended.set()
            thread.join()
