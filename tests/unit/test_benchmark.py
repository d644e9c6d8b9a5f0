"""Speed and accuracy of the program, on small scenes: what is measured, and that it is reported rightly."""

import dataclasses
import importlib.util
from importlib import resources
from pathlib import Path

import numpy as np
import pandas as pd
import pytest
from fixtures.scenes import SEED, recipe
from typer.testing import CliRunner

from standcam import benchmark, tables
from standcam.batch.run import count_photos
from standcam.cli.app import app
from standcam.errors import BadSettings, UnreadablePhoto
from standcam.settings import StemSettings
from standcam.synthetic.recipe import RecipeBook
from standcam.synthetic.scene import write_scenes

SCORER = Path(__file__).resolve().parents[2] / "../shared/tools/score_stems.py"


@pytest.fixture(scope="module")
def folder(tmp_path_factory):
    """Two scenes in the layout of ``standcam scene``: dry and sandy, the latter without a scale mark."""
    camera = {"width_px": 1000, "height_px": 750}
    weedy = {"weeds_per_m2": 15.0}
    book = RecipeBook(
        SEED,
        (
            recipe("one", camera=camera, planter={"p_double": 0.6, "p_late": 0.3}, crop=weedy),
            recipe("two", camera=camera, ground={"soil": "sandy"}, target={"kind": "none"}),
        ),
    )
    path = tmp_path_factory.mktemp("bench") / "scenes"
    write_scenes(book, path)
    return path


def test_data_ship_with_the_package():
    stems = StemSettings()
    networks = [f.name for f in dataclasses.fields(stems) if f.name.endswith("network")]
    assert networks
    for name in networks:
        weights = resources.files("standcam.plants") / "weights" / f"{getattr(stems, name)}.onnx.gz"
        # a pointer file or an empty one would be smaller than any network
        assert len(weights.read_bytes()) > 50_000
    assert (resources.files("standcam") / "py.typed").is_file()
    assert (resources.files("standcam.synthetic") / "demo.toml").is_file()


def test_accuracy_by_group(folder):
    seen = []
    scores = benchmark.accuracy(folder, by="soil.kind", on_done=seen.append)
    assert seen == ["one.jpg", "two.jpg"]
    assert list(scores["group"]) == ["dry", "sandy", "all"]
    per_group, everything = scores.iloc[:2], scores.iloc[2]
    for name in ("photos", "asked", "hit", "false", "doubles", "late"):
        assert everything[name] == per_group[name].sum()
    assert everything["asked"] >= 8 and 0 < everything["recall"] <= 1


def test_scores_are_those_of_a_script_of_other_hands(folder):
    """Compared on finds made from the truth, so that hits, misses, doubles and false finds all occur."""
    if not SCORER.is_file():
        pytest.skip("the other script is not here")
    spec = importlib.util.spec_from_file_location("score_stems", SCORER)
    other = importlib.util.module_from_spec(spec)
    spec.loader.exec_module(other)
    from standcam.validation.score import score_scene, total
    from standcam.validation.truth import read_scenes

    rng = np.random.default_rng(8)
    finds, stretches, scores = [], [], []
    for scene in read_scenes(folder):
        true = scene.plants[["x_px", "y_px"]].to_numpy(float)
        px = np.concatenate([true + rng.normal(0, 12, true.shape), rng.uniform(0, 750, (6, 2))])
        px = px[rng.random(len(px)) < 0.8]
        row = scene.plants[(scene.plants["row_id"] == 0) & (scene.plants["visible"] == 1)]
        row = row.sort_values("x_px")
        ends = np.concatenate([row[["x_px", "y_px"]].iloc[1], row[["x_px", "y_px"]].iloc[-1]])
        finds.append(pd.DataFrame({"photo": scene.image.name, "x_px": px[:, 0], "y_px": px[:, 1]}))
        stretches.append(pd.DataFrame([[scene.image.name, *ends]], columns=["photo", *benchmark.ENDS]))
        scores.append(score_scene(scene, px, ends[None]))
    theirs = other.total([s for _, s in other.score(pd.concat(finds), folder, rows=pd.concat(stretches)).values()])
    ours = total(scores)
    assert 0 < ours["hit"] < ours["asked"] and ours["false"] > 0 and ours["doubles"] > 0
    for name, theirs_name in {
        "asked": "plants", "recall": "recall", "precision": "precision", "f1": "f1", "covered": "covered",
        "stem_error_mm": "stem_mae_mm", "count_error_pct": "count_error_pct", "doubles": "doubles",
        "doubles_found": "doubles_found", "late": "late",
    }.items():  # fmt: skip
        assert ours[name] == pytest.approx(theirs[theirs_name], rel=1e-6), name


