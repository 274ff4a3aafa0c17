"""A photo keeps the picture and nothing else of the camera's file, whatever that is."""

from __future__ import annotations

import contextlib
import io
import zlib

import pytest
from hypothesis import given
from hypothesis import strategies as st
from PIL import Image

from benchd.jobs import photo
from benchd.jobs.jpeg import JpegError, plain_size
from benchd.jobs.photo import PhotoError, develop
from tests.jobs.pictures import SECRET, camera_file


def corner(jpeg: bytes) -> str:
    """Which colour is in the upper left corner."""
    with Image.open(io.BytesIO(jpeg)) as picture:
        red, _, blue = picture.convert("RGB").getpixel((2, 2))
        return "red" if red > blue else "blue"


@pytest.mark.parametrize("kind", ["JPEG", "PNG", "WEBP"])
def test_where_and_when_it_was_taken_does_not_stay(kind: str) -> None:
    data = camera_file(kind=kind)
    assert SECRET.encode() in data  # so that the look below can fail
    made = develop(data)
    for jpeg in (made.jpeg, made.thumbnail):
        assert SECRET.encode() not in jpeg
        with Image.open(io.BytesIO(jpeg)) as picture:
            assert dict(picture.getexif()) == {}
            assert picture.info.keys() <= {"jfif", "jfif_version", "jfif_unit", "jfif_density"}
    assert plain_size(made.jpeg) == (made.width, made.height) == (800, 600)
    assert plain_size(made.thumbnail) == (320, 240)


# Exif 2.32, 4.6.4 A: where row 0 and column 0 of the file are in the picture as it is seen.
@pytest.mark.parametrize(("orientation", "size", "upper_left"), [
    (1, (800, 600), "red"), (2, (800, 600), "blue"), (3, (800, 600), "blue"), (4, (800, 600), "red"),
    (5, (600, 800), "red"), (6, (600, 800), "red"), (7, (600, 800), "blue"), (8, (600, 800), "blue"),
])  # fmt: skip
def test_it_is_turned_upright(orientation: int, size: tuple[int, int], upper_left: str) -> None:
    made = develop(camera_file(orientation=orientation))
    assert (made.width, made.height) == size
    assert corner(made.jpeg) == upper_left


def test_a_large_one_is_made_smaller_and_a_small_one_stays() -> None:
    large, small = develop(camera_file((4000, 1000))), develop(camera_file((40, 20)))
    assert (large.width, large.height) == (2560, 640)
    assert plain_size(large.thumbnail) == (320, 80)
    assert (small.width, small.height) == plain_size(small.thumbnail) == (40, 20)


def test_what_is_clear_becomes_white() -> None:
    out = io.BytesIO()
    Image.new("RGBA", (10, 10), (0, 0, 0, 0)).save(out, "PNG")
    with Image.open(io.BytesIO(develop(out.getvalue()).jpeg)) as picture:
        assert picture.getpixel((5, 5)) == (255, 255, 255)


def png_head(width: int, height: int) -> bytes:
    """A PNG (RFC 2083, 3, 4.1.1 and 4.1.3) that says it is so large, and has next to nothing in it."""

    def chunk(name: bytes, body: bytes) -> bytes:
        return len(body).to_bytes(4) + name + body + zlib.crc32(name + body).to_bytes(4)

    head = width.to_bytes(4) + height.to_bytes(4) + bytes((8, 2, 0, 0, 0))
    return b"\x89PNG\r\n\x1a\n" + chunk(b"IHDR", head) + chunk(b"IDAT", zlib.compress(bytes(1000)))


def progressive(width: int, height: int) -> bytes:
    """A JPEG with a frame of the kind SOF2 (ITU-T T.81, B.2.2) that says it is so large."""
    data = camera_file((64, 48), progressive=True)
    at = data.index(b"\xff\xc2") + 5
    return data[:at] + height.to_bytes(2) + width.to_bytes(2) + data[at + 4 :]


@pytest.mark.parametrize(("data", "words"), [
    (b"", "a photo of 0 bytes: allowed are 1 to 12582912"),
    (bytes(photo.MOST_FILE_BYTES + 1), "make it smaller first"),
    (b"no picture at all", "cannot be read as a picture .* take the photo again, or save it as JPEG"),
    (camera_file()[:900], "cannot be read as a picture"),
    (camera_file(kind="GIF"), "allowed are JPEG, PNG, WEBP"),
    (png_head(6_000, 6_000), "6000 × 6000 pixels: allowed are 25 megapixels in a PNG file; make it smaller first"),
    (progressive(6_000, 6_000), "allowed are 25 megapixels in a progressive JPEG file"),
    (png_head(60_000, 60_000), "far too many pixels: make it smaller first"),
], ids=range(8))  # fmt: skip
def test_what_is_no_photo_is_refused_in_words(data: bytes, words: str) -> None:
    with pytest.raises(PhotoError, match=words):
        develop(data)


WHOLE = develop(camera_file((64, 48))).jpeg


@given(st.binary(max_size=200) | st.builds(
    lambda at, what: WHOLE[:at] + what + WHOLE[at + len(what):], st.integers(0, len(WHOLE)), st.binary(max_size=8)
))  # fmt: skip
def test_spoilt_bytes_are_read_or_refused_and_no_more(data: bytes) -> None:
    for read, refusal in ((plain_size, JpegError), (develop, PhotoError)):
        with contextlib.suppress(refusal):
            read(data)


def segment(marker: int, body: bytes) -> bytes:
    return bytes((0xFF, marker)) + (len(body) + 2).to_bytes(2) + body


@pytest.mark.parametrize(("data", "words"), [
    (WHOLE[:2] + segment(0xE1, b"Exif\0\0MM") + WHOLE[2:], "marker FFE1"),
    (WHOLE[:2] + segment(0xFE, b"a comment") + WHOLE[2:], "marker FFFE"),
    (WHOLE[:-2] + segment(0xE1, b"http://ns.adobe.com/xap/1.0/\0") + WHOLE[-2:], "marker FFE1"),
    (WHOLE + b"a second picture", "16 bytes behind its end"),
    (WHOLE[:-2], "ends within the picture"),
    (camera_file(), "marker FFE1"),
    (b"GIF89a", "47 49, wanted ff d8"),
])  # fmt: skip
def test_a_jpeg_that_tells_more_than_its_picture_is_not_plain(data: bytes, words: str) -> None:
    assert plain_size(WHOLE) == (64, 48)
    with pytest.raises(JpegError, match=words):
        plain_size(data)
