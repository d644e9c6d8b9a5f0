import numpy as np
import pandas as pd
import pytest

from standcam import tables
from standcam.spacing.positions import positions_from_plants


def plants(**columns):
    n = len(columns["position_cm"])
    base = {"photo": "b.jpg", "plot": "b", "row": 1, "plant": np.arange(1, n + 1), "is_crop": True}
    return tables.conform(tables.PLANTS, pd.DataFrame(base | columns))


def test_crop_with_a_place_only():
    out = positions_from_plants(
        plants(position_cm=[30.0, 10, 20, np.nan], is_crop=[True, True, False, True], flags=["weak", "", "", ""])
    )
    tables.check(tables.POSITIONS, out)
    assert list(out["position_cm"]) == [10, 30]
    assert list(out["plant"]) == [2, 1]
    assert list(out["flags"]) == ["", "weak"]
    assert set(out["source"]) == {"photo"}


def test_sorted_along_each_row_with_photos_as_they_came():
    out = positions_from_plants(
        plants(
            photo=["z", "z", "a", "z"],
            row=[2, 1, 1, 1],
            position_cm=[5.0, 9, 7, 3],
            position_sd_cm=[1.0, 2, 3, 4],
        )
    )
    assert out[["photo", "row", "position_cm", "position_sd_cm"]].to_numpy().tolist() == [
        ["z", 1, 3, 4],
        ["z", 1, 9, 2],
        ["z", 2, 5, 1],
        ["a", 1, 7, 3],
    ]


def test_empty_in_empty_out():
    out = positions_from_plants(tables.empty(tables.PLANTS))
    tables.check(tables.POSITIONS, out)
    assert len(out) == 0


def test_missing_decision_is_refused():
    with pytest.raises(tables.BadTable, match="is_crop"):
        positions_from_plants(plants(position_cm=[1.0]).drop(columns="is_crop"))
