from standcam.report import chart


def drawn(title):
    figure, ax = chart.new_chart(width_in=3, height_in=2)
    ax.plot([0, 1], [0, 1])
    ax.set_title(chart.plain(title))
    return chart.png(figure)


def test_equal_figures_give_equal_bytes():
    assert drawn("a") == drawn("a") != drawn("b")
    assert drawn("a").startswith(b"\x89PNG")


def test_names_from_outside_do_no_harm():
    # a formula that is none, a letter the font lacks, a control character
    for name in (r"cost $\frac{$ and $x", "field \u6c34", "a\x07b", "a\nb"):
        assert drawn(name).startswith(b"\x89PNG")


def test_long_names_are_cut_in_the_middle():
    assert chart.plain("x" * 10, 20) == "x" * 10
    cut = chart.plain("beginning-of-a-long-name-and-its-end.jpg", 21)
    assert len(cut) == 21 and cut == "beginning-\u2026ts-end.jpg"


def test_axes_are_those_of_subplots():
    figure, axes = chart.new_chart(2, 3)
    assert axes.shape == (2, 3) and len(figure.axes) == 6
