"""What a JPEG file is made of: its size, and that it tells nothing but the picture.

Markers as in ITU-T T.81, annex B; the head APP0 as in ITU-T T.871 (JFIF).
"""

from __future__ import annotations

from collections.abc import Iterator

_SOI, _EOI, _SOS = 0xD8, 0xD9, 0xDA
_NO_FRAME = (0xC4, 0xC8, 0xCC)
_FRAMES = frozenset(range(0xC0, 0xD0)) - frozenset(_NO_FRAME)
"""SOF0 to SOF15: what has the size."""
_ALONE = frozenset((0x01, *range(0xD0, 0xD8)))
"""TEM, RST0 to RST7: without a length."""
_PICTURE = _FRAMES | {0xC4, 0xCC, _SOS, 0xDB, 0xDC, 0xDD, 0xE0, 0xEE}
"""Tables, scans, JFIF's head, and APP14, which says how colours are kept. Not COM, APP1 (Exif, XMP), APP2 and up."""


class JpegError(ValueError):
    """A file that is no such JPEG; says what is wrong."""


def plain_size(data: bytes) -> tuple[int, int]:
    """Width and height, pixels, of a JPEG that holds nothing but its picture: no position, camera, time, comment.

    Raises JpegError for anything else, also for bytes behind its end.
    """
    size = None
    for marker, body in _segments(data):
        if marker not in _PICTURE:
            raise JpegError(f"a segment with marker FF{marker:02X}: it may tell where or when the picture was taken")
        if marker == 0xE0 and not body.startswith(b"JFIF\0"):
            raise JpegError("an APP0 segment that is not JFIF's")
        if marker == 0xEE and not (body.startswith(b"Adobe") and len(body) == 12):
            raise JpegError("an APP14 segment that does not tell of colours")
        if marker in _FRAMES:
            if len(body) < 6 or size is not None:
                raise JpegError("a frame without a size, or two frames")
            size = int.from_bytes(body[3:5]), int.from_bytes(body[1:3])
    if size is None or 0 in size:
        raise JpegError("no frame with a size")
    return size


def _segments(data: bytes) -> Iterator[tuple[int, bytes]]:
    """Each segment's marker and what it holds; what is coded between two of them is passed over."""
    if data[:2] != bytes((0xFF, _SOI)):
        raise JpegError(f"begins with {data[:2].hex(' ') or 'nothing'}, wanted ff d8: no JPEG")
    at = 2
    while True:
        if at + 2 > len(data) or data[at] != 0xFF:
            raise JpegError(f"no marker at byte {at}")
        marker = data[at + 1]
        if marker == _EOI:
            if at + 2 != len(data):
                raise JpegError(f"{len(data) - at - 2} bytes behind its end")
            return
        at += 2
        if marker in _ALONE:
            continue
        length = int.from_bytes(data[at : at + 2])
        if length < 2 or at + length > len(data):
            raise JpegError(f"a segment that does not fit, at byte {at}")
        yield marker, data[at + 2 : at + length]
        at += length
        if marker == _SOS:
            at = _next_marker(data, at)


def _next_marker(data: bytes, at: int) -> int:
    """Past what is coded: FF00 is a coded FF, RST0 to RST7 stand within it."""
    while (at := data.find(b"\xff", at)) >= 0:
        if at + 1 < len(data) and data[at + 1] != 0 and data[at + 1] not in _ALONE:
            return at
        at += 2
    raise JpegError("ends within the picture")
