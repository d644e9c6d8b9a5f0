"""Rows longer than a photo: overlapping photos joined, against the truth of a made row with true cameras."""

import dataclasses

import numpy as np
import pandas as pd
import pytest
from fixtures.series import measured_tables, series

from standcam import flags, tables
from standcam.aside import Lines
from standcam.chain.join import design_of_chains, find_chains, join_marks, join_rows
from standcam.chain.register import CHAINS, MARKS, SEAMS
from standcam.errors import BadSettings
from standcam.settings import ChainSettings
from standcam.spacing.positions import positions_from_plants
from standcam.summarise import summarise

KEYS = ["photo", "plot", "row"]


def joined(measured, settings=None, **more):
    chains = find_chains(*measured, settings, **more)
    return chains, join_rows(measured[0], measured[1], chains, settings)


def truth_of(made, ids):
    return made.truth.set_index("plant_id")["x_mm"].reindex(ids).to_numpy(float) / 10


def crop_of(out):
    return out.plants[out.plants["is_crop"]].sort_values(["photo", "position_cm"])


def turned(tables_, photo):
    """The same photo taken from the other side of the row: its row runs the other way."""
    plants, stretches, marks = (t.copy() for t in tables_)
    length = float(stretches.loc[stretches["photo"] == photo, "to_cm"].iloc[0])
    for table in (plants, marks):
        here = table["photo"] == photo
        table.loc[here, "position_cm"] = length - table.loc[here, "position_cm"]
        table.loc[here, "offset_cm"] = -table.loc[here, "offset_cm"]
    return plants, stretches, marks


def without(tables_, photo):
    return tuple(t[t["photo"] != photo].reset_index(drop=True) for t in tables_)


@pytest.mark.parametrize("seed", range(4))
def test_six_metres_in_four_photos_have_the_count_and_the_gaps_of_truth(seed):
    made = series(seed=seed)
    measured = measured_tables(made, seed=seed)
    chains, out = joined(measured)
    assert list(out.stretches["photo"]) == ["part_1.jpg..part_4.jpg"]
    crop = crop_of(out)
    ids = list(crop["truth"])
    assert len(ids) == len(set(ids)) == measured[0]["truth"].nunique()  # all that any photo shows, each once
    assert int(out.stretches["plants"].iloc[0]) == len(ids)
    x = truth_of(made, ids)
    error = np.diff(crop["position_cm"].to_numpy(float)) - np.diff(x)
    source = crop["source_photo"].to_numpy()
    seam = source[1:] != source[:-1]
    # stems are placed to 0.2 cm or so each; across seams no worse than within photos
    assert seam.sum() >= 3
    assert np.abs(error[seam]).max() < 1.0
    assert np.sqrt(np.mean(error[seam] ** 2)) < 1.5 * np.sqrt(np.mean(error[~seam] ** 2))
    length = out.stretches["to_cm"].iloc[0]
    assert 610 < length < 645
    assert flags.parse(out.stretches["flags"].iloc[0]) & flags.bit("chained")
    assert (chains.seams["joined"]).all() and len(chains.seams) == 3
    assert chains.seams["plants_both"].min() >= 1


def test_summary_of_a_chain_is_that_of_the_row(seed=2):
    made = series(seed=seed)
    measured = measured_tables(made, seed=seed)
    _, out = joined(measured)
    summary = summarise(positions_from_plants(out.plants), out.stretches)
    x = np.sort(truth_of(made, crop_of(out)["truth"]))
    row = summary.rows.iloc[0]
    assert row["plants"] == len(x)
    assert row["mean_gap_cm"] == pytest.approx(np.diff(x).mean(), rel=0.01)
    assert row["sd_gap_cm"] == pytest.approx(np.diff(x).std(ddof=1), rel=0.05)
    each = summarise(positions_from_plants(measured[0]), measured[1])
    assert each.rows["plants"].sum() > len(x)  # what photos one by one count twice


@pytest.mark.parametrize("order", [(3, 1, 0, 2), (1, 0, 3, 2), (3, 2, 1, 0)])
def test_order_of_photos_does_not_matter(order):
    made = series(seed=5)
    measured = measured_tables(made)
    names = [f"part_{n + 1}.jpg" for n in order]
    mixed = tuple(pd.concat([t[t["photo"] == name] for name in names], ignore_index=True) for t in measured)
    straight, shuffled = joined(measured)[1], joined(mixed)[1]
    assert set(crop_of(straight)["truth"]) == set(crop_of(shuffled)["truth"])
    gaps = [np.diff(crop_of(out)["position_cm"].to_numpy(float)) for out in (straight, shuffled)]
    np.testing.assert_allclose(gaps[0], gaps[1], atol=1e-6)


