"""Crop cards: those of the package are whole and agree within themselves; the user's are read and mistakes named."""

from __future__ import annotations

import math
import subprocess
import sys

import numpy as np
import pandas as pd
import pytest

from standcam import tables
from standcam.batch.crop_notes import crop_notes
from standcam.crops import crop_card, read_crop_card, shipped_cards, stage_leaves, unusual
from standcam.errors import BadSettings
from standcam.settings import SpacingSettings, StemSettings
from standcam.settings_file import read_settings
from standcam.summarise import summarise

CROPS = [card for card in shipped_cards() if card.name != "other"]
SORGHUM = """\
name = "sorghum"
synonyms = ["milo"]
leaf_habit = "grass"

[spacing_cm]
usual = [5, 20]
"""


def written(folder, text, name="my.toml"):
    (folder / name).write_text(text, encoding="utf-8")
    return folder / name


def test_the_crops_that_ship():
    assert [card.name for card in shipped_cards()] == ["maize", "soybean", "sugar beet", "sunflower", "other"]


@pytest.mark.parametrize("card", CROPS, ids=lambda card: card.name)
def test_each_card_is_whole_and_says_where_each_figure_is_from(card):
    figures = ["row_width_cm", "spacing_cm", "population_per_ha", "near_nominal_cm", "row_scatter_cm", "stages"]
    assert [name for name in figures if not getattr(card, name)] == []
    assert dict(card.sources).keys() == set(figures)
    assert all(len(text) > 10 for text in dict(card.sources).values())
    assert card.leaf_habit == ("grass" if card.name == "maize" else "cotyledons")
    assert card.stages[0].leaves == 0 and len(card.stages) >= 4


@pytest.mark.parametrize("card", CROPS, ids=lambda card: card.name)
def test_populations_follow_from_row_widths_and_spacings(card):
    # the widest rows at the widest spacing hold fewer than the usual fewest, and not ten times fewer; so the most
    (narrow, wide), (near, far), (few, many) = card.row_width_cm, card.spacing_cm, card.population_per_ha
    assert few / 10 < 1e8 / (wide * far) <= few
    assert many <= 1e8 / (narrow * near) < 10 * many
    middle = 1e8 / math.sqrt(narrow * wide * near * far)
    assert few < middle < many
    assert card.near_nominal_cm < near / 2


def test_maize_says_what_the_defaults_say():
    card = crop_card("maize")
    assert card.near_nominal_cm == SpacingSettings().near_nominal_cm
    assert card.row_scatter_cm == StemSettings().row_scatter_cm


def test_no_name_means_two_crops():
    names = [name.lower() for card in shipped_cards() for name in (card.name, *card.synonyms)]
    assert len(names) == len(set(names))


@pytest.mark.parametrize(
    ("word", "name"), [("corn", "maize"), (" Corn ", "maize"), ("Soya", "soybean"), ("sugar_beet", "sugar beet")]
)
def test_synonyms(word, name):
    assert crop_card(word).name == name


def test_a_crop_of_which_only_the_bushel_is_known_has_a_bare_card():
    card = crop_card("Wheat")
    assert card.name == "wheat" and card.spacing_cm is None
    assert unusual(card, 400.0, 900.0, 50.0, {"a": 900.0}) == []


def test_an_unknown_crop_is_refused_with_the_list():
    with pytest.raises(BadSettings, match=r"'maise'.*maize, soybean, sugar beet, sunflower, other.*crop_card"):
        crop_card("maise")


def test_the_users_card_goes_before_the_packages(tmp_path):
    path = written(tmp_path, SORGHUM.replace('"milo"', '"milo", "corn"'))
    card = crop_card("Corn", path)
    assert (card.name, card.spacing_cm, card.row_width_cm) == ("sorghum", (5.0, 20.0), None)
    assert crop_card("soya", path).name == "soybean"
    written(tmp_path, 'name = "millet"\n', "millet.toml")
    assert crop_card("millet", tmp_path).leaf_habit == "unknown"
    assert crop_card("milo", tmp_path) == card


@pytest.mark.parametrize(
    ("old", "new", "told"),
    [
        ("name =", "nam =", "unknown fields: nam.*Known are:.*name"),
        ('"sorghum"', "3", "name is missing.*Give the crop's name"),
        ('"grass"', '"moss"', "leaf_habit is 'moss'.*grass, cotyledons, unknown"),
        ('["milo"]', '"milo"', "synonyms is 'milo'.*list"),
        ("[5, 20]", "[20, 5]", "usual of spacing_cm.*lowest comes first"),
        ("[5, 20]", "[5]", "usual of spacing_cm.*two numbers"),
        ("[5, 20]", "[5, nan]", "usual of spacing_cm.*lowest comes first, above zero"),
        ("usual", "normal", "spacing_cm is no table of usual"),
        ("[spacing_cm]\nusual = [5, 20]", "[near_nominal_cm]\nvalue = 0", "value of near_nominal_cm is 0"),
        ("[spacing_cm]\nusual = [5, 20]", '[stages]\nnames = [["V2", 2], ["V1", 1]]', "V1 has fewer leaves than V2"),
        ("[spacing_cm]\nusual = [5, 20]", '[stages]\nnames = [["V2"]]', "stages holds.*Give name, leaves"),
        ("[spacing_cm]", "[spacing_cm", "no valid TOML"),
    ],
)
def test_mistakes_in_a_card_are_named(tmp_path, old, new, told):
    assert old in SORGHUM
    path = written(tmp_path, SORGHUM.replace(old, new))
    with pytest.raises(BadSettings, match=rf"(?s)my\.toml.*{told}"):
        read_crop_card(path)


