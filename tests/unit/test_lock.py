"""One lock for runs and for edits: the system's own, on an open file."""

import errno
import os
import subprocess
import sys
import time

import pytest

from standcam.report import lock
from standcam.report.lock import FileLock, Held, locked

HOLDER = """
import os, sys, time
from standcam.report.lock import locked
file = os.open(sys.argv[1], os.O_RDWR | os.O_CREAT)
with locked(file):
    print("held", flush=True)
    sys.stdin.readline()
    os.write(file, b"done")
"""


@pytest.fixture
def holder(tmp_path):
    """A process that holds the lock on a file until it is written to."""
    path = tmp_path / "file"
    with subprocess.Popen(
        [sys.executable, "-c", HOLDER, str(path)], stdin=subprocess.PIPE, stdout=subprocess.PIPE, text=True
    ) as process:
        assert process.stdout.readline() == "held\n"
        yield path, process
        process.kill()


def test_a_run_does_not_wait_for_a_lock_that_another_holds(holder):
    path, process = holder
    with pytest.raises(Held, match="another run of standcam"):
        FileLock(path).take()
    process.communicate("go\n")
    FileLock(path).take()


def test_an_edit_waits_until_the_other_has_written(holder):
    path, process = holder
    file = os.open(path, os.O_RDWR)
    began = time.monotonic()
    process.stdin.write("go\n")
    process.stdin.flush()
    with locked(file):
        assert os.read(file, 10) == b"done"
    os.close(file)
    assert time.monotonic() - began < 10
    FileLock(path).take()  # let go again


@pytest.mark.skipif(sys.platform == "win32", reason="what Unix file systems without locks answer")
def test_a_file_system_without_locks_stops_nobody(tmp_path, monkeypatch):
    def no_locks(*_):
        raise OSError(errno.ENOLCK, "No locks available")

    monkeypatch.setattr("fcntl.flock", no_locks)
    file = os.open(tmp_path / "file", os.O_RDWR | os.O_CREAT)
    with locked(file):
        os.write(file, b"written")
    os.close(file)
    assert (tmp_path / "file").read_bytes() == b"written" and not lock._alive({})
