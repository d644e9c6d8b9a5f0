"""What the screen says of ranges, emergence, spread and the two forms of the indices."""

import re

import numpy as np
import pandas as pd
import pytest

from standcam.report import overall_words, screen, wording
from standcam.settings import Settings
from standcam.spacing.spacings import Spacings
from standcam.summarise import summarise

SETTINGS = Settings().replace("spacing", nominal_spacing_cm=20.0, row_width_cm=75.0)


def lines_of(plots, settings=SETTINGS, sd=0.4, scatter=3.0, plants=12):
    rng = np.random.default_rng(1)
    positions, stretches = [], []
    for plot, rows in plots.items():
        for row in range(1, rows + 1):
            key = {"photo": f"{plot}.jpg", "plot": plot, "row": row}
            place = np.cumsum(20 * (1 + (rng.random(plants) < 0.1)) + rng.normal(0, scatter, plants))
            positions.append(
                pd.DataFrame({"plant": range(plants), "position_cm": place, "position_sd_cm": sd}).assign(**key)
            )
            stretches.append(key | {"from_cm": 0.0, "to_cm": place[-1] + 10, "plants": plants, "status": "ok"})
    s = summarise(
        pd.concat(positions, ignore_index=True), pd.DataFrame(stretches), settings.spacing, settings.statistics
    )
    return s, overall_words.spacing_lines(s.rows, Spacings.of(s.rows, s.gaps), settings)


def starting(lines, word):
    (line,) = [line for line in lines if line.startswith(word)]
    return line


def test_ranges_between_plots():
    s, lines = lines_of({name: 1 for name in "abcdef"})
    line = starting(lines, "Range")
    assert line.startswith("Range (95 %, 6 plots as the units): ") and "few" not in line
    low, high = (int(text.replace(" ", "")) for text in re.search(r": ([\d ]+) to ([\d ]+)/ha", line).groups())
    assert low < s.plots["plants_per_ha"].mean() < high
    assert re.search(r"mean gap [\d.]+ to [\d.]+ cm; CV \d+ to \d+ %; doubles 0 to \d+ %; skips \d+ to \d+ %\.$", line)


def test_rows_of_one_plot_and_of_the_only_row():
    assert "6 rows as the units" in starting(lines_of({"a": 6})[1], "Range")
    line = starting(lines_of({"a": 1})[1], "Range")
    assert "11 gaps of these rows alone" in line and "measure more" in line and "/ha" in line


def test_two_rows_have_ranges_of_two_kinds():
    line = starting(lines_of({"a": 2})[1], "Range")
    assert re.search(r"2 rows as the units\): [\d ]+ to [\d ]+/ha\. Range \(95 %, 22 gaps", line)


def test_no_range_from_too_few():
    _, lines = lines_of({"a": 1}, plants=2)
    assert starting(lines, "Range") == "Range: none can be given from so few gaps and rows; measure more rows."


def test_another_level_is_named():
    settings = SETTINGS.replace("statistics", level=0.9)
    assert starting(lines_of({"a": 4}, settings)[1], "Range").startswith("Range (90 %, 4 rows")


def test_us_units():
    settings = SETTINGS.replace("output", units="us")
    s, lines = lines_of({"a": 4}, settings)
    assert re.search(r": [\d,]+ to [\d,]+/acre; mean gap [\d.]+ to [\d.]+ in;", starting(lines, "Range"))
    assert "within 0.6 in of theoretical" in starting(lines, "Gaps")
    per_acre = s.plots["plants_per_acre"].iloc[0]
    spacings = Spacings.of(s.rows, s.gaps)
    assert f"{per_acre / 1000:.1f} on 1/1000 acre" in overall_words.totals(s.rows, spacings, "us")
    assert f"{s.plots['plants_per_10m2'].iloc[0]:.1f} on 10 m²" in overall_words.totals(s.rows, spacings, "si")


