"""All tables of a run as one long Parquet file: one line a number, for those who compute further.

A line says what it is of (``of``: plant, gap, row, plot), which one (photo, plot, row, plant), what was measured
(``measure``, ``unit``), and its ``value``, with ``low`` and ``high`` where there is an interval; words such as a status
stand in ``text`` instead. Missing numbers have no line. Names and units are those of the CSV files, so that
``table[table.of == "row"].pivot(index=["photo", "plot", "row"], columns="measure", values="value")`` gives rows.csv
back. Numbers are not rounded.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from contextlib import contextmanager
from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np

from standcam import tables
from standcam.aside import Lines
from standcam.errors import StandcamError
from standcam.stand.plotmap import DESIGN

if TYPE_CHECKING:
    import pandas as pd

CHUNK = 10_000
"""Lines of a table that are laid out at once; bounds memory."""
GROUP = 100_000
"""Lines of the long table that are written together."""
_OF = {"plant": tables.PLANTS, "gap": tables.GAPS, "row": tables.ROWS, "plot": tables.PLOTS}
_KEYS = ("photo", "plot", "row", "plant", "to_plant", *DESIGN)

COLUMNS = (
    tables.Column("of", "str", "", "plant, gap, row or plot"),
    tables.Column("photo", "str", "", "file name of the photo, tape file or strip; empty of a plot"),
    tables.Column("plot", "str", "", "plot"),
    tables.Column("row", "Int64", "", "row in the photo; missing of a plot"),
    tables.Column("plant", "Int64", "", "plant; of a gap the plant at its beginning, missing for the open start"),
    tables.Column("to_plant", "Int64", "", "of a gap the plant at its end, missing for the open end"),
    *(tables.Column(name, "str", "", "as the plot map, survey or tape file says of the row") for name in DESIGN),
    tables.Column("measure", "str", "", "name of the column in the CSV file"),
    tables.Column("unit", "str", "", "its unit"),
    tables.Column("value", "float64", "", "number; 1 and 0 for true and false; missing where text holds it"),
    tables.Column("low", "float64", "", "lower end of its interval"),
    tables.Column("high", "float64", "", "upper end"),
    tables.Column("text", "str", "", "word or words; missing where value holds it"),
)


class ParquetMissing(StandcamError):
    """The library that writes Parquet is not installed."""


def require_parquet() -> None:
    """Raise before any work if Parquet cannot be written.

    Raises
    ------
    ParquetMissing
        pyarrow is not installed.
    """
    from importlib.util import find_spec

    if find_spec("pyarrow") is None:
        raise ParquetMissing(
            "Parquet needs the library pyarrow, which is not installed.", "Run: pip install 'standcam[parquet]'."
        )


def long_parquet(path: Path, lines: Mapping[str, Lines]) -> None:
    """Write the tables plants, gaps, rows and plots as one long table.

    Parameters
    ----------
    path : path
        Where it goes.
    lines : mapping
        Table name to table.

    Raises
    ------
    ParquetMissing
        pyarrow is not installed.
    OSError
        Disk full, or no rights.
    """
    require_parquet()
    import pyarrow as pa
    from pyarrow import parquet

    word = pa.dictionary(pa.int32(), pa.string())
    kinds = {"str": word, "Int64": pa.int64(), "float64": pa.float64()}
    schema = pa.schema(
        [pa.field(c.name, kinds[c.dtype], metadata={"meaning": c.meaning}) for c in COLUMNS],
        metadata={"standcam": "one line a number; see standcam.report.long_table"},
    )
    with _plain_memory(pa), parquet.ParquetWriter(path, schema, compression="zstd") as writer:
        waiting: list[Any] = []
        for part in _parts(lines):
            n = len(part["measure"])
            arrays = []
            for field, column in zip(schema, COLUMNS, strict=True):
                values = part.get(column.name)
                if values is None:
                    arrays.append(pa.nulls(n, field.type))
                elif column.dtype == "str":
                    arrays.append(_words(values, pa))
                else:
                    arrays.append(pa.array(values, field.type, from_pandas=True))
            if n:
                waiting.append(pa.Table.from_arrays(arrays, schema=schema))
            if sum(map(len, waiting)) > GROUP:
                writer.write_table(pa.concat_tables(waiting).unify_dictionaries())
                waiting = []
        if waiting:
            writer.write_table(pa.concat_tables(waiting).unify_dictionaries())


@contextmanager
def _plain_memory(pa: Any) -> Iterator[None]:
    """The system's own memory for a while: pyarrow's keeps several times what it needs."""
    usual = pa.default_memory_pool()
    pa.set_memory_pool(pa.system_memory_pool())
    try:
        yield
    finally:
        pa.set_memory_pool(usual)


def _parts(lines: Mapping[str, Lines]) -> Iterator[dict[str, Any]]:
    """Columns of the long table, one measure of one piece of a table at a time."""
    for of, table in _OF.items():
        units = {c.name: c.unit for c in table.columns}
        for piece in _pieces(lines[table.name]):
            piece = tables.conform(table, piece).rename(columns={"from_plant": "plant"})
            keys = {n: piece[n] for n in _KEYS if n in piece}
            for name in [n for n in piece if n not in _KEYS and not _is_end(n, piece)]:
                yield _one(of, piece, keys, str(name), units.get(str(name), ""))


def _pieces(lines: Lines) -> Iterator[pd.DataFrame]:
    """The table in pieces of :data:`CHUNK` lines, however it is parted: a measure's lines stand together in each."""
    import pandas as pd

    waiting: list[pd.DataFrame] = []
    for part in lines.parts():
        begin = 0
        while len(part) - begin >= CHUNK - sum(map(len, waiting)):
            end = begin + CHUNK - sum(map(len, waiting))
            yield pd.concat([*waiting, part.iloc[begin:end]], ignore_index=True)
            waiting, begin = [], end
        if begin < len(part):
            waiting.append(part.iloc[begin:])
    if waiting:
        yield pd.concat(waiting, ignore_index=True)


def _is_end(name: Any, frame: pd.DataFrame) -> bool:
    return str(name).endswith(("_low", "_high")) and str(name).rsplit("_", 1)[0] in frame


def _one(of: str, piece: pd.DataFrame, keys: Mapping[str, Any], name: str, unit: str) -> dict[str, Any]:
    import pandas as pd

    series = piece[name]
    numeric = pd.api.types.is_numeric_dtype(series)  # bool too
    values = series.to_numpy(float, na_value=np.nan) if numeric else series.to_numpy(object)
    there = np.isfinite(values) if numeric else np.array([isinstance(v, str) and v != "" for v in values], bool)
    ends = {e: piece[f"{name}_{e}"] for e in ("low", "high") if f"{name}_{e}" in piece}
    n = int(there.sum())
    return {
        "of": np.full(n, of, object),
        **{key: column[there] for key, column in keys.items()},
        "measure": np.full(n, name, object),
        "unit": np.full(n, unit, object),
        ("value" if numeric else "text"): values[there],
        **{end: column.to_numpy(float)[there] for end, column in ends.items()},
    }


def _words(values: Any, pa: Any) -> Any:
    """Texts as a dictionary of different ones; what is no valid Unicode is written as \\udcXX, as in the CSV files."""
    import pandas as pd

    codes, known = pd.factorize(np.asarray(values, object))
    sound = [str(v).encode("utf-8", "backslashreplace").decode("utf-8") for v in known]
    return pa.DictionaryArray.from_arrays(
        pa.array(codes.astype(np.int32), mask=codes < 0), pa.array(sound, pa.string())
    )
