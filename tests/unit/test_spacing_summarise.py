import numpy as np
import pandas as pd
import pytest

from standcam import flags, tables
from standcam.settings import SpacingSettings
from standcam.summarise import summarise

GIVEN = SpacingSettings(nominal_spacing_cm=20, row_width_cm=75)


def stretch(photo="a.jpg", plot="a", row=1, from_cm=0.0, to_cm=100.0, plants=0, status="ok", flags="", **more):
    return {
        "photo": photo, "plot": plot, "row": row, "from_cm": from_cm, "to_cm": to_cm, "plants": plants,
        "status": status, "flags": flags, **more,
    }  # fmt: skip


def tables_of(*rows):
    """POSITIONS and STRETCHES of (stretch, positions) pairs."""
    lines = [
        {k: s[k] for k in ("photo", "plot", "row")} | {"plant": i + 1, "position_cm": cm}
        for s, places in rows
        for i, cm in enumerate(places)
    ]
    positions = pd.DataFrame(lines, columns=["photo", "plot", "row", "plant", "position_cm"])
    return (
        tables.conform(tables.POSITIONS, positions.assign(source="photo")),
        tables.conform(tables.STRETCHES, pd.DataFrame([s for s, _ in rows])),
    )


def test_a_row_by_head():
    # gaps 20, 8, 22, 40 of 20: a double, two singles, a skip; 5 plants on 1 m x 0.75 m
    result = summarise(*tables_of((stretch(), [5, 25, 33, 55, 95])), GIVEN)
    for table, frame in (
        (tables.GAPS, result.gaps),
        (tables.ROWS, result.rows),
        (tables.PLOTS, result.plots),
    ):
        tables.check(table, frame)
    row = result.rows.iloc[0]
    assert row["row_length_cm"] == 100 and row["plants"] == 5 and row["status"] == "ok"
    assert row["mean_gap_cm"] == pytest.approx(22.5)
    assert row["sd_gap_cm"] == pytest.approx(np.std([20, 8, 22, 40], ddof=1))
    assert row["cv_pct"] == pytest.approx(100 * np.std([20, 8, 22, 40], ddof=1) / 22.5)
    assert list(row[["multiples_pct", "quality_of_feed_pct", "misses_pct"]]) == [25, 50, 25]
    assert row["precision_pct"] == pytest.approx(100 * np.sqrt(2) / 20)
    assert row["plants_per_ha"] == pytest.approx(5 / 0.75 * 10_000)
    assert row["nominal_source"] == "given" and row["row_width_cm"] == 75
    assert row["flags"] == "censored_ends"


def test_further_columns_of_a_row_by_head():
    # gaps 20, 8, 22, 40 of 20: 3 of 4 intervals are singles less the double; N' = 1 + 1 + 2
    spacing = SpacingSettings(
        nominal_spacing_cm=20, row_width_cm=75, near_nominal_cm=2, seeding_rate_per_ha=80_000, germination_pct=96
    )
    result = summarise(*tables_of((stretch(), [5, 25, 33, 55, 95])), spacing)
    for line in (result.rows.iloc[0], result.plots.iloc[0]):
        assert list(line[["q1_gap_cm", "median_gap_cm", "q3_gap_cm"]]) == pytest.approx([17, 21, 26.5])
        assert line["near_nominal_pct"] == 50  # 20 and 22, ends included
        form_b = ["multiples_intervals_pct", "quality_of_feed_intervals_pct", "misses_intervals_pct"]
        assert list(line[form_b]) == [25, 50, 25] and line["missing_seeds"] == 1
        assert np.isnan(line["sd_gap_corrected_cm"]) and np.isnan(line["cv_corrected_pct"])
        assert line["plants_per_10m2"] == pytest.approx(5 / 0.75 * 10)
        assert line["plants_per_acre"] == pytest.approx(5 / 0.75 * 4046.8564224)
        assert line["plants_per_thousandth_acre"] == pytest.approx(5 / 0.75 * 4.0468564224)
        # 80,000 seeds per ha on 0.75 m² are 6
        assert line["emergence_pct"] == pytest.approx(100 * 5 / 6)
        assert line["emergence_of_viable_pct"] == pytest.approx(100 * 5 / 6 / 0.96)


