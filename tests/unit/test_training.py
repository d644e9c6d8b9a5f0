"""Collages and dealing of training pieces: what is pasted is told, and truth travels with the picture."""

from __future__ import annotations

from importlib.resources import files

import cv2
import numpy as np
import pytest

from standcam.training import CROP, SAMPLE_CM, UNSURE, WEED
from standcam.training.collages import collage, collages, crop_of
from standcam.training.paste import APART_CM, SLANT, Collage, pasted, unpacked

SIDE = 600


def a_sample(stems=((150, 300), (300, 300), (450, 300)), weed=(320, 420)):
    """Green discs of 12 pixels about their stems on brown soil, a smaller one for the weed."""
    bgr = np.full((SIDE, SIDE, 3), (60, 90, 120), np.uint8)
    numbers = np.zeros((SIDE, SIDE), np.uint16)
    places = [*stems, weed]
    for k, place in enumerate(places):
        radius = 12 if k < len(stems) else 7
        cv2.circle(bgr, place, radius, (40, 180, 60), -1)
        cv2.circle(numbers, place, radius, k + 1, -1)
    kinds = [CROP] * len(stems) + [WEED]
    return {
        "photo": "a", "made": False, "height_px": 900.0,
        "jpeg": cv2.imencode(".jpg", bgr, [cv2.IMWRITE_JPEG_QUALITY, 95])[1].tobytes(),
        "numbers": cv2.imencode(".png", numbers)[1].tobytes(),
        "foot_px": np.array([300, 300], np.float32), "row_axis": np.array([1, 0], np.float32),
        "stems": np.c_[np.array(places, float), kinds, np.ones(len(places))].astype(np.float32),
    }  # fmt: skip


@pytest.mark.parametrize("seed", range(8))
def test_pasted_plants_show_where_their_stems_are_said_to_stand(seed):
    sample = a_sample()
    bgr, numbers, stems = pasted(sample, np.random.default_rng(seed))
    old = len(sample["stems"])
    np.testing.assert_array_equal(stems[:old, :2], sample["stems"][:, :2])
    assert set(np.unique(numbers)) <= set(range(len(stems) + 1))
    for k in range(old, len(stems)):
        y, x = np.nonzero(numbers == k + 1)
        if len(x) > 300:  # hardly covered: a disc about its stem
            np.testing.assert_allclose([x.mean(), y.mean()], stems[k, :2], atol=4)
            blue, green, red = bgr[y, x].astype(int).mean(axis=0)
            assert green > red + 40 and green > blue + 40


def test_some_are_pasted_and_crop_stems_stay_apart():
    counts = []
    for seed in range(20):
        _, _, stems = pasted(a_sample(), np.random.default_rng(seed))
        crop = stems[(stems[:, 2] == CROP) | (stems[:, 2] == UNSURE), :2]
        far = np.linalg.norm(crop[:, None] - crop[None], axis=2) + 1e9 * np.eye(len(crop))
        assert far.min() >= APART_CM / SAMPLE_CM - 1e-3
        counts.append(len(stems) - 4)
    assert np.mean(counts) > 1


def test_a_stretch_is_sown_more_thickly_than_it_stood():
    sample, added = a_sample(), 0
    for seed in range(10):
        collage = Collage(sample, np.random.default_rng(seed))
        collage.sow()
        new = collage.stems[len(sample["stems"]) :]
        added += len(new)
        assert np.abs(new[:, 1] - 300).max(initial=0) < 3.0 / SAMPLE_CM  # on the row, which lies along x at 300
        for k in range(len(new)):  # and there it shows, where nothing covers it
            y, x = np.nonzero(collage.numbers == len(sample["stems"]) + k + 1)
            if len(x) > 300:
                np.testing.assert_allclose([x.mean(), y.mean()], new[k, :2], atol=4)
    assert added >= 20
    alone = a_sample(stems=((300, 300),))
    collage = Collage(alone, np.random.default_rng(0))
    collage.sow()  # one plant is no row
    assert len(collage.stems) == 2


def test_a_plant_that_is_covered_is_unsure():
    collage = Collage(a_sample(), np.random.default_rng(0))
    collage.numbers[collage.numbers == 2] = 1
    collage._judge()
    assert collage.stems[:, 2].tolist() == [CROP, UNSURE, CROP, WEED]


def test_a_sheet_without_crop_stays_as_it_is():
    sample = a_sample()
    sample["stems"][:, 2] = WEED
    bgr, numbers, stems = pasted(sample, np.random.default_rng(0))
    np.testing.assert_array_equal(bgr, unpacked(sample)[0])
    np.testing.assert_array_equal(numbers, unpacked(sample)[1])
    assert len(stems) == 4


