"""The certificate of the simulated instruments that are reached by TLS, which the program openssl makes.

It is signed by itself, for 127.0.0.1 and `localhost`, and serves one process for as long as that lives. A bench file
names it by `ca`, so that drivers verify it as they verify a real instrument's.
"""

from __future__ import annotations

import atexit
import ssl
import subprocess
import tempfile
from functools import cache
from pathlib import Path

from benchmon.errors import InstrumentError
from benchmon.text import one_line

_ENCRYPTED = ("tls:", "https:", "mqtts:")
_NEW = (
    "openssl", "req", "-x509", "-newkey", "ec", "-pkeyopt", "ec_paramgen_curve:prime256v1", "-nodes", "-days", "2",
    "-subj", "/CN=simulated bench", "-addext", "subjectAltName=DNS:localhost,IP:127.0.0.1",
)  # fmt: skip
_MOST_SECONDS = 20.0


def is_encrypted(address: str) -> bool:
    """Return whether an instrument at `address` speaks TLS."""
    return address.lower().startswith(_ENCRYPTED)


@cache
def certificate_file() -> Path:
    """Return the file of the certificate and its key. Raises `InstrumentError` where none can be made here."""
    folder = tempfile.TemporaryDirectory(prefix="benchmon-certificate-")
    atexit.register(folder.cleanup)
    path = Path(folder.name) / "certificate.pem"
    key = path.with_name("key.pem")
    try:
        made = subprocess.run(  # noqa: S603 - nothing in it comes from outside
            [*_NEW, "-keyout", str(key), "-out", str(path)],
            capture_output=True,
            check=False,
            timeout=_MOST_SECONDS,
        )
        if made.returncode:
            raise OSError(made.stderr.decode("utf-8", "replace"))
        path.write_bytes(key.read_bytes() + path.read_bytes())
    except (OSError, subprocess.TimeoutExpired) as problem:
        why = one_line(problem, 100)
        raise InstrumentError(f"TLS needs a certificate, which the program openssl could not make: {why}") from problem
    return path


def server_context() -> ssl.SSLContext:
    """Return the context of a server with that certificate. Raises `InstrumentError` where there is none."""
    context = ssl.SSLContext(ssl.PROTOCOL_TLS_SERVER)
    context.load_cert_chain(certificate_file())
    return context
