"""The review page in a real browser, and its server against requests that are not the page's.

The browser tests need Chromium (Debian's package ``chromium``) and Playwright, and are skipped without them.
"""

import json
import shutil

import cv2
import numpy as np
import pandas as pd
import pytest
from fixtures.review import PHOTOS, asked, count, edits_of, opened, rows_text, until

from standcam.images.reduce import reduce
from standcam.report.folder import read_results
from standcam.review.server import TOKEN
from standcam.spacing.edits import EDITS


def test_the_page_and_its_data(served):
    server, _ = served
    answer, page = asked(server, "/")
    assert answer.status == 200 and b"review.js" in page and b"http://" not in page and b"https://" not in page
    assert "default-src 'none'" in answer.headers["Content-Security-Policy"]
    told = json.loads(asked(server, "/api/photos")[1])
    assert len(told["pictures"]) == 2 and told["edits"] == 0
    state = json.loads(asked(server, "/api/photo/0")[1])
    assert state["plants"] and state["rows"] and state["can_place"]
    answer, picture = asked(server, "/api/picture/0")
    assert answer.headers["Content-Type"] == "image/jpeg" and picture[:3] == b"\xff\xd8\xff"


@pytest.mark.parametrize(
    ("path", "headers", "status"),
    [
        ("/api/photos", {TOKEN.replace("-", "_"): None}, 403),
        ("/api/photos", {TOKEN.replace("-", "_"): "guessed"}, 403),
        ("/api/photos", {"Host": "evil.example:80"}, 421),
        ("/api/photos", {"Origin": "http://evil.example"}, 403),
        ("/api/photos", {"Sec_Fetch_Site": "cross-site"}, 403),
        ("/api/photo/99", {}, 404),
        ("/api/photo/-1", {}, 404),
        ("/../run.json", {}, 404),
        ("/%2e%2e/run.json", {}, 404),
        ("/api/picture/../../../etc/passwd", {}, 404),
        ("/run.json", {}, 404),
        ("//evil.example/", {}, 404),
    ],
)
def test_strange_requests_get_nothing(served, path, headers, status):
    assert asked(served[0], path, **headers)[0].status == status


@pytest.mark.parametrize(
    ("body", "headers", "status"),
    [
        ('{"what": "seen"}', {"Origin": None}, 403),
        ('{"what": "seen"}', {"Origin": "http://127.0.0.1:1"}, 403),
        ('{"what": "seen"}', {TOKEN.replace("-", "_"): "x"}, 403),
        ('{"what": "seen"}', {"Content_Type": "text/plain"}, 415),
        ("[1]", {}, 400),
        ("{", {}, 400),
        ("[" * 3000, {}, 400),
        ("x" * 5000, {}, 413),
        ('{"what": "paint"}', {}, 422),
        ('{"what": "judge", "plant": 999999, "judged": "crop"}', {}, 422),
        ('{"what": "add", "x": 1e9, "y": 2}', {}, 422),
        ('{"what": "add", "x": true, "y": 2}', {}, 422),
    ],
)
def test_strange_edits_are_refused_and_write_nothing(served, body, headers, status):
    server, out = served
    assert asked(server, "/api/edit/0", "POST", body, **headers)[0].status == status
    assert not (out / EDITS).exists() or (out / EDITS).read_bytes() == b""


@pytest.mark.parametrize("method", ["PUT", "DELETE", "OPTIONS", "PATCH", "TRACE"])
def test_other_methods_are_not_known(served, method):
    assert asked(served[0], "/api/photos", method)[0].status == 501


def test_a_marked_photo_that_is_a_link_out_of_the_folder_is_not_served(counted, served):
    server, out = served
    shutil.move(counted / "in", counted / "away")
    try:
        marked = out / "marked" / json.loads((out / "run.json").read_text())["inputs"][0]["marked"]
        names = [p["name"] for p in json.loads(asked(server, "/api/photos")[1])["pictures"]]
        number = names.index(json.loads((out / "run.json").read_text())["inputs"][0]["photo"])
        answer, _ = asked(server, f"/api/picture/{number}")
        assert answer.status == 200 and answer.headers["X-Standcam-Picture"] == "marked"
        marked.unlink()
        marked.symlink_to("/etc/hostname")
        assert asked(server, f"/api/picture/{number}")[0].status == 404
    finally:
        shutil.move(counted / "away", counted / "in")


def test_where_the_photo_is_lost_the_picture_is_cut_out_of_the_marked_one(served, lost):
    photos = [cv2.imdecode(np.frombuffer(asked(s, "/api/picture/0")[1], np.uint8), 1) for s, _ in (served, lost)]
    assert asked(lost[0], "/api/picture/0")[0].headers["X-Standcam-Picture"] == "marked"
    small = reduce(photos[0], 1600)
    assert photos[1].shape == small.shape, "no words above or below"
    unlike = np.abs(photos[1].astype(int) - small).max(axis=2) > 60
    assert 0.001 < unlike.mean() < 0.08, "symbols and their words, and nothing else"


def test_a_marked_photo_that_does_not_tell_its_place_is_not_shown(lost):
    server, out = lost
    for path in (out / "marked").iterdir():
        whole = cv2.imread(str(path))
        cv2.imwrite(str(path), whole)
    answer, said = asked(server, "/api/picture/0")
    error = json.loads(said)["error"]
    assert answer.status == 404 and "--photos" in error and "where in it" in error
    shutil.rmtree(out / "marked")
    answer, said = asked(server, "/api/picture/0")
    assert answer.status == 404 and "no marked one" in json.loads(said)["error"]


