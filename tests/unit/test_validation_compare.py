"""What follows from two lists of one row, by cases that can be worked out by head."""

import math

import numpy as np
import pandas as pd
import pytest

from standcam import tables
from standcam.settings import SpacingSettings, StatisticsSettings
from standcam.spacing.tape import plants_from_tape
from standcam.summarise import summarise
from standcam.validation.compare import compare, row_lists
from standcam.validation.pairing import pair_rows

TRUE = np.array([12.0, 29, 44, 61, 83, 94, 112, 129, 145, 149, 178, 195, 214, 226])
"""Gaps 17, 15, 17, 22, 11, 18, 17, 16, 4 (a double), 29 (a skip), 17, 19, 12."""
NOMINAL = 16.0


def side(source, *lists, stretch=(0.0, 240.0), sd=math.nan, flags="", status="ok"):
    """Rows as a results folder has them: plot p1, p2, ... each with row 1."""
    name = "jpg" if source == "photo" else "csv"
    positions, stretches = [], []
    for i, places in enumerate(lists, 1):
        key = {"photo": f"{i}.{name}", "plot": f"p{i}", "row": 1}
        places = np.asarray(places, float)
        positions.append(
            pd.DataFrame(
                {"plant": np.arange(1, len(places) + 1), "position_cm": places, "position_sd_cm": sd, "source": source}
            ).assign(**key)
        )
        stretches.append(
            key | {"from_cm": stretch[0], "to_cm": stretch[1], "plants": len(places), "status": status, "flags": flags}
        )
    every = tables.conform(tables.POSITIONS, pd.concat(positions))
    summary = summarise(every, pd.DataFrame(stretches), SpacingSettings(nominal_spacing_cm=NOMINAL))
    return row_lists(plants_from_tape(every), summary.gaps, summary.rows, source), summary.rows


def compared(photo, tape, **more):
    (ours, our_rows), (theirs, their_rows) = photo, tape
    return compare(ours, theirs, pair_rows(our_rows, their_rows), NOMINAL, **more)


def limits(c, quantity):
    return c.limits.set_index("quantity").loc[quantity]


def test_the_same_twice_agrees_in_all():
    c = compared(side("photo", TRUE), side("tape", TRUE))
    assert (c.total("hit"), c.total("missed"), c.total("extra")) == (14, 0, 0)
    assert c.recall.value == c.precision.value == c.f1.value == 1
    assert c.rms_error_cm == pytest.approx(0, abs=1e-9) and c.scale_pct.value == pytest.approx(0, abs=1e-9)
    gap = limits(c, "gap, cm")
    assert gap["n"] == 13 and gap["bias"] == pytest.approx(0, abs=1e-9) and gap["concordance"] == pytest.approx(1)
    assert c.classes.set_index("tape").drop(columns="none").loc["none"].sum() == 0
    assert np.diag(c.classes.drop(columns="tape")).tolist() == [1, 11, 1, 0, 0, 0]


def test_a_missed_plant_makes_a_false_skip_and_an_extra_a_false_double():
    # 61 missed: 44 to 83 is 39 cm, one skip; an extra at 116 stands 4 cm from 112: a double, and 13 cm single
    photo = np.sort([*TRUE[TRUE != 61], 116.0]) - 3
    c = compared(side("photo", photo, stretch=(-3.0, 237.0)), side("tape", TRUE))
    assert (c.total("tape_plants"), c.total("hit"), c.total("missed"), c.total("extra")) == (14, 13, 1, 1)
    assert c.recall.value == pytest.approx(13 / 14) and c.precision.value == pytest.approx(13 / 14)
    assert c.f1.value == pytest.approx(13 / 14)
    wrong = c.plants[c.plants["kind"] != "paired"].set_index("kind")
    assert wrong.loc["missed", "tape_cm"] == 61 and wrong.loc["missed", "tape_plant"] == 4
    assert pd.isna(wrong.loc["missed", "plant"])
    assert wrong.loc["extra", "photo_cm"] == 113 and wrong.loc["extra", "photo_on_tape_cm"] == pytest.approx(116)
    classes = c.classes.set_index("tape")
    # the tape's gaps 44-61, 61-83 and 112-129, all single, are no gaps of the photo
    assert classes.loc["single", "none"] == 3 and classes.loc["single", "single"] == 8
    assert classes.loc["none", ["double", "single", "skip_1"]].tolist() == [1, 1, 1]
    assert classes.loc["double", "double"] == 1 and classes.loc["skip_1", "skip_1"] == 1
    assert limits(c, "gap, cm")["n"] == 10


def test_scale_shows_in_gaps_and_is_taken_out_of_positions():
    c = compared(side("photo", TRUE * 0.99, stretch=(0.0, 237.6)), side("tape", TRUE))
    assert c.scale_pct.value == pytest.approx(-1) and c.rms_error_cm == pytest.approx(0, abs=1e-9)
    assert limits(c, "gap, cm")["bias"] == pytest.approx(-0.01 * np.diff(TRUE).mean())