def test_a_missing_card_and_an_empty_folder(tmp_path):
    with pytest.raises(BadSettings, match=r"none\.toml cannot be read"):
        read_crop_card(tmp_path / "none.toml")
    with pytest.raises(BadSettings, match="holds no crop card"):
        crop_card("maize", tmp_path)


def test_survey_files_name_crops(tmp_path):
    survey = written(tmp_path, '[spacing]\ncrop = "corn"\n', "survey.toml")
    assert read_settings(survey).spacing.crop == "maize"
    written(tmp_path, '[spacing]\ncrop = "maise"\n', "survey.toml")
    with pytest.raises(BadSettings, match=r"survey\.toml \[spacing\]: .*Known are: maize"):
        read_settings(survey)
    written(tmp_path, "[spacing]\ncrop = 3\n", "survey.toml")
    with pytest.raises(BadSettings, match=r"spacing\.crop is 3"):
        read_settings(survey)
    written(tmp_path, "[spacing]\nrow_width_cm = 75\n", "survey.toml")
    assert read_settings(survey).spacing == SpacingSettings(row_width_cm=75)


def test_survey_files_name_cards_from_their_own_folder(tmp_path):
    (tmp_path / "cards").mkdir()
    card = written(tmp_path / "cards", SORGHUM)
    survey = written(tmp_path, '[spacing]\ncrop_card = "cards/my.toml"\n', "survey.toml")
    spacing = read_settings(survey).spacing
    assert spacing.crop == "sorghum" and spacing.crop_card == str(card)
    written(tmp_path, '[spacing]\ncrop = "milo"\ncrop_card = "cards"\n', "survey.toml")
    assert read_settings(survey).spacing.crop == "sorghum"
    written(tmp_path / "cards", 'name = "millet"\n', "millet.toml")
    written(tmp_path, '[spacing]\ncrop_card = "cards"\n', "survey.toml")
    with pytest.raises(BadSettings, match=r"2 crop cards and no crop.*millet, sorghum"):
        read_settings(survey)


def test_stage_names():
    assert [stage_leaves(word) for word in ("ve", "VC", "v3", "Cotyledon", "bbch 12", "4-leaf", "tall")] == [
        0, 0, 3, 0, 2, 4, None
    ]  # fmt: skip


def stand(photo, spacing_cm, plants):
    n = plants
    positions = pd.DataFrame({"photo": photo, "plot": "p", "row": 1, "plant": range(1, n + 1)})
    positions = positions.assign(position_cm=spacing_cm * (np.arange(n) + 0.5), position_sd_cm=np.nan)
    stretch = {"photo": [photo], "plot": ["p"], "row": [1], "from_cm": [0.0], "to_cm": [spacing_cm * n]}
    stretches = pd.DataFrame(stretch).assign(plants=n, status="ok", flags="")
    for name in ("from_x_px", "from_y_px", "to_x_px", "to_y_px"):
        stretches[name] = np.nan
    return positions, stretches


def summary_of(spacing, *stands):
    positions, stretches = (pd.concat(part, ignore_index=True) for part in zip(*stands, strict=True))
    return summarise(tables.conform(tables.POSITIONS, positions), stretches, spacing)


def test_a_soybean_photo_among_maize_is_told():
    spacing = SpacingSettings(nominal_spacing_cm=16.5, row_width_cm=76)
    plain = summary_of(spacing, stand("maize.jpg", 16.5, 30))
    assert crop_notes(plain, spacing) == []
    mixed = summary_of(spacing, stand("maize.jpg", 16.5, 30), stand("soy.jpg", 4.0, 60), stand("few.jpg", 4.0, 5))
    (note,) = crop_notes(mixed, spacing)
    assert "soy.jpg (4.0 cm)" in note and "maize.jpg" not in note and "few.jpg" not in note and "16.5 cm" in note


def test_theoretical_spacing_row_width_and_band_are_told():
    spacing = SpacingSettings(nominal_spacing_cm=16.5, row_width_cm=120, crop="soybean")
    notes = crop_notes(summary_of(spacing, stand("a.jpg", 4.0, 30)), spacing)
    assert len(notes) == 3
    assert "theoretical spacing of 16.5 cm" in notes[0] and "soybean, 2.5 to 15 cm" in notes[0]
    assert "row width of 120 cm" in notes[1] and "18 to 97 cm" in notes[1]
    assert "within 1.5 cm" in notes[2] and "near_nominal_cm = 0.5" in notes[2]


def test_nothing_measured_is_nothing_to_tell():
    empty = summary_of(SpacingSettings(), stand("a.jpg", 16.5, 1))
    assert crop_notes(empty, SpacingSettings()) == []


def test_cards_are_light_to_import():
    code = "import sys, standcam.crops as c; c.shipped_cards(); print({'numpy', 'pandas', 'cv2'} & set(sys.modules))"
    out = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True).stdout
    assert out.strip() == "set()"


def test_the_scatter_of_a_card_serves_where_the_survey_gives_none(tmp_path):
    written(tmp_path, SORGHUM + '[row_scatter_cm]\nvalue = 2.5\nsource = "our fields"\n')
    survey = written(tmp_path, '[spacing]\ncrop_card = "my.toml"\n', "survey.toml")
    assert read_settings(survey).stems.row_scatter_cm == 2.5
    written(tmp_path, '[spacing]\ncrop_card = "my.toml"\n[stems]\nrow_scatter_cm = 1.0\n', "survey.toml")
    assert read_settings(survey).stems.row_scatter_cm == 1.0


@pytest.mark.parametrize("card", CROPS, ids=lambda card: card.name)
def test_cards_of_the_package_leave_the_scatter_as_it_was_fitted(card, tmp_path):
    survey = written(tmp_path, f'[spacing]\ncrop = "{card.name}"\n', "survey.toml")
    assert read_settings(survey).stems == StemSettings()
