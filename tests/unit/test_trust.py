"""Grades of trust: what lowers them, what must not, and what a bar leaves out."""

import dataclasses

import numpy as np
import pandas as pd
import pytest

from standcam import flags, tables, trust
from standcam.errors import BadResults, BadSettings
from standcam.report.folder import read_results
from standcam.report.results import write_results
from standcam.report.run_file import run_record
from standcam.settings import Settings, SpacingSettings, StatisticsSettings
from standcam.summarise import summarise

FAIR, GOOD = StatisticsSettings(min_trust="fair"), StatisticsSettings(min_trust="good")
WIDE = SpacingSettings(row_width_cm=75.0)


def stand(rows):
    """Positions and stretches of (plot, spacing_cm, plants, flags), each row in a photo of its own, 300 cm long."""
    places, lines = [], []
    for n, (plot, spacing, plants, words) in enumerate(rows):
        who = {"photo": f"p{n}.jpg", "plot": plot, "row": 1}
        jitter = np.tile([0.0, 1.0, -0.5], 40)[:plants]
        for k, cm in enumerate(5 + spacing * np.arange(plants) + jitter):
            places.append(who | {"plant": k + 1, "position_cm": cm, "source": "photo"})
        lines.append(who | {"from_cm": 0.0, "to_cm": 300.0, "plants": plants, "status": "ok" if plants else "empty",
                            "flags": words})  # fmt: skip
    positions = pd.DataFrame(places) if places else tables.empty(tables.POSITIONS)
    return tables.conform(tables.POSITIONS, positions), tables.conform(tables.STRETCHES, pd.DataFrame(lines))


def grade(words, plants=20):
    found, reasons = trust.grades(np.array([flags.parse(words)]), np.array([plants]))
    return flags.GRADES[found[0]], reasons[0]


def test_every_flag_says_its_doubt():
    (doubt,) = [f for f in dataclasses.fields(flags.Flag) if f.name == "doubt"]
    assert doubt.default is dataclasses.MISSING
    assert {flag.doubt for flag in flags.REGISTER} == {"none", "fair", "poor"}


def test_the_gravest_doubt_decides_and_leads():
    assert grade("") == ("good", "")
    assert grade("crowded")[0] == "fair"
    found, reasons = grade("crowded; scale_flat")
    assert found == "poor"
    assert reasons.startswith("one scale for the whole picture") and "leaves close over" in reasons


@pytest.mark.parametrize("words", ["no_plants", "no_plants; row_unsure", "row_unsure", "finds_unsure"])
@pytest.mark.parametrize("plants", [0, 1, 2])
def test_few_plants_are_no_doubt(words, plants):
    assert grade(words, plants) == ("good", "")


def test_nor_is_their_number_where_another_flag_tells():
    assert grade("no_plants; blurred", 0)[0] == "fair"
    assert grade("row_unsure", 3)[0] == "poor"


def test_more_flags_never_raise_a_grade():
    rng = np.random.default_rng(1)
    for _ in range(200):
        a, b = (sum(f.bit for f in flags.REGISTER if rng.random() < 0.15) for _ in "ab")
        n = int(rng.integers(0, 20))
        (one, both), _ = trust.grades(np.array([a, a | b]), np.array([n, n]))
        assert both <= one


def test_a_bar_leaves_rows_out_of_plots_and_keeps_them_in_rows():
    made = stand([("A", 10.0, 25, ""), ("A", 20.0, 12, "scale_flat"), ("B", 15.0, 18, "crowded")])
    whole, part = summarise(*made, WIDE), summarise(*made, WIDE, FAIR)
    assert whole.rows["left_out"].tolist() == ["", "", ""] and whole.plots["rows_left_out"].tolist() == [0, 0]
    assert part.rows["left_out"].tolist() == ["", "trust is poor", ""]
    assert part.rows["trust"].tolist() == ["good", "poor", "fair"] and part.plots["trust"].tolist() == ["good", "fair"]
    assert len(part.gaps) == len(whole.gaps)
    assert part.rows["plants"].tolist() == [25, 12, 18] and np.isfinite(part.rows["mean_gap_cm"]).all()
    a = part.plots.iloc[0]
    # by hand: 25 plants on 3 m of rows 0.75 m apart
    assert (a["rows"], a["plants"], a["rows_left_out"]) == (1, 25, 1)
    assert a["plants_per_ha"] == pytest.approx(25 / (3 * 0.75) * 10_000)
    alone = summarise(*stand([("A", 10.0, 25, "")]), WIDE).plots.iloc[0]
    for name in ("mean_gap_cm", "sd_gap_cm", "cv_pct", "cv_pct_low", "cv_pct_high", "plants_per_ha_low", "status"):
        assert a[name] == alone[name]
    assert "scale_flat" not in a["flags"]


def test_the_theoretical_spacing_rests_on_rows_that_are_kept():
    made = stand([("A", 10.0, 28, ""), *[("A", 30.0, 9, "scale_flat")] * 8])
    assert summarise(*made).nominal.spacing_cm > 25
    assert summarise(*made, statistics=FAIR).nominal.spacing_cm == pytest.approx(10, abs=1)