def test_gaps_of_a_reversed_tape_are_paired():
    c = compared(side("photo", TRUE), side("tape", 240 - TRUE[::-1]))
    assert c.table.loc[0, "reversed"] and c.total("hit") == 14
    gap = limits(c, "gap, cm")
    assert gap["n"] == 13 and gap["sd"] == pytest.approx(0, abs=1e-9)


def test_errors_by_head():
    # shifted by +2 and -2 mm in turn, in pairs so that no line tilts: every error 2 mm, 14 - 2 degrees of freedom
    error = 0.2 * np.array([1, -1, -1, 1, 1, -1, -1, 1, 1, -1, -1, 1, 1, -1])
    c = compared(side("photo", TRUE + error, sd=0.3), side("tape", TRUE))
    assert c.mean_error_cm == pytest.approx(0.2, abs=0.02)
    assert c.rms_error_cm == pytest.approx(0.2 * math.sqrt(14 / 12), rel=0.03)
    assert c.claimed_error_cm == pytest.approx(0.3)


def test_plants_beyond_the_other_are_no_mistakes():
    # the photo shows 80 to 240 of the row
    c = compared(side("photo", TRUE[TRUE > 80] - 80, stretch=(0.0, 160.0)), side("tape", TRUE))
    assert c.recall.value == 1 and c.total("tape_plants") == 10
    assert c.plants["kind"].value_counts().to_dict() == {"paired": 10, "beyond": 4}
    assert c.table.loc[0, ["common_from_cm", "common_to_cm"]].tolist() == pytest.approx([80, 240])


def test_a_plant_at_the_very_edge_is_not_judged():
    # errors of 5 mm: the tape's plant at 83, 3 mm within the photo's edge, may have fallen outside it
    rng = np.random.default_rng(0)
    photo = TRUE[TRUE > 90] + rng.normal(0, 0.5, 9) - 82.7
    c = compared(side("photo", photo, stretch=(0.0, 157.3)), side("tape", TRUE))
    assert c.total("missed") == 0 and c.total("tape_plants") == 9
    assert c.plants.loc[c.plants["tape_cm"] == 83, "kind"].tolist() == ["at_edge"]


def test_a_tape_from_plant_to_plant_judges_its_end_plants_and_nothing_beyond():
    photo = np.concatenate([[4.0], TRUE, [233.0]])
    tape = side("tape", TRUE, stretch=(5.0, 233.0), flags="ends_at_plants")
    c = compared(side("photo", photo), tape)
    assert (c.total("tape_plants"), c.total("hit"), c.total("extra")) == (14, 14, 0)
    assert c.plants["kind"].value_counts().to_dict() == {"paired": 14, "beyond": 2}


def test_the_end_plants_of_such_a_tape_are_judged_in_spite_of_errors():
    photo = TRUE + np.random.default_rng(1).normal(0, 0.5, len(TRUE))
    c = compared(side("photo", photo), side("tape", TRUE, stretch=(5.0, 233.0), flags="ends_at_plants"))
    assert c.table.loc[0, "common_from_cm"] < TRUE[0] < TRUE[-1] < c.table.loc[0, "common_to_cm"]
    assert c.total("tape_plants") == 14


def test_a_pair_over_the_edge_is_in_or_out_as_a_whole():
    # the photo begins at 80; a plant stands 0.5 mm within by tape and 3.5 mm by photo, where errors may reach 2 mm
    tape = np.sort([*TRUE[TRUE != 83], 80.05])
    photo = np.sort([*TRUE[TRUE > 90], 80.35]) - 80
    c = compared(side("photo", photo, stretch=(0.0, 160.0)), side("tape", tape))
    assert 80.05 < c.table.loc[0, "common_from_cm"] < 80.35
    assert c.total("tape_plants") == c.total("photo_plants") == c.total("hit") == 9
    assert c.plants["kind"].value_counts().to_dict() == {"paired": 9, "beyond": 4, "at_edge": 1}


def test_plants_beyond_their_own_stretch_are_not_counted():
    photo = side("photo", [-9.0, *TRUE, 251.0])
    assert len(next(iter(photo[0].values())).place_cm) == 14
    c = compared(photo, side("tape", [*TRUE, 251.0], stretch=(0.0, 300.0)))
    assert c.total("extra") == 0 and c.total("missed") == 0


