"""A lock held by one program at a time, and let go by the system when that program ends, however it ends."""

from __future__ import annotations

import contextlib
import errno
import json
import os
import socket
import sys
from collections.abc import Iterator
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

_NO_LOCKS = {errno.ENOLCK, errno.ENOSYS, errno.EOPNOTSUPP, errno.EINVAL}
"""What file systems without locks answer."""


class Held(Exception):
    """Another program holds the lock; the argument says which, in words."""


class FileLock:
    """A lock in a file, which also says who holds it.

    The lock is the system's own, on the open file: it ends with its holder, so none is ever stale, and neither clock
    nor process number matters. Where the file system knows no locks, the process number and host in the file are
    believed: a lock of this host whose process is gone is stale.
    """

    def __init__(self, path: str | Path) -> None:
        self.path = Path(path)
        self._file: int | None = None

    def take(self) -> None:
        """Take the lock, or raise at once.

        Raises
        ------
        Held
            Another program has it.
        OSError
            The file cannot be made.
        """
        while self._file is None:
            file = os.open(self.path, os.O_RDWR | os.O_CREAT, 0o666)
            try:
                if not _lock(file) and (holder := _alive(_read(file))):
                    raise Held(_words(holder))
                if not _same(file, self.path):  # the holder before us removed it when it was done
                    os.close(file)
                    continue
                me = {"process": os.getpid(), "host": socket.gethostname(), "since": _now()}
                os.ftruncate(file, 0)
                os.pwrite(file, json.dumps(me).encode(), 0) if hasattr(os, "pwrite") else os.write(
                    file, json.dumps(me).encode()
                )
            except BlockingIOError:
                holder = _read(file)
                os.close(file)
                raise Held(_words(holder)) from None
            except BaseException:
                with contextlib.suppress(OSError):
                    os.close(file)
                raise
            self._file = file

    def release(self, remove: bool = True) -> None:
        """Let the lock go; does nothing where it is not held."""
        if self._file is None:
            return
        if remove:
            with contextlib.suppress(OSError):
                os.unlink(self.path)
        os.close(self._file)
        self._file = None


@contextlib.contextmanager
def locked(file: int) -> Iterator[None]:
    """Hold the system's lock on an open file for a while, waiting for whoever has it.

    Where the file system knows no locks, nothing is held.
    """
    held = _lock(file, wait=True)
    try:
        yield
    finally:
        if held:
            _unlock(file)


_BYTE = 1 << 40
"""Windows locks bytes: one beyond any text, so that others can read that."""


def _lock(file: int, wait: bool = False) -> bool:
    """Lock the open file; False where the file system has no locks, BlockingIOError where another holds it."""
    if sys.platform == "win32":
        import msvcrt

        place = os.lseek(file, 0, os.SEEK_CUR)
        os.lseek(file, _BYTE, os.SEEK_SET)
        try:
            msvcrt.locking(file, msvcrt.LK_LOCK if wait else msvcrt.LK_NBLCK, 1)
        except OSError:
            raise BlockingIOError from None
        finally:
            os.lseek(file, place, os.SEEK_SET)
        return True
    import fcntl

    try:
        fcntl.flock(file, fcntl.LOCK_EX if wait else fcntl.LOCK_EX | fcntl.LOCK_NB)
    except BlockingIOError:
        raise
    except OSError as error:
        if error.errno in _NO_LOCKS:
            return False
        raise
    return True


def _unlock(file: int) -> None:
    if sys.platform == "win32":
        import msvcrt

        place = os.lseek(file, 0, os.SEEK_CUR)
        os.lseek(file, _BYTE, os.SEEK_SET)
        msvcrt.locking(file, msvcrt.LK_UNLCK, 1)
        os.lseek(file, place, os.SEEK_SET)
    else:
        import fcntl

        fcntl.flock(file, fcntl.LOCK_UN)


def _alive(holder: dict[str, Any]) -> dict[str, Any]:
    """The holder that a file names, where it may be alive; for file systems without locks."""
    process = holder.get("process")
    if not isinstance(process, int) or process <= 0 or process == os.getpid():
        return {}
    if holder.get("host") != socket.gethostname():
        return holder
    try:
        os.kill(process, 0)
    except ProcessLookupError:
        return {}
    except OSError:
        return holder
    return holder


def _read(file: int) -> dict[str, Any]:
    try:
        os.lseek(file, 0, os.SEEK_SET)
        found = json.loads(os.read(file, 4096) or b"{}")
        return found if isinstance(found, dict) else {}
    except (OSError, ValueError):
        return {}


def _same(file: int, path: Path) -> bool:
    try:
        there = os.stat(path)
    except OSError:
        return False
    mine = os.fstat(file)
    return (there.st_dev, there.st_ino) == (mine.st_dev, mine.st_ino)


def _words(holder: dict[str, Any]) -> str:
    if "process" not in holder:
        return "another run of standcam"
    return (
        f"another run of standcam (process {holder['process']} on {holder.get('host', 'an unknown host')}, "
        f"since {holder.get('since', 'an unknown time')})"
    )


def _now() -> str:
    return datetime.now(UTC).isoformat(timespec="seconds")
