"""Pictures of temperatures: the kit, images written by Pillow, and pictures that are half there, old, or not such."""

import io
import math
import os
import random
import struct
import time
import zlib
from contextlib import contextmanager
from pathlib import Path
from tempfile import TemporaryDirectory

import numpy as np
import pytest
from PIL import Image
from pydantic import ValidationError

from benchmon.errors import BadInput, BadReply, InstrumentError
from benchmon.instruments.testing.conformance import ALWAYS_PLAYED, Behaviour, DriverConformance, Rig
from benchmon.instruments.testing.fake_instrument import FakeTcpInstrument
from benchmon.instruments.types import DrivenChannel
from benchmon_drivers.pictures.driver import ThermalPictureChannel, ThermalPictureDriver, ThermalPictureSettings
from benchmon_drivers.pictures.temperatures import PictureLayout, read_temperatures
from support.far_ends.http_pages import page, requests
from support.far_ends.rigs import NOISE, answers_ill

COUNTS = np.arange(29_000, 29_048, dtype=np.uint16).reshape(6, 8)
CELSIUS = COUNTS * 0.01 - 273.15
KELVINS = PictureLayout(8, 6, factor=0.01, offset=-273.15)
TEXT = PictureLayout(8, 6)


def as_text(rows, separator=",", end="\n"):
    return "".join(separator.join(f"{value:.2f}" for value in row) + end for row in rows).encode()


def as_image(kind, array=COUNTS, **options):
    file = io.BytesIO()
    Image.fromarray(array).save(file, kind, **options)
    return file.getvalue()


def driver(address, *channels, timeout=9, **keys):
    settings = ThermalPictureSettings.model_validate(
        {"address": str(address), "timeout": timeout, "size": (8, 6)} | keys
    )
    driven = [
        DrivenChannel(name, "°C", 0.1, scale, ThermalPictureChannel.model_validate(own))
        for name, scale, own in channels or (("hot", 1.0, {}),)
    ]
    return ThermalPictureDriver("camera", settings, driven)


DEAD_PIXEL = CELSIUS.copy()
DEAD_PIXEL[0, 0] = np.nan
"""A picture whose region of the first channel is whole, and whose mean, of all of it, is not known."""
REGIONS = (("hot", 1.0, {"region": [2, 1, 3, 2]}), ("mean", 2.0, {"measure": "mean"}))
SHOWS = {"hot": round(CELSIUS[2, 4], 2), "mean": 2 * float(np.mean(np.round(CELSIUS, 2)))}


class TestThermalPictureInAFile(DriverConformance):
    @contextmanager
    def rig(self):
        with TemporaryDirectory() as folder:
            path = Path(folder, "picture.csv")

            def behave(behaviour):
                if behaviour is Behaviour.SILENT:
                    path.unlink()
                else:
                    shown = as_text(DEAD_PIXEL if behaviour is Behaviour.ONE_BAD else CELSIUS)
                    path.write_bytes(NOISE if behaviour is Behaviour.GARBAGE else shown)

            behave(Behaviour.WELL)
            plays = ALWAYS_PLAYED | {Behaviour.ONE_BAD}
            why = "a picture is there or not, and is neither asked nor late"
            yield Rig(driver(path, *REGIONS, timeout=0.5), SHOWS, behave, plays, why)


class TestThermalPictureServed(DriverConformance):
    @contextmanager
    def rig(self):
        whole, dead = page(as_text(CELSIUS)), page(as_text(DEAD_PIXEL))
        answers = {
            Behaviour.SILENT: lambda _: None,
            Behaviour.GARBAGE: lambda _: page(NOISE),
            Behaviour.ONE_BAD: lambda _: dead,
        }
        with FakeTcpInstrument(lambda _: whole, split=requests) as fake_instrument:

            def behave(behaviour):
                fake_instrument.answer = answers.get(behaviour, lambda _: whole)
                if behaviour in (Behaviour.LATE, Behaviour.DRIPPING):
                    fake_instrument.answer = answers_ill(fake_instrument, behaviour, 0.5, lambda _: whole)

            address = f"http://127.0.0.1:{fake_instrument.port}/t.csv"
            yield Rig(driver(address, *REGIONS, timeout=0.5), SHOWS, behave, frozenset(Behaviour))


