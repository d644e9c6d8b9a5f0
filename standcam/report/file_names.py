"""Names of files made from names of photos: fit for every disk that results may be copied to."""

from __future__ import annotations

import hashlib
import re
import unicodedata

_LONGEST_BYTES = 200
"""Disks allow 255; numbers and endings follow."""
_RESERVED = re.compile(r"(con|prn|aux|nul|com[0-9¹²³]|lpt[0-9¹²³])(\..*)?", re.IGNORECASE)


def safe_stem(photo: str) -> str:
    """A file name without ending from the name of a photo and its folders.

    Separators become ``__``; what some disk forbids (control characters, ``< > : " | ? *``, names of devices, blanks
    and points at the end) is replaced. An overlong name is cut, and a hash keeps it apart from others.

    >>> safe_stem("north/IMG 1"), safe_stem("con"), safe_stem("a:b?")
    ('north__IMG 1', '_con', 'a_b_')
    """
    stem = photo.replace("/", "__").replace("\\", "__")
    stem = "".join("_" if c in '<>:"|?*' or unicodedata.category(c) in ("Cc", "Zl", "Zp") else c for c in stem)
    stem = stem.rstrip(" .") or "_"
    if _RESERVED.fullmatch(stem):
        stem = f"_{stem}"
    data = stem.encode("utf-8", "surrogateescape")
    if len(data) > _LONGEST_BYTES:
        mark = hashlib.sha256(photo.encode("utf-8", "surrogateescape")).hexdigest()[:8]
        stem = f"{data[: _LONGEST_BYTES - 9].decode('utf-8', 'ignore')}_{mark}"
    return stem


def same_name(name: str) -> str:
    """What two file names share that some disks hold for one: case and ways of writing accents do not count."""
    return unicodedata.normalize("NFC", unicodedata.normalize("NFC", name).casefold())
