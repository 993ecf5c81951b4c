"""Messages with bytes changed, added, lost or cut, and the numbers that a person reads in what is left."""

import math
import re
from decimal import Decimal

NOISE = b'0123456789.,-+eE ;"{}[]:=mVAukCDOL\r\n\x00\xff\xb2'
NUMBER = r"(?:[0-9]+(?:[.,][0-9]*)?|[.,][0-9]+)(?:[eE][-+]?[0-9]+)?"
SIGNED = re.compile(rf"[-+−]?\s*{NUMBER}")
SIGN_BEHIND = re.compile(rf"({NUMBER})[-−]")
PREFIXES = [Decimal(10) ** power for power in (-12, -9, -6, -3, -2, 0, 3, 6, 9)]
"""What a prefix of a unit, or a percent sign, multiplies a number by."""


def damaged(message, draw, noise=NOISE):
    """Return `message` with up to four damages, none among them."""
    data = bytearray(message)
    for _ in range(draw.randrange(5)):
        at, kind = draw.randrange(len(data) + 1), draw.randrange(4)
        if kind == 0 and data:
            data[at % len(data)] = draw.choice(noise)
        elif kind == 1:
            data[at:at] = bytes(draw.choice(noise) for _ in range(draw.randrange(1, 4)))
        elif kind == 2:
            del data[at : at + draw.randrange(1, 6)]
        else:
            del data[at:]
    return bytes(data)


def numbers_in(text):
    """Return every whole number of a text, its sign before or behind it, its comma a decimal one or between two."""
    found = [*SIGNED.findall(text), *SIGNED.findall(text.replace(",", ";"))]
    found += [f"-{digits}" for digits in SIGN_BEHIND.findall(text)]
    plain = {"".join(digits.split()).replace("−", "-").replace(",", ".") for digits in found}
    return {_decimal(digits) for digits in plain}


def _decimal(digits):
    """Return the number; what is smaller than any float is 0."""
    number = Decimal(digits)
    return number if number and number.adjusted() > -400 else Decimal(0)


def stands_in(value, text):
    """Return whether a number of the text is `value`, with any prefix."""
    return any(
        math.isclose(value, float(number * prefix), rel_tol=1e-12) for number in numbers_in(text) for prefix in PREFIXES
    )
