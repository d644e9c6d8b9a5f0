"""What a stored piece depends on: no less than what measuring reads, and no more."""

from pathlib import Path

import pytest

from standcam.batch import frame_run, store, strip_run
from standcam.batch.store import Keys, measuring_key, piece_key
from standcam.images.photo import read_photo
from standcam.measure import measure_photo
from standcam.settings import Settings

DEMO = Path(__file__).parents[2] / "demo-images"
LATER = {  # one setting of each stage that photos are not measured by
    "raster": {"tile_px": 1024}, "strip_rows": {"band_cm": 77.0}, "passes": {}, "strip_stems": {"closeness_cm": 3.1},
    "plots": {"trim_m": 0.3}, "maps": {"gap_cm": 61.0}, "flight": {"register_px": 999}, "planter": {"row_units": 8},
    "spacing": {"nominal_spacing_cm": 17.0}, "statistics": {"seed": 7}, "labels": {"reach_cm": 2.5},
    "ties": {"gps_error_m": 9.0}, "chain": {"across_cm": 7.5},
}  # fmt: skip


class Watched:
    """Settings that remember which stages were asked for."""

    def __init__(self, settings):
        self._settings, self.read = settings, set()

    def __getattr__(self, name):
        self.read.add(name)
        return getattr(self._settings, name)


@pytest.mark.parametrize("locator", ["learned", "shape"])
@pytest.mark.parametrize("name", ["fast_4_weeds.jpg", "slow_2_stick.jpg"])
def test_measuring_a_photo_reads_the_stages_of_its_key_and_no_others(locator, name):
    settings = Watched(Settings().replace("stems", locator=locator))
    measure_photo(read_photo(DEMO / name, settings.photo), settings, looks=True)
    assert settings.read == set(store._MEASURING)


def changed(stage, value):
    """Settings with one value of a stage changed; by default the first number."""
    settings = Settings()
    if not value:
        held = vars(getattr(settings, stage))
        name = next(n for n, v in held.items() if isinstance(v, float))
        value = {name: held[name] * 1.25}
    other = settings.replace(stage, **value)
    assert other != settings
    return other


@pytest.mark.parametrize("stage", sorted(LATER))
def test_what_comes_after_measuring_and_what_only_strips_read_leaves_photos_counted(stage):
    assert measuring_key(changed(stage, LATER[stage])) == measuring_key(Settings())


def test_every_stage_is_in_the_key_or_known_to_come_later():
    assert set(store._MEASURING) | set(LATER) | {"output"} == set(Settings().to_dict())


@pytest.mark.parametrize("stage", store._MEASURING)
def test_what_photos_are_measured_by_is_in_their_key(stage):
    value = {"photo": {"max_megapixels": 33}, "calibration": {"stick_length_cm": 50.0}}.get(stage, {})
    assert measuring_key(changed(stage, value)) != measuring_key(Settings())


def test_strips_do_not_depend_on_what_only_photos_are_measured_by():
    only_photos = {"vegetation", "rows", "stems"}
    assert not only_photos & {*strip_run._STAGES, *frame_run._STAGES}


def test_keys_hold_those_given_once_and_no_other():
    made = [piece_key("m", f"{k}", "a.jpg") for k in range(300)]
    keys = Keys([*made[:200], "", made[3]])
    assert len(keys) == 200 and set(keys) == set(made[:200])
    assert all(key in keys for key in made[:200]) and not any(key in keys for key in made[200:])
    assert "" not in keys and "é" not in keys and made[0][:-1] not in keys
    assert len(Keys()) == 0 and made[0] not in Keys()
