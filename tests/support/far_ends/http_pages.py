"""What a server of pages gets and sends, for `FakeTcpInstrument`."""


def requests(data):
    *whole, part = data.split(b"\r\n\r\n")
    return whole, part


def page(content, status=b"200 OK", *fields):
    head = [b"HTTP/1.1 " + status, b"Content-Length: %d" % len(content), *fields]
    return b"\r\n".join(head) + b"\r\n\r\n" + content
