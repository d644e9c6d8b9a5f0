"""Files read whole, and only if they are files: a pipe in a folder of photos must not hold up a night's count."""

from __future__ import annotations

import hashlib
import os
import stat
from pathlib import Path
from typing import Any, BinaryIO

MOST_TEXT_BYTES = 5_000_000
"""Of files that people type: some 100,000 lines."""


def open_file(path: str | Path, most_bytes: int) -> BinaryIO:
    """A regular file, open for reading.

    Raises
    ------
    OSError
        Missing, no rights, a folder, a pipe or device (these are never waited for), or more than ``most_bytes``; the
        reason is in ``strerror``.
    """
    # without O_NONBLOCK, opening a pipe waits for its writer
    handle = os.open(path, os.O_RDONLY | getattr(os, "O_NONBLOCK", 0) | getattr(os, "O_BINARY", 0))
    try:
        found = os.fstat(handle)
        if stat.S_ISDIR(found.st_mode):
            raise IsADirectoryError(21, "it is a folder", str(path))
        if not stat.S_ISREG(found.st_mode):
            raise OSError(22, "it is no file, but a pipe or device", str(path))
        if found.st_size > most_bytes:
            raise _too_large(found.st_size, path)
        return os.fdopen(handle, "rb")
    except OSError:
        os.close(handle)
        raise


def read_file(path: str | Path, most_bytes: int) -> bytes:
    """Bytes of a regular file.

    Raises
    ------
    OSError
        See :func:`open_file`.
    """
    with open_file(path, most_bytes) as file:
        # one more byte than allowed: the file may grow while it is read
        data = file.read(most_bytes + 1)
    if len(data) > most_bytes:
        raise _too_large(len(data), path)
    return data


def sha256_of(path: str | Path) -> str:
    """Hash of a file's bytes, in hex; read piece by piece, however large it is.

    Raises
    ------
    OSError
        It cannot be read.
    """
    with open(path, "rb") as file:
        return hashlib.file_digest(file, "sha256").hexdigest()


def _too_large(size: int, path: str | Path) -> OSError:
    return OSError(27, f"it has {size / 1e6:,.0f} MB, which is too much", str(path))


def read_toml(path: str | Path) -> dict[str, Any]:
    """Tables of a TOML file, with or without the byte order mark that some editors put before it.

    Raises
    ------
    OSError
        See :func:`read_file`.
    tomllib.TOMLDecodeError
        It is no TOML, no UTF-8, or nested beyond reason.
    """
    import tomllib

    try:
        return tomllib.loads(read_file(path, MOST_TEXT_BYTES).decode("utf-8-sig"))
    except tomllib.TOMLDecodeError:
        raise
    except UnicodeDecodeError as error:
        raise tomllib.TOMLDecodeError(f"{error.reason} at byte {error.start}: it is not in UTF-8") from None
    except (ValueError, RecursionError):  # a number of thousands of digits; brackets in brackets in brackets
        raise tomllib.TOMLDecodeError("a number is too long, or lists lie too deep in each other") from None


def umask() -> int:
    """Rights that new files of this process do not get; the system tells only when it is set."""
    mask = os.umask(0)
    os.umask(mask)
    return mask