def test_the_answer_gives_the_wider_interval():
    from standcam.report.agree_report import answer

    lists = [TRUE, TRUE + 1, 250 - TRUE[::-1]]
    tape = side("tape", *lists, stretch=(0.0, 250.0))
    # one photo of three lacks five plants: rows drawn anew vary more than plants do
    c = compared(side("photo", TRUE[[0, 1, 3, 4, 6, 7, 9, 11, 13]], *lists[1:], stretch=(0.0, 250.0)), tape)
    assert c.total("hit") == 37
    low, high = (round(100 * v) for v in (c.recall_by_rows.low, c.recall_by_rows.high))
    assert (low, high) == (64, 100) and f"37 of 42 plants (88 %, {low} to {high} %)" in answer(c, "si")
    # all found in all rows: drawing them anew tells nothing, the plants' own interval holds
    assert "42 of 42 plants (100 %, 92 to 100 %)" in answer(
        compared(side("photo", *lists, stretch=(0.0, 250.0)), tape), "si"
    )


def test_rows_without_centimetres_say_so():
    c = compared(side("photo", TRUE, status="no_scale"), side("tape", TRUE))
    assert c.table.loc[0, ["status", "reason"]].tolist() == ["not_measured", "the photo has no centimetres"]
    assert c.compared == 0 and math.isnan(c.recall.value) and math.isnan(c.rms_error_cm)


def test_rows_that_cannot_be_laid_count_for_nothing():
    even = np.arange(8.0, 240, 16)
    c = compared(side("photo", TRUE, even[2:9] - 20), side("tape", TRUE, even))
    assert c.table["status"].tolist() == ["ok", "ambiguous"] and c.compared == 1
    assert c.total("tape_plants") == 14 and set(c.plants["photo"]) == {"1.jpg"}


def test_counts_are_compared_where_places_cannot_be():
    from standcam.report.agree_report import answer

    even = np.arange(8.0, 240, 16)
    c = compared(side("photo", even[2:9] - 20, stretch=(12.0, 124.0)), side("tape", even))
    assert c.compared == 0 and c.counted == 1
    # 7 on 1.12 m and 15 on 2.4 m
    assert limits(c, "plants per m")["bias"] == pytest.approx(0)
    assert "Plants per m: 6.25 by photo and 6.25 by tape over 1 row" in answer(c, "si")
    assert "Plants per ft: 1.91 by photo and 1.91 by tape over 1 row" in answer(c, "us")


def test_nothing_to_compare():
    c = compared(side("photo", TRUE), (side("tape", TRUE)[0], side("tape", TRUE)[1].iloc[:0]))
    assert len(c.table) == len(c.plants) == 0 and c.compared == 0 and math.isnan(c.scale_pct.value)


def test_three_rows_vary_between_them():
    lists = [TRUE, TRUE + 1, 250 - TRUE[::-1]]
    photo = [TRUE * 1.01, TRUE[TRUE != 112] + 1, (250 - TRUE[::-1]) * 0.99]
    c = compared(side("photo", *photo, stretch=(0.0, 250.0)), side("tape", *lists, stretch=(0.0, 250.0)))
    assert c.compared == 3 and c.recall.value == pytest.approx(41 / 42)
    # drawn anew, all three rows may be the one that lacks a plant, or none
    assert c.recall_by_rows.value == pytest.approx(41 / 42)
    assert (c.recall_by_rows.low, c.recall_by_rows.high) == pytest.approx((13 / 14, 1))
    # scales +1, 0, -1 %: mean 0, sd 1, t(0.975, 2) = 4.3027
    assert c.scale_pct.value == pytest.approx(0, abs=1e-6)
    assert c.scale_pct.high == pytest.approx(4.3027 / math.sqrt(3), rel=1e-4)
    assert limits(c, "plants per row")["bias"] == pytest.approx(-1 / 3)


def test_the_level_of_the_statistics_is_used():
    settings = StatisticsSettings(level=0.8)
    c = compared(side("photo", TRUE), side("tape", TRUE), statistics=settings)
    assert c.recall.level == c.f1.level == c.scale_pct.level == 0.8
    # Wilson of 14 in 14: n / (n + z²) with z(0.9) = 1.2816
    assert c.recall.low == pytest.approx(14 / (14 + 1.2816**2), rel=1e-4)


def test_how_often_a_blind_find_would_pair():
    # reach 4 cm about plants 17 cm apart: 8 of 17 cm; the common stretch is that of the row
    c = compared(side("photo", TRUE), side("tape", TRUE))
    reach = c.rows[0].alignment.tolerance_cm
    alone = 2 * reach * 14 - (2 * reach - 4)  # 145 and 149 share some
    assert c.table.loc[0, "chance_hit"] == pytest.approx(alone / 240)


def test_a_known_zero_has_no_odds_where_nothing_was_fitted():
    c = compared(side("photo", []), side("tape", TRUE), same_zero=True)
    assert c.table.loc[0, ["status", "missed"]].tolist() == ["ok", 14] and c.recall.value == 0
    assert math.isnan(c.table.loc[0, "log10_odds"]) and math.isnan(c.scale_pct.value)
