"""A survey decided again by its labels: made measurements, whose pixels are 0.15 cm wide."""

from dataclasses import replace

import numpy as np
import pandas as pd
import pytest
from fixtures.measured import measured, photo

from standcam import flags, tables
from standcam.batch import run
from standcam.batch.inputs import Input
from standcam.batch.labelled import use_labels
from standcam.plants.labels import LABELLED, Label
from standcam.plants.traits import LOOKS, TRAITS
from standcam.settings import Settings

SETTINGS = Settings().replace("spacing", nominal_spacing_cm=10.0, row_width_cm=75.0)
CM = 800 / 120
"""Pixels to a cm of the made photos; the row lies at y = 199.5 px."""
PLACES = tuple(np.arange(5.0, 106.0, 10.0))
RED = (2, 5, 8)
"""Every photo's plants with red leaves, which are weeds and were taken for crop."""


def at(position_cm, off_cm=0.0):
    return (position_cm + 5) * CM - 0.5, 199.5 - off_cm * CM


def field(name, seed=0, red=RED, method="board", places=PLACES):
    """One photo: eleven finds taken for crop, of which some look otherwise, and a weed far off the row."""
    m = measured(photo(path=name), places, method=method, weeds_px=(at(50.0, 20.0),))
    rng = np.random.default_rng(seed)
    n = len(m.plants)
    looks = {word: rng.normal(0, 0.05, n) for word in LOOKS}
    looks["red"] = rng.normal(0, 0.02, n) + np.where(np.isin(np.arange(n), red), 0.2, 0.0)
    off = np.abs(m.rows[0].offset(m.ground.to_ground(m.plants[["x_px", "y_px"]].to_numpy())))
    traits = pd.DataFrame({"off_line_cm": off, "weed_near": 0.0, **looks})[list(TRAITS)]
    crop = m.plants["is_crop"]
    plants = m.plants.assign(
        judged=np.where(crop, "crop", "weed"),
        crop_probability=np.where(crop, np.where(np.isin(np.arange(n), red), 0.7, 0.8), 0.1),
        flags="",
    )
    return replace(m, plants=plants, traits=traits)


def label(line, name, position_cm, word, off_cm=0.0):
    return Label(line, name, *at(position_cm, off_cm), word)


def walk(photos, upto=99):
    """Labels of every second plant, as they come."""
    return [
        label(n, f"{k}.png", PLACES[i], "weed" if i in RED else "crop", 0.4)
        for n, (k, i) in enumerate(((k, i) for k in range(photos) for i in range(k % 2, 11, 2)), 2)
    ][:upto]


def survey(photos=4):
    return [field(f"{k}.png", seed=k) for k in range(photos)]


def test_red_weeds_that_nobody_labelled_are_turned_out():
    done = use_labels(walk(4), survey(), SETTINGS)
    for m in done.measurements:
        plants = m.plants
        assert plants["is_crop"].sum() == 8 and (plants["judged"] == "weed").sum() == 4
        assert sorted(plants.loc[plants["is_crop"], "position_cm"]) == pytest.approx(
            [p for i, p in enumerate(PLACES) if i not in RED]
        )
    r = done.record
    assert (r["given"], r["used"], r["missed"], r["set_aside"]) == (22, 22, 0, 0)
    assert r["changed_by_own_label"] == 6 and r["taken_out_by_correction"] == 6 and r["taken_in_by_correction"] == 0
    assert r["agreement_before"] == 16 and r["agreement_after_leave_one_out"] > 16
    assert r["weights"]["red"] < -0.3
    assert "16 before" in done.notes[1] and "6 no longer" in done.notes[1]


def test_what_follows_from_plants_follows():
    done = use_labels(walk(4), survey(), SETTINGS)
    m = done.measurements[0]
    tables.check(tables.PLANTS, m.plants)
    tables.check(tables.STRETCHES, m.stretches)
    assert m.stretches[["plants", "weeds", "status"]].iloc[0].tolist() == [8, 4.0, "ok"]
    assert len(m.positions) == 8 and m.positions["position_cm"].is_monotonic_increasing
    assert m.plants["plant"].tolist() == list(range(1, 13)) and m.plants["is_crop"].tolist() == [True] * 8 + [False] * 4
    words = m.plants["flags"].str.split("; ").explode().value_counts()
    assert words["labelled"] == 6 and words["adapted"] == 1
    # looks stay beside their plants
    assert (m.traits["red"] > 0.1).sum() == 3 and (m.traits["red"][:8] < 0.1).all()


