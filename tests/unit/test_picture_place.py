"""The picture inside a marked photo is found again exactly, or not at all."""

import io

import cv2
import numpy as np
import pytest
from fixtures.measured import measured, photo
from PIL import Image

from standcam.images.reduce import reduce
from standcam.report import overlay
from standcam.report.picture_place import PicturePlace, picture_in, place_in, with_place
from standcam.settings import OutputSettings, SpacingSettings
from standcam.summarise import summarise


def grounds(width, height):
    """A photo whose four quarters are unlike, with a bright frame of 2 % of its sides: its edges can be seen."""
    made = photo(width, height)
    rgb = made.rgb
    rgb[:] = (120, 95, 70)
    rgb[: height // 2, : width // 2] = (60, 120, 60)
    rgb[height // 2 :, width // 2 :] = (160, 150, 130)
    for side in (rgb[: height // 50], rgb[-(height // 50) :], rgb[:, : width // 50], rgb[:, -(width // 50) :]):
        side[:] = (250, 250, 210)
    return made


def marked(picture, output=None):
    m = measured(picture)
    s = summarise(m.positions, m.stretches, SpacingSettings(nominal_spacing_cm=15.0, row_width_cm=75.0))
    return overlay.mark_photo(picture, m, s.gaps, output, s.rows)


@pytest.mark.parametrize("size", [(800, 400), (4001, 3003), (3003, 4001), (1999, 1501), (1600, 1600)])
def test_what_is_cut_out_is_the_reduced_copy(size):
    picture = grounds(*size)
    jpeg = marked(picture)
    cut = picture_in(jpeg, *size)
    small = reduce(picture.rgb, OutputSettings().marked_width_px)
    assert cut.shape == small.shape
    # symbols cover little, and JPEG changes little; one line off at the bright frame would show as 0.5 % of places
    for edge in (np.s_[0], np.s_[-1], np.s_[:, 0], np.s_[:, -1]):
        assert np.median(np.abs(cut[edge].astype(int) - small[edge])) <= 6, edge
    assert np.mean(np.abs(cut.astype(int) - small).max(axis=2) > 40) < 0.08
    place = place_in(jpeg)
    whole = cv2.imdecode(np.frombuffer(jpeg, np.uint8), cv2.IMREAD_COLOR_RGB)
    assert place.top > 0 and place.top + place.height < whole.shape[0], "words above and below stay out"


def test_other_programs_read_the_comment_as_one():
    jpeg = marked(grounds(800, 400))
    with Image.open(io.BytesIO(jpeg)) as image:
        image.load()
        assert image.info["comment"] == place_in(jpeg).text() and image.size[0] == 800


def test_where_the_place_is_not_told_there_is_no_picture():
    jpeg = marked(grounds(800, 400))
    with Image.open(io.BytesIO(jpeg)) as image:
        anew = io.BytesIO()
        image.save(anew, "JPEG", comment=b"")
    assert place_in(anew.getvalue()) is None and picture_in(anew.getvalue(), 800, 400) is None


def test_a_place_that_does_not_fit_gives_no_picture():
    plain = marked(grounds(800, 400))
    assert picture_in(plain, 801, 400) is None, "another photo"
    bare = plain[:2] + plain[2 + 4 + len(place_in(plain).text()) :]
    for place in (
        PicturePlace(0, 5000, 800, 400, 800, 400),
        PicturePlace(10, 100, 800, 400, 800, 400),
        PicturePlace(0, 100, 800, 0, 800, 400),
        PicturePlace(0, 100, 800, 300, 800, 400),
    ):
        forged = with_place(bare, place)
        assert place_in(forged) == place and picture_in(forged, 800, 400) is None


@pytest.mark.parametrize(
    "data", [b"", b"\xff\xd8", b"\xff\xd8\xff\xfe\x00\x00", b"\xff\xd8\xff\xfe\xff\xffstandcam", b"GIF89a" * 9]
)
def test_what_is_no_marked_photo_has_no_place(data):
    assert place_in(data) is None and picture_in(data, 800, 400) is None


def test_a_picture_that_is_cut_short_gives_none():
    jpeg = marked(grounds(800, 400))
    assert picture_in(jpeg[: len(place_in(jpeg).text()) + 8], 800, 400) is None
