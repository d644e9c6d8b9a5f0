from __future__ import annotations

import pytest

from standcam.planter.checklist import CAUTIONS, Sign, causes, checklist

GROUPS = {"meter", "drop", "drive", "soil side", "operation", "seed", "seedbed"}


def names(*signs):
    return [item.cause.name for item in checklist(signs)]


def test_every_cause_is_whole():
    assert {c.group for c in causes()} == GROUPS
    for cause in causes():
        assert cause.look and cause.source and cause.signs
        assert all(0 < w <= 1.6 for w in cause.signs.values())
    # what the trade looks at is all there
    text = " ".join(f"{c.name} {c.look}".lower() for c in causes())
    for word in (
        "disc", "seal", "vacuum", "singulator", "lubricant", "tube", "sensor", "bounce", "chain", "clutch", "oil",
        "opener", "depth", "down force", "clos", "speed", "crust", "germination", "size", "treat",
    ):  # fmt: skip
        assert word in text, word


def test_no_sign_no_cause():
    assert checklist([]) == ()
    assert checklist([Sign("unheard of", 2.0, "")]) == ()


def test_doubles_point_to_the_singulator_and_not_to_the_soil():
    found = checklist([Sign("doubles", 1.4, "9 % doubles")])
    assert found[0].cause.name.startswith("Singulator too open") and found[0].sure
    assert not {i.cause.group for i in found} & {"soil side", "seed", "seedbed", "drive"}
    assert found[0].evidence == ("9 % doubles",)


def test_scatter_points_to_the_drop():
    assert [i.cause.group for i in checklist([Sign("scatter", 1.2, "wide")])[:2]] == ["drop", "drop"]


def test_failed_seed_points_to_seed_and_soil_and_not_to_the_meter():
    found = checklist([Sign("failed", 1.3, "seed in the gaps")])
    assert [i.cause.group for i in found[:2]] == ["seed", "soil side"]
    assert "meter" not in {i.cause.group for i in found}


def test_recurring_faults_point_to_one_cell():
    assert names(Sign("recurs_missing", 1.2, "every 30"))[0] == "One cell of the disc, or one finger"


def test_what_is_only_possible_comes_last():
    found = checklist([Sign("doubles", 0.6, "perhaps"), Sign("patches", 1.0, "sure")])
    assert [i.sure for i in found] == sorted((i.sure for i in found), reverse=True)
    assert found[0].cause.group == "seedbed" and not found[-1].sure


def test_two_signs_beat_one():
    one = {i.cause.name: i.score for i in checklist([Sign("scatter", 1.0, "a")])}
    two = {i.cause.name: i.score for i in checklist([Sign("scatter", 1.0, "a"), Sign("displaced", 1.0, "b")])}
    assert two["Bounce of the row unit"] > one["Bounce of the row unit"]


@pytest.mark.parametrize("word", ["park", "stop engine", "block", "operator's manual", "trained technician"])
def test_cautions(word):
    assert word in " ".join(CAUTIONS)
