"""Edits by hand: lines written and read back with every number, and replayed over raw finds."""

import json
import math
from dataclasses import asdict

import pandas as pd
import pytest

from standcam import flags, tables
from standcam.settings import SpacingSettings, StatisticsSettings
from standcam.spacing.edits import (
    Edit,
    apply_edits,
    finds_digest,
    live,
    next_number,
    parse_edits,
    replay,
    stretches_again,
)
from standcam.spacing.positions import positions_from_plants
from standcam.summarise import summarise

SPACING = SpacingSettings(nominal_spacing_cm=20, row_width_cm=75)


def finds(*positions_cm, crop=True):
    """PLANTS of one row of one photo, numbered from 1, 10 px a cm."""
    lines = [
        {
            "photo": "a.jpg", "plot": "north", "plant": n, "row": 1, "position_cm": cm, "offset_cm": 0.5,
            "x_px": 10 * cm, "y_px": 200.0, "position_sd_cm": 0.2, "crop_probability": 0.95,
            "is_crop": crop, "judged": "crop",
        }
        for n, cm in enumerate(positions_cm, 1)
    ]  # fmt: skip
    return tables.conform(tables.PLANTS, pd.DataFrame(lines))


def summarised(plants, length_cm=100.0):
    counts = int(plants["is_crop"].sum())
    row = {
        "photo": "a.jpg",
        "plot": "north",
        "row": 1,
        "from_cm": 0.0,
        "to_cm": length_cm,
        "plants": counts,
        "status": "ok",
    }
    stretches = tables.conform(tables.STRETCHES, pd.DataFrame([row]))
    return summarise(positions_from_plants(plants), stretches, SPACING)


def edit(what, plants, **more):
    own = {
        "id": f"{what}-{len(more)}-{more.get('plant', 0)}", "when": "2031-05-14T10:00:00.000+00:00", "who": "a scout",
        "what": what, "photo": "a.jpg", "picture": "a.jpg", "finds": finds_digest(plants),
    }  # fmt: skip
    return Edit(**(own | more))


def through_the_file(*edits):
    """As the file gives them back: written, read, nothing passed over."""
    file = parse_edits("".join(e.line() + "\n" for e in edits).encode("ascii"))
    assert file.notes == ()
    return file.edits


def test_an_edit_comes_back_with_every_number():
    plants = finds(5, 25, 45)
    full = edit(
        "add",
        plants,
        plot="north",
        row=2,
        plant=4,
        x_px=12.34,
        y_px=0.25,
        position_cm=-1.5,
        offset_cm=-0.75,
        judged="weed",
    )
    assert through_the_file(full) == (full,)
    assert "of" not in json.loads(full.line()), "what is empty is left out"


@pytest.mark.parametrize("zero", [0.0, -0.0])
@pytest.mark.parametrize("name", ["x_px", "y_px", "position_cm", "offset_cm"])
@pytest.mark.parametrize("what", ["add", "move"])
def test_a_number_that_is_exactly_zero_is_kept(what, name, zero):
    plants = finds(5, 25, 45)
    place = {"x_px": 120.0, "y_px": 200.0, "position_cm": 12.0, "offset_cm": 0.3} | {name: zero}
    one = edit(
        what,
        plants,
        plot="north",
        row=1,
        plant=4 if what == "add" else 2,
        judged="crop" if what == "add" else "",
        **place,
    )
    (back,) = through_the_file(one)
    assert asdict(back) == asdict(one)
    new, tally = replay(plants, [back])
    assert (tally.added, tally.moved, tally.not_used) == ((1, 0, 0) if what == "add" else (0, 1, 0))
    at = new[new["plant"] == one.plant].iloc[0]
    assert {n: at[n] for n in place} == place
    assert at["position_sd_cm"] == 0.5