def test_a_photo_that_browsers_may_turn_otherwise_is_packed_upright(tmp_path, serve):
    # PNG with an EXIF orientation: browsers differ, so the page gets a JPEG of the frame that was counted
    from PIL import Image

    (tmp_path / "in").mkdir()
    with Image.open(PHOTOS / "slow_1_board.jpg") as image:
        exif = Image.Exif()
        exif[0x0112] = 3
        image.rotate(180).save(tmp_path / "in" / "turned.png", exif=exif, compress_level=1)
    count(tmp_path)
    server = serve(tmp_path / "out")
    answer, data = asked(server, "/api/picture/0")
    assert answer.headers["Content-Type"] == "image/jpeg" and answer.headers["X-Standcam-Picture"] == "original"
    shown = cv2.imdecode(np.frombuffer(data, np.uint8), 1).astype(int)
    assert np.abs(shown - cv2.imread(str(PHOTOS / "slow_1_board.jpg"))).mean() < 4


def test_edits_change_numbers_and_undo_gives_them_back(served):
    server, out = served
    state = json.loads(asked(server, "/api/photo/0")[1])
    crop = next(p for p in state["plants"] if p["crop"])
    raw = read_results(out).rows
    body = json.dumps({"what": "judge", "plant": crop["plant"], "judged": "nothing"})
    after = json.loads(asked(server, "/api/edit/0", "POST", body)[1])
    assert next(p for p in after["plants"] if p["plant"] == crop["plant"])["judged"] == "nothing"
    now = read_results(out).rows
    assert now["plants"].sum() == raw["plants"].sum() - 1
    again = json.loads(asked(server, "/api/edit/0", "POST", '{"what": "undo"}')[1])
    assert again["rows"] == state["rows"] and again["redo"] == 1
    pd.testing.assert_frame_equal(read_results(out).rows, raw)
    lines = (out / EDITS).read_text().splitlines()
    assert [json.loads(line)["what"] for line in lines] == ["judge", "undo"]
    assert all(json.loads(line)["who"] == "a scout" and json.loads(line)["when"] for line in lines)
    with open(out / EDITS, "ab") as file:
        file.write(b'{"id": "torn", "what": "jud')  # as a crash leaves it
    pd.testing.assert_frame_equal(read_results(out).rows, raw)
    third = json.loads(asked(server, "/api/edit/0", "POST", body)[1])
    assert next(p for p in third["plants"] if p["plant"] == crop["plant"])["judged"] == "nothing"


# ---- in the browser


def test_keys_click_and_drag(chromium, served, tmp_path):
    server, out = served
    page = opened(chromium, server)
    at_first = rows_text(page)
    page.keyboard.press("j")
    assert "Plant" in page.text_content("#plant")
    page.keyboard.press("x")
    one = rows_text(page, at_first)
    assert edits_of(out, 1)[0]["judged"] == "nothing"
    page.keyboard.press("u")
    rows_text(page, one)
    assert [e["what"] for e in edits_of(out, 2)] == ["judge", "undo"]
    assert rows_text(page) == at_first
    # a plant added on the row line, in the middle of what is shown
    state = json.loads(asked(server, "/api/photo/0")[1])
    x, y = state["rows"][0]["line"][len(state["rows"][0]["line"]) // 2]
    page.keyboard.press("0")
    box = page.locator("#view").bounding_box()
    scale = min(box["width"] / state["width"], box["height"] / state["height"])
    left = box["x"] + (box["width"] - state["width"] * scale) / 2
    top = box["y"] + (box["height"] - state["height"] * scale) / 2
    page.keyboard.press("a")
    page.mouse.click(left + x * scale, top + y * scale)
    added = edits_of(out, 3)[2]
    assert added["what"] == "add" and abs(added["x_px"] - x) < 2 / scale and abs(added["y_px"] - y) < 2 / scale
    rows_text(page, at_first)
    page.keyboard.press("a")
    # dragged by 40 pixels along the screen
    page.mouse.move(left + x * scale, top + y * scale)
    page.mouse.down()
    page.mouse.move(left + x * scale + 20, top + y * scale, steps=4)
    page.mouse.move(left + x * scale + 40, top + y * scale, steps=4)
    page.mouse.up()
    moved = edits_of(out, 4)[3]
    assert moved["what"] == "move" and moved["plant"] == added["plant"]
    assert abs(moved["x_px"] - added["x_px"] - 40 / scale) < 2 / scale
    page.keyboard.press("s")
    assert edits_of(out, 5)[4]["what"] == "seen"
    until(page, "document.querySelector('#photos').value === '1'")
    page.keyboard.press("?")
    assert page.locator("#keys").is_visible()
    page.screenshot(path=str(tmp_path / "keys.png"))
    assert page.faults == []


def test_fingers_on_a_tablet(chromium, served):
    server, out = served
    page = opened(chromium, server, viewport={"width": 820, "height": 1180}, has_touch=True, is_mobile=True)
    page.tap("#next")
    before = rows_text(page)
    page.tap("#weed")
    rows_text(page, before)
    assert edits_of(out, 1)[0]["judged"] == "weed"
    page.tap("#undo")
    assert edits_of(out, 2)[1]["what"] == "undo"
    wide = page.evaluate("document.documentElement.scrollWidth <= innerWidth")
    small = page.eval_on_selector_all("footer button", "b => b.filter(e => e.offsetHeight < 40).length")
    assert wide and small == 0 and page.faults == []