@pytest.mark.parametrize("seed", range(4))
def test_plants_of_another_sheet_are_as_slantwise_and_as_bright_as_where_they_land(seed):
    bright = a_sample(stems=((100, 300), (300, 330), (520, 300)))
    picture, numbers = unpacked(bright)
    picture[np.isin(numbers, (1, 2, 3))] = (60, 240, 90)
    bright["jpeg"] = cv2.imencode(".jpg", picture, [cv2.IMWRITE_JPEG_QUALITY, 95])[1].tobytes()
    sample, before = a_sample(), len(a_sample()["stems"])
    bgr, numbers, stems = pasted(sample, np.random.default_rng(seed), bright)
    pasted_crop = [k for k in range(before, len(stems)) if stems[k, 2] == CROP]
    assert pasted_crop
    for k in pasted_crop:
        y, x = np.nonzero(numbers == k + 1)
        if len(x) > 300:
            np.testing.assert_allclose([x.mean(), y.mean()], stems[k, :2], atol=4)
            assert abs(float(bgr[y, x, 1].mean()) - 180) < 35  # as the green of the sheet it came to, not 240
            slant = np.linalg.norm(stems[k, :2] - sample["foot_px"]) / 900
            # a donor grew within SLANT of a host; the plant stands up to 16 cm from the host
            assert min(abs(slant - s) for s in (200 / 900, 30 / 900, 220 / 900)) < SLANT + 16 / SAMPLE_CM / 900


def test_copies_are_samples_of_the_same_photo_whoever_makes_them():
    made, other = a_sample() | {"made": True}, a_sample(stems=((120, 280), (380, 300), (450, 330))) | {"photo": "a2"}
    copies = list(collages([a_sample(), made, other], each=2, seed=5, workers=2))
    assert [s["photo"] for s in copies] == ["a", "a", "a2", "a2"]  # none of what a generator made
    assert collage((a_sample(), [5, 0, 0], None))["jpeg"] == copies[0]["jpeg"]
    assert collage((a_sample(), [5, 0, 1], other))["jpeg"] == copies[1]["jpeg"]  # every second has plants of another
    _, numbers = unpacked(copies[0])
    np.testing.assert_array_equal(numbers, pasted(a_sample(), np.random.default_rng([5, 0, 0]))[1])
    assert set(copies[0]) == set(a_sample())


def test_crops_are_told_apart_by_the_letters_of_names():
    assert crop_of({"photo": "trm009.jpg"}) == "trm" != crop_of({"photo": "trs009.jpg"}) == "trs"


def test_dealt_pieces_carry_their_truth():
    torch = pytest.importorskip("torch")
    from standcam.training.deck import Deck
    from standcam.training.fit import targets
    from standcam.training.reduced import LOOKS

    look = LOOKS["photo"]
    deck = Deck([a_sample()], look, "cpu", seed=1, workers=1)
    pieces = deck.deal(6)
    assert pieces.x.shape == (6, look.planes, 160, 160) == (6, 14, 160, 160)
    aim = targets(pieces, look)
    for k in range(6):
        crop = pieces.ground[k] == 1
        # heat stands on crop only, and the way from every leaf cell leads to a warm one
        y, x = torch.nonzero(crop, as_tuple=True)
        end = torch.stack([x, y]).float() + pieces.to_stem[k][:, y, x]
        inside = ((end > 0) & (end < 159)).all(0)
        warm = aim.heat[k, 0][end[1, inside].round().long(), end[0, inside].round().long()]
        assert (warm > 0.8).all()
        hot = aim.heat[k, 0] > 0.95
        assert (pieces.ground[k][hot] == 1).all()
        # and the picture is green there
        rgb = pieces.x[k, :12:4]
        if hot.any():
            assert (rgb[1][hot] > rgb[0][hot]).float().mean() > 0.9


def test_pieces_of_strips_tell_their_pixel():
    torch = pytest.importorskip("torch")
    from standcam.plants.networks import STEP_PX
    from standcam.training.deck import Deck
    from standcam.training.reduced import LOOKS

    look = LOOKS["strip"]
    deck = Deck([a_sample()], look, "cpu", seed=1, workers=1)
    assert len(deck.size) == 5  # one sheet for each way of reducing
    pieces = deck.deal(40)
    assert pieces.x.shape == (40, look.planes, 32, 64) == (40, 27, 32, 64)
    told = pieces.x[:, 26]
    assert (told == told[:, :1, :1]).all()
    cm = 0.4 * 2 ** told[:, 0, 0]
    assert cm.min() > 0.26 and cm.max() < 0.63 and cm.max() > 1.5 * cm.min()
    # two stems of the sample are as far apart on the ground as on every piece
    xy = torch.from_numpy(a_sample()["stems"][:, :2])
    true = torch.linalg.norm(xy[0] - xy[1]) * SAMPLE_CM
    seen = torch.linalg.norm(pieces.stem[:, 0] - pieces.stem[:, 1], dim=1) * STEP_PX * cm
    torch.testing.assert_close(seen, true.expand(40).float(), rtol=1e-3, atol=1e-3)