def test_a_photo_from_the_other_side_is_turned_round():
    made = series(seed=6)
    measured = measured_tables(made)
    straight = joined(measured)[1]
    chains, out = joined(turned(measured, "part_3.jpg"))
    assert list(chains.table["direction"]) == [1, 1, -1, 1]
    assert set(crop_of(out)["truth"]) == set(crop_of(straight)["truth"])
    np.testing.assert_allclose(crop_of(out)["position_cm"], crop_of(straight)["position_cm"], atol=1e-6)
    np.testing.assert_allclose(crop_of(out)["offset_cm"], crop_of(straight)["offset_cm"], atol=1e-6)


def test_a_missing_photo_leaves_two_pieces_and_says_so():
    made = series(seed=1)
    measured = without(measured_tables(made), "part_2.jpg")
    chains, out = joined(measured)
    assert list(out.stretches["photo"]) == ["part_1.jpg", "part_3.jpg..part_4.jpg"]
    assert any("2 pieces that nothing ties together" in note for note in chains.notes)
    ids = list(crop_of(out)["truth"])
    assert len(ids) == len(set(ids))


def test_photos_that_share_a_board_but_no_row_are_not_joined():
    made = series(photos=2, seed=1)
    plants, stretches, marks = measured_tables(made)
    # the second photo measured only its far half: 40 cm or so that no photo measured lie between
    cut = 90.0
    second = "part_2.jpg"
    plants = plants[(plants["photo"] != second) | (plants["position_cm"] > cut)].copy()
    plants.loc[plants["photo"] == second, "position_cm"] -= cut
    marks.loc[marks["photo"] == second, "position_cm"] -= cut
    stretches.loc[stretches["photo"] == second, "to_cm"] -= cut
    chains, out = joined((plants, stretches, marks))
    assert not chains.any and len(out.stretches) == 2
    assert "were not measured" in chains.seams["remark"].iloc[0]
    assert any("not joined" in note for note in chains.notes)


def test_one_board_carried_from_place_to_place_joins_nothing():
    """Separate samples of one plot, each with the same board lying alike, the planter as even as can be."""
    wrong = 0
    for seed in range(8):
        parts = []
        for k in range(2):
            one = measured_tables(
                series(photos=1, seed=1000 + 2 * seed + k, planter={"placement_sd_mm": 5.0}), seed=seed
            )
            parts.append(tuple(t.assign(photo=f"sample_{k + 1}.jpg") for t in one))
        measured = tuple(pd.concat([a, b], ignore_index=True) for a, b in zip(*parts, strict=True))
        chains = find_chains(*measured)
        wrong += chains.any
        assert not len(chains.seams)  # the usual way of sampling is not worth a line a pair
        assert any("carried along" in note for note in chains.notes)
    assert wrong == 0


def test_a_board_that_was_moved_between_two_photos_joins_nothing():
    """Two boards in the plot, so nothing speaks against joining but the plants: refused in 11 of 12 pairs or more."""
    wrong = 0
    for seed in range(12):
        parts = []
        for k in range(2):
            one = measured_tables(series(photos=1, seed=2000 + 2 * seed + k), seed=seed)
            keep = one[2]["board"] == "board 1" if k else one[2]["board"] != ""
            parts.append(tuple(t.assign(photo=f"{k}.jpg") for t in (*one[:2], one[2][keep])))
        measured = tuple(pd.concat([a, b], ignore_index=True) for a, b in zip(*parts, strict=True))
        other = series(photos=1, seed=9)
        third = tuple(t.assign(photo="2.jpg") for t in measured_tables(other))
        third[2]["marker"] = "4" + third[2]["marker"]
        chains = find_chains(*(pd.concat([a, b], ignore_index=True) for a, b in zip(measured, third, strict=True)))
        wrong += chains.any
    assert wrong <= 1


def test_one_board_at_the_ends_of_two_photos_joins_them_only_if_plants_bear_it_out():
    plants, stretches, marks = measured_tables(series(photos=2, seed=4))
    one = marks[marks["board"] == "board 2"].reset_index(drop=True)
    chains = find_chains(plants, stretches, one)
    assert chains.any and chains.seams["plants_both"].iloc[0] >= 3
    bare = plants[~plants["truth"].isin(plants.loc[plants.duplicated("truth"), "truth"])]
    chains = find_chains(bare, stretches, one)
    assert not chains.any
    assert "carried along" in chains.seams["remark"].iloc[0]


def test_empty_stands_with_a_carried_board_are_not_one_place():
    plants, stretches, marks = measured_tables(series(photos=1, seed=3))
    parts = [
        (plants.iloc[:0], stretches.assign(photo=f"{n}.jpg", status="empty"), marks.assign(photo=f"{n}.jpg"))
        for n in "ab"
    ]
    chains = find_chains(*(pd.concat(t, ignore_index=True) for t in zip(*parts, strict=True)))
    assert not chains.any
    assert any("carried along" in note for note in chains.notes)


