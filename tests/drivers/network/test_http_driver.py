"""Pages over HTTP: the kit, a server of Python's library, TLS, and servers that drip, swell, send on and lie."""

import http.server
import socket
import ssl
import threading
from contextlib import contextmanager, suppress

import pytest
from pydantic import ValidationError

from benchmon.errors import InstrumentError, InstrumentTimeout
from benchmon.instruments.testing.conformance import Behaviour, DriverConformance, Rig
from benchmon.instruments.testing.fake_instrument import FakeTcpInstrument
from benchmon.instruments.types import DrivenChannel
from benchmon_drivers.network.http import HttpChannel, HttpDriver, HttpSettings
from support.certificates import own_certificate
from support.far_ends.http_pages import page, requests
from support.far_ends.rigs import NOISE, answers_ill


def driver(url, *channels, timeout=9, **keys):
    settings = HttpSettings.model_validate({"address": url, "timeout": timeout} | keys)
    driven = [
        DrivenChannel(name, unit, 0.1, scale, HttpChannel.model_validate(own)) for name, unit, scale, own in channels
    ]
    return HttpDriver("meter", settings, driven)


VOLTS = ("u", "V", 1.0, {"json": "$.u"})
GOOD = page(b'{"u": 22.1}')


class TestHttp(DriverConformance):
    @contextmanager
    def rig(self):
        answers = {
            Behaviour.SILENT: lambda _: None,
            Behaviour.GARBAGE: lambda _: NOISE,
            Behaviour.ONE_BAD: lambda request: page(NOISE) if request.startswith(b"GET /live") else GOOD,
        }

        def pages(request):
            return page(b"<p>current: -25 mA</p>") if request.startswith(b"GET /live?a=b ") else GOOD

        with FakeTcpInstrument(pages, split=requests) as fake_instrument:
            current = {"path": "/live?a=b", "pattern": r"current: (?P<value>\S+) (?P<unit>mA)"}
            meter = driver(f"http://127.0.0.1:{fake_instrument.port}", VOLTS, ("i", "A", 10.0, current), timeout=0.5)

            def behave(how):
                fake_instrument.answer = answers.get(how, pages)
                if how in (Behaviour.LATE, Behaviour.DRIPPING):
                    fake_instrument.answer = answers_ill(fake_instrument, how, 0.5, pages)

            yield Rig(meter, {"u": 22.1, "i": -0.25}, behave, frozenset(Behaviour))
            meter.close()


@contextmanager
def far_end(answer, *channels, **keys):
    with FakeTcpInstrument(lambda _: GOOD, split=requests) as fake_instrument:
        meter = driver(f"http://127.0.0.1:{fake_instrument.port}/readings", *(channels or (VOLTS,)), **keys)
        meter.open()
        fake_instrument.answer = answer
        try:
            yield meter
        finally:
            meter.close()


@pytest.mark.parametrize(
    ("answer", "why"),
    [
        (page(b"", b"404 Not Found"), "answered 404 Not Found; check the address"),
        (page(b"", b"401 Unauthorized"), "check user, password_from and login"),
        (page(b"", b"302 Found", b"Location: http://192.0.2.1/ux"), "sends on to"),
        (page(b'{"u": 22.1}', b"203 Otherwise"), "answered 203"),
        (page(b'{"u": 1, "u": 2}'), "names a key twice"),
        (page(b'{"i": 1}'), "has nothing where json or pattern looks"),
        (page(b"x" * 70_000), "more than 64 kB"),
        (page(b"\x1f\x8b\x08", b"200 OK", b"Content-Encoding: gzip"), "compressed"),
        (b"HTTP/1.1 200 OK\r\nTransfer-Encoding: chunked\r\n\r\n" + b"4000\r\n" + b"x" * 0x4000, "no whole answer"),
        (b"HTTP/1.1 200 OK\r\nContent-Length: 30\r\n\r\n" + b'{"u": 22.1}', "no whole answer"),
    ],
)
def test_what_is_no_reading_says_why(answer, why):
    with far_end(lambda _: answer, timeout=1 if "whole" in why else 9, retries=0) as meter:
        try:
            (reading,) = meter.read_together(["u"])
            assert reading.value is None
            problem = reading.problem
        except InstrumentError as lost:
            problem = str(lost)
    assert why in problem
    assert problem.isprintable()


