"""How far a run has come, told to whoever looks on."""

from __future__ import annotations

from typing import Protocol


class Progress(Protocol):
    """Looks on as a run goes through its stages, as :class:`standcam.report.screen.Bar` does."""

    def begin(self, doing: str, total: int) -> None:
        """A new stage, in a word, and its number of steps."""

    def __call__(self, done: object) -> None:
        """One step more, and what came of it; where that has a ``problem``, it failed."""


class Unseen:
    """Nobody looks on."""

    def begin(self, doing: str, total: int) -> None:
        """As of :class:`Progress`."""

    def __call__(self, done: object) -> None:
        """As of :class:`Progress`."""


UNSEEN = Unseen()