def test_a_photo_that_cannot_be_used_covers_nothing(folder, monkeypatch):
    def fails(inputs, settings):
        empty = {t.name: tables.empty(t) for t in (tables.PLANTS, tables.ROWS)}
        return type("Batch", (), empty)

    monkeypatch.setattr("standcam.batch.run.count_photos", fails)
    everything = benchmark.accuracy(folder).iloc[-1]
    assert everything["covered"] == 0 and everything["asked"] == 0 and everything["photos"] == 2


def test_speed_of_one_photo(folder):
    result = benchmark.speed(folder / "images" / "one.jpg", repeats=2)
    assert list(result.steps["step"]) == ["decode", "read", "tables", "results"]
    assert result.steps.loc[0, "times_decoding"] == 1
    assert (result.steps["median_ms"] >= result.steps["fastest_ms"]).all()
    assert (result.steps["fastest_ms"] > 0).all() and result.rounds.shape == (2, 4)
    # reading and drawing are left out of one and in the other, whatever the machine
    assert result.steps["median_ms"].iloc[2] > result.steps["median_ms"].iloc[1]
    assert result.megapixels == pytest.approx(0.75)
    assert {"scale", "vegetation"} <= set(result.stages["stage"])
    assert result.stages["median_ms"].sum() < result.steps["median_ms"].iloc[2]


def test_speed_does_what_counting_does(folder, monkeypatch):
    """The step "results" goes the road of ``standcam count`` and leaves nothing behind."""
    calls = []

    def spy(inputs, settings, writer):
        batch = count_photos(inputs, settings, writer=writer)
        calls.append((settings.output.marked, [len(batch.rows), writer._work.exists()]))
        return batch

    monkeypatch.setattr("standcam.batch.run.count_photos", spy)
    benchmark.speed(folder / "images" / "one.jpg", repeats=1)
    assert len(calls) == 2 and all(marked and rows for marked, (rows, _) in calls)


def test_speed_needs_a_photo(tmp_path):
    with pytest.raises(UnreadablePhoto):
        benchmark.speed(tmp_path / "none.jpg")


def test_speed_photo_is_made_once(tmp_path, monkeypatch):
    monkeypatch.setattr("tempfile.gettempdir", lambda: str(tmp_path))
    small = benchmark.SPEED_RECIPE.replace("camera", width_px=400, height_px=300)
    monkeypatch.setattr(benchmark, "SPEED_RECIPE", small)
    path = benchmark.speed_photo()
    assert [p.name for p in tmp_path.iterdir()] == [path.name] and path.parent == tmp_path
    before = path.stat().st_mtime_ns
    assert benchmark.speed_photo() == path and path.stat().st_mtime_ns == before
    monkeypatch.setattr(benchmark, "SPEED_RECIPE", small.replace("camera", tilt_deg=1.0))
    assert benchmark.speed_photo() != path


def test_the_usual_speed_photo_has_twelve_megapixels():
    camera = benchmark.SPEED_RECIPE.camera
    assert (camera.width_px, camera.height_px) == (4000, 3000)


def bench(*words):
    return CliRunner().invoke(app, ["bench", *map(str, words)])


def test_commands(folder, tmp_path):
    csv = tmp_path / "a.csv"
    result = bench("accuracy", folder, "--by", "image", "--tolerance-cm", 3, "--csv", csv)
    assert result.exit_code == 0, result.output
    assert "one.jpg: 1 photos" in result.stdout and "all: 2 photos" in result.stdout
    assert list(pd.read_csv(csv)["group"]) == ["one.jpg", "two.jpg", "all"]
    result = bench("speed", "--photo", folder / "images" / "one.jpg", "--repeats", 1, "--csv", tmp_path / "s.csv")
    assert result.exit_code == 0, result.output
    assert "x decoding" in result.stdout and "vegetation" in result.stdout
    assert len(pd.read_csv(tmp_path / "s.csv")) == 4


def test_wrong_calls(folder, tmp_path):
    assert bench("accuracy", tmp_path).exit_code == 2
    assert bench("accuracy", folder, "--tolerance-cm", -1).exit_code == 2
    assert bench("speed", "--repeats", 0).exit_code == 2
    (tmp_path / "s.csv").write_text("mine")
    result = bench("accuracy", folder, "--csv", tmp_path / "s.csv")
    assert result.exit_code == 2 and "there already" in result.stderr
    assert (tmp_path / "s.csv").read_text() == "mine"
    with pytest.raises(BadSettings):
        benchmark.accuracy(tmp_path)
