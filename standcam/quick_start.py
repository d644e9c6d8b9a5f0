"""Loading libraries without going through the memory for garbage meanwhile."""

from __future__ import annotations

import gc
from collections.abc import Iterator
from contextlib import contextmanager


@contextmanager
def uncollected() -> Iterator[None]:
    """No garbage is collected while the block loads libraries, and what they hold is never looked at again.

    Some hundred thousand objects come with the libraries and stay to the end; going through them again and again takes
    a sixth of the time of starting.
    """
    running = gc.isenabled()
    gc.disable()
    try:
        yield
    finally:
        gc.freeze()
        if running:
            gc.enable()
