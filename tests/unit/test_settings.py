import dataclasses

import pytest

from standcam.errors import BadSettings
from standcam.settings import CalibrationSettings, OutputSettings, Settings
from standcam.settings_file import read_settings, settings_from_dict


def written(tmp_path, text):
    path = tmp_path / "survey.toml"
    path.write_text(text)
    return path


def test_survey_overlays_defaults(tmp_path):
    settings = read_settings(written(tmp_path, "[spacing]\nrow_width_cm = 75\n"))
    assert settings.spacing.row_width_cm == 75
    assert settings.spacing.nominal_spacing_cm is None
    assert settings.output == OutputSettings()


def test_paths_are_taken_from_the_survey(tmp_path):
    settings = read_settings(written(tmp_path, '[calibration]\nboard = "boards/mine.toml"\n'))
    assert settings.calibration.board == str(tmp_path / "boards/mine.toml")


def test_misspelt_setting_is_named_with_the_known_ones(tmp_path):
    with pytest.raises(BadSettings, match=r"\[spacing\] has unknown settings: row_with_cm.*row_width_cm"):
        read_settings(written(tmp_path, "[spacing]\nrow_with_cm = 75\n"))
    with pytest.raises(BadSettings, match=r"unknown table \[spaceing\].*spacing"):
        read_settings(written(tmp_path, "[spaceing]\nrow_width_cm = 75\n"))


@pytest.mark.parametrize("value", ["0", "-3"])
def test_impossible_value(tmp_path, value):
    with pytest.raises(BadSettings, match=r"row_width_cm is .*greater than zero"):
        read_settings(written(tmp_path, f"[spacing]\nrow_width_cm = {value}\n"))


def test_text_for_a_number(tmp_path):
    with pytest.raises(BadSettings, match="numbers are numbers"):
        read_settings(written(tmp_path, '[spacing]\nrow_width_cm = "wide"\n'))


def test_unreadable_survey(tmp_path):
    with pytest.raises(BadSettings, match="cannot be read"):
        read_settings(tmp_path / "none.toml")
    with pytest.raises(BadSettings, match="no valid TOML"):
        read_settings(written(tmp_path, "[spacing\n"))


def test_unknown_units():
    with pytest.raises(BadSettings, match=r"'metric'.*si or us"):
        OutputSettings(units="metric")


def test_digest_changes_with_any_setting():
    base = Settings()
    seen = {base.digest()}
    for stage in dataclasses.fields(Settings):
        record = getattr(base, stage.name)
        for field in dataclasses.fields(record):
            old = getattr(record, field.name)
            if isinstance(old, bool):
                new = not old
            elif isinstance(old, int | float):
                shares = ("level", "alone_share", "stretch_high_pct")  # these have an upper end
                new = old * 0.9 if field.name in shares else old + 1
            elif isinstance(old, tuple):
                new = {"order": ("time",), "board_at_cm": ("board 2 = 150",)}.get(field.name, "other")
            elif old is None:
                new = {"board": "x", "lens": "x", "bands": (3, 2, 1)}.get(field.name, 7.5)
            else:
                new = {
                    "si": "us", "learned": "shape", "poor": "fair", "auto": "none", "back_and_forth": "one_way",
                    "along": "N",
                }.get(old, "other")  # fmt: skip
            seen.add(base.replace(stage.name, **{field.name: new}).digest())
    assert len(seen) == 1 + sum(len(dataclasses.fields(getattr(base, s.name))) for s in dataclasses.fields(Settings))
    assert Settings().digest() == base.digest()


def test_replace_leaves_none_alone():
    settings = Settings().replace("calibration", stick_length_cm=50.0, board=None)
    assert settings.calibration == dataclasses.replace(CalibrationSettings(), stick_length_cm=50.0)


def test_round_trip():
    settings = settings_from_dict({"spacing": {"row_width_cm": 76.2}, "output": {"units": "us"}})
    assert settings_from_dict(settings.to_dict()) == settings
