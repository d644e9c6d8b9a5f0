"""EXIF data of a PNG wherever they stand in it, found by stepping over its chunks: no pixel is decoded.

Many programs write the eXIf chunk behind the pixels, as the standard allows (W3C PNG specification, third edition,
11.3.4.5), and a decoder would unpack the whole picture on its way there.
"""

from __future__ import annotations

import struct
import zlib
from dataclasses import dataclass
from typing import BinaryIO

SIGNATURE = b"\x89PNG\r\n\x1a\n"
MOST_EXIF_BYTES = 4_000_000
"""A longer block is no camera's: one with a thumbnail has some ten thousand bytes."""
MOST_CHUNKS = 200_000
"""Pixels come in chunks of 8 kB from most programs: enough for a file of 1.6 GB."""
_RAW = b"Raw profile type "
_RAW_KINDS = (b"exif", b"APP1")


@dataclass(frozen=True)
class PngHeader:
    """What was found in a PNG."""

    width_px: int = 0
    height_px: int = 0
    """Size; 0 where the file is no PNG. [px]"""
    exif: bytes | None = None
    """EXIF data, from the byte order mark (II or MM) on."""


def read_png_header(file: BinaryIO) -> PngHeader:
    """Size and EXIF data of a PNG. What is cut short or damaged counts as not there; nothing raises but the file.

    Besides the eXIf chunk, the older habit of a text chunk with hexadecimal digits is read.

    Parameters
    ----------
    file : binary file
        From its beginning; must be able to seek.
    """
    if file.read(8) != SIGNATURE:
        return PngHeader()
    size = (0, 0)
    old: bytes | None = None
    texts = 1  # read at most: unpacking many of them would take long
    for n in range(MOST_CHUNKS):
        head = file.read(8)
        if len(head) < 8:
            break
        length, kind = struct.unpack(">I4s", head)
        if length > 0x7FFF_FFFF or (n == 0) != (kind == b"IHDR") or kind == b"IEND":
            break
        if kind == b"IHDR":
            body = _body(file, kind, length) if length == 13 else None
            if body is None:
                break
            size = struct.unpack(">II", body[:8])
        elif kind == b"eXIf" and length <= MOST_EXIF_BYTES:
            body = _body(file, kind, length)
            if body is not None:
                return PngHeader(*size, body.removeprefix(b"Exif\0\0"))
        elif kind in (b"tEXt", b"zTXt") and texts and length <= 2 * MOST_EXIF_BYTES:
            body = _body(file, kind, length) or b""
            if _is_raw_profile(body):
                texts, old = texts - 1, _raw_profile(kind, body)
        else:
            file.seek(length + 4, 1)
    return PngHeader(*size, old)


def _body(file: BinaryIO, kind: bytes, length: int) -> bytes | None:
    """Data of a chunk whose check sum holds."""
    body, check = file.read(length), file.read(4)
    if len(body) < length or check != struct.pack(">I", zlib.crc32(kind + body)):
        return None
    return body


def _is_raw_profile(body: bytes) -> bool:
    return any(body.startswith(_RAW + kind + b"\0") for kind in _RAW_KINDS)


def _raw_profile(kind: bytes, body: bytes) -> bytes | None:
    """EXIF data written as text: a name, a count of bytes, then hexadecimal digits in lines."""
    text = body.partition(b"\0")[2]
    if kind == b"zTXt":
        try:
            text = zlib.decompressobj().decompress(text[1:], 3 * MOST_EXIF_BYTES)
        except zlib.error:
            return None
    try:
        data = bytes.fromhex(b"".join(text.split(b"\n")[3:]).decode("ascii"))
    except ValueError:
        return None
    return data.removeprefix(b"Exif\0\0") or None
