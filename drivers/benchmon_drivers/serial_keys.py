"""The keys of a serial line, as every driver that can speak over one takes them."""

from __future__ import annotations

from typing import Annotated, Any, Literal

from pydantic import AfterValidator, BaseModel, Field

from benchmon.errors import BadInput
from benchmon.text import one_line

Order = Literal["big", "little"]
"""Which byte, or word, of a number comes first: that of the highest bits, or that of the lowest."""


def _one_of_three(value: float) -> float:
    if value not in (1, 1.5, 2):
        raise BadInput("must be 1, 1.5 or 2")
    return value


class SerialKeys(BaseModel):
    """Speed in bits per second, frame and handshake of a serial line; 9600 8N1 without handshake where not given."""

    baud: Annotated[int, Field(ge=50, le=4_000_000)] = Field(9600, description="Bits per second of the serial line.")
    data_bits: Annotated[int, Field(ge=5, le=8)] = Field(8, description="Data bits of a character.")
    parity: Literal["none", "even", "odd", "mark", "space"] = Field("none", description="Parity bit.")
    stop_bits: Annotated[float, AfterValidator(_one_of_three)] = Field(1, description="Stop bits: 1, 1.5 or 2.")
    handshake: Literal["none", "xon/xoff", "rts/cts", "dtr/dsr"] = Field("none", description="Handshake of the line.")


SERIAL_KEYS = frozenset(SerialKeys.model_fields)


def not_zero(value: float) -> float:
    """Refuse a factor of 0."""
    if value == 0:
        raise BadInput("must not be 0")
    return value


def one_command(value: Any) -> Any:
    """Refuse text that would be more than one printable ASCII line on the wire."""
    if isinstance(value, str) and (not value.isascii() or one_line(value, 500) != value):
        raise BadInput("must be one line of printable ASCII characters")
    return value


def termination(value: str) -> str:
    r"""Refuse what cannot end a line; one or two control codes, such as "\n" or "\r\n", can."""
    if len(value) not in (1, 2) or not value.isascii() or value.isprintable() or len(set(value)) != len(value):
        raise BadInput(r'must be one or two control codes that end a line, such as "\n" or "\r\n"')
    return value