def test_pieces_along_rows_hold_a_row():
    torch = pytest.importorskip("torch")
    from standcam.training.deck import Deck, middles
    from standcam.training.fit import targets
    from standcam.training.reduced import LOOKS

    turned = a_sample() | {"row_axis": np.array([-1, 0], np.float32)}
    look = LOOKS["row"]
    pieces = Deck([turned], look, "cpu", seed=2, workers=1).deal(60)
    assert pieces.x.shape == (60, 27, 8, 128) and pieces.to_stem.shape == (60, 2, 8, 128)
    row = pieces.stem[:, :3]
    slope = (row[:, 2, 1] - row[:, 0, 1]) / (row[:, 2, 0] - row[:, 0, 0])
    assert slope.abs().max() < 0.25 and slope.std() > 0.02
    aim = targets(pieces, look)
    assert aim.heat.shape == (60, 2, 8, 128)
    y = torch.nonzero(aim.heat[:, 0] > 0.9)[:, 1].float()
    assert abs(y.mean() - 3.5) < 1 and (y - 3.5).abs().median() < 2
    # the leaf cells' ways lead to stems here too
    k, y, x = torch.nonzero(pieces.ground == 1, as_tuple=True)
    across, down = middles(look, "cpu")
    end = torch.stack([across[x], down[y]], 1) + pieces.to_stem[k, :, y, x]
    inside = (end[:, 0] > 0) & (end[:, 0] < 127) & (end[:, 1] > 0) & (end[:, 1] < 15)
    across, down = end[inside].T  # a cell is one step long and two high
    assert (aim.heat[k[inside], 0, ((down - 0.5) / 2).round().long(), across.round().long()] > 0.6).all()


def test_a_fit_takes_its_looks_in_turn_and_keeps_its_weights_on_the_way(tmp_path, monkeypatch):
    torch = pytest.importorskip("torch")
    import standcam.training.fit as fitting
    from standcam.training.fit import Course, Team, fit
    from standcam.training.model import restored
    from standcam.training.reduced import LOOKS

    monkeypatch.setattr(fitting, "KEPT_STEPS", 3)

    said = []
    course = Course(steps=4, batch=2, widths=(8, 16, 24, 32), depths=(1, 1, 1, 1), workers=1)
    looks = [LOOKS["row"], LOOKS["row"], LOOKS["strip"]]
    kept = tmp_path / "kept.pt"
    net = fit([a_sample()], looks, course, Team(), kept=kept, log=lambda line, flush: said.append(line))
    assert said[0] == "decks of [5, 5] sheets" and said[1].startswith("step 3 loss ") and len(said) == 2
    before = restored(torch.load(kept))
    assert before.form == net.form and [path.name for path in tmp_path.iterdir()] == ["kept.pt"]
    with torch.no_grad():
        assert torch.isfinite(net.cpu()(torch.rand(1, 27, 16, 32))).all()


@pytest.mark.filterwarnings("ignore::DeprecationWarning")  # export by tracing, which PyTorch would replace
@pytest.mark.parametrize(("depths", "plain"), [((1, 1, 2, 1), 0), ((0, 1, 1, 2), 2)])
def test_a_network_is_exported_as_it_is(tmp_path, depths, plain):
    torch = pytest.importorskip("torch")
    pytest.importorskip("onnx")
    from standcam.plants.networks import ALONG_CELL, said_of
    from standcam.training.deck import planes_of
    from standcam.training.export import export
    from standcam.training.model import Form, StemNet, restored

    torch.manual_seed(4)
    form = Form(27, (8, 16, 24, 32), depths, plain)
    net = StemNet(form)
    with torch.no_grad():
        for _ in range(20):
            net(torch.rand(4, 27, 32, 32))  # norms that do something
    torch.save(net.state_dict(), tmp_path / "n.pt")
    export(tmp_path / "n.pt", tmp_path / "n.onnx.gz")
    again = restored(torch.load(tmp_path / "n.pt")).eval()
    assert again.form == form
    rgb = np.random.default_rng(5).integers(0, 256, (64, 112, 3), np.uint8)
    others = np.array([0.2, -0.1, 0.3], np.float32)[:, None, None]
    colours = torch.from_numpy((rgb.transpose(2, 0, 1)[None] / 255).astype(np.float32))
    x = planes_of(colours, torch.from_numpy(np.broadcast_to(others, (1, 3, 64, 112)).copy()), ALONG_CELL)
    with torch.no_grad():
        wanted = again(x)[0].numpy()
    found = said_of(rgb, np.broadcast_to(others, (3, 16, 56)), str(tmp_path / "n.onnx.gz"), ALONG_CELL)
    assert found.shape == wanted.shape == (5, 16, 56)
    np.testing.assert_allclose(found, wanted, atol=2e-3)


