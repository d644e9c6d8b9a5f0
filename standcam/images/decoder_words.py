"""What a decoder says beside its picture: libjpeg tells of damaged data on the error stream and nowhere else."""

from __future__ import annotations

import contextlib
import os
import re
import sys
import tempfile
import threading
from collections.abc import Iterator

_ONE_AT_A_TIME = threading.Lock()
_OF_LIBJPEG = re.compile(rb"(?:Corrupt JPEG data: |JPEGLib: |Warning: unknown JFIF )[^\n]*\n?")


@contextlib.contextmanager
def decoder_words() -> Iterator[list[str]]:
    """Collect what libjpeg writes to the error stream while the block runs; what others write there passes on.

    The list is filled when the block ends. Where the stream cannot be turned aside it stays empty.
    """
    words: list[str] = []
    with _ONE_AT_A_TIME, contextlib.ExitStack() as stack:
        try:
            aside = stack.enter_context(tempfile.TemporaryFile())
            with contextlib.suppress(AttributeError, ValueError):  # there may be no stream, or a closed one
                sys.stderr.flush()
            kept = os.dup(2)
        except OSError:
            yield words
            return
        os.dup2(aside.fileno(), 2)
        try:
            yield words
        finally:
            os.dup2(kept, 2)
            os.close(kept)
            aside.seek(0)
            said = aside.read()
            words += [found.decode("ascii", "replace").strip() for found in _OF_LIBJPEG.findall(said)]
            rest = _OF_LIBJPEG.sub(b"", said)
            if rest:
                with contextlib.suppress(OSError):
                    os.write(2, rest)
