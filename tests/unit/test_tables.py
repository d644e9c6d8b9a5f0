import numpy as np
import pandas as pd
import pytest

from standcam import tables


@pytest.mark.parametrize("table", tables.ALL, ids=lambda t: t.name)
def test_empty_fits_its_register(table):
    frame = tables.empty(table)
    assert list(frame.columns) == table.names and len(frame) == 0
    tables.check(table, frame)
    tables.check(table, tables.conform(table, frame))


@pytest.mark.parametrize("table", tables.ALL, ids=lambda t: t.name)
def test_columns_are_described(table):
    assert len(set(table.names)) == len(table.names)
    for column in table.columns:
        assert column.meaning
        for ending, unit in (
            ("_cm", "cm"),
            ("_px", "px"),
            ("_pct", "%"),
            ("_cm2", "cm²"),
            ("_per_ha", "1/ha"),
        ):
            if column.name.endswith(ending):
                assert column.unit == unit


def test_conform_orders_fills_and_keeps():
    frame = pd.DataFrame({"note": ["x"], "reason": ["cut short"], "path": ["a.jpg"]}, index=[7])
    out = tables.conform(tables.PROBLEMS, frame)
    assert list(out.columns) == ["path", "reason", "remedy", "note"]
    assert out.loc[0, "remedy"] == "" and out.loc[0, "note"] == "x"
    gaps = tables.conform(tables.GAPS, pd.DataFrame({"row": [1], "from_plant": [None], "to_plant": [3]}))
    assert np.isnan(gaps.loc[0, "gap_cm"]) and gaps["from_plant"].isna().all()


def test_conform_names_what_it_cannot_do():
    with pytest.raises(tables.BadTable, match="plants has no column 'row'"):
        tables.conform(tables.PLANTS, pd.DataFrame({"plant": [1]}))
    with pytest.raises(tables.BadTable, match="'row' of table gaps is no int64"):
        tables.conform(tables.GAPS, pd.DataFrame({"row": ["first"], "from_plant": [1], "to_plant": [2]}))


def test_check_says_all_at_once():
    frame = tables.empty(tables.PROBLEMS).drop(columns="remedy").assign(path=pd.Series(dtype="float64"))
    with pytest.raises(tables.BadTable, match="'remedy' is missing; column 'path' is float64"):
        tables.check(tables.PROBLEMS, frame)
