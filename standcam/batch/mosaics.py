"""Mosaics that lie in a folder of photos: told from photos by the place that their file names."""

from __future__ import annotations

import os
import struct
from collections.abc import Iterable, Sequence
from pathlib import Path
from typing import BinaryIO

from standcam.batch.inputs import Input
from standcam.files import open_file

_PLACE_TAGS = {33922, 34264, 34735}
"""ModelTiepoint, ModelTransformation and GeoKeyDirectory (OGC GeoTIFF 1.1)."""
_MOST_TAGS = 200
_ANY_SIZE = 1 << 60


def is_mosaic(path: str | Path) -> bool:
    """Whether a file is a TIFF with a place on the map; reads its first directory, no pixels."""
    if not str(path).lower().endswith((".tif", ".tiff")):
        return False
    try:
        with open_file(path, _ANY_SIZE) as file:
            return not _PLACE_TAGS.isdisjoint(_tags(file))
    except (OSError, ValueError, struct.error):  # what cannot be read is told of when it is counted
        return False


def _tags(file: BinaryIO) -> set[int]:
    """Tags of the first directory of a TIFF or BigTIFF (TIFF 6.0)."""
    head = file.read(16)
    order = {b"II": "<", b"MM": ">"}.get(head[:2])
    if order is None:
        return set()
    (version,) = struct.unpack(order + "H", head[2:4])
    if version not in (42, 43):
        return set()
    big = version == 43
    (at,) = struct.unpack(order + ("Q" if big else "I"), head[8:16] if big else head[4:8])
    file.seek(at)
    (count,) = struct.unpack(order + ("Q" if big else "H"), file.read(8 if big else 2))
    size = 20 if big else 12
    entries = file.read(size * min(count, _MOST_TAGS))
    return {struct.unpack_from(order + "H", entries, k)[0] for k in range(0, len(entries) - 1, size)}


def leave_out_mosaics(inputs: Sequence[Input], named: Iterable[str | Path]) -> tuple[list[Input], list[str]]:
    """Photos without the mosaics that were found in folders, and a sentence where there were some.

    A mosaic that was named by itself stays, and is refused or counted like any picture.
    """
    # unlike Path.resolve, this does not mind links that run in a circle
    asked = {os.path.realpath(path) for path in named}
    left = {item.file: item for item in inputs if os.path.realpath(item.file) not in asked and is_mosaic(item.path)}
    if not left:
        return list(inputs), []
    names = [item.photo for item in left.values()]
    which = names[0] if len(names) == 1 else f"{names[0]} and {len(names) - 1} more"
    verb = "is a mosaic and was" if len(names) == 1 else "are mosaics and were"
    note = f"{which} {verb} left out of the photos: `standcam strip` counts mosaics."
    return [item for item in inputs if item.file not in left], [note]