def test_more_doubles_than_form_b_allows():
    row = summarise(*tables_of((stretch(), [10, 13, 16, 19, 39])), GIVEN).rows.iloc[0]
    assert row["multiples_pct"] == 75 and row["missing_seeds"] == 0
    assert np.isnan(row["multiples_intervals_pct"]) and np.isnan(row["quality_of_feed_intervals_pct"])


def test_what_cannot_be_known_is_left_empty():
    """No plants, one plant, no scale, and no theoretical spacing."""
    unscaled = stretch("b.jpg", "b", from_cm=np.nan, to_cm=np.nan, plants=7, status="no_scale")
    spacing = SpacingSettings(nominal_spacing_cm=20, row_width_cm=75)
    result = summarise(*tables_of((stretch(row=1), []), (stretch("c.jpg", "c"), [50]), (unscaled, [])), spacing)
    of_gaps = [
        "median_gap_cm", "q1_gap_cm", "q3_gap_cm", "near_nominal_pct", "multiples_intervals_pct",
        "quality_of_feed_intervals_pct", "misses_intervals_pct", "missing_seeds", "sd_gap_corrected_cm",
        "cv_corrected_pct",
    ]  # fmt: skip
    for frame in (result.rows, result.plots):
        assert frame[of_gaps].isna().all(axis=None)
        assert list(frame["emergence_pct"]) == pytest.approx([0, 20, np.nan], nan_ok=True)
        assert list(frame["plants_per_10m2"]) == pytest.approx([0, 1 / 0.75 * 10, np.nan], nan_ok=True)
    assert list(result.plots["interval_source"]) == ["", "", ""]
    bare = summarise(*tables_of((stretch(), [10, 30, 50]))).rows.iloc[0]
    assert bare["median_gap_cm"] == 20
    unknown = ["near_nominal_pct", "misses_intervals_pct", "missing_seeds", "emergence_pct", "plants_per_acre"]
    assert bare[unknown].isna().all()


def test_an_estimated_spacing_gives_no_emergence():
    row = summarise(*tables_of((stretch(), np.arange(8) * 12.0))).rows.iloc[0]
    assert row["nominal_source"] == "estimated" and row["near_nominal_pct"] == 100
    assert np.isnan(row["emergence_pct"])


def test_open_ends_count_as_nothing():
    short = summarise(*tables_of((stretch(from_cm=4, to_cm=96), [5, 25, 33, 55, 95])), GIVEN).rows.iloc[0]
    long = summarise(*tables_of((stretch(from_cm=-90, to_cm=196), [5, 25, 33, 55, 95])), GIVEN).rows.iloc[0]
    for name in ("mean_gap_cm", "sd_gap_cm", "multiples_pct", "quality_of_feed_pct", "misses_pct"):
        assert short[name] == long[name]
    assert short["plants_per_ha"] > long["plants_per_ha"]


def test_every_stretch_has_its_row():
    result = summarise(
        *tables_of(
            (stretch(row=1), [10, 30]),
            (stretch(row=2, from_cm=10), []),
            (stretch(row=3, plants=1), [50]),
            (
                stretch("b.jpg", "b", from_cm=np.nan, to_cm=np.nan, plants=7, status="no_scale", flags="no_scale"),
                [],
            ),
            (stretch("c.jpg", "c", from_cm=np.nan, to_cm=np.nan, status="no_row"), []),
        ),
        GIVEN,
    )
    rows = result.rows
    assert list(rows["status"]) == ["ok", "empty", "ok", "no_scale", "no_row"]
    assert list(rows["plants"]) == [2, 0, 1, 7, 0]
    empty, one, unscaled = rows.iloc[1], rows.iloc[2], rows.iloc[3]
    gap_columns = ["mean_gap_cm", "sd_gap_cm", "cv_pct", "multiples_pct", "quality_of_feed_pct", "misses_pct"]
    assert empty["plants_per_ha"] == 0.0 and empty["row_length_cm"] == 90
    assert rows.loc[1:, [*gap_columns, "precision_pct"]].isna().all(axis=None)
    assert one["plants_per_ha"] == pytest.approx(1 / 0.75 * 10_000)
    assert np.isnan(unscaled["row_length_cm"]) and np.isnan(unscaled["plants_per_ha"])
    assert list(rows["flags"]) == ["censored_ends", "", "censored_ends", "no_scale", ""]
    plots = result.plots.set_index("plot")
    assert plots.loc["a", "plants_per_ha"] == pytest.approx(3 / (2.9 * 0.75) * 10_000)
    assert list(plots["status"]) == ["ok", "no_scale", "no_row"]
    assert list(plots["rows"]) == [3, 0, 0]


