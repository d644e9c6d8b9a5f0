"""The register of tables: each column's name, dtype, unit and meaning, once.

Every table that passes between stages, and every CSV in a results folder, is described here. ``empty``
gives a table with the right columns and no rows; ``check`` says all that is wrong with one in one message.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import cache

import numpy as np
import pandas as pd

from standcam.errors import StandcamError

# texts are kept by Python whatever else is installed: pyarrow refuses file names that are no valid Unicode
pd.set_option("mode.string_storage", "python")


@dataclass(frozen=True)
class Column:
    """One column of a table."""

    name: str
    dtype: str
    unit: str
    meaning: str


@dataclass(frozen=True)
class Table:
    """A named list of columns."""

    name: str
    columns: tuple[Column, ...]

    @property
    def names(self) -> list[str]:
        """Column names in order."""
        return [c.name for c in self.columns]


_PLOT = Column("plot", "str", "", "plot or place; the photo's name without ending unless a survey says otherwise")
_ROW = Column("row", "int64", "", "row within the photo: 1 is the row the photo was taken of, 2 and up its neighbours")
_WEEDS = Column("weeds", "float64", "", "weeds seen within weeds_reach_cm of the row line; missing for a tape")
NO_STEMS = "no_stems"
"""Status of rows in which no plant was sought, for want of resolution: their 0 plants are no count."""
_PHOTO = Column("photo", "str", "", "file name of the photo, of the tape file or of the strip")

PLANTS = Table(
    "plants",
    (
        _PHOTO,
        _PLOT,
        _ROW,
        Column("plant", "int64", "", "number of the plant in its photo, from 1 along each row"),
        Column(
            "x_px",
            "float64",
            "px",
            "stem base in the upright original photo, to the right; pixel centres at integers",
        ),
        Column("y_px", "float64", "px", "stem base in the upright original photo, down"),
        Column("position_cm", "float64", "cm", "stem base along the row, from the start of the measured stretch"),
        Column(
            "offset_cm",
            "float64",
            "cm",
            "stem base across the row line, right of the direction of travel positive",
        ),
        Column("position_sd_cm", "float64", "cm", "standard error of position_cm"),
        Column("area_cm2", "float64", "cm²", "green area seen, at ground scale"),
        Column("crop_probability", "float64", "1", "how likely the plant is crop and no weed"),
        Column("is_crop", "bool", "", "decision: counted as crop"),
        Column("flags", "str", "", "words of standcam.flags, joined by '; '"),
        Column(
            "judged",
            "str",
            "",
            "crop; doubtful (may be crop, not counted); weed; nothing (a person said so); empty for a tape",
        ),
    ),
)

POSITIONS = Table(
    "positions",
    (
        _PHOTO,
        _PLOT,
        _ROW,
        Column("plant", "int64", "", "number of the plant in its photo or tape row"),
        Column("position_cm", "float64", "cm", "place along the row"),
        Column("position_sd_cm", "float64", "cm", "standard error; NaN for a tape unless given"),
        Column("source", "str", "", "photo, tape or synthetic"),
        Column("flags", "str", "", "words of standcam.flags"),
    ),
)

STRETCHES = Table(
    "stretches",
    (
        _PHOTO,
        _PLOT,
        _ROW,
        Column(
            "from_cm",
            "float64",
            "cm",
            "where the measured stretch of row begins, on the scale of position_cm",
        ),
        Column("to_cm", "float64", "cm", "where it ends"),
        Column("plants", "int64", "", "crop plants counted in it (a count exists even where positions do not)"),
        Column("from_x_px", "float64", "px", "beginning of the stretch in the upright photo; NaN for a tape"),
        Column("from_y_px", "float64", "px", "beginning of the stretch"),
        Column("to_x_px", "float64", "px", "end of the stretch"),
        Column("to_y_px", "float64", "px", "end of the stretch"),
        Column(
            "status",
            "str",
            "",
            "ok; empty (no plants); no_scale; no_row; counted (a tape count, no positions); no_stems (none was sought)",
        ),
        Column("flags", "str", "", "words of standcam.flags"),
        _WEEDS,
    ),
)

GAPS = Table(
    "gaps",
    (
        _PHOTO,
        _PLOT,
        _ROW,
        Column("from_plant", "Int64", "", "plant at the beginning of the gap; missing for the open start"),
        Column("to_plant", "Int64", "", "plant at the end of the gap; missing for the open end"),
        Column("from_cm", "float64", "cm", "where the gap begins"),
        Column("gap_cm", "float64", "cm", "distance between neighbours along the row"),
        Column("multiple", "float64", "1", "gap / theoretical spacing"),
        Column(
            "kind",
            "str",
            "",
            "double, single, skip_1, skip_2, skip_3_or_more; empty: no theoretical spacing; open: censored end; "
            "bare: no green (a strip too coarse for stems)",
        ),
    ),
)

_FORM_B = "by theoretical intervals (form B); missing where doubles are more than half of the spacings"
_SPACING_MORE = (
    Column("median_gap_cm", "float64", "cm", "median distance of neighbours"),
    Column("q1_gap_cm", "float64", "cm", "lower quartile of those distances"),
    Column("q3_gap_cm", "float64", "cm", "upper quartile"),
    Column("near_nominal_pct", "float64", "%", "share of spacings within near_nominal_cm of theoretical"),
    Column("multiples_intervals_pct", "float64", "%", f"doubles {_FORM_B}"),
    Column("quality_of_feed_intervals_pct", "float64", "%", f"singles {_FORM_B}"),
    Column("misses_intervals_pct", "float64", "%", f"missing seeds {_FORM_B}"),
    Column(
        "missing_seeds",
        "float64",
        "",
        "seed places without a plant (n0 of ISO 7256-1): 1, 2 or 3 a skip by its class, so a count from below",
    ),
    Column(
        "sd_gap_corrected_cm",
        "float64",
        "cm",
        "sd_gap_cm less what errors of position add; missing where these are unknown or not below what was seen",
    ),
    Column("cv_corrected_pct", "float64", "%", "100 sd_gap_corrected / mean"),
    Column("plants_per_10m2", "float64", "1/10 m²", "plants_per_ha / 1000"),
    Column("plants_per_thousandth_acre", "float64", "1/0.001 acre", "plants_per_acre / 1000"),
    Column("plants_per_acre", "float64", "1/acre", "plants_per_ha in acres"),
    Column(
        "emergence_pct",
        "float64",
        "%",
        "plants / seeds on the measured length, by seeding rate and row width, else by the spacing given",
    ),
    Column("emergence_of_viable_pct", "float64", "%", "emergence_pct / germination; may pass 100"),
)


def _ends(name: str, unit: str) -> tuple[Column, Column]:
    return (
        Column(f"{name}_low", "float64", unit, f"lower end of the interval of {name}"),
        Column(f"{name}_high", "float64", unit, "upper end"),
    )


_INTERVALS = (
    *_ends("mean_gap_cm", "cm"),
    *_ends("sd_gap_cm", "cm"),
    *_ends("cv_pct", "%"),
    *_ends("plants_per_ha", "1/ha"),
    *_ends("misses_pct", "%"),
    *_ends("multiples_pct", "%"),
    Column(
        "interval_source",
        "str",
        "",
        "rows: between rows (spacing by bootstrap of three rows or more, population by t over two or more); "
        "gaps: closed form over the gaps of one row, tells nothing of other rows; "
        "gaps, population by rows: two rows; population by rows: no gaps; empty: none",
    ),
    Column(
        "cv_pct_vangel_low",
        "float64",
        "%",
        "interval of cv_pct after Vangel 1996, gaps taken as normal and independent, for comparison; "
        "missing for CV above 33 %",
    ),
    Column("cv_pct_vangel_high", "float64", "%", "upper end"),
)

ROWS = Table(
    "rows",
    (
        _PHOTO,
        _PLOT,
        _ROW,
        Column("row_length_cm", "float64", "cm", "length of row that was measured, open ends included"),
        Column("plants", "int64", "", "crop plants in it"),
        Column("mean_gap_cm", "float64", "cm", "mean distance of neighbours"),
        Column("sd_gap_cm", "float64", "cm", "sample standard deviation (n - 1) of those distances"),
        Column("cv_pct", "float64", "%", "100 sd / mean"),
        Column("multiples_pct", "float64", "%", "share of spacings up to 0.5 of theoretical (doubles)"),
        Column("quality_of_feed_pct", "float64", "%", "share above 0.5 up to 1.5 (singles)"),
        Column("misses_pct", "float64", "%", "share above 1.5 (skips)"),
        Column("precision_pct", "float64", "%", "100 sd of the singles / theoretical spacing"),
        Column("nominal_spacing_cm", "float64", "cm", "theoretical spacing the classes are taken against"),
        Column("nominal_source", "str", "", "given, seeding_rate, estimated or unknown"),
        Column("row_width_cm", "float64", "cm", "row width used for plants_per_ha"),
        Column("plants_per_ha", "float64", "1/ha", "plants / (row_length x row width)"),
        Column("from_x_px", "float64", "px", "beginning of the measured stretch in the upright photo"),
        Column("from_y_px", "float64", "px", "beginning of the measured stretch"),
        Column("to_x_px", "float64", "px", "end of the measured stretch"),
        Column("to_y_px", "float64", "px", "end of the measured stretch"),
        Column(
            "status",
            "str",
            "",
            "ok; empty (no plants); no_scale; no_row; no_stems (a strip too coarse for stems: nothing was counted)",
        ),
        Column("flags", "str", "", "words of standcam.flags"),
        *_SPACING_MORE,
        _WEEDS,
        Column("trust", "str", "", "good, fair or poor: the gravest doubt among the flags, see standcam.trust"),
        Column("trust_reasons", "str", "", "why it is not good, in words, the gravest first, joined by '; '"),
        Column("left_out", "str", "", "why the row is in no summary; empty: it is in them"),
    ),
)

PLOTS = Table(
    "plots",
    (
        _PLOT,
        Column("rows", "int64", "", "measured rows in the plot"),
        Column("row_length_cm", "float64", "cm", "sum over rows"),
        Column("plants", "int64", "", "crop plants; 0 where status is left_out, which is no count"),
        Column("mean_gap_cm", "float64", "cm", "over all gaps of the plot"),
        Column("sd_gap_cm", "float64", "cm", "over all gaps of the plot"),
        Column("cv_pct", "float64", "%", "100 sd / mean"),
        Column("multiples_pct", "float64", "%", "over all gaps of the plot"),
        Column("quality_of_feed_pct", "float64", "%", "over all gaps of the plot"),
        Column("misses_pct", "float64", "%", "over all gaps of the plot"),
        Column("precision_pct", "float64", "%", "over all gaps of the plot"),
        Column("nominal_spacing_cm", "float64", "cm", "theoretical spacing"),
        Column("plants_per_ha", "float64", "1/ha", "from summed plants and summed length"),
        Column("status", "str", "", "ok, or the commonest reason why not; left_out: all its rows are"),
        Column("flags", "str", "", "words of standcam.flags over all rows"),
        *_SPACING_MORE,
        *_INTERVALS,
        _WEEDS,
        Column("trust", "str", "", "the lowest grade among the rows that are in it; empty where none is"),
        Column(
            "rows_left_out", "Int64", "", "rows of the plot that are in none of its numbers, see left_out in rows.csv"
        ),
    ),
)

PROBLEMS = Table(
    "problems",
    (
        Column("path", "str", "", "the input as given"),
        Column("reason", "str", "", "what is wrong with it"),
        Column("remedy", "str", "", "what to do"),
    ),
)

ALL: tuple[Table, ...] = (PLANTS, POSITIONS, STRETCHES, GAPS, ROWS, PLOTS, PROBLEMS)


class BadTable(StandcamError):
    """A table lacks columns or holds a type that its register does not allow."""


def empty(table: Table) -> pd.DataFrame:
    """A table with all columns, right dtypes and no rows."""
    return pd.DataFrame({c.name: pd.Series(dtype=c.dtype) for c in table.columns})


@cache
def _dtype(name: str) -> object:
    """The dtype that pandas gives a column of this name."""
    return pd.Series(dtype=name).dtype


def conform(table: Table, df: pd.DataFrame) -> pd.DataFrame:
    """Columns of ``table`` in order and with their dtypes; missing columns become NaN, NA or empty text.

    Further columns stay, behind the registered ones.

    Raises
    ------
    BadTable
        If an integer or boolean column is missing, or a column cannot take its dtype.
    """
    names = list(df.columns)
    right = dict(zip(names, df.dtypes.tolist(), strict=True))
    if names[: len(table.columns)] == table.names and all(right[c.name] == _dtype(c.dtype) for c in table.columns):
        return df.reset_index(drop=True)
    out = {}
    for c in table.columns:
        if c.name in right:
            series = df[c.name]
        elif c.dtype == "float64":
            series = pd.Series(np.nan, index=df.index)
        elif c.dtype == "str":
            series = pd.Series("", index=df.index)
        elif c.dtype == "Int64":
            series = pd.Series(pd.NA, index=df.index, dtype="Int64")
        else:
            raise BadTable(f"Table {table.name} has no column {c.name!r}.", "It must be there; see standcam.tables.")
        try:
            out[c.name] = series if right.get(c.name) == _dtype(c.dtype) else series.astype(c.dtype)
        except (TypeError, ValueError) as error:
            raise BadTable(f"Column {c.name!r} of table {table.name} is no {c.dtype}: {error}.") from None
    extra = [name for name in df if name not in out]
    return pd.DataFrame(out | {name: df[name] for name in extra}, index=df.index).reset_index(drop=True)


def check(table: Table, df: pd.DataFrame) -> None:
    """Raise one message with all that is wrong with ``df``; silence when nothing is.

    Raises
    ------
    BadTable
        Missing columns or wrong dtypes, all named.
    """
    wrong = [f"column {c.name!r} is missing" for c in table.columns if c.name not in df]
    reference = empty(table)
    wrong += [
        f"column {c.name!r} is {df[c.name].dtype}, not {c.dtype}"
        for c in table.columns
        if c.name in df and df[c.name].dtype != reference[c.name].dtype
    ]
    if wrong:
        raise BadTable(f"Table {table.name}: " + "; ".join(wrong) + ".")
