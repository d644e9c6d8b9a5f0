"""What must hold for any row of plants."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from standcam import tables
from standcam.errors import BadTape
from standcam.settings import SpacingSettings, StatisticsSettings
from standcam.spacing import metrics
from standcam.spacing.nominal import estimate_spacing
from standcam.spacing.readings import Reading
from standcam.spacing.tape import read_tape
from standcam.summarise import summarise

STATISTICS = StatisticsSettings(resamples=50)
QUICK = settings(max_examples=40, deadline=None, derandomize=True)
INDICES = [
    "mean_gap_cm",
    "sd_gap_cm",
    "cv_pct",
    "multiples_pct",
    "quality_of_feed_pct",
    "misses_pct",
    "precision_pct",
    "median_gap_cm",
    "q1_gap_cm",
    "q3_gap_cm",
    "near_nominal_pct",
    "multiples_intervals_pct",
    "quality_of_feed_intervals_pct",
    "misses_intervals_pct",
    "missing_seeds",
    "sd_gap_corrected_cm",
    "cv_corrected_pct",
]
LENGTHS = [name for name in INDICES if name.endswith("_cm")]
ENDS = [c.name for c in tables.PLOTS.columns if c.name.endswith(("_low", "_high"))]

# Whole millimetres away from the class edges of 20 cm (10, 30, 50, 70): there rounding may decide either way.
# So it may at 1.5 cm off 20 (185, 215), where near ideal ends.
gap_mm = st.integers(0, 1200).filter(lambda g: g not in (100, 300, 500, 700, 185, 215))
gap_lists = st.lists(gap_mm, min_size=0, max_size=25).map(lambda g: np.array(g, float) / 10)


def row_of(place, begin, end, row=1, plot="a"):
    key = {"photo": f"{plot}.jpg", "plot": plot, "row": row}
    positions = pd.DataFrame(
        {"plant": np.arange(1, len(place) + 1), "position_cm": place, "position_sd_cm": 0.3}
    ).assign(**key)
    return positions, pd.DataFrame([key | {"from_cm": begin, "to_cm": end, "plants": len(place), "status": "ok"}])


def summary_of(place, begin, end, nominal=20.0, scale=1.0):
    positions, stretches = row_of(place, begin, end)
    return summarise(
        positions.assign(position_sd_cm=0.3 * scale),
        stretches,
        SpacingSettings(nominal_spacing_cm=nominal, row_width_cm=75, near_nominal_cm=1.5 * scale),
        STATISTICS,
    )


def numbers(result, columns=(*INDICES, "plants_per_ha", "row_length_cm", "plants")):
    return result.rows[list(columns)].to_numpy(float)[0]


@QUICK
@given(gap_lists, st.floats(-5000, 5000), st.floats(0, 40), st.floats(0, 40))
def test_shifting_a_row_changes_nothing(gaps, shift, before, after):
    place = 7 + np.concatenate([[0], np.cumsum(gaps)])
    here = summary_of(place, 7 - before, place[-1] + after)
    there = summary_of(place + shift, 7 - before + shift, place[-1] + after + shift)
    assert numbers(here) == pytest.approx(numbers(there), abs=1e-6, rel=1e-7, nan_ok=True)
    assert list(here.gaps["kind"]) == list(there.gaps["kind"])


@QUICK
@given(gap_lists, st.floats(0, 40), st.floats(0, 40))
def test_reversing_a_row_swaps_its_open_ends(gaps, before, after):
    place = np.concatenate([[0], np.cumsum(gaps)])
    there = summary_of(place, -before, place[-1] + after)
    back = summary_of(-place, -place[-1] - after, before)
    assert numbers(there) == pytest.approx(numbers(back), abs=1e-6, rel=1e-9, nan_ok=True)
    assert list(there.gaps["kind"]) == list(back.gaps["kind"])[::-1]
    assert there.gaps["gap_cm"].to_numpy() == pytest.approx(back.gaps["gap_cm"].to_numpy()[::-1], abs=1e-6)
    assert there.gaps["gap_cm"].iloc[[0, -1]].tolist() == pytest.approx([before, after], abs=1e-6)


@QUICK
@given(gap_lists, st.floats(0.05, 20))
def test_scaling_a_row_scales_lengths_and_keeps_shares(gaps, scale):
    place = np.concatenate([[0], np.cumsum(gaps)])
    one = summary_of(place, -5, place[-1] + 5)
    big = summary_of(place * scale, -5 * scale, (place[-1] + 5) * scale, nominal=20.0 * scale, scale=scale)
    lengths = (*LENGTHS, "row_length_cm")
    shares = [name for name in INDICES if name not in LENGTHS]
    assert numbers(big, lengths) == pytest.approx(numbers(one, lengths) * scale, abs=1e-6, nan_ok=True)
    assert numbers(big, shares) == pytest.approx(numbers(one, shares), abs=1e-6, nan_ok=True)
    assert big.rows["plants_per_ha"].iloc[0] * scale == pytest.approx(one.rows["plants_per_ha"].iloc[0])
    # intervals scale with what they belong to
    for name, factor in (("mean_gap_cm", scale), ("sd_gap_cm", scale), ("cv_pct", 1), ("misses_pct", 1)):
        for end in ("_low", "_high"):
            assert big.plots[name + end].iloc[0] == pytest.approx(
                one.plots[name + end].iloc[0] * factor, rel=1e-6, abs=1e-6, nan_ok=True
            )


@QUICK
@given(gap_lists)
def test_a_scaled_row_has_a_scaled_rhythm(gaps):
    one, other = estimate_spacing(gaps), estimate_spacing(gaps * 2.54)
    assert other == pytest.approx(one * 2.54, rel=1e-5, nan_ok=True)


@QUICK
@given(st.lists(st.integers(0, 500), min_size=5, max_size=5).map(np.array))
def test_shares_add_up_to_all_spacings(counts):
    a, b = metrics.spacing_shares(counts), metrics.interval_shares(counts)
    for shares in (a, b):
        total = shares.multiples_pct + shares.quality_of_feed_pct + shares.misses_pct
        assert np.isnan(total) or total == pytest.approx(100)
    assert np.isnan(a.misses_pct) == (counts.sum() == 0)


@QUICK
@given(st.lists(st.integers(0, 500), min_size=5, max_size=5).map(np.array))
def test_intervals_are_skipped_single_or_double(counts):
    skipped, single, double, intervals = metrics.interval_counts(counts)
    assert skipped + single + double == intervals


@QUICK
@given(gap_lists, st.floats(0, 40), st.floats(0, 40))
def test_gaps_fill_the_row(gaps, before, after):
    place = np.concatenate([[0], np.cumsum(gaps)])
    result = summary_of(place, -before, place[-1] + after)
    assert len(result.gaps) == len(place) + 1
    assert result.gaps["gap_cm"].sum() == pytest.approx(result.rows["row_length_cm"].iloc[0], abs=1e-6)
    assert (result.gaps["kind"] == "open").sum() == 2


@QUICK
@given(gap_lists.filter(lambda g: len(g) > 0), st.data())
def test_two_half_rows_are_the_whole(gaps, data):
    """Cut at a plant that belongs to both halves: every gap is in one of them, and the plot is the whole row."""
    place = np.concatenate([[0], np.cumsum(gaps)])
    cut = data.draw(st.integers(0, len(place) - 1))
    whole = summary_of(place, -5, place[-1] + 5).plots
    halves = [row_of(place[: cut + 1], -5, place[cut], row=1), row_of(place[cut:], place[cut], place[-1] + 5, row=2)]
    merged = summarise(
        *(pd.concat(parts, ignore_index=True) for parts in zip(*halves, strict=True)),
        SpacingSettings(nominal_spacing_cm=20.0, row_width_cm=75),
        STATISTICS,
    ).plots
    # the plant at the cut is read once for both, but its error counts as two: only what is seen is the same
    seen = [name for name in INDICES if "corrected" not in name] + ["row_length_cm"]
    assert merged[seen].to_numpy(float)[0] == pytest.approx(
        whole[seen].to_numpy(float)[0], abs=1e-6, rel=1e-7, nan_ok=True
    )
    assert merged["plants"].iloc[0] == whole["plants"].iloc[0] + 1


@QUICK
@given(st.lists(gap_lists, min_size=1, max_size=5), st.floats(0.5, 0.999))
def test_ends_stand_on_their_sides(rows, level):
    parts = [row_of(p, -3, p[-1] + 4, row=i + 1) for i, g in enumerate(rows) for p in [7 + np.cumsum([0, *g])]]
    positions, stretches = (pd.concat(part, ignore_index=True) for part in zip(*parts, strict=True))
    spacing = SpacingSettings(nominal_spacing_cm=20.0, row_width_cm=75)
    plot = summarise(positions, stretches, spacing, StatisticsSettings(level=level, resamples=50)).plots.iloc[0]
    for name in {end.rsplit("_", 1)[0] for end in ENDS if "vangel" not in end}:
        low, value, high = plot[f"{name}_low"], plot[name], plot[f"{name}_high"]
        assert np.isnan(low) == np.isnan(high)
        if not np.isnan(low):
            assert 0 <= low <= value + 1e-9 * abs(value) and value <= high + 1e-9 * abs(value)
            assert high <= 100 or not name.startswith("m") or not name.endswith("_pct")
    assert plot["q1_gap_cm"] <= plot["median_gap_cm"] <= plot["q3_gap_cm"] or sum(map(len, rows)) == 0


@QUICK
@given(gap_lists)
def test_quartiles_are_those_of_numpy(gaps):
    row = summary_of(np.concatenate([[0], np.cumsum(gaps)]), -1, gaps.sum() + 1).rows.iloc[0]
    expected = np.percentile(gaps, [25, 50, 75]) if len(gaps) else [np.nan] * 3
    assert tuple(row[["q1_gap_cm", "median_gap_cm", "q3_gap_cm"]]) == pytest.approx(expected, abs=1e-6, nan_ok=True)


@QUICK
@given(st.lists(gap_lists, min_size=1, max_size=4), st.randoms(use_true_random=False))
def test_order_of_input_does_not_matter(rows, random):
    parts = []
    for i, gaps in enumerate(rows):
        place = np.concatenate([[0], np.cumsum(gaps)])
        parts.append(row_of(place, -3, place[-1] + 4, row=i % 2 + 1, plot="ab"[i // 2]))
    positions = pd.concat([p for p, _ in parts], ignore_index=True)
    stretches = pd.concat([s for _, s in parts], ignore_index=True)
    mixed = [random.sample(range(len(t)), len(t)) for t in (positions, stretches)]
    spacing = SpacingSettings(row_width_cm=75)
    one = summarise(positions, stretches, spacing)
    other = summarise(positions.iloc[mixed[0]], stretches.iloc[mixed[1]], spacing)
    for name, keys in (
        ("gaps", ["plot", "row", "from_cm", "to_plant"]),
        ("rows", ["plot", "row"]),
        ("plots", ["plot"]),
    ):
        a, b = (getattr(r, name).sort_values(keys, ignore_index=True) for r in (one, other))
        pd.testing.assert_frame_equal(a, b, rtol=1e-6)


@QUICK
@given(st.lists(gap_mm, min_size=1, max_size=20), st.sampled_from(["mm", "cm", "m", "in", "ft"]))
def test_gaps_and_positions_in_any_unit_are_one(tmp_path_factory, gaps, unit):
    from standcam.units import CM_PER_UNIT

    folder = tmp_path_factory.mktemp("tape")
    gaps = np.array(gaps) / 10 + 0.1  # no two readings alike
    values = gaps / CM_PER_UNIT[unit]
    (folder / "gaps.csv").write_text(f"gap_{unit}\n" + "\n".join(f"{v:.12f}" for v in values))
    running = np.concatenate([[0], np.cumsum(values)])
    (folder / "places.csv").write_text(f"position ({unit})\n" + "\n".join(f"{v:.12f}" for v in running))
    (a, ends_a), (b, ends_b) = read_tape(folder / "gaps.csv"), read_tape(folder / "places.csv")
    assert a["position_cm"].to_numpy() == pytest.approx(b["position_cm"].to_numpy(), abs=1e-6)
    assert a["position_cm"].diff().dropna().to_numpy() == pytest.approx(gaps, abs=1e-6)
    assert ends_a["to_cm"].iloc[0] == pytest.approx(ends_b["to_cm"].iloc[0], abs=1e-6)


@QUICK
@given(st.integers(0, 900), st.integers(0, 11), st.integers(0, 15))
def test_feet_inches_and_fractions(feet, inches, sixteenths):
    cm = (feet * 12 + inches + sixteenths / 16) * 2.54
    for text in (
        f"{feet}'{inches} {sixteenths}/16\"",
        f"{feet} ft {inches + sixteenths / 16} in",
        f"{feet}’ {inches}-{sixteenths}/16",
    ):
        assert Reading("ft-in").cm(text, 1) == pytest.approx(cm)


@settings(
    max_examples=300,
    deadline=None,
    derandomize=True,
    suppress_health_check=[HealthCheck.function_scoped_fixture],
)
@given(
    st.one_of(
        st.binary(max_size=200),
        st.text(max_size=200).map(str.encode),
        st.lists(st.text(alphabet="0123456789.,;'\"/- \tinftcm#:=", max_size=12), max_size=12).map(
            lambda lines: ("plot;row,position_cm\n" + "\n".join(lines)).encode()
        ),
    )
)
def test_any_file_is_read_or_refused(tmp_path, data):
    path = tmp_path / "t.csv"
    path.write_bytes(data)
    try:
        positions, stretches = read_tape(path)
    except BadTape as error:
        assert error.remedy and "t.csv" in error.reason
    else:
        tables.check(tables.POSITIONS, positions)
        assert stretches["plants"].sum() == len(positions) and np.isfinite(positions["position_cm"]).all()
