"""Plots by time: windows that people write down, and the camera's clock."""

from __future__ import annotations

import re
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta, timezone

from standcam.survey.facts import PhotoFacts, exif_offset


def window_end(text: str, last: bool = False) -> datetime | None:
    """One end of a window, or None where the text is no time.

    Read are ``2026-05-20 09:10``, with seconds and a zone if wanted (ISO 8601), and EXIF's own form. A day alone means
    its beginning, as the last end of a window the whole day.

    >>> window_end("2026-05-20", last=True)
    datetime.datetime(2026, 5, 21, 0, 0)
    """
    text = text.strip()
    written = re.sub(r"^(\d{4}):(\d\d):(\d\d)", r"\1-\2-\3", text)
    written = re.sub(r"(?<=[T ])(\d):", r"0\1:", written)  # 9:10, as spreadsheets like to write
    written = re.sub(r"\s+([+-]\d)", r"\1", written)
    try:
        time = datetime.fromisoformat(written)
    except ValueError:
        return None
    if re.fullmatch(r"\d{4}-?\d\d-?\d\d", written) and last:
        time += timedelta(days=1)
    return time


@dataclass(frozen=True)
class Window:
    """A stretch of time, the end not in it."""

    start: datetime
    end: datetime

    def holds(self, clock: Clock) -> bool | None:
        """Whether a photo falls into it; None where the camera's zone would have to be known."""
        times = (clock.against(self.start), clock.against(self.end))
        if times[0] is None or times[1] is None:
            return None
        return self.start <= times[0] and times[1] < self.end

    def overlaps(self, other: Window) -> bool:
        """Whether some time is in both; windows with and without a zone are not compared."""
        if len({t.tzinfo is None for t in (self.start, self.end, other.start, other.end)}) > 1:
            return False
        return self.start < other.end and other.start < self.end


@dataclass(frozen=True)
class Clock:
    """When a photo was taken, as far as its camera tells."""

    local: datetime
    """By the camera's clock, put right by what it ran ahead."""
    utc_offset: timedelta | None

    def against(self, other: datetime) -> datetime | None:
        """The time in a form that compares with another: with zone if that has one, else as the clock showed it."""
        if other.tzinfo is None:
            return self.local
        if self.utc_offset is None:
            return None
        return self.local.replace(tzinfo=timezone(self.utc_offset)).astimezone(UTC)


def clock_of(facts: PhotoFacts, utc_offset: str | None, ahead_s: float) -> Clock | None:
    """The clock of a photo; None where it has no time. The photo's own zone goes before the one given."""
    if facts.taken is None:
        return None
    zone = facts.utc_offset if facts.utc_offset is not None else exif_offset(utc_offset)
    return Clock(facts.taken - timedelta(seconds=ahead_s), zone)
