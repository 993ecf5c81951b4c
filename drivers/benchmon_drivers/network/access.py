"""How a server on the network is reached: its address, a user whose password the bench file does not hold, and TLS."""

from __future__ import annotations

import os
import re
import ssl
from collections.abc import Mapping
from importlib.util import find_spec
from typing import Annotated, Literal
from urllib.parse import SplitResult, urlsplit

from pydantic import AfterValidator, BaseModel, Field

from benchmon.bench.fields import KeyedError
from benchmon.errors import BadInput, InstrumentError
from benchmon.text import one_line

HTTP_PORTS = {"http": 80, "https": 443}


def _read_variable(value: str) -> str:
    if not re.fullmatch(r"[A-Za-z_][A-Za-z0-9_]*", value):
        raise BadInput('must be the name of an environment variable, such as "BROKER_PASSWORD"')
    return value


class AccessKeys(BaseModel):
    """Keys of an instrument behind a server that may want a user, or has a certificate."""

    user: Annotated[str, Field(max_length=200)] = Field("", description="User that the server wants.")
    password_from: Annotated[str, AfterValidator(_read_variable)] | None = Field(
        None,
        description="Environment variable that holds the user's password; a bench file, which every session keeps, "
        "holds none.",
    )
    ca: Annotated[str, Field(max_length=1000)] = Field(
        "",
        description="File with the certificate of the authority that signed the server's, where this computer does not "
        "know that authority.",
    )

    def credentials(self, environment: Mapping[str, str] = os.environ) -> tuple[str, str] | None:
        """Return user and password, None where no user is given. Raises `InstrumentError`."""
        if not self.user:
            return None
        if self.password_from is None:
            return self.user, ""
        if self.password_from not in environment:
            raise InstrumentError(f"the password of {self.user} is not there; set {self.password_from}")
        return self.user, environment[self.password_from]

    def tls(self) -> ssl.SSLContext:
        """Return a context that verifies certificates and names. Raises `InstrumentError`."""
        return tls_context(self.ca)


class HttpKeys(AccessKeys):
    """The same for a server of pages."""

    login: Literal["basic", "digest"] = Field(
        "basic", description="How user and password are sent; basic shows them to whoever listens to http://."
    )


def read_url(address: str, ports: Mapping[str, int], example: str) -> SplitResult:
    """Return the parts of a URL whose scheme is one of `ports`. Raises `KeyedError` that shows no password."""
    shown = address
    try:
        parts = urlsplit(address)
        if "@" in parts.netloc:
            shown = f"{parts.scheme}://…@{parts.netloc.rpartition('@')[2]}"
            raise KeyedError("address", shown, "holds a user or a password; use user and password_from")
        if parts.scheme not in ports or not parts.hostname or parts.port == 0 or one_line(address, 2000) != address:
            raise ValueError
    except KeyedError:
        raise
    except ValueError as problem:
        raise KeyedError("address", one_line(shown, 200), f'must be an address such as "{example}"') from problem
    return parts


def require_library(module: str, package: str, extra: str) -> None:
    """Raise `BadInput` where a library is not installed."""
    if find_spec(module) is None:
        raise BadInput(
            f"needs the library {package}, which is not installed: pip install '.[{extra}]' in the clone of benchmon"
        )


def tls_context(ca: str, certificate: str = "") -> ssl.SSLContext:
    """Return a context that verifies certificates and names, of the authority in the file `ca` where one is given.

    `certificate` is the file of this computer's own certificate and key, where the other end wants one. Raises
    `InstrumentError` for an unusable file.
    """
    key, name = "ca", ca
    try:
        context = ssl.create_default_context(cafile=ca or None)
        if certificate:
            key, name = "certificate", certificate
            context.load_cert_chain(certificate)
    except OSError as problem:
        why = problem.strerror or problem
        raise InstrumentError(one_line(f"{name}: is no readable certificate ({why}); check {key}")) from problem
    return context


def explain_tls(problem: Exception, host: str, keys: str = "address and port") -> InstrumentError | None:
    """Return the instrument error for an error of TLS, None for any other exception; `keys` are those to check."""
    if isinstance(problem, ssl.SSLCertVerificationError):
        why = problem.verify_message or "it cannot be verified"
        return InstrumentError(one_line(f"{host}: its certificate is not trusted ({why}); name its authority by ca"))
    if isinstance(problem, ssl.SSLError):
        return InstrumentError(one_line(f"{host}: does not speak TLS here ({problem.reason}); check {keys}"))
    return None