def test_photos_of_two_plots_or_visits_are_not_joined():
    measured = measured_tables(series(photos=2, seed=4))
    assert find_chains(*measured).any
    apart = tuple(t.assign(plot=t["photo"]) for t in measured)
    assert not find_chains(*apart).any
    assert not find_chains(*measured, group=lambda piece: (piece.plot, piece.photo)).any
    assert not find_chains(*measured, ChainSettings(boards=False)).any


def test_a_plant_that_one_photo_misses_is_kept_and_flagged():
    made = series(photos=2, seed=4)
    plants, stretches, marks = measured_tables(made)
    shared = plants.loc[plants.duplicated("truth"), "truth"].tolist()
    assert len(shared) >= 3
    lost = shared[1]
    plants = plants[~((plants["photo"] == "part_2.jpg") & (plants["truth"] == lost))].reset_index(drop=True)
    chains, out = joined((plants, stretches, marks))
    crop = crop_of(out).set_index("truth")
    assert crop.loc[lost, "flags"] == "seam"
    assert (crop["flags"] == "seam").sum() == 1
    assert crop.loc[shared[0], "seen"] == 2 and crop.loc[lost, "seen"] == 1
    assert chains.seams["plants_one"].iloc[0] == 1


def test_the_surer_of_two_judgements_holds():
    made = series(photos=2, seed=4)
    plants, stretches, marks = measured_tables(made)
    shared = plants.loc[plants.duplicated("truth"), "truth"].iloc[1]
    here = (plants["photo"] == "part_2.jpg") & (plants["truth"] == shared)
    plants.loc[here, ["crop_probability", "is_crop", "judged"]] = [0.45, False, "doubtful"]
    _, out = joined((plants, stretches, marks))
    crop = crop_of(out).set_index("truth")
    assert crop.loc[shared, "is_crop"] and crop.loc[shared, "flags"] == ""
    plants.loc[plants["truth"] == shared, "crop_probability"] = [0.51, 0.02]
    _, out = joined((plants, stretches, marks))
    assert shared not in set(crop_of(out)["truth"])


def test_doubles_in_the_overlap_stay_two_plants():
    made = series(photos=2, seed=4, planter={"p_double": 1.0, "p_no_emergence": 0.0})
    measured = measured_tables(made, stem_sd_px=0.5)
    _, out = joined(measured)
    ids = list(crop_of(out)["truth"])
    assert len(ids) == len(set(ids)) == measured[0]["truth"].nunique()


def test_the_error_of_a_position_falls_where_two_photos_agree():
    _, out = joined(measured_tables(series(photos=2, seed=4)))
    crop = crop_of(out)
    assert (
        crop.loc[crop["seen"] == 2, "position_sd_cm"].max() < 0.2 == crop.loc[crop["seen"] == 1, "position_sd_cm"].max()
    )


def test_boards_above_the_furrow_show_as_a_disagreement():
    """25 mm of furrow, seen from 1.5 m: plants lie some 2.5 cm from where the boards have them, and the row says so."""
    made = series(seed=1, furrow_mm=25.0)
    chains, out = joined(measured_tables(made))
    assert chains.seams["disagreement_mm"].between(15, 40).all()
    assert flags.parse(out.stretches["flags"].iloc[0]) & flags.bit("seam_off")
    assert any("disagree" in note for note in chains.notes)
    ids = list(crop_of(out)["truth"])
    assert len(ids) == len(set(ids))
    error = np.diff(crop_of(out)["position_cm"].to_numpy(float)) - np.diff(truth_of(made, ids))
    source = crop_of(out)["source_photo"].to_numpy()
    assert np.abs(error[source[1:] != source[:-1]]).max() < 1.2


def test_boards_at_known_places_join_photos_without_a_common_board():
    made = series(photos=2, seed=8)
    plants, stretches, marks = measured_tables(made)
    lone = marks[~((marks["photo"] == "part_2.jpg") & (marks["board"] == "board 2"))].reset_index(drop=True)
    assert not find_chains(plants, stretches, lone).any
    at = ChainSettings(board_at_cm=("board 1 = 0", "board 2 = 145", "board 3 = 290"))
    chains, out = joined((plants, stretches, lone), at)
    assert chains.seams["by"].iloc[0] == "board 2 and board 3 at known places"
    same = joined((plants, stretches, marks))[1]
    assert set(crop_of(out)["truth"]) == set(crop_of(same)["truth"])
    assert len(crop_of(out)) == len(crop_of(same))
    np.testing.assert_allclose(crop_of(out)["position_cm"], crop_of(same)["position_cm"], atol=1.0)


