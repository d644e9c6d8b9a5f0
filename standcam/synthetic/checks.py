"""Checks of a recipe's values, shared by all its parts."""

from __future__ import annotations

from standcam.errors import BadSettings


def in_range(record: object, name: str, low: float, high: float) -> None:
    """Raise ``BadSettings`` unless a value of the record lies in ``low`` to ``high``."""
    value = getattr(record, name)
    if not low <= value <= high:
        raise BadSettings(f"{type(record).__name__}.{name} is {value}.", f"It must lie in {low:g} to {high:g}.")


def one_of(record: object, name: str, allowed: tuple[str, ...]) -> None:
    """Raise ``BadSettings`` unless a value of the record is one of those allowed."""
    value = getattr(record, name)
    if value not in allowed:
        raise BadSettings(f"{type(record).__name__}.{name} is {value!r}.", f"Use one of {', '.join(allowed)}.")


def three_factors(record: object, name: str) -> None:
    """Raise ``BadSettings`` unless a value of the record is a factor of 0.2 to 3 for each of red, green and blue."""
    value = getattr(record, name)
    if len(value) != 3 or not all(0.2 <= factor <= 3 for factor in value):
        raise BadSettings(f"{type(record).__name__}.{name} is {value}.", "Give three factors from 0.2 to 3.")
