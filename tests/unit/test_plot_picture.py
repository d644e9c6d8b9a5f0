"""Where plots lie in the picture of plots: no two on top of each other."""

import numpy as np
import pandas as pd
import pytest

from standcam.report.plot_picture import places_of, plot_picture


def rows(**columns):
    n = len(next(iter(columns.values())))
    return pd.DataFrame({"plot": [f"p{k}" for k in range(n)], "photo": [f"{k}.jpg" for k in range(n)], **columns})


def placed(places):
    return {plot: (x, y) for plot, x, y in zip(places.plot, places.x, places.y, strict=True)}


def numbers(n):
    return pd.DataFrame({"plot": [f"p{k}" for k in range(n)], "plants_per_ha": 7e4 + 1e3 * np.arange(n),
                         "quality_of_feed_pct": 90.0 + np.arange(n)})  # fmt: skip


def test_plot_row_is_no_place():
    # plot_row says which row of its plot a photo shows: 1 to 4 in every plot
    assert places_of(rows(plot_row=["1", "2", "1", "2"])) is None
    assert places_of(rows(plot_row=[1, 2, 3, 4])) is None
    with_range = rows(plot_row=[1, 2, 3, 4], range=[1, 1, 2, 2])
    assert places_of(with_range) is None  # a range alone does not tell one plot of it from another


def test_true_columns_of_the_field_plan_are():
    places = places_of(rows(range=["1", "1", "2", "2"], column=["1", "2", "1", "2"], plot_row=["1", "1", "1", "1"]))
    assert places.kind == "grid" and (places.x_name, places.y_name) == ("column", "range")
    assert placed(places) == {"p0": (1, 1), "p1": (2, 1), "p2": (1, 2), "p3": (2, 2)}
    places = places_of(rows(planter_pass=[3, 1, 2], plot_row=[1, 2, 1]))
    assert placed(places) == {"p0": (3, 0), "p1": (1, 0), "p2": (2, 0)} and places.x_name == "planter pass"
    figure = plot_picture(places, numbers(3), "si")
    boxes = [path.get_extents() for path in figure.axes[0].collections[0].get_paths()]
    assert len(boxes) == 3
    for k, box in enumerate(boxes):
        assert not any(box.overlaps(other) for other in boxes[k + 1 :])


def test_columns_that_put_two_plots_into_one_cell_are_passed_over():
    double = {"column": [1, 1, 2, 2], "range": [1, 1, 1, 1]}
    assert places_of(rows(**double)) is None
    places = places_of(rows(**double, strip=[1, 2, 3, 4]))
    assert places.x_name == "strip" and len(set(placed(places).values())) == 4
    places = places_of(rows(column=[1, 2, 1, 2], range=[1, 1, 1, 1], tier=[1, 1, 2, 2]))
    assert (places.x_name, places.y_name) == ("column", "tier")
    # places by GPS stand in where the field plan fails
    places = places_of(rows(**double, latitude=[48.0, 48.001, 48.0, 48.001], longitude=[9.0, 9.0, 9.001, 9.001]))
    assert places.kind == "gps" and len(places.plot) == 4


def test_plots_without_a_place_are_left_out():
    places = places_of(rows(column=["1", "", "3", "x"]))
    assert placed(places) == {"p0": (1, 0), "p2": (3, 0)}
    assert places_of(rows(column=["1", "", "", ""])) is None


def test_places_of_the_photos_by_run_json():
    inputs = [
        {"photo": "0.jpg", "latitude": 48.0, "longitude": 9.0},
        {"photo": "1.jpg", "latitude": 48.0, "longitude": 9.001},
        {"photo": "2.jpg", "latitude": None, "longitude": None},
        {"photo": "3.jpg"},
    ]
    places = places_of(rows(row=[1, 1, 1, 1]), inputs)
    assert places.kind == "gps" and places.plot == ("p0", "p1")
    # outside check: a degree of longitude at 48 N on a sphere of 6371 km has 74.40 km
    assert np.ptp(places.x) == pytest.approx(74.40, abs=0.01) and np.ptp(places.y) == 0
    chain = rows(row=[1, 1]).assign(photo=["0.jpg..2.jpg", "1.jpg"])
    assert places_of(chain, inputs).plot == ("p0", "p1")
    assert places_of(rows(row=[1, 1]), inputs[2:]) is None