def test_a_label_is_obeyed_whatever_the_correction_says():
    labels = [*walk(4), label(90, "1.png", PLACES[2], "crop"), label(91, "1.png", PLACES[0], "nothing")]
    done = use_labels(labels, survey(), SETTINGS)
    plants = done.measurements[1].plants.set_index("position_cm")
    red = plants.loc[PLACES[2]]
    assert red["is_crop"] and red["crop_probability"] == 1.0 and red["judged"] == "crop"
    nothing = plants.loc[PLACES[0]]
    assert not nothing["is_crop"] and nothing["crop_probability"] == 0.0 and nothing["judged"] == "nothing"
    assert flags.parse(nothing["flags"]) & flags.bit("labelled")
    # neither plant nor weed
    assert done.measurements[1].stretches.loc[0, "weeds"] == (plants["judged"] == "weed").sum()


def test_a_weed_in_the_row_that_a_person_calls_crop_gets_a_standard_error():
    m = field("0.png")
    x, y = at(60.0, 1.0)
    weed = m.plants.iloc[-1:].assign(plant=13, x_px=x, y_px=y, position_cm=60.0, offset_cm=1.0)
    traits = pd.concat([m.traits, m.traits.iloc[-1:].assign(off_line_cm=1.0)], ignore_index=True)
    m = replace(m, plants=pd.concat([m.plants, weed], ignore_index=True), traits=traits)
    done = use_labels([label(2, "0.png", 60.0, "crop", 1.0)], [m], SETTINGS)
    row = done.measurements[0].positions.query("position_cm == 60")
    assert row["position_sd_cm"].tolist() == [SETTINGS.labels.labelled_sd_cm]
    assert done.measurements[0].stretches.loc[0, ["plants", "weeds"]].tolist() == [12, 1.0]


def test_labels_that_mean_nothing_are_listed_with_the_reason():
    labels = [
        label(2, "0.png", 40.0, "crop"),
        label(3, "0.png", 50.0, "crop", 20.0),
        label(4, "0.png", -3.0, "weed"),
        label(5, "0.png", 300.0, "crop"),
        label(6, "9.png", 5.0, "crop"),
        label(7, "0.png", 30.0, "nothing"),
        label(8, "0.png", 5.0, "crop"),
        label(9, "0.png", 5.0, "weed"),
    ]
    done = use_labels(labels, survey(1), SETTINGS)
    tables.check(LABELLED, done.table)
    assert done.table["became"].tolist() == ["missed", *["set_aside"] * 7]
    assert done.table["why"].tolist() == [
        "no plant is listed there",
        "it stands 20 cm off the row line and is not counted there",
        "no row was measured there",
        "it lies outside the photo",
        "no photo of this name was counted",
        "no plant is listed there",
        "line 9 says weed of this place",
        "line 8 says crop of this place",
    ]
    assert (done.record["missed"], done.record["set_aside"]) == (1, 7)
    assert "1 plant labelled crop had not been found" in done.notes[0]
    for line, note in zip(range(2, 10), done.notes[1:], strict=True):
        assert f"line {line} " in note
    pd.testing.assert_frame_equal(done.measurements[0].plants, field("0.png", seed=0).plants)


def test_order_of_photos_does_not_matter():
    forth, back = use_labels(walk(4), survey(), SETTINGS), use_labels(walk(4), survey()[::-1], SETTINGS)
    for one, two in zip(forth.measurements, back.measurements[::-1], strict=True):
        pd.testing.assert_frame_equal(one.plants, two.plants, rtol=0, atol=0)
    assert forth.record == back.record


def test_no_labels_change_nothing():
    photos = survey()
    done = use_labels([], photos, SETTINGS)
    assert all(one is two for one, two in zip(done.measurements, photos, strict=True))
    assert len(done.table) == 0 and done.notes == ("The labels file holds no label.",)


