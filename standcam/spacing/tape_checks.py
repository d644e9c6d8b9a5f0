"""What is wrong, or odd, with the readings of one tape row. Mistakes refuse a file; oddities are told of."""

from __future__ import annotations

import re
from collections.abc import Sequence
from itertools import pairwise
from statistics import median
from typing import NamedTuple

from standcam.spacing.readings import has_decimals

JUMP = 10.0
"""A step this many times the usual one is odd: ten times is what a lost decimal mark does."""
_FEWEST_STEPS = 4  # below that there is no usual step
_FITS = 4.0  # a reading mended by its decimal mark must lie within so many usual steps of the one before


class Read(NamedTuple):
    """One reading."""

    line: int
    cm: float
    text: str


Told = list[tuple[int, str]]
"""Line, and what is to be said of it."""


def check_running(readings: Sequence[Read]) -> tuple[Told, Told]:
    """Mistakes and oddities of running positions, which must rise."""
    steps = list(pairwise(readings))
    if len(steps) > 2 and all(b.cm < a.cm for a, b in steps):
        first, last = steps[0][1].line, steps[-1][1].line
        return [(first, f"the tape runs backwards from here to line {last}; turn their order round")], []
    usual = _usual([b.cm - a.cm for a, b in steps])
    mistakes: Told = []
    odd: Told = []
    for i, (before, here) in enumerate(steps):
        if abs(here.cm - before.cm) < 1e-9:
            text = (
                f"{here.text} again, as in line {before.line}; typed twice? Where two plants stand in one "
                "place, write the second a little further"
            )
            mistakes.append((here.line, text))
        elif here.cm < before.cm:
            mistakes.append((here.line, _backwards(readings, i, usual)))
        elif i + 1 < len(steps) and steps[i + 1][1].cm < here.cm:
            continue  # the next line will tell of it
        elif usual is not None and here.cm - before.cm > JUMP * usual:
            told = mistakes if _lost_decimal(readings, i + 1, before.cm, usual) else odd
            told.append((here.line, _jump(here, here.cm - before.cm, usual, told is mistakes)))
    return mistakes, odd


def check_gaps(readings: Sequence[Read]) -> tuple[Told, Told]:
    """Mistakes and oddities of a list of gaps."""
    usual = _usual([r.cm for r in readings])
    mistakes: Told = []
    odd: Told = []
    for i, here in enumerate(readings):
        if usual is not None and here.cm > JUMP * usual:
            told = mistakes if _lost_decimal(readings, i, 0.0, usual) else odd
            told.append((here.line, _jump(here, here.cm, usual, told is mistakes)))
    return mistakes, odd


def beyond_length(readings: Sequence[Read], kind: str, begin_cm: float, end: tuple[int, float]) -> Told:
    """The first reading, or sum of gaps, beyond the end of the measured length. ``end`` is its line and [cm]."""
    total = 0.0
    end_cm = end[1] if kind == "position" else end[1] - begin_cm
    name = "row length of" if kind == "gap" or begin_cm == 0 else "row's end at"
    for line, cm, text in readings:
        total = cm if kind == "position" else total + cm
        if total > end_cm + 1e-6:
            what = text if kind == "position" else f"the sum of gaps with {text}, {total:g} cm,"
            return [(line, f"{what} lies beyond the {name} {end_cm:g} cm (line {end[0]})")]
    return []


def _usual(steps: Sequence[float]) -> float | None:
    forward = [step for step in steps if step > 0]
    return median(forward) if len(forward) >= _FEWEST_STEPS else None


def _backwards(readings: Sequence[Read], i: int, usual: float | None) -> str:
    before, here, rest = readings[i], readings[i + 1], readings[i + 1 :]
    text = f"the tape runs backwards, {here.text} after {before.text} in line {before.line}; "
    earlier = readings[i - 1].cm if i else 0.0
    if re.fullmatch(r"\d{3,}", before.text) and earlier < before.cm / 10 < here.cm:
        return f"{text}has {before.text} lost its decimal mark ({before.text[:-1]}.{before.text[-1]})?"
    if re.fullmatch(r"\d{1,3},\d{3}", here.text):
        return f"{text}its comma is read as a decimal mark, a thousand is written without one"
    start = readings[0].cm + (usual or 0.0)
    goes_on = len(rest) >= 3 and all(b.cm > a.cm for a, b in pairwise(rest))
    if i >= 2 and here.cm <= start and goes_on:
        return f"{text}does another row begin here? Give it its own row number"
    return f"{text}one of the two is wrong"


def _lost_decimal(readings: Sequence[Read], i: int, before_cm: float, usual: float) -> bool:
    """Whether a reading without decimals, among others that have them, fits its place when divided by ten."""
    others = [r for j, r in enumerate(readings) if j != i]
    return (
        re.fullmatch(r"\d+", readings[i].text) is not None
        and sum(has_decimals(r.text) for r in others) >= max(3, len(others) / 2)
        and before_cm < readings[i].cm / 10 < before_cm + _FITS * usual
    )


def _jump(here: Read, step_cm: float, usual: float, lost: bool) -> str:
    times = f"{step_cm / usual:.0f} times the usual gap"
    if lost:
        return (
            f"{here.text} makes a gap {times}; has it lost its decimal mark? "
            f"If it is right, write it with one ({here.text}.0)"
        )
    return f"{here.text} makes a gap {times}: right?"
