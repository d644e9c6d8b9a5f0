"""Marked photos drawn at the first look, and what makes them be drawn anew."""

import dataclasses

import numpy as np
import pytest
from fixtures.measured import measured
from PIL import Image

from standcam import tables
from standcam.aside import ByPhoto, Lines
from standcam.batch.drawing import first_view, marked_photos
from standcam.batch.pool import Spread
from standcam.images.photo import read_photo
from standcam.report import overlay
from standcam.settings import Settings
from standcam.summarise import summarise

UNKNOWN = Settings().replace("spacing", row_width_cm=75.0)
GIVEN = UNKNOWN.replace("spacing", nominal_spacing_cm=15.0)
BY_RATE = UNKNOWN.replace("spacing", seeding_rate_per_ha=80_000.0)
OTHER = UNKNOWN.replace("spacing", nominal_spacing_cm=40.0)


@pytest.fixture
def made(tmp_path):
    """A photo on disk and what was measured in it."""
    rgb = np.random.default_rng(1).integers(60, 120, (400, 800, 3), dtype=np.uint8)
    Image.fromarray(rgb).save(tmp_path / "a.png")
    photo = read_photo(tmp_path / "a.png")
    return photo, measured(photo)


def in_the_end(view, m, settings, final=True):
    s = summarise(m.positions, m.stretches, settings.spacing, settings.statistics)
    found = (ByPhoto(Lines.of(table, frame)) for table, frame in ((tables.GAPS, s.gaps), (tables.ROWS, s.rows)))
    with Spread() as spread:
        (picture,) = marked_photos([m.photo], [m], lambda _: view, *found, settings, final, spread)
    return picture


def drawn_now(small, m, settings):
    s = summarise(m.positions, m.stretches, settings.spacing, settings.statistics)
    return overlay.mark_view(small, m, s.gaps, s.rows, settings.output)


@pytest.mark.parametrize("settings", [GIVEN, BY_RATE])
def test_with_a_known_spacing_the_photo_is_not_needed_again(made, settings):
    photo, m = made
    view = first_view(photo.rgb, m, settings, final=True)
    photo.path.unlink()
    assert in_the_end(view, m, settings) == drawn_now(photo.rgb, m, settings)


@pytest.mark.parametrize("settings", [OTHER, GIVEN.replace("output", units="us")])
def test_what_has_changed_since_is_drawn_anew_from_the_photo(made, settings):
    photo, m = made
    view = first_view(photo.rgb, m, GIVEN, final=True)
    picture = in_the_end(view, m, settings)
    assert picture == drawn_now(photo.rgb, m, settings)
    assert picture != drawn_now(photo.rgb, m, GIVEN)


@pytest.mark.parametrize(("settings", "final"), [(UNKNOWN, True), (GIVEN, False)])
def test_else_the_small_copy_waits_and_the_photo_is_not_needed(made, settings, final):
    photo, m = made
    view = first_view(photo.rgb, m, settings, final)
    photo.path.unlink()
    assert in_the_end(view, m, settings, final) == drawn_now(overlay.pack_view(photo.rgb), m, settings)


@pytest.mark.parametrize(("before", "settings"), [(UNKNOWN, GIVEN), (GIVEN, UNKNOWN), (None, GIVEN), (None, UNKNOWN)])
def test_what_a_broken_run_left_changes_no_picture(made, before, settings):
    photo, m = made
    left = None if before is None else first_view(photo.rgb, m, before, final=True)
    fresh = first_view(photo.rgb, m, settings, final=True)
    assert in_the_end(left, m, settings) == in_the_end(fresh, m, settings)


def test_a_photo_that_changed_meanwhile_is_not_drawn(made):
    _, m = made
    told = in_the_end(None, dataclasses.replace(m, sha256="0" * 64), GIVEN)
    assert told == "the file has changed since"


def test_a_fault_in_drawing_is_told_of_in_the_end(made, monkeypatch):
    photo, m = made
    monkeypatch.setattr(overlay, "mark_view", lambda *_: 1 / 0)
    view = first_view(photo.rgb, m, GIVEN, final=True)
    assert in_the_end(view, m, GIVEN) == "ZeroDivisionError: division by zero"
