"""Whether values from a file are of the types that a record declares: 76 and not "76", true and not "no".

And whether numbers of a record are greater than zero, names are known, and a file of settings is one.
"""

from __future__ import annotations

import dataclasses
import math
import types
import typing
from collections.abc import Iterable, Mapping, Sequence
from pathlib import Path
from typing import Any

from standcam.errors import BadSettings
from standcam.files import read_toml

T = typing.TypeVar("T")


def settings_tables(path: Path, what: str) -> dict[str, Any]:
    """Tables of a TOML file that a user wrote.

    Parameters
    ----------
    path : Path
    what : str
        What the file is, as an error names it, capital first.

    Raises
    ------
    BadSettings
        The file cannot be read, or is no TOML.
    """
    import tomllib

    try:
        return read_toml(path)
    except OSError as error:
        raise BadSettings(f"{what} {path} cannot be read: {error.strerror}.", "Check the path.") from None
    except tomllib.TOMLDecodeError as error:
        raise BadSettings(f"{what} {path} is no valid TOML: {error}.", "Mend that line.") from None


def refuse_unknown(names: Iterable[str], known: Sequence[str], where: str, what: str) -> None:
    """Refuse names that a table of a file does not have: a misspelt one must not pass unnoticed.

    Parameters
    ----------
    names : iterable of str
        As the file has them.
    known : sequence of str
        In the order in which an error lists them.
    where : str
        File and table, at the beginning of a sentence.
    what : str
        What the names are, in the plural.

    Raises
    ------
    BadSettings
    """
    if unknown := sorted(set(names) - set(known)):
        raise BadSettings(f"{where} has unknown {what}: {', '.join(unknown)}.", f"Known are: {', '.join(known)}.")


def record_of(record: type[T], values: Mapping[str, Any], where: str, table: str = "") -> T:
    """A record from a table of a file, whose names are the fields.

    Parameters
    ----------
    record : type
        A dataclass.
    values : mapping
        As TOML gives them.
    where : str
        The file, at the beginning of a sentence.
    table : str
        The table's name; empty: the file as a whole.

    Raises
    ------
    BadSettings
        A name is unknown or missing, a value of another type, or not what the record allows.
    """
    place, before = (f"{where} [{table}]", f"{table}.") if table else (where, "")
    known: dict[str, dataclasses.Field] = {f.name: f for f in dataclasses.fields(record)}  # type: ignore[arg-type]
    refuse_unknown(values, sorted(known), place, "settings")
    missing = dataclasses.MISSING
    needed = [name for name, f in known.items() if f.default is missing and f.default_factory is missing]
    if lacking := [name for name in needed if name not in values]:
        raise BadSettings(f"{place} does not tell {', '.join(lacking)}.", "Add a line for each.")
    values = {k: tuple(v) if isinstance(v, list) else v for k, v in values.items()}
    if wrong := _misfit(record, values):
        raise BadSettings(f"{where}: {before}{wrong}.", "Mend that line; check that numbers are numbers.")
    try:
        return record(**values)
    except BadSettings as error:
        raise BadSettings(f"{place}: {error.reason}", error.remedy) from None


def _misfit(record: type, values: Mapping[str, Any]) -> str:
    """The first value that does not fit its field, in words; empty if all fit.

    Numbers must be finite: no NaN and no infinity means anything in a setting.
    """
    hints = typing.get_type_hints(record)
    for name, value in values.items():
        if wanted := _wanted(value, hints[name]):
            shown = repr(value)
            return f"{name} is {shown if len(shown) <= 60 else shown[:57] + '...'}, and must be {wanted}"
    return ""


def check_positive(record: object, *names: str) -> None:
    """Refuse a record in which one of these numbers is given and not greater than zero.

    Raises
    ------
    BadSettings
    """
    for name in names:
        value = getattr(record, name)
        if value is not None and not value > 0:
            raise BadSettings(f"{type(record).__name__}.{name} is {value}.", "It must be greater than zero.")


def _wanted(value: Any, hint: Any) -> str:
    """What the value should have been; empty if it fits."""
    origin, parts = typing.get_origin(hint), typing.get_args(hint)
    if origin in (types.UnionType, typing.Union):
        wanted = [_wanted(value, part) for part in parts]
        return "" if "" in wanted else " or ".join(w for w in wanted if w != "left out")
    if hint is type(None):
        return "" if value is None else "left out"
    if hint is bool:
        return "" if isinstance(value, bool) else "true or false"
    if hint is int:
        return "" if isinstance(value, int) and not isinstance(value, bool) and abs(value) < 2**53 else "a whole number"
    if hint is float:
        return "" if _is_number(value) else "a number"
    if hint is str:
        return "" if isinstance(value, str) and value.isprintable() else "a text in quotes"
    if origin is tuple:
        if not isinstance(value, tuple) or (parts[-1] is not ... and len(value) != len(parts)):
            return "a list" if parts[-1] is ... else f"a list of {len(parts)}"
        each = [parts[0]] * len(value) if parts[-1] is ... else parts
        wrong = [w for v, part in zip(value, each, strict=True) if (w := _wanted(v, part))]
        return f"a list, each of it {wrong[0]}" if wrong else ""
    return ""


def _is_number(value: Any) -> bool:
    if isinstance(value, bool) or not isinstance(value, int | float):
        return False
    try:
        return math.isfinite(float(value))
    except OverflowError:
        return False
