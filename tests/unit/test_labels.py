"""Labels files read, and labels tied to plants."""

from pathlib import Path

import numpy as np
import pytest

from standcam.plants.labels import BadLabels, Label, photo_of, read_labels, tie


def written(tmp_path, text):
    path = tmp_path / "labels.csv"
    path.write_text(text, encoding="utf-8")
    return path


def test_a_file_as_people_write_it(tmp_path):
    text = "# our field\nPhoto; x_px; y_px; Label; note; who\n\na.jpg; 10; 20.5; Crop\nb.jpg;3;4;nothing;a stone;me\n"
    assert read_labels(written(tmp_path, text)) == (
        Label(4, "a.jpg", 10.0, 20.5, "crop"),
        Label(5, "b.jpg", 3.0, 4.0, "nothing", "a stone"),
    )


def test_a_header_alone_is_no_labels(tmp_path):
    assert read_labels(written(tmp_path, "photo,x_px,y_px,label\n")) == ()


@pytest.mark.parametrize(
    ("text", "words"),
    [
        ("", ["is empty", "photo,x_px,y_px,label"]),
        ("photo,x_px,label\na.jpg,1,crop\n", ["no column y_px", "Write a header"]),
        ("photo,x_px,x_px,y_px,label\n", ["column x_px twice"]),
        ("photo,x_px,y_px,label\na.jpg,1,2,crop\na.jpg,1,2,maize\n", ["line 3", "'maize'", "crop, weed or nothing"]),
        ("photo,x_px,y_px,label\na.jpg,one,2,crop\n", ["line 2", "x_px is 'one'", "pixel"]),
        ("photo,x_px,y_px,label\na.jpg,1,nan,crop\n", ["line 2", "y_px is 'nan'"]),
        ("photo,x_px,y_px,label\n,1,2,crop\n", ["line 2", "names no photo"]),
        ("photo,x_px,y_px,label\na.jpg,1,2,weed,big,red\n", ["line 2 has 6 cells", "quotes"]),
    ],
)
def test_what_is_wrong_is_named_with_its_line_and_remedy(tmp_path, text, words):
    with pytest.raises(BadLabels) as raised:
        read_labels(written(tmp_path, text))
    for word in [*words, "labels.csv"]:
        assert word in str(raised.value)


def test_a_missing_file_is_named(tmp_path):
    with pytest.raises(BadLabels, match=r"none\.csv cannot be read"):
        read_labels(tmp_path / "none.csv")


@pytest.mark.parametrize(
    ("name", "found"),
    [
        ("2.jpg", 2),
        ("north/1.jpg", 0),
        ("north\\1.jpg", 0),
        ("fields/south/1.jpg", 1),
        ("1.jpg", "2 photos have this name: write its folder before it"),
        ("3.jpg", "no photo of this name was counted"),
        ("jpg", "no photo of this name was counted"),
    ],
)
def test_photos_are_found_by_any_unique_end_of_their_path(name, found):
    paths = [Path("fields/north/1.jpg"), Path("fields/south/1.jpg"), Path("fields/south/2.jpg")]
    assert photo_of(name, ["north/1.jpg", "south/1.jpg", "2.jpg"], paths) == found


def labels(*words):
    return [Label(n, "a.jpg", 0.0, 0.0, word) for n, word in enumerate(words, 2)]


def tied(words, places, plants, is_crop=None):
    plants = np.array(plants, float).reshape(-1, 2)
    crop = np.ones(len(plants), bool) if is_crop is None else np.array(is_crop)
    return tie(labels(*words), np.array(places, float), plants, crop, 3.0, 0.9)


def test_each_label_gets_the_nearest_plant_within_reach():
    ties = tied(["crop", "crop", "crop"], [[0, 1], [10, 2.9], [20, 3.1]], [[0, 0], [10, 0], [20, 0]])
    assert [t.plant for t in ties] == [0, 1, None]
    assert [t.distance_cm for t in ties[:2]] == pytest.approx([1.0, 2.9])
    assert ties[2].why == "no plant is listed there"


def test_two_labels_at_a_double_get_a_plant_each():
    """The second label lies nearer to the first plant than to its own, but the first label lies nearer still."""
    ties = tied(["crop", "crop"], [[0.1, 0], [1.2, 0]], [[0, 0], [3.0, 0]])
    assert [t.plant for t in ties] == [0, 1]


def test_a_label_against_the_decision_must_lie_on_its_plant():
    """A weed beside a crop plant is not that plant, unless it is marked right there."""
    places, plants, is_crop = (
        [[0, 1.4], [10, 1.6], [20, 1.6], [30, 1.6]],
        [[0, 0], [10, 0], [20, 0], [30, 0]],
        [1, 1, 0, 0],
    )
    ties = tied(["weed", "weed", "nothing", "crop"], places, plants, np.array(is_crop, bool))
    assert [t.plant for t in ties] == [0, None, 2, None]
    # of two plants in reach the one that agrees, though farther, is meant
    assert tied(["weed"], [[0, 0]], [[0.8, 0], [0, 1.5]], [True, False])[0].plant == 1


def test_a_second_label_finds_the_only_plant_taken():
    ties = tied(["crop", "crop"], [[0.1, 0], [2.0, 0]], [[0, 0]])
    assert [t.plant for t in ties] == [0, None]
    assert ties[1].why == "another label means the only plant listed there"


def test_labels_that_contradict_each_other_are_both_set_aside():
    ties = tied(["crop", "weed", "crop"], [[0, 0], [0.5, 0], [9, 0]], [[0, 0], [9, 0]])
    assert [t.plant for t in ties] == [None, None, 1]
    assert [t.why for t in ties[:2]] == ["line 3 says weed of this place", "line 2 says crop of this place"]


def test_a_label_typed_twice_counts_once():
    ties = tied(["crop", "crop"], [[0, 0], [0.2, 0]], [[0, 0]])
    assert [t.plant for t in ties] == [0, None] and ties[1].why == "line 2 says the same of this place"


def test_nowhere_and_nothing():
    assert tied(["crop"], [[np.nan, np.nan]], [[0, 0]])[0].why == "it lies outside the photo"
    assert tied(["crop"], [[0, 0]], [])[0].why == "no plant is listed there"
    assert tie([], np.empty((0, 2)), np.array([[0.0, 0.0]]), np.array([True]), 3.0, 0.9) == []
