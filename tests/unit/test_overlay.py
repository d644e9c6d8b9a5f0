"""Marked photos: finds at their places, words never over stems, nothing crashes on odd measurements."""

import cv2
import numpy as np
import pytest
from fixtures.measured import measured, photo

from standcam import flags, tables
from standcam.report import overlay
from standcam.report.canvas import INK, SKY, WHITE, Canvas, text_width, wrapped, write
from standcam.settings import OutputSettings, SpacingSettings
from standcam.summarise import summarise

SPACING = SpacingSettings(nominal_spacing_cm=15.0, row_width_cm=75.0)


def marked(picture, m, output=None):
    s = summarise(m.positions, m.stretches, SPACING)
    jpeg = overlay.mark_photo(picture, m, s.gaps, output, s.rows)
    return cv2.imdecode(np.frombuffer(jpeg, np.uint8), cv2.IMREAD_COLOR_RGB).astype(int)


def top_of(whole):
    """First line of the photo under the head band: brown instead of ink at the left edge."""
    return int(np.flatnonzero(whole[:, :3].mean(axis=(1, 2)) > 60)[0])


def near(pixel, colour, by=60):
    return np.abs(np.asarray(pixel) - colour).max() <= by


def test_stems_weeds_and_row_stand_at_their_places():
    picture = photo(1600, 800)
    m = measured(picture)
    whole = marked(picture, m)
    top = top_of(whole)
    assert whole.shape[1] == 1600 and whole.shape[0] > 800 + top
    for plant in m.plants[m.plants["is_crop"]].itertuples():
        x, y = round(plant.x_px), round(plant.y_px) + top
        assert near(whole[y, x], SKY, 90), "dot"
        assert whole[y + 9, x - 9].min() > 150, "white ring"
    x, y = 100, 40 + top
    assert near(whole[y, x], (240, 228, 66), 70) and near(whole[y + 6, x - 6], (240, 228, 66), 90), "weed"
    # white row line half way through a single gap, and end bars at 5 and 115 cm of 120
    middle = m.ground.to_pixels(m.rows[0].points([15.5 - 55]))[0].round().astype(int)
    assert whole[middle[1] + top, middle[0]].min() > 150
    for end in (-55.0, 55.0):
        x, y = m.ground.to_pixels(m.rows[0].points([end]))[0].round().astype(int)
        assert whole[y + top - 40, x].min() > 170


def test_a_bent_row_is_drawn_bent():
    picture = photo(1600, 800)
    m = measured(picture, positions_cm=(), bend_per_cm=0.004)
    whole = marked(picture, m)
    top = top_of(whole)
    chord = m.ground.to_pixels(m.rows[0].points([50.0]))[0].round().astype(int)
    straight = round((800 - 1) / 2)
    assert abs(chord[1] - straight) > 100  # 10 cm of 120 on 1600 px
    # dashed, for without plants the whole stretch is open: one dash is 14 px long
    around = whole[chord[1] + top - 12 : chord[1] + top + 13, chord[0] - 16 : chord[0] + 17]
    assert around.min(axis=2).max() > 200
    assert near(whole[straight + top, chord[0]], (120, 95, 70), 40)


def test_a_large_photo_is_reduced_and_places_follow():
    picture = photo(3200, 1600)
    m = measured(picture)
    whole = marked(picture, m)
    top = top_of(whole)
    assert whole.shape[1] == 1600
    stem = m.plants.iloc[0]
    x, y = ((stem[["x_px", "y_px"]].to_numpy(float) + 0.5) / 2 - 0.5).round().astype(int)
    assert near(whole[y + top, x], SKY, 90)


def test_the_packed_copy_gives_the_same_picture():
    picture = photo(1600, 800)
    m = measured(picture)
    s = summarise(m.positions, m.stretches, SPACING)
    direct = overlay.mark_photo(picture, m, s.gaps, None, s.rows)
    stored = overlay.mark_view(overlay.pack_view(picture.rgb), m, s.gaps, s.rows, OutputSettings())
    pictures = [cv2.imdecode(np.frombuffer(j, np.uint8), 1).astype(int) for j in (direct, stored)]
    assert np.abs(pictures[0] - pictures[1]).mean() < 3


@pytest.mark.parametrize("method", ["board", "stick", "none"])
@pytest.mark.parametrize("positions", [(), (50.0,), tuple(np.arange(2.0, 108.0, 1.5))])
@pytest.mark.parametrize("size", [(30, 20), (400, 1600), (1600, 400)])
def test_odd_measurements_are_drawn_all_the_same(method, positions, size):
    picture = photo(*size, path=f"{'long name ' * 30}größe 玉米 \x07.jpg")
    m = measured(picture, positions, method=method, weeds_px=(), bits=flags.bit("few_markers", "blurred"))
    assert marked(picture, m).shape[1] == size[0]


def test_a_photo_without_rows_plants_or_tables_is_drawn():
    import dataclasses

    picture = photo()
    m = measured(picture, ())
    m = dataclasses.replace(m, rows=(), plants=tables.empty(tables.PLANTS), stretches=tables.empty(tables.STRETCHES))
    jpeg = overlay.mark_photo(picture, m, tables.empty(tables.GAPS))
    assert cv2.imdecode(np.frombuffer(jpeg, np.uint8), 1).shape[1] == 800


def test_stems_that_have_no_place_are_left_out():
    picture = photo()
    m = measured(picture)
    m.plants.loc[0, ["x_px", "y_px"]] = np.nan
    m.plants.loc[1, "x_px"] = 1e9
    m.plants.loc[2, "row"] = 9
    marked(picture, m)