def test_labels_that_agree_leave_every_decision():
    photos = [field(f"{k}.png", seed=k, red=()) for k in range(3)]
    labels = [label(n, f"{n % 3}.png", PLACES[n], "crop") for n in range(2, 7)]
    done = use_labels(labels, photos, SETTINGS)
    assert done.record["changed_by_own_label"] == 0 and done.record["taken_out_by_correction"] == 0
    assert all(m.plants["is_crop"].sum() == 11 for m in done.measurements)


def test_a_photo_without_scale_is_decided_and_numbered_too():
    photos = [field("0.png", seed=0, method="none"), *survey(4)[1:]]
    done = use_labels(walk(4), photos, SETTINGS)
    m = done.measurements[0]
    assert m.plants["is_crop"].sum() == 8 and m.stretches.loc[0, ["plants", "status"]].tolist() == [8, "no_scale"]
    assert (np.diff(m.plants["x_px"][:8]) > 0).all()
    assert done.table.loc[done.table["photo"] == "0.png", "distance_cm"].isna().all()


def test_when_the_last_plant_goes_the_stand_is_empty_and_flagged():
    m = field("0.png", places=(50.0,), red=())
    done = use_labels([label(2, "0.png", 50.0, "weed")], [m], SETTINGS).measurements[0]
    assert done.stretches.loc[0, ["plants", "weeds", "status"]].tolist() == [0, 2.0, "empty"]
    assert flags.names(done.flags) == ["no_plants"] and len(done.positions) == 0


def test_mistakes_alone_are_noticed():
    labels = [
        label(n, f"{k}.png", PLACES[i], "weed") for n, (k, i) in enumerate([(k, i) for k in (0, 1) for i in RED], 2)
    ]
    done = use_labels(labels, survey(), SETTINGS)
    assert any("Label plants as they come" in note for note in done.notes)


def test_a_survey_without_finds():
    bare = replace(
        field("0.png"), plants=tables.empty(tables.PLANTS), traits=pd.DataFrame(columns=list(TRAITS), dtype=float)
    )
    done = use_labels([label(2, "0.png", 5.0, "crop")], [bare], SETTINGS)
    assert done.table["became"].tolist() == ["missed"] and done.measurements[0].plants.empty


def test_a_batch_takes_labels_between_measuring_and_summarising(tmp_path, monkeypatch):
    from PIL import Image

    asked = []

    def measure(picture, settings, plot, looks):
        asked.append(looks)
        return field(picture.path.name, seed=int(picture.path.stem))

    monkeypatch.setattr(run, "measure_photo", measure)
    inputs = [Input(str(tmp_path / f"{k}.png"), f"{k}.png", str(k)) for k in range(4)]
    for k, made in enumerate(inputs):
        Image.fromarray(np.full((4, 4, 3), 40 + k, np.uint8)).save(made.path)
    plain, done = run.count_photos(inputs, SETTINGS), run.count_photos(inputs, SETTINGS, labels=walk(4))
    assert asked == [False] * 4 + [True] * 4
    assert plain.labelled is None and plain.rows["plants"].tolist() == [11] * 4
    assert done.rows["plants"].tolist() == [8] * 4 and done.rows["weeds"].tolist() == [4.0] * 4
    assert done.plots["weeds"].tolist() == [4.0] * 4 and (done.gaps["kind"] == "skip_1").sum() == 12


def test_labels_take_the_doubt_off_a_row():
    m = field("0.png", red=())
    m = replace(
        m,
        plants=m.plants.assign(crop_probability=0.55),
        stretches=m.stretches.assign(flags=flags.words(flags.bit("finds_unsure", "blurred"))),
    )
    all_but_one = [label(n, "0.png", p, "crop") for n, p in enumerate(PLACES[1:], 2)]
    some, most = (use_labels(said, [m], SETTINGS).measurements[0] for said in (all_but_one[:2], all_but_one))
    assert some.stretches.loc[0, "flags"] == "finds_unsure; blurred"
    assert most.stretches.loc[0, "flags"] == "blurred"
