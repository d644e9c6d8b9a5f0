"""A measurement as bytes and back, exactly: text and numbers only, so that reading a piece can run nothing.

Pieces travel from worker to master and wait on disk for the end of a run, or for the next run. They hold plain values,
arrays, tables and the package's own dataclasses by name; a checksum tells a piece that was cut short.
"""

from __future__ import annotations

import base64
import dataclasses
import hashlib
import importlib
import json
import os
import zlib
from functools import cache
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd

_HEAD = b"standcam piece 1\n"
_BODY = len(_HEAD) + hashlib.sha256().digest_size


class BadPiece(Exception):
    """Bytes that are no whole piece."""


def pack(value: Any, quick: bool = False) -> bytes:
    """Bytes of a value.

    Parameters
    ----------
    value
    quick : bool
        Press it a quarter as hard, for arrays of numbers and pictures, in which nothing repeats itself.

    Raises
    ------
    TypeError
        The value holds something that is no plain value, array, table or dataclass of this package.
    """
    text = json.dumps(_coded(value), separators=(",", ":")).encode("ascii")
    press = zlib.compressobj(1, strategy=zlib.Z_HUFFMAN_ONLY if quick else zlib.Z_DEFAULT_STRATEGY)
    body = press.compress(text) + press.flush()
    return _HEAD + hashlib.sha256(body).digest() + body


def unpack(data: bytes) -> Any:
    """The value again, equal to the last bit.

    Raises
    ------
    BadPiece
        The bytes are damaged, or of another version.
    """
    if not is_whole(data):
        raise BadPiece("no whole piece")
    try:
        return _decoded(json.loads(zlib.decompress(data[_BODY:])))
    except (ValueError, KeyError, TypeError, AttributeError, ImportError, zlib.error) as error:
        raise BadPiece(str(error)) from None


def is_whole(data: bytes) -> bool:
    """Whether all bytes of a piece are there as they were written."""
    return data[: len(_HEAD)] == _HEAD and hashlib.sha256(data[_BODY:]).digest() == data[len(_HEAD) : _BODY]


def _coded(value: Any) -> Any:
    if isinstance(value, np.generic):
        value = value.item()
    if value is None or isinstance(value, bool | int | float | str):
        return value
    if isinstance(value, list):
        return [_coded(v) for v in value]
    if isinstance(value, tuple):
        return {"tuple": [_coded(v) for v in value]}
    if isinstance(value, dict):
        return {"dict": [[_coded(k), _coded(v)] for k, v in value.items()]}
    if isinstance(value, Path):
        return {"path": os.fspath(value)}
    if isinstance(value, np.ndarray):
        return {"array": _coded_array(value)}
    if isinstance(value, pd.DataFrame):
        return {
            "table": [
                [name, str(dtype), _coded_column(name, dtype, value[name].array)]
                for name, dtype in zip(value, value.dtypes.tolist(), strict=True)
            ],
            "index": _coded_array(value.index.to_numpy()),
        }
    kind = type(value)
    if dataclasses.is_dataclass(kind) and kind.__module__.startswith("standcam."):
        fields = {f.name: _coded(getattr(value, f.name)) for f in dataclasses.fields(kind)}
        return {"record": f"{kind.__module__}:{kind.__qualname__}", "fields": fields}
    raise TypeError(f"{kind.__name__} has no place in a piece")


def _decoded(value: Any) -> Any:
    if isinstance(value, list):
        return [_decoded(v) for v in value]
    if not isinstance(value, dict):
        return value
    if "tuple" in value:
        return tuple(_decoded(v) for v in value["tuple"])
    if "dict" in value:
        return {_decoded(k): _decoded(v) for k, v in value["dict"]}
    if "path" in value:
        return Path(value["path"])
    if "array" in value:
        return _decoded_array(value["array"])
    if "table" in value:
        frame = pd.DataFrame(
            {k: _decoded_column(dtype, column) for k, (_, dtype, column) in enumerate(value["table"])},
            index=_index(_decoded_array(value["index"])),
        )
        frame.columns = pd.Index([name for name, _, _ in value["table"]], dtype=object if not value["table"] else None)
        return frame
    kind = _record(value["record"])
    return kind(**{name: _decoded(v) for name, v in value["fields"].items()})


def _coded_array(array: np.ndarray) -> list[Any]:
    if array.dtype == object:
        raise TypeError("an array of objects has no place in a piece")
    data = base64.b64encode(np.ascontiguousarray(array).tobytes()).decode("ascii")
    return [array.dtype.str, list(array.shape), data]


def _decoded_array(coded: list[Any]) -> np.ndarray:
    dtype, shape, data = coded
    if "O" in dtype:
        raise ValueError("an array of objects")
    return np.frombuffer(base64.b64decode(data), np.dtype(dtype)).reshape(shape).copy()


def _coded_column(name: str, dtype: Any, column: pd.api.extensions.ExtensionArray) -> Any:
    if isinstance(dtype, np.dtype) and dtype.kind != "O":
        return {"array": _coded_array(column.to_numpy())}
    # texts repeat themselves; each is kept once, so that it is one object for all its rows when it comes back
    texts = [
        None if missing else v.item() if isinstance(v, np.generic) else v
        for v, missing in zip(column.tolist(), column.isna().tolist(), strict=True)
    ]
    if not all(v is None or isinstance(v, bool | int | str) for v in texts):
        raise TypeError(f"column {name} holds something that has no place in a piece")
    place: dict[tuple[type, Any], int] = {}
    codes = [place.setdefault((type(v), v), len(place)) for v in texts]
    return {"kinds": [v for _, v in place], "codes": codes}


def _decoded_column(dtype: str, coded: dict[str, Any]) -> Any:
    if "array" in coded:
        return _decoded_array(coded["array"])
    values = [coded["kinds"][k] for k in coded["codes"]]
    if dtype == "object":
        return np.array([*values, None], object)[:-1]
    return pd.array(values, dtype=_dtype(dtype))


@cache
def _dtype(name: str) -> Any:
    # pandas goes through all dtypes that it knows for each name
    return pd.api.types.pandas_dtype(name)


def _index(array: np.ndarray) -> pd.Index:
    plain = array.dtype.kind == "i" and np.array_equal(array, np.arange(len(array)))
    return pd.RangeIndex(len(array)) if plain else pd.Index(array)


@cache
def _record(name: str) -> type:
    """The package's dataclass of this name, and nothing else."""
    module, _, qualified = name.partition(":")
    if not module.startswith("standcam.") or "." in qualified:
        raise ValueError(f"{name} is none of ours")
    kind = getattr(importlib.import_module(module), qualified)
    if not (isinstance(kind, type) and dataclasses.is_dataclass(kind) and kind.__module__ == module):
        raise ValueError(f"{name} is no record")
    return kind
