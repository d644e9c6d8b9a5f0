import math

from standcam.estimate import Estimate


def test_another_unit():
    assert Estimate(2.0, 1.0, 4.0, 0.9).scaled(10) == Estimate(20.0, 10.0, 40.0, 0.9)


def test_a_turned_sign_turns_the_ends():
    turned = Estimate(2.0, 1.0, 4.0).scaled(-1)
    assert (turned.value, turned.low, turned.high) == (-2.0, -4.0, -1.0)


def test_unknown_ends_stay_unknown():
    without = Estimate(2.0).scaled(3)
    assert without.value == 6 and math.isnan(without.low) and math.isnan(without.high) and without.known
    one = Estimate(2.0, math.nan, 4.0).scaled(-1)
    assert one.low == -4 and math.isnan(one.high)
    assert not Estimate(math.nan).known