def test_population_of_a_plot_takes_rows_with_a_length_only():
    unscaled = stretch("b.jpg", from_cm=np.nan, to_cm=np.nan, plants=9, status="no_scale")
    plot = summarise(*tables_of((stretch(), [10, 30, 50]), (unscaled, [])), GIVEN).plots.iloc[0]
    assert plot["plants"] == 12 and plot["row_length_cm"] == 100
    assert plot["plants_per_ha"] == pytest.approx(3 / 0.75 * 10_000)


def test_plot_pools_its_gaps():
    plot = summarise(*tables_of((stretch(row=1), [10, 30, 50, 70]), (stretch(row=2), [10, 60])), GIVEN).plots.iloc[0]
    assert plot["mean_gap_cm"] == pytest.approx(np.mean([20, 20, 20, 50]))
    assert plot["sd_gap_cm"] == pytest.approx(np.std([20, 20, 20, 50], ddof=1))
    assert plot["misses_pct"] == 25


def test_unknown_row_width_is_said():
    rows = summarise(*tables_of((stretch(row=1), [10, 30]), (stretch(row=2), [])), SpacingSettings()).rows
    assert np.isnan(rows.loc[0, "plants_per_ha"]) and "no_population" in rows.loc[0, "flags"]
    # nothing on a measured length is nothing per ha, whatever the width
    assert rows.loc[1, "plants_per_ha"] == 0.0 and "no_population" not in rows.loc[1, "flags"]


def test_estimated_spacing_is_said_where_it_classes_gaps():
    result = summarise(*tables_of((stretch(row=1), np.arange(8) * 12.0), (stretch(row=2), [40])))
    assert result.nominal.source == "estimated" and result.nominal.spacing_cm == pytest.approx(12)
    assert ["nominal_estimated" in f for f in result.rows["flags"]] == [True, False]
    assert result.rows.loc[0, "quality_of_feed_pct"] == 100


def test_too_few_gaps_leave_classes_empty():
    result = summarise(*tables_of((stretch(), [10, 30, 50])))
    row = result.rows.iloc[0]
    assert row["nominal_source"] == "unknown" and np.isnan(row["nominal_spacing_cm"])
    assert np.isnan(row["multiples_pct"]) and row["mean_gap_cm"] == 20
    assert set(result.gaps["kind"]) == {"open", ""}


def test_plants_beyond_the_stretch_are_flagged_not_counted():
    row = summarise(*tables_of((stretch(), [10, 30, 50, 120])), GIVEN).rows.iloc[0]
    assert row["plants"] == 3 and row["mean_gap_cm"] == 20
    assert flags.parse(row["flags"]) & flags.bit("beyond_stretch")


def test_positions_decide_the_count():
    rows = summarise(*tables_of((stretch(plants=9), [10, 30]), (stretch(row=2, status="empty"), [10])), GIVEN).rows
    assert list(rows["plants"]) == [2, 1] and list(rows["status"]) == ["ok", "ok"]


def test_positions_without_scale_are_not_used():
    unscaled = stretch(plants=4, status="no_scale")
    row = summarise(*tables_of((unscaled, [1, 2, 3])), GIVEN).rows.iloc[0]
    assert row["plants"] == 4 and np.isnan(row["mean_gap_cm"]) and np.isnan(row["row_length_cm"])


def test_ends_in_the_photo_are_passed_on():
    row = summarise(*tables_of((stretch(from_x_px=1.0, to_y_px=4.0), [10])), GIVEN).rows.iloc[0]
    assert row["from_x_px"] == 1 and row["to_y_px"] == 4 and np.isnan(row["to_x_px"])


def test_empty_in_empty_out():
    result = summarise(tables.empty(tables.POSITIONS), tables.empty(tables.STRETCHES))
    for table, frame in (
        (tables.GAPS, result.gaps),
        (tables.ROWS, result.rows),
        (tables.PLOTS, result.plots),
    ):
        tables.check(table, frame)
        assert len(frame) == 0