def head_text(m, units="si", spacing=SPACING):
    s = summarise(m.positions, m.stretches, spacing)
    band = overlay._head(m, s.rows, OutputSettings(units=units), 1.0, 1600)
    return " ".join(text for text, *_ in band.texts)


def test_the_head_gives_the_main_numbers_in_both_systems():
    """By hand: mean of 15 15 3 15 30 15 is 15.5 cm = 6.1 in; 110 cm = 3.6 ft; 84 848 / ha = 34 337 / acre."""
    m = measured(photo())
    assert head_text(m).startswith(
        "made.png 7 plants on 1.10 m, mean gap 15.5 cm, CV 55 %, doubles 17 %, singles 67 %, skips 17 %, 84 800/ha"
    )
    assert "mean gap 6.1 in" in head_text(m, "us") and "3.6 ft" in head_text(m, "us")
    assert "34,300/acre" in head_text(m, "us")
    assert "Scale: board." in head_text(m) and "Nothing odd" in head_text(m)


def test_the_head_says_in_words_what_is_wrong():
    text = head_text(measured(photo(), bits=flags.bit("few_markers", "blurred")))
    assert "fewer than three board markers" in text and "the photo is blurred" in text
    assert "Nothing odd" not in text
    assert "84 800/ha; trust fair Scale" in text
    assert "trust" not in head_text(measured(photo()))
    text = head_text(measured(photo(), method="none"))
    assert "no scale" in text and "cm," not in text and "7 plants" in text
    assert "estimated" in head_text(measured(photo()), spacing=SpacingSettings())


def test_each_class_has_a_word_of_its_own_in_the_picture():
    """Colour alone must not tell: D on doubles, missing plants on skips, a number on each stem."""
    m = measured(photo(1600, 800))
    s = summarise(m.positions, m.stretches, SPACING)
    scene = overlay._Scene(Canvas(np.zeros((800, 1600, 3), np.uint8), 1.0), m)
    scene.rows(s.gaps)
    scene.stems()
    words = [label.text for label in scene.canvas.labels]
    assert words.count("D") == 1 and words.count("skip: 1 missing") == 1
    assert [w for w in words if w.isdecimal()] == list("1234567")


def test_words_cover_neither_stems_nor_each_other():
    rng = np.random.default_rng(8)
    canvas = Canvas(np.zeros((1200, 1600, 3), np.uint8), 1.0)
    stems = rng.uniform((0, 0), (1600, 1200), (120, 2))
    for n, at in enumerate(stems):
        canvas.keep_free(at, 15)
        canvas.label(str(n), at, np.array([0.0, -1.0]), WHITE, 24)
    placed = canvas.set_words()
    assert len(placed) > 100
    boxes = np.array([box for _, box in placed])
    assert (boxes[:, :2] >= 0).all() and (boxes[:, 2] <= 1600).all() and (boxes[:, 3] <= 1200).all()
    everything = np.concatenate([boxes, np.c_[stems - 15, stems + 15]])
    for n, box in enumerate(boxes):
        others = np.delete(everything, n, axis=0)
        meets = (box[:2] < others[:, 2:]).all(axis=1) & (box[2:] > others[:, :2]).all(axis=1)
        assert not meets.any()


def test_text_is_written_where_it_is_asked_for_and_clipped_at_the_edge():
    rgb = np.zeros((60, 200, 3), np.uint8)
    write(rgb, "HHH", 20, 30, 31, WHITE)
    y, x = np.nonzero(rgb[..., 0] > 128)
    assert 20 <= x.min() <= 26 and x.max() <= 22 + text_width("HHH", 31)
    assert abs((y.min() + y.max()) / 2 - 30) <= 3
    for left, middle in ((-30, 30), (190, 30), (20, -5), (20, 70), (500, 500)):
        write(rgb, "HHH", left, middle, 31, WHITE)


def test_lines_break_between_parts_first():
    wide = text_width("plants on 2 m, CV 20 %,", 30)
    assert wrapped(["plants on 2 m,", "CV 20 %,", "skips 3 %"], 30, wide) == [
        "plants on 2 m, CV 20 %,",
        "skips 3 %",
    ]
    assert wrapped(["one two three"], 30, text_width("one two", 30)) == ["one two", "three"]
    pieces = wrapped(["short", "x" * 200], 30, 300)
    assert "".join(pieces) == "short" + "x" * 200
    assert all(text_width(piece, 30) <= 300 for piece in pieces)
    assert wrapped([""], 30, 300) == [""]


def contrast(one, two):
    """Contrast ratio of W3C WCAG 2.1, "relative luminance" and "contrast ratio"."""

    def luminance(colour):
        c = np.array(colour) / 255
        linear = np.where(c <= 0.03928, c / 12.92, ((c + 0.055) / 1.055) ** 2.4)
        return linear @ [0.2126, 0.7152, 0.0722]

    light, dark = sorted((luminance(one), luminance(two)), reverse=True)
    return (light + 0.05) / (dark + 0.05)


@pytest.mark.parametrize("colour", [WHITE, SKY, overlay.ORANGE, overlay.YELLOW, overlay.PURPLE])
def test_words_can_be_read_in_the_sun(colour):
    """WCAG 2.1 asks 4.5 for text (AA); outdoors we want the 7 of AAA, or large text's 4.5 of AAA."""
    assert contrast(colour, INK) >= 5
