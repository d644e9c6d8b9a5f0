"""Finding photos: folders, doubles, names."""

import os
from pathlib import Path

import pytest

from standcam.batch.input_list import Inputs
from standcam.batch.inputs import Input, find_inputs, name_inputs, natural_key


@pytest.fixture
def tree(tmp_path):
    """A folder as a season leaves it."""

    def touch(*names):
        for name in names:
            path = tmp_path / name
            path.parent.mkdir(parents=True, exist_ok=True)
            path.write_bytes(b"x")

    touch("IMG_10.jpg", "IMG_9.JPG", "b/deep/er/c.heic", "b/two words.png", "b/größe.TIFF", "survey.toml")
    touch("notes.txt", ".hidden.jpg", "b/._IMG_9.JPG", ".thumbs/a.jpg", "clip.mov")
    touch("old/run.json", "old/rows.csv", "old/marked/IMG_9.JPG", "RESULTS/marked/IMG_9.JPG")
    return tmp_path


def names(inputs):
    return [i.photo for i in inputs]


def test_a_folder_gives_its_photos_in_natural_order(tree):
    inputs, problems = find_inputs([tree], out=tree / "RESULTS")
    assert names(inputs) == ["IMG_9.JPG", "IMG_10.jpg", "größe.TIFF", "two words.png", "c.heic"]
    assert problems == []
    assert inputs[0].plot == "IMG_9"
    assert all(i.path.is_file() for i in inputs)


def test_results_inside_the_folder_are_left_out_even_when_the_folder_is_the_results_folder(tree):
    (tree / "run.json").write_text("{}")
    (tree / "rows.csv").write_text("")
    (tree / "marked").mkdir()
    (tree / "marked" / "IMG_9.JPG").write_bytes(b"x")
    inputs, _ = find_inputs([tree], out=tree)
    assert [i.path.relative_to(tree).as_posix() for i in inputs if "marked" in i.path.parts] == [
        "RESULTS/marked/IMG_9.JPG"  # no run record there: a user's folder that happens to have this name
    ]


def test_a_photo_given_twice_counts_once(tree):
    inputs, problems = find_inputs([tree / "IMG_9.JPG", tree, tree / "b" / ".." / "IMG_9.JPG"], out=tree / "RESULTS")
    assert names(inputs).count("IMG_9.JPG") == 1 and len(inputs) == 5 and not problems


@pytest.mark.skipif(os.name != "posix", reason="links")
def test_links_that_lead_back_up_do_not_hang(tree):
    (tree / "b" / "up").symlink_to(tree, target_is_directory=True)
    (tree / "again.jpg").symlink_to(tree / "IMG_9.JPG")
    (tree / "broken.jpg").symlink_to(tree / "nowhere.jpg")
    inputs, problems = find_inputs([tree], out=tree / "RESULTS")
    assert sorted(i.path.name for i in inputs if i.path.name != "broken.jpg") == sorted(
        ["again.jpg", "IMG_10.jpg", "größe.TIFF", "two words.png", "c.heic"]
    )
    assert not problems


def test_what_does_not_exist_or_holds_nothing_is_a_problem(tree):
    (tree / "empty").mkdir()
    inputs, problems = find_inputs([tree / "nowhere", tree / "empty", tree / "IMG_9.JPG"])
    assert names(inputs) == ["IMG_9.JPG"]
    assert [p.path for p in problems] == [str(tree / "nowhere"), str(tree / "empty")]
    assert "does not exist" in problems[0].reason and "holds no photo" in problems[1].reason
    assert all(p.remedy for p in problems)


def test_files_by_name_are_taken_whatever_their_ending(tree):
    inputs, problems = find_inputs([tree / "notes.txt", tree / ".hidden.jpg"])
    assert names(inputs) == ["notes.txt", ".hidden.jpg"] and not problems


def test_raw_pictures_get_a_word_unless_a_photo_stands_beside_them(tmp_path):
    for name in ("a.dng", "b.DNG", "b.jpg", "c.webp"):
        (tmp_path / name).write_bytes(b"x")
    inputs, problems = find_inputs([tmp_path])
    assert names(inputs) == ["b.jpg"]
    assert [Path(p.path).name for p in problems] == ["a.dng", "c.webp"]


def test_patterns_that_no_shell_resolved(tree):
    inputs, problems = find_inputs([tree / "IMG_*.*"])
    assert names(inputs) == ["IMG_9.JPG", "IMG_10.jpg"] and not problems
    _, problems = find_inputs([tree / "X*.jpg"])
    assert "does not exist" in problems[0].reason


def test_a_name_with_brackets_or_stars_is_a_name_first(tmp_path):
    path = tmp_path / "a[1].jpg"
    path.write_bytes(b"x")
    assert find_inputs([path])[0][0].path == path


@pytest.mark.skipif(os.name != "posix" or os.geteuid() == 0, reason="rights do not bind root")
def test_a_locked_folder_is_a_problem_and_no_end(tree):
    (tree / "b").chmod(0)
    inputs, problems = find_inputs([tree], out=tree / "RESULTS")
    (tree / "b").chmod(0o700)
    assert names(inputs) == ["IMG_9.JPG", "IMG_10.jpg"]
    assert "cannot be read" in problems[0].reason


def test_names_are_as_short_as_they_can_be_and_never_meet():
    paths = [Path(p) for p in ("/s/x/a/1.jpg", "/s/y/a/1.jpg", "/s/x/b/1.jpg", "/s/2.jpg", "/s/2.heic", "/s/3.png")]
    made = name_inputs(paths)
    assert names(made) == ["x/a/1.jpg", "y/a/1.jpg", "b/1.jpg", "2.jpg", "2.heic", "3.png"]
    assert [i.plot for i in made] == ["x/a/1", "y/a/1", "b/1", "2.jpg", "2.heic", "3"]


def test_natural_order():
    assert sorted(["b10", "b9", "B1", "a", "10", "9"], key=natural_key) == ["9", "10", "a", "B1", "b9", "b10"]


def test_inputs_on_disk_are_those_that_were_given(tmp_path):
    given = [Input("a/1.jpg", "1.jpg", "P", "2026-05-01", (47.5, -93.25)), Input("b/\udce9.jpg", "\udce9.jpg", "é")]
    held = Inputs(given, tmp_path)
    assert list(held) == given and held[-1] == given[1] and held[:1] == given[:1] and len(held) == 2
    assert held[0].path == Path("a/1.jpg")
    held.add(given[0])
    assert list(held) == [*given, given[0]] and not any(tmp_path.iterdir())
