"""The driver that DEVELOPERS.md shows passes what every driver must pass, as it stands there."""

import re
from contextlib import contextmanager
from pathlib import Path

from benchmon.instruments.testing.conformance import Behaviour, DriverConformance, Rig
from benchmon.instruments.testing.fake_instrument import FakeTcpInstrument
from benchmon.instruments.types import DrivenChannel, InstrumentSettings

TEXT = (Path(__file__).parents[2] / "DEVELOPERS.md").read_text(encoding="utf-8")
CODE = re.search(r"<!-- the driver -->\n```python\n(.*?)```", TEXT, re.DOTALL)[1]
ANSWERS = {b"volts": b"22.1\n", b"amperes": b"0.75\n"}


def answers(behaviour):
    if behaviour is Behaviour.SILENT:
        return lambda _: None
    if behaviour is Behaviour.GARBAGE:
        return lambda _: b"\x1b[2J\xff[bold]22.\n,,;\n"
    return ANSWERS.get


class TestTheDriverInDevelopersMd(DriverConformance):
    @contextmanager
    def rig(self):
        package = {}
        exec(CODE, package)  # noqa: S102 - the text that a contributor would copy
        with FakeTcpInstrument(answers(Behaviour.WELL)) as fake_instrument:
            driver = package["WordDriver"](
                "meter",
                InstrumentSettings(address=f"127.0.0.1:{fake_instrument.port}", timeout=0.3),
                [
                    DrivenChannel("u", "V", 1.0, 1.0, package["WordChannel"](word="volts")),
                    DrivenChannel("i", "A", 1.0, 10.0, package["WordChannel"](word="amperes")),
                ],
            )

            def behave(behaviour):
                fake_instrument.answer = answers(behaviour)

            yield Rig(driver, {"u": 22.1, "i": 7.5}, behave)
            driver.close()


def test_it_is_as_short_as_promised():
    lines = [line for line in CODE.splitlines() if line.strip()]
    assert len(lines) <= 40