@pytest.mark.parametrize(
    ("data", "layout"),
    [
        (as_image("PNG"), KELVINS),
        (as_image("TIFF"), KELVINS),
        (as_image("TIFF", compression="tiff_lzw"), KELVINS),
        (as_image("TIFF", CELSIUS.astype(np.float32)), PictureLayout(8, 6, factor=1.0)),
        (as_text(CELSIUS), TEXT),
        (as_text(CELSIUS, end=",\r\n"), TEXT),
        (b"\xef\xbb\xbfa\nb\n" + as_text(CELSIUS, " "), PictureLayout(8, 6, separator=" ", skip_lines=2)),
        (as_text(CELSIUS, ";").replace(b".", b","), PictureLayout(8, 6, separator=";", decimal_comma=True)),
        (as_text(CELSIUS + 273.15, "\t"), PictureLayout(8, 6, offset=-273.15, separator="\t")),
    ],
)
def test_every_kind_of_picture_is_read(data, layout):
    assert read_temperatures(data, layout) == pytest.approx(CELSIUS, abs=6e-3)


def over(array, at, value):
    changed = array.copy()
    changed[at] = value
    return changed


@pytest.mark.parametrize(
    ("data", "layout", "why"),
    [
        (as_text(CELSIUS)[:-1], TEXT, "not whole"),
        (as_text(CELSIUS[:-1]), TEXT, "5 rows where size has 6"),
        (as_text(CELSIUS[:, :-1]), TEXT, "a row of 7 numbers"),
        (as_text(CELSIUS).replace(b"17.00", b"17.0.0"), TEXT, "no numbers"),
        (as_text(CELSIUS).replace(b".", b","), TEXT, "a row of 16 numbers"),
        (as_text(CELSIUS - 400), TEXT, "below absolute zero"),
        (NOISE, TEXT, "neither a text"),
        (as_image("PNG"), TEXT, "factor and offset"),
        (as_image("PNG", COUNTS[:5]), KELVINS, "8 × 5 where size has 8 × 6"),
        (as_image("PNG", (COUNTS % 256).astype(np.uint8)), KELVINS, "no greyscale image of 16 bits"),
        (as_image("PNG", np.zeros((6, 8, 3), np.uint8)), KELVINS, "no greyscale image of 16 bits"),
        (as_image("TIFF", COUNTS.astype(np.int32) * 100), KELVINS, "more than 16 bits"),
        (as_image("TIFF", save_all=True, append_images=[Image.fromarray(COUNTS)]), KELVINS, "several images"),
        (b"\x89PNG\r\n\x1a\n", KELVINS, "no whole image"),
    ],
)
def test_what_is_no_picture_says_why(data, layout, why):
    with pytest.raises(BadReply, match=why):
        read_temperatures(data, layout)


def test_a_giant_image_is_refused_by_its_head():
    head = struct.pack(">IIBBBBB", 100_000, 100_000, 16, 0, 0, 0, 0)
    chunk = struct.pack(">I", 13) + b"IHDR" + head + struct.pack(">I", zlib.crc32(b"IHDR" + head))
    with pytest.raises(BadReply):
        read_temperatures(b"\x89PNG\r\n\x1a\n" + chunk + struct.pack(">I", 9) + b"IDAT", KELVINS)


@pytest.mark.filterwarnings("ignore:Truncated File Read", "ignore:Corrupt")
@pytest.mark.parametrize(
    ("data", "layout"),
    [(as_text(CELSIUS), TEXT), (as_image("PNG"), KELVINS), (as_image("TIFF"), KELVINS)],
    ids=["text", "PNG", "TIFF"],
)
def test_a_picture_that_is_half_written_is_never_read(data, layout):
    for length in range(len(data)):
        try:
            found = read_temperatures(data[:length], layout)
        except BadReply:
            continue
        # What is cut off was not about the pixels, such as an end mark.
        assert found == pytest.approx(CELSIUS, abs=6e-3), length


def read_of_damaged_images(draws):
    """Yield what is read of a PNG with damaged bytes, and these bytes, where it is not refused."""
    draw, whole = random.Random(draws), as_image("PNG")
    for _ in range(draws):
        data = bytearray(whole)
        for _ in range(draw.randrange(1, 4)):
            data[draw.randrange(8, len(data))] = draw.randrange(256)
        try:
            found = read_temperatures(bytes(data), KELVINS)
        except BadReply:
            continue
        yield found, bytes(data)


def read_of_damaged_texts(draws):
    """Yield what is read of a damaged text, and the text, where it is not refused."""
    draw, whole = random.Random(draws), as_text(CELSIUS)
    for _ in range(draws):
        data = bytearray(whole)
        for _ in range(draw.randrange(1, 3)):
            data[draw.randrange(len(data))] = draw.choice(b"0123456789.,-+e \n")
        try:
            found = read_temperatures(bytes(data), TEXT)
        except BadReply:
            continue
        yield found, data.decode()