def test_a_reduced_sheet_is_the_mean_and_keeps_places():
    from standcam.training.reduced import LOOKS, drawn

    whole = drawn(a_sample(), LOOKS["photo"])[0]
    for times, sheet in zip(LOOKS["strip"].reductions, drawn(a_sample(), LOOKS["strip"]), strict=True):
        h, w = sheet.numbers.shape
        assert sheet.cm_per_px == pytest.approx(SAMPLE_CM * times)
        np.testing.assert_allclose((sheet.stems[:, :2] + 0.5) * times, whole.stems[:, :2] + 0.5, atol=1e-4)
        means = whole.bgr[: h * times, : w * times].reshape(h, times, w, times, 3).mean((1, 3))
        assert np.abs(sheet.bgr - means).mean() < 12  # blur and JPEG
        np.testing.assert_allclose(sheet.foot_px, (whole.foot_px + 0.5) / times - 0.5)


def a_network(tmp_path):
    """A network of chance, its norms settled, exported; and some sheets."""
    torch = pytest.importorskip("torch")
    pytest.importorskip("onnx")
    from standcam.training.export import export
    from standcam.training.model import Form, StemNet

    torch.manual_seed(4)
    net, x = StemNet(Form(14, (8, 16, 24, 32), (1, 1, 1, 1))), torch.rand(3, 14, 48, 32)
    net.train()
    with torch.no_grad():
        for _ in range(60):
            net(x)
    torch.save(net.state_dict(), tmp_path / "n.pt")
    export(tmp_path / "n.pt", tmp_path / "n.onnx.gz")
    return tmp_path / "n.onnx.gz", x


def said_of(network, x):
    from standcam.plants.networks import network_of

    net, out = network_of(str(network)), []
    for k in range(len(x)):
        net.setInput(x[k : k + 1].numpy())
        out.append(net.forward()[0].copy())
    return np.stack(out)


@pytest.mark.filterwarnings("ignore::DeprecationWarning")
def test_training_goes_on_from_a_kept_network(tmp_path):
    torch = pytest.importorskip("torch")
    from standcam.training.start import from_onnx, widened

    path, x = a_network(tmp_path)
    with pytest.raises(ValueError, match="convolutions"):
        from_onnx(path, x)  # of other depths than the one that ships
    path, x = files("standcam.plants") / "weights" / "stems.onnx.gz", torch.rand(3, 14, 48, 32)
    net = from_onnx(path, x)
    with torch.no_grad():
        out, _ = net(x)  # in training, so that norms go by these very sheets
        wide, _ = widened(net, (32, 56, 104, 168))(x)
    torch.testing.assert_close(wide, out, rtol=1e-3, atol=1e-3)
    # what ships reckons in 8 bits: near, and not equal
    shipped = said_of(path, x)
    assert np.corrcoef(out[:, 0].numpy().ravel(), shipped[:, 0].ravel())[0, 1] > 0.98
    assert np.abs(out[:, :2].numpy() - shipped[:, :2]).mean() < 0.3
    with pytest.raises(ValueError, match="fewer"):
        widened(net, (8, 16, 24, 32))


@pytest.mark.filterwarnings("ignore::DeprecationWarning")
def test_eight_bits_say_nearly_the_same(tmp_path):
    pytest.importorskip("onnxruntime")
    from standcam.training.eight_bits import in_eight_bits

    path, x = a_network(tmp_path)
    for name in ("a", "b"):
        in_eight_bits(path, x.numpy(), tmp_path / f"{name}.onnx.gz")
    assert (tmp_path / "a.onnx.gz").read_bytes() == (tmp_path / "b.onnx.gz").read_bytes()
    assert (tmp_path / "a.onnx.gz").stat().st_size < 0.5 * path.stat().st_size
    whole, plain = said_of(tmp_path / "a.onnx.gz", x), said_of(path, x)
    spread = plain.std(axis=(0, 2, 3))
    off = np.sqrt(((whole - plain) ** 2).mean(axis=(0, 2, 3)))
    assert (off > 0).all() and (off < 0.15 * spread).all()


def test_weights_are_rounded_to_the_nearest():
    pytest.importorskip("torch")
    from standcam.training.export import KEPT_BITS, rounded

    values = np.random.default_rng(3).normal(size=(4, 7)).astype(np.float32)
    near = rounded(values)
    assert near.shape == values.shape
    assert np.abs(near / values - 1).max() <= 2.0 ** -(KEPT_BITS + 1)
    np.testing.assert_array_equal(rounded(near), near)