def test_plants_alone_join_only_when_asked_and_only_where_sure():
    made = series(photos=2, seed=9, step_mm=900.0, planter={"placement_sd_mm": 35.0})
    plants, stretches, marks = measured_tables(made)
    bare = marks.iloc[:0]
    assert not find_chains(plants, stretches, bare).any
    chains, out = joined((plants, stretches, bare), ChainSettings(by_plants=True))
    assert chains.any and chains.seams["by"].iloc[0] == "plants"
    assert len(crop_of(out)) == crop_of(out)["truth"].nunique() == plants["truth"].nunique()


def test_rows_side_by_side_are_joined_each_with_itself():
    made = series(photos=2, seed=4)
    plants, stretches, marks = measured_tables(made)
    other = measured_tables(series(photos=2, seed=4), seed=2)
    # a neighbour 76 cm beside, seen in both photos: the boards lie 76 cm farther across from it
    beside = tuple(t.assign(row=2) for t in other)
    beside = (beside[0], beside[1], beside[2].assign(offset_cm=beside[2]["offset_cm"] - 76))
    both = tuple(pd.concat([a, b], ignore_index=True) for a, b in zip((plants, stretches, marks), beside, strict=True))
    chains, out = joined(both)
    assert list(out.stretches["row"]) == [1, 2]
    assert len(chains.seams) == 2 and (chains.seams["row"] == chains.seams["next_row"]).all()


def test_marks_travel_into_the_chain():
    made = series(photos=3, seed=4)
    measured = measured_tables(made)
    chains, _ = joined(measured)
    marks = join_marks(measured[2], chains)
    assert list(marks["photo"].unique()) == ["part_1.jpg..part_3.jpg"]
    assert not marks.duplicated([*KEYS, "marker", "corner"]).any()
    middle = marks.groupby("board")["position_cm"].mean()
    np.testing.assert_allclose(np.diff(middle[["board 1", "board 2", "board 3", "board 4"]]), 145.0, atol=1.5)


def test_nothing_in_nothing_out():
    chains = find_chains(tables.empty(tables.PLANTS), tables.empty(tables.STRETCHES), tables.empty(MARKS))
    assert not chains.any
    tables.check(CHAINS, chains.table)
    tables.check(SEAMS, chains.seams)
    out = join_rows(tables.empty(tables.PLANTS), tables.empty(tables.STRETCHES), chains)
    assert not len(out.plants) and not len(out.stretches)


def test_rows_in_no_chain_stay_as_they_are():
    measured = measured_tables(series(photos=2, seed=4))
    loner = measured_tables(series(photos=1, seed=11))
    loner = tuple(t.assign(photo="alone.jpg", plot="P9") for t in loner)
    both = tuple(pd.concat([a, b], ignore_index=True) for a, b in zip(loner, measured, strict=True))
    _, out = joined(both)
    assert list(out.stretches["photo"]) == ["alone.jpg", "part_1.jpg..part_2.jpg"]
    same = out.plants[out.plants["photo"] == "alone.jpg"][loner[0].columns].reset_index(drop=True)
    pd.testing.assert_frame_equal(same, loner[0], check_dtype=False)


@pytest.mark.parametrize("text", ["board 2", "= 4", "board 2 = far"])
def test_places_of_boards_must_be_readable(text):
    with pytest.raises(BadSettings, match="board_at_cm"):
        ChainSettings(board_at_cm=(text,))
    assert ChainSettings(board_at_cm=("board  2=150",)).places() == {"board 2": 150.0}


def test_settings_must_make_sense():
    for change in ({"tolerance_cm": 0.0}, {"alone_share": 0.6}):
        with pytest.raises(BadSettings):
            dataclasses.replace(ChainSettings(), **change)


@pytest.mark.parametrize("rows", [[pd.NA] * 3, ["", "", ""], ["1", "1", "1"], [1, 1, 1]])
def test_a_chain_is_of_the_plot_map_lines_of_its_first_photo(rows):
    from standcam.stand.plotmap import join_plot_map

    measured = measured_tables(series(photos=2, seed=4))
    _, out = joined(measured)
    design = pd.DataFrame(
        {
            "photo": ["part_1.jpg", "part_2.jpg", "x.jpg"],
            "row": pd.Series(rows, dtype="Int64" if not isinstance(rows[0], str) else "str"),
            "treatment": ["slow", "slow", "fast"],
        }
    )
    table = join_plot_map(out.stretches, design_of_chains(design, Lines.of(tables.PLANTS, out.plants)))[0]
    assert list(table["treatment"]) == ["slow"]
    pd.testing.assert_frame_equal(design_of_chains(design, Lines.of(tables.PLANTS, measured[0])), design)