@pytest.mark.filterwarnings("ignore::UserWarning")
@pytest.mark.parametrize("draws", [300, pytest.param(100_000, marks=pytest.mark.long)])
def test_damaged_pictures_show_nothing_that_is_not_in_them(draws):
    """An image, whose checksums show the damage, is refused or as it was; a text shows only words that it has."""
    for found, data in read_of_damaged_images(draws):
        assert found == pytest.approx(CELSIUS, abs=6e-3), data
    taken = 0
    for found, text in read_of_damaged_texts(draws):
        taken += 1
        assert set(found.ravel().tolist()) <= {float(word) for word in text.replace(",", " ").split()}
    assert taken > draws / 50, "damage that leaves nothing to read tries nothing"


def reading(camera):
    camera.open()
    try:
        (found,) = camera.read_together(["hot"])
        return found
    finally:
        camera.close()


def test_pixels_without_a_value_and_over_range(tmp_path):
    path = tmp_path / "t.png"
    path.write_bytes(as_image("PNG", over(over(COUNTS, (0, 0), 0), (5, 7), 65_535)))
    keys = {"factor": "0.01", "offset": "-273.15"}
    assert "1 pixels without a value" in reading(driver(path, **keys)).problem
    assert reading(driver(path, ("hot", 1.0, {"region": [1, 1, 7, 5]}), **keys)).value == math.inf
    coldest = ("hot", 1.0, {"region": [1, 1, 7, 5], "measure": "minimum"})
    assert reading(driver(path, coldest, **keys)).value == pytest.approx(CELSIUS[1, 1], abs=6e-3)


def test_an_old_picture_is_no_reading(tmp_path):
    path = tmp_path / "t.csv"
    path.write_bytes(as_text(CELSIUS))
    camera = driver(path, max_age="30 s")
    assert reading(camera).value is not None
    os.utime(path, (time.time() - 31, time.time() - 31))
    assert "was written 31 s ago" in reading(camera).problem


def test_the_newest_of_several_is_read(tmp_path):
    for number, ago in ((3, 20), (1, 10), (2, 15)):
        path = tmp_path / f"{number}.csv"
        path.write_bytes(as_text(CELSIUS + number))
        os.utime(path, (time.time() - ago, time.time() - ago))
    assert reading(driver(tmp_path / "*.csv")).value == pytest.approx(CELSIUS.max() + 1, abs=0.01)


def test_a_served_picture_that_stays_the_same_is_old():
    made = b"Last-Modified: Mon, 02 Mar 2026 10:00:00 GMT"
    served = page(as_text(CELSIUS), b"200 OK", made, b"Date: Mon, 02 Mar 2026 10:02:00 GMT")
    with FakeTcpInstrument(lambda _: served, split=requests) as fake_instrument:
        address = f"http://127.0.0.1:{fake_instrument.port}/t.csv"
        assert "was made 120 s ago" in reading(driver(address)).problem
        fake_instrument.answer = lambda _: page(as_text(CELSIUS))
        camera = driver(address, max_age="0.05 s")
        assert reading(camera).value is not None
        while not (found := reading(camera)).problem:
            assert found.value is not None
        assert "has not changed" in found.problem


@pytest.mark.parametrize(
    ("make", "why"),
    [
        (lambda folder: folder / "none.csv", "there is no such picture"),
        (lambda folder: folder / "*.csv", "there is no such picture"),
        (lambda folder: folder, "is a folder"),
    ],
)
def test_a_picture_that_is_not_there_is_named(make, why, tmp_path):
    camera = driver(make(tmp_path))
    with pytest.raises(InstrumentError, match=why):
        reading(camera)


@pytest.mark.parametrize(
    ("keys", "why"),
    [
        ({"size": (4000, 4000)}, "more than 4000000 pixels"),
        ({"decimal_comma": True}, "is the decimal comma already"),
        ({"address": "ftp://h/t.csv"}, "must be an address"),
        ({"factor": 0}, "must not be 0"),
    ],
)
def test_keys_that_cannot_be_are_refused(keys, why):
    with pytest.raises(ValidationError, match=why):
        ThermalPictureSettings.model_validate({"address": "t.csv", "size": (8, 6)} | keys)


def test_a_region_lies_inside_the_picture():
    with pytest.raises(BadInput, match="the region of hot lies outside"):
        driver("t.csv", ("hot", 1.0, {"region": [5, 0, 4, 4]}))
