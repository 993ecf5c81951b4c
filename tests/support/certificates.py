"""Certificates for servers on this machine, made by openssl and signed by themselves."""

import shutil
import subprocess

import pytest


def own_certificate(folder):
    """A certificate for `localhost`, 127.0.0.1, and its key, as files in `folder`; skips where openssl is missing."""
    if shutil.which("openssl") is None:
        pytest.skip("openssl is not installed here, so there is no certificate to test with")
    certificate, key = folder / "certificate.pem", folder / "key.pem"
    subject = ["-subj", "/CN=localhost", "-addext", "subjectAltName=DNS:localhost,IP:127.0.0.1"]
    new = ["openssl", "req", "-x509", "-newkey", "rsa:2048", "-nodes", "-days", "2", *subject]
    subprocess.run([*new, "-keyout", str(key), "-out", str(certificate)], check=True, capture_output=True)
    key.chmod(0o644)
    return certificate, key
