"""Late plants by scout, by leaf stage and by size; whether they and skips cluster; what is said."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest

from standcam import tables
from standcam.errors import BadSettings
from standcam.spacing.metrics import find_gaps
from standcam.stand.uniformity import LATE_PLANTS, LATE_ROWS, LateSettings, emergence_uniformity

SPACING = 16.5


def planted(*rows, columns=None, area=20.0, late_area=5.0):
    """PLANTS and GAPS of rows as text: ``o`` in time, ``l`` late, ``.`` missing, ``d`` two plants 2 cm apart."""
    lines, stretches = [], []
    for r, text in enumerate(rows, start=1):
        for i, mark in enumerate(text):
            if mark == ".":
                continue
            places = [i * SPACING] if mark != "d" else [i * SPACING, i * SPACING + 2]
            for place in places:
                lines.append(
                    {"photo": "a.jpg", "plot": "a", "row": r, "plant": 0, "position_cm": place + 20, "offset_cm": 0.0,
                     "area_cm2": late_area if mark == "l" else area, "is_crop": True}
                )  # fmt: skip
        stretches.append(
            {"photo": "a.jpg", "plot": "a", "row": r, "from_cm": 0.0, "to_cm": len(text) * SPACING + 40, "plants": 0,
             "status": "ok"}
        )  # fmt: skip
    frame = pd.DataFrame(lines)
    frame["plant"] = np.arange(1, len(frame) + 1)
    for name, values in (columns or {}).items():
        frame[name] = values
    plants = tables.conform(tables.PLANTS, frame)
    positions = tables.conform(tables.POSITIONS, plants[["photo", "plot", "row", "plant", "position_cm"]])
    gaps = find_gaps(positions, tables.conform(tables.STRETCHES, pd.DataFrame(stretches)), SPACING)
    return plants, gaps


def said(uniformity):
    return " ".join(uniformity.sentences)


def test_late_by_size():
    u = emergence_uniformity(*planted("oooolooooooo", "ooollooooooo", "oooooooooooo"))
    assert (u.plants, u.judged, u.late, u.rows) == (36, 36, 3, 3)
    assert u.late_share_pct.value == pytest.approx(100 * 3 / 36)
    assert u.late_share_pct.low < u.late_share_pct.value < u.late_share_pct.high
    assert u.late_runs == (1, 1)
    assert u.table["late_plants"].tolist() == [1, 2, 0]
    assert u.table["longest_late_run"].tolist() == [1, 2, 0]
    assert u.basis == (("size", 36),)
    late = u.plants_table[u.plants_table["late"]]
    assert late["relative_size"].tolist() == pytest.approx([0.25] * 3)
    assert "3 of 36 plants are late (8.3 %" in said(u) and "rows as the unit" in said(u)
    assert "Runs of late plants: 1 of 1 plant, 1 of 2 plants." in said(u)
    tables.check(LATE_ROWS, u.table)
    tables.check(LATE_PLANTS, u.plants_table)


@pytest.mark.parametrize(("share", "expected"), [(0.32, 1), (0.35, 0)])
def test_size_threshold(share, expected):
    assert emergence_uniformity(*planted("oooolooooooo", late_area=20 * share)).late == expected


def test_a_run_of_late_plants_is_no_measure_for_itself():
    """Five of nine neighbours late: the median alone would call them usual."""
    u = emergence_uniformity(*planted("ooooooollllloooooo"))
    assert u.late == 5 and u.late_runs == (0, 0, 0, 0, 1)


def test_turning_a_row_round_changes_nothing():
    there = emergence_uniformity(*planted("oolooo.oollooodooo", "oooooloooooo"))
    back = emergence_uniformity(*planted("ooodooolloo.oooloo", "oooooolooooo"))
    assert (there.late, there.late_runs, there.late_share_pct) == (back.late, back.late_runs, back.late_share_pct)
    assert there.late_beside_skips == back.late_beside_skips


def test_size_by_ground_scale_only_counts_against_neighbours():
    """A slow trend along the row, as soil gives it, makes nobody late."""
    plants, gaps = planted("o" * 30)
    plants["area_cm2"] = np.geomspace(10, 90, 30)
    assert emergence_uniformity(plants, gaps).late == 0


def test_plants_of_a_double_are_not_judged_by_size_and_doubtful_finds_lend_their_area():
    plants, gaps = planted("ooooooodooo", area=20.0)
    assert emergence_uniformity(plants, gaps).judged == 10
    plants.loc[7, "area_cm2"] = 1.0  # the network was unsure whether the pair is two: the second took the green
    plants.loc[8, ["is_crop", "area_cm2"]] = [False, 19.0]
    u = emergence_uniformity(plants, gaps)
    assert (u.judged, u.late) == (11, 0)
    plants.loc[8, "offset_cm"] = 25.0  # a weed between the rows lends nothing
    assert emergence_uniformity(plants, gaps).late == 1


def test_cut_plants_are_not_judged():
    plants, gaps = planted("oooooooooooo")
    gaps.loc[gaps["from_plant"].isna(), ["from_cm", "gap_cm"]] = [15.0, 5.0]  # the stretch begins 5 cm before
    plants.loc[6, "flags"] = "at_edge"
    plants.loc[[0, 6], "area_cm2"] = 2.0
    u = emergence_uniformity(plants, gaps)
    assert (u.judged, u.late) == (10, 0)
    assert "2 of 12 plants were not judged" in said(u)


def test_seedlings_are_too_small_to_tell():
    u = emergence_uniformity(*planted("oooolooooooo", area=4.0, late_area=0.5))
    assert u.judged == 0 and not u.late_share_pct.known
    assert said(u).startswith("Late plants cannot be told: the plants are too small yet")


def test_leaf_stages_count_before_size():
    stages = ["v4"] * 12
    stages[3], stages[5], stages[8] = "2", "V3", "VE"
    u = emergence_uniformity(*planted("oooolooooooo", columns={"leaf_stage": stages}))
    assert u.plants_table.loc[u.plants_table["late"], "plant"].tolist() == [4, 9]
    assert u.plants_table.loc[3, "stages_behind"] == 2
    assert u.basis == (("leaf stage", 12),) and "Size in pictures" not in said(u)


def test_a_scout_counts_before_all():
    marks = [""] * 12
    marks[0], marks[1] = "yes", "no"
    u = emergence_uniformity(*planted("oooolooooooo", columns={"Late": marks, "leaf-stage": [4] * 12}))
    assert u.late == 1 and u.judged == 12 and u.basis == (("scout", 12),)
    assert any("10 plants without a word under 'Late' were taken as not late" in n for n in u.notes)
    odd = emergence_uniformity(*planted("oooolooooooo", columns={"late": ["perhaps"] + ["no"] * 11}))
    assert any("'perhaps', which were not understood; write yes or no" in n for n in odd.notes)
    assert odd.basis == (("scout", 11), ("size", 1))


def test_ones_and_noughts_of_a_table_are_yes_and_no():
    u = emergence_uniformity(*planted("oooooooooooo", columns={"late": [1.0] + [0.0] * 11}))
    assert u.late == 1 and u.basis == (("scout", 12),)


def test_a_tape_without_sizes_or_stages_cannot_tell():
    plants, gaps = planted("oooooooooooo", area=np.nan)
    u = emergence_uniformity(plants, gaps)
    assert u.judged == 0 and "add a column leaf_stage to the tape" in said(u)


def test_late_plants_beside_skips():
    rows = ["oooooool.looooooooooo", "oooool.oooooooooooool"] * 5
    u = emergence_uniformity(*planted(*rows))
    assert u.late_beside_skips.observed == 15 and u.late_beside_skips.p < 0.001
    assert "Late plants at the ends of skips: 15" in said(u) and "they cluster" in said(u)
    apart = emergence_uniformity(*planted(*["looooool.oooooooolooo", "lo.ooooolooooooooooooo"] * 5))
    assert apart.late_beside_skips.p > 0.05


def test_tests_are_adjusted_for_their_number():
    rows = ["oooooool.loo.ooo.oooo", "oooool.oo.ooo.ooooool"] * 2
    u = emergence_uniformity(*planted(*rows))
    told = [t for t in (u.late_together, u.skips_together, u.late_beside_skips) if t.told]
    assert len(told) >= 2
    # the smallest p of the exact test times the number of tests
    from standcam.stand.chance import at_least, beside_counts
    from standcam.stand.uniformity import _segments

    raw = at_least("", "", *beside_counts(_segments(u.plants_table)))
    assert u.late_beside_skips.p == pytest.approx(len(told) * raw.p)


def test_no_clustering_is_seen_where_there_is_none():
    """Random late plants: the share of false alarms stays near 5 % or below."""
    rng = np.random.default_rng(5)
    false = 0
    for _ in range(40):
        rows = ["".join(rng.choice(list("ol"), 12, p=[0.8, 0.2])) for _ in range(6)]
        marks = [m for row in rows for m in ({"o": "no", "l": "yes"}[c] for c in row)]
        u = emergence_uniformity(*planted(*rows, columns={"late": marks}))
        false += u.late_together.told and u.late_together.p < 0.05
    assert false <= 5  # binomial(40, 0.05): more than 5 in 1.4 % of runs


def test_published_losses_are_a_range_with_names():
    rows = ["ooooolooooooolooooolooo"] * 6
    marks = [{"o": "no", "l": "yes"}[c] for row in rows for c in row]
    u = emergence_uniformity(*planted(*rows, columns={"late": marks}))
    text = said(u)
    assert "Liu et al. 2004" in text and "4 to 8 % of yield" in text and "4 to 22 %" in text
    assert len(u.published) == 12
    soy = emergence_uniformity(*planted(*rows, columns={"late": marks}), crop="soybean")
    assert soy.published == () and "none are given for this crop" in said(soy)


def test_few_by_size_are_no_more_than_errors():
    u = emergence_uniformity(*planted("oooolooooooo" + "o" * 12, "o" * 24))
    assert "So small a share cannot be told from none by size" in said(u)


def test_empty():
    u = emergence_uniformity(tables.empty(tables.PLANTS), tables.empty(tables.GAPS))
    assert (u.plants, u.judged, u.late, u.rows) == (0, 0, 0, 0)
    assert len(u.table) == 0 and list(u.table) == LATE_ROWS.names
    assert u.sentences[0] == "Late plants cannot be told: there are no plants."


def test_settings_that_make_no_sense():
    with pytest.raises(BadSettings, match="late_size is 0"):
        LateSettings(late_size=0)