@contextmanager
def dripping_server(start):
    """A server that answers its first client well, and every other with `start` and then a byte now and then."""
    ended = threading.Event()
    with socket.create_server(("127.0.0.1", 0)) as server:
        server.settimeout(0.02)

        def serve():
            clients = 0
            while not ended.is_set():
                with suppress(OSError), server.accept()[0] as client:
                    clients += 1
                    client.recv(1000)
                    client.sendall(GOOD if clients == 1 else start)
                    while clients > 1 and not ended.wait(0.02):
                        client.sendall(b"0")

        thread = threading.Thread(target=serve)
        thread.start()
        try:
            yield server.getsockname()[1]
        finally:
            ended.set()
            thread.join()


@pytest.mark.parametrize("start", [b"HTTP/1.1 200 OK\r\n", b"HTTP/1.1 200 OK\r\nTransfer-Encoding: chunked\r\n\r\n"])
def test_a_server_that_drips_is_given_up(start):
    with dripping_server(start) as port:
        meter = driver(f"http://127.0.0.1:{port}/", VOLTS, timeout=1, retries=0)
        meter.open()
        with pytest.raises(InstrumentTimeout, match="no whole answer"):
            meter.read("u")
        meter.close()


class Pages(http.server.BaseHTTPRequestHandler):
    def do_GET(self):
        if self.path == "/private" and self.headers["Authorization"] != "Basic bWU6c2VjcmV0":
            self.send_error(401)
            return
        self.send_response(200)
        self.end_headers()
        self.wfile.write(b'{"u": 22.1}')

    def log_message(self, *_):
        pass


@contextmanager
def python_server(certificate=None, host="127.0.0.1"):
    """A server of Python's own library; it ends a page by closing the connection."""
    with http.server.ThreadingHTTPServer((host, 0), Pages) as server:
        if certificate is not None:
            context = ssl.SSLContext(ssl.PROTOCOL_TLS_SERVER)
            context.load_cert_chain(*certificate)
            server.socket = context.wrap_socket(server.socket, server_side=True)
        thread = threading.Thread(target=server.serve_forever, args=(0.01,))
        thread.start()
        try:
            yield server.server_port
        finally:
            server.shutdown()
            thread.join()


def test_a_server_written_elsewhere_with_a_password(monkeypatch):
    monkeypatch.setenv("METER_PASSWORD", "secret")
    with python_server() as port:
        url = f"http://127.0.0.1:{port}/private"
        with pytest.raises(InstrumentError, match="answered 401"):
            driver(url, VOLTS).open()
        meter = driver(url, VOLTS, user="me", password_from="METER_PASSWORD")  # noqa: S106 - its name
        meter.open()
        assert meter.read("u").value == 22.1
        meter.close()


def test_certificate_and_name_are_verified(tmp_path):
    certificate = own_certificate(tmp_path)
    with python_server(certificate) as port:
        with pytest.raises(InstrumentError, match="certificate is not trusted"):
            driver(f"https://localhost:{port}/", VOLTS).open()
        meter = driver(f"https://localhost:{port}/", VOLTS, ca=str(certificate[0]))
        meter.open()
        assert meter.read("u").value == 22.1
        meter.close()
    with python_server(certificate, "127.0.0.2") as port, pytest.raises(InstrumentError, match="is not trusted"):
        driver(f"https://127.0.0.2:{port}/", VOLTS, ca=str(certificate[0])).open()


def test_a_meter_that_is_off_is_refused():
    with socket.socket() as held:
        held.bind(("127.0.0.1", 0))
        with pytest.raises(InstrumentError, match="refused"):
            driver(f"http://127.0.0.1:{held.getsockname()[1]}/", VOLTS).open()


@pytest.mark.parametrize(
    ("keys", "why"),
    [
        ({"address": "ftp://h/"}, "must be an address"),
        ({"address": "http://me:secret@h/"}, "holds a user or a password"),
        ({"address": "http://h\x07/"}, "must be an address"),
        ({"address": "http://h:0/"}, "must be an address"),
    ],
)
def test_addresses_that_cannot_be_are_refused(keys, why):
    with pytest.raises(ValidationError, match=why):
        HttpSettings.model_validate(keys)


@pytest.mark.parametrize("path", ["status", "//other.example/", "/a\nb"])
def test_a_path_stays_on_the_host(path):
    with pytest.raises(ValidationError, match="on the same host"):
        HttpChannel(path=path)