def test_emergence_by_rate_and_by_spacing():
    s, lines = lines_of({"a": 4})
    share = s.plots["emergence_pct"].iloc[0]
    line = starting(lines, "Emergence")
    assert line.startswith(f"Emergence: {share:.0f} % (") and "by the spacing given, dropped or not." in line
    settings = SETTINGS.replace("spacing", seeding_rate_per_ha=70_000.0, germination_pct=95.0)
    s, lines = lines_of({"a": 4}, settings)
    line = starting(lines, "Emergence")
    assert "by the seeding rate given" in line
    assert f"; {s.plots['emergence_of_viable_pct'].iloc[0]:.0f} % of the viable ones." in line
    assert not any("Emergence" in text for text in lines_of({"a": 4}, Settings())[1])


def test_spread_as_seen_and_corrected():
    s, lines = lines_of({"a": 3})
    plot = s.plots.iloc[0]
    line = starting(lines, "Gaps")
    assert f"SD {plot['sd_gap_cm']:.1f} cm as seen, {plot['sd_gap_corrected_cm']:.1f} cm (CV " in line
    assert f"median {plot['median_gap_cm']:.1f} cm, middle half {plot['q1_gap_cm']:.1f} to " in line
    assert f"{plot['near_nominal_pct']:.0f} % within 1.5 cm of theoretical" in line


def test_why_the_spread_is_not_corrected():
    line = starting(lines_of({"a": 3}, sd=np.nan)[1], "Gaps")
    assert "the error of positions is not known and was not taken out" in line
    line = starting(lines_of({"a": 3}, sd=20.0)[1], "Gaps")
    assert "in 3 rows the error of positions is as large as that and was not taken out" in line


def test_both_forms_are_named():
    s, lines = lines_of({"a": 4})
    line = starting(lines, "Doubles")
    assert "share of spacings (form A)" in line and "theoretical intervals (form B)" in line
    plot = s.plots.iloc[0]
    assert f"skips {plot['misses_intervals_pct']:.0f} %" in line
    assert f"at least {plot['missing_seeds']:.0f} seed" in line
    # no theoretical spacing, no classes and no line of them
    assert not any("form" in text for text in lines_of({"a": 1}, Settings(), plants=4)[1])


def test_nothing_in_nothing_out():
    s, _ = lines_of({"a": 1})
    assert overall_words.spacing_lines(s.rows.iloc[:0], Spacings.of(s.rows.iloc[:0], s.gaps.iloc[:0]), SETTINGS) == []


@pytest.mark.parametrize(
    ("low", "high", "words", "text"),
    [
        (15.0, 16.94, lambda v: wording.spacing(v, "si"), "15.0 to 16.9 cm"),
        (68_000, 74_000, lambda v: wording.population(v, "si"), "68 000 to 74 000/ha"),
        (2, 8, wording.percent, "2 to 8 %"),
        (np.nan, 8, wording.percent, "-"),
    ],
)
def test_spans(low, high, words, text):
    assert wording.span(low, high, words) == text


@pytest.mark.parametrize("width", [200, 60])
def test_of_very_many_rows_the_first_are_printed_and_the_rest_is_told(width, monkeypatch, tmp_path):
    import io

    from rich.console import Console

    monkeypatch.setattr(screen, "MOST_ROWS", 4)
    s, _ = lines_of({f"plot{k}": 1 for k in range(9)})
    rows = s.rows.assign(trust=["good"] * 6 + ["poor", "fair", "poor"])
    to = Console(file=io.StringIO(), width=width)
    screen.show(rows, s.gaps, pd.DataFrame(), SETTINGS, tmp_path, scale_methods=["board"] * 9, to=to)
    text = " ".join(to.file.getvalue().split())
    assert "plot3.jpg" in text and "plot4.jpg" not in text
    assert "And 5 further rows, 2 of poor trust, 1 of fair trust: rows.csv has them all." in text
    assert "9 photos, 9 rows" in text  # totals are of all
