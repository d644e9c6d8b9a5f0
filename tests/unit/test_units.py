import pytest

from standcam import units


def test_definitions():
    # inch: international yard and pound agreement 1959; acre: 43,560 square feet
    assert units.CM_PER_INCH == 2.54
    assert pytest.approx(30.48) == units.CM_PER_FOOT
    assert pytest.approx(4046.856, abs=5e-4) == units.M2_PER_ACRE
    assert pytest.approx(2.47105, abs=5e-6) == units.ACRES_PER_HA


@pytest.mark.parametrize("value", [0.0, 1.0, 73_215.4])
def test_there_and_back(value):
    assert units.per_ha(units.per_acre(value)) == pytest.approx(value)


def test_lengths():
    assert units.inches(254.0) == pytest.approx(100)
    assert units.feet(304.8) == pytest.approx(10)
    assert units.CM_PER_UNIT["m"] == 100 and units.CM_PER_UNIT["mm"] == 0.1


def test_spacing():
    # 80,000 plants per ha in rows of 75 cm: 1 m² holds 8 plants on 1.333 m of row
    assert units.spacing_cm(80_000, 75) == pytest.approx(100 / 6)