def test_a_plot_without_rows_left_has_a_line_and_no_numbers():
    made = stand([("A", 10.0, 25, ""), ("B", 20.0, 12, "crowded"), ("B", 20.0, 12, "blurred")])
    found = summarise(*made, WIDE, GOOD)
    b = found.plots.set_index("plot").loc["B"]
    assert (b["status"], b["rows_left_out"], b["rows"], b["plants"], b["trust"]) == (trust.LEFT_OUT, 2, 0, 0, "")
    floats = [c.name for c in tables.PLOTS.columns if c.dtype == "float64"]
    assert b[floats].isna().all()
    assert any(note.startswith("Plot B has no row left") for note in found.notes)


def test_notes_list_rows_reasons_and_what_it_changes():
    made = stand([("A", 10.0, 24, ""), ("A", 10.0, 24, ""), ("A", 20.0, 12, "crowded")])
    first, last = summarise(*made, WIDE, GOOD).notes
    assert first.startswith(
        "1 of 3 rows is left out of all summaries, trust being below good: p2.jpg row 1 (fair: leaves"
    )
    # by hand: 48 on 6 m against 60 on 9 m
    assert "plants per ha by +20.0 %" in last
    assert summarise(*made, WIDE).notes == ()


def test_long_lists_are_cut_with_the_number_that_is_missing():
    made = stand([("A", 10.0, 5, "blurred")] * 15 + [("A", 10.0, 5, "")])
    note = summarise(*made, statistics=GOOD).notes[0]
    assert note.count("row 1") == trust.LISTED and "and 3 more rows, see rows.csv" in note


def test_empty_rows_stay_in_the_population():
    made = stand([("A", 10.0, 24, ""), ("A", 10.0, 0, "no_plants; row_unsure")])
    plot = summarise(*made, WIDE, GOOD).plots.iloc[0]
    assert plot["plants_per_ha"] == pytest.approx(24 / (6 * 0.75) * 10_000)


def test_all_left_out_and_none_there():
    found = summarise(*stand([("A", 10.0, 24, "blurred")]), WIDE, GOOD)
    assert found.plots["status"].tolist() == [trust.LEFT_OUT] and found.nominal.source == "unknown"
    nothing = summarise(tables.empty(tables.POSITIONS), tables.empty(tables.STRETCHES), WIDE, GOOD)
    assert not len(nothing.rows) and not len(nothing.plots) and nothing.notes == ()


def test_the_bar_is_checked():
    with pytest.raises(BadSettings, match="min_trust is 'great'"):
        StatisticsSettings(min_trust="great")


def folder(tmp_path, made, bar):
    from datetime import UTC, datetime

    settings = Settings().replace("statistics", min_trust=bar).replace("spacing", row_width_cm=75.0)
    s = summarise(*made, settings.spacing, settings.statistics)
    plants = tables.conform(
        tables.PLANTS, made[0].assign(is_crop=True)[["photo", "plot", "row", "plant", "position_cm", "is_crop"]]
    )
    record = run_record("count", settings, [], datetime.now(UTC))
    problems = tables.empty(tables.PROBLEMS)
    write_results(tmp_path / "r", plants=plants, gaps=s.gaps, rows=s.rows, plots=s.plots, problems=problems, run=record)
    return tmp_path / "r"


def test_commands_that_read_results_see_kept_rows_only(tmp_path):
    made = stand([("A", 10.0, 24, ""), ("A", 20.0, 12, "crowded"), ("B", 20.0, 12, "blurred")])
    read = read_results(folder(tmp_path, made, "good"))
    assert read.rows["photo"].tolist() == ["p0.jpg"] and read.left_out["photo"].tolist() == ["p1.jpg", "p2.jpg"]
    assert set(read.gaps["photo"]) == set(read.plants["photo"]) == {"p0.jpg"}
    assert read.plots["plot"].tolist() == ["A"]
    assert read.notes[0].startswith("2 of 3 rows are left out")
    text = (tmp_path / "r" / "rows.csv").read_text()
    assert "trust is fair" in text and "leaves close over each other" in text


def test_results_with_no_row_left_say_so(tmp_path):
    made = stand([("A", 10.0, 24, "crowded")])
    with pytest.raises(BadResults, match=r"All rows .* \(1\) .* below good"):
        read_results(folder(tmp_path, made, "good"))


def test_results_of_a_version_without_grades_are_read(tmp_path):
    made = stand([("A", 10.0, 24, "crowded")])
    path = folder(tmp_path, made, "poor")
    for name, gone in (("rows", ["trust", "trust_reasons", "left_out"]), ("plots", ["trust", "rows_left_out"])):
        pd.read_csv(path / f"{name}.csv").drop(columns=gone).to_csv(path / f"{name}.csv", index=False)
    read = read_results(path)
    assert len(read.rows) == 1 and read.notes == () and read.plots["rows_left_out"].isna().all()