def test_without_scale_the_position_stays_missing():
    plants = finds(5, 25, 45)
    (back,) = through_the_file(edit("add", plants, plot="north", row=1, plant=4, x_px=0.0, y_px=0.0, judged="crop"))
    assert math.isnan(back.position_cm) and math.isnan(back.offset_cm) and (back.x_px, back.y_px) == (0.0, 0.0)
    new, _ = replay(plants, [back])
    assert math.isnan(new[new["plant"] == 4]["position_sd_cm"].iloc[0])


def test_a_plant_added_at_the_very_start_changes_the_gaps_by_head():
    # plants at 20, 40, 60 of 100 cm; one more at 0.0: one more single gap, and no open end before the first
    plants = finds(20, 40, 60)
    raw = summarised(plants)
    new = edit(
        "add", plants, plot="north", row=1, plant=4, x_px=0.0, y_px=200.0, position_cm=0.0, offset_cm=0.0, judged="crop"
    )
    done = apply_edits(
        plants, raw.gaps, raw.rows, raw.plots, through_the_file(new), SPACING, StatisticsSettings(resamples=10)
    )
    assert done.rows["plants"].tolist() == [4]
    assert done.gaps[done.gaps["kind"] == "single"]["gap_cm"].tolist() == pytest.approx([20, 20, 20])
    assert flags.parse(done.rows["flags"].iloc[0]) & flags.bit("edited")
    # the same stand counted at once gives the same numbers
    whole = summarised(pd.concat([finds(0, 20, 40, 60)]))
    for name in ("mean_gap_cm", "cv_pct", "multiples_pct", "misses_pct", "plants"):
        assert done.rows[name].iloc[0] == pytest.approx(whole.rows[name].iloc[0]), name


def test_undo_and_undo_of_undo():
    plants = finds(5, 25)
    a = edit("judge", plants, plant=1, judged="nothing", id="a")
    u = edit("undo", plants, of="a", id="u")
    r = edit("undo", plants, of="u", id="r")
    assert live([a]) == [a] and live([a, u]) == [] and live([a, u, r]) == [a]
    assert replay(plants, [a, u])[1].edited == 0 and replay(plants, [a, u, r])[1].taken_out == 1


def test_edits_on_other_finds_are_not_used_and_said_so():
    old, new = finds(5, 25), finds(5, 26)
    out, tally = replay(new, [edit("judge", old, plant=1, judged="nothing")])
    pd.testing.assert_frame_equal(out, new)
    assert tally.not_used == 1 and "not used" in tally.sentences()[0]


@pytest.mark.parametrize(
    "line",
    [b'{"id": "a", "what": "add"}', b"[]", b'{"id": 3}', b"\xff\xfe",
     b'{"id":"a","what":"move","photo":"a","plant":1,"row":1,"x_px":1e999,"y_px":1}'],
)  # fmt: skip
def test_what_is_no_edit_is_passed_over_with_a_word(line):
    good = edit("judge", finds(5), plant=1, judged="weed")
    file = parse_edits(line + b"\n" + good.line().encode() + b"\n")
    assert file.edits == (good,) and "line 1" in file.notes[0]
    torn = parse_edits(good.line().encode() + b"\n" + good.line().encode()[:-9])
    assert torn.edits == (good,) and "cut short" in torn.notes[0]


def test_numbers_are_never_given_twice():
    plants = finds(5, 25)
    added = edit("add", plants, plant=7, row=1, x_px=1.0, y_px=1.0, judged="crop", id="a")
    gone = edit("undo", plants, of="a", id="u")
    assert next_number(plants, [], "a.jpg") == 3 and next_number(plants, [added, gone], "a.jpg") == 8
    assert next_number(plants, [added], "b.jpg") == 1


def test_stretches_come_back_as_they_were():
    plants = finds(5, 25, 45)
    raw = summarised(plants)
    again = stretches_again(raw.rows, raw.gaps, plants, ())
    assert again["from_cm"].tolist() == [0.0] and again["to_cm"].tolist() == pytest.approx([100.0])
