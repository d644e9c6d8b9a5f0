"""Looks of the review page: the marked photos' symbols, room and contrast for the field, smooth at 12 megapixels.

Needs Chromium (Debian's package ``chromium``) and Playwright; skipped without them.
"""

import re
import shutil
from importlib.resources import files

import cv2
import numpy as np
import pytest
from fixtures.review import PHOTOS, Screen, asked, count, opened, state_of, until

from standcam.report import canvas

DESK = {"viewport": {"width": 1280, "height": 800}}
TABLET = {"viewport": {"width": 820, "height": 1180}, "has_touch": True, "is_mobile": True}
PHONE = {"viewport": {"width": 390, "height": 844}, "has_touch": True, "is_mobile": True}
HEARD = """
window.words = [];
const write = CanvasRenderingContext2D.prototype.fillText;
CanvasRenderingContext2D.prototype.fillText = function (text, x, y) {
  words.push([text, this.fillStyle, x, y]);
  write.call(this, text, x, y);
};
"""


@pytest.fixture(scope="module")
def two_rows(tmp_path_factory):
    return count(tmp_path_factory.mktemp("rows"), "fast_3_double.jpg")


def words_drawn(page):
    """What one more frame writes on the photo: text to (ink, x, y)."""
    page.evaluate("words.length = 0")
    page.keyboard.press("0")
    until(page, "words.length > 0")
    return {text: tuple(more) for text, *more in page.evaluate("words")}


def test_the_colours_are_those_of_the_marked_photos():
    script = (files("standcam.review") / "page" / "marks.js").read_text()
    told = {name: tuple(map(int, rgb)) for name, *rgb in re.findall(r"(\w+): \"rgb\((\d+), (\d+), (\d+)\)\"", script)}
    assert told == {
        name.lower(): getattr(canvas, name) for name in ("WHITE", "INK", "ORANGE", "SKY", "YELLOW", "PURPLE")
    }


def test_rows_plants_doubles_and_skips_are_told_in_words(chromium, two_rows, serve, tmp_path):
    shutil.copytree(two_rows / "out", tmp_path / "out")
    server = serve(tmp_path / "out")
    page = opened(chromium, server, HEARD, **DESK)
    state = state_of(server)
    words = words_drawn(page)
    assert [row["row"] for row in state["rows"]] == [1, 2]
    assert {"row 1", "row 2"} <= set(words)
    gaps = [gap for row in state["rows"] for gap in row["gaps"]]
    skips = {f"skip: {gap['missing']} missing" for gap in gaps if gap["kind"].startswith("skip")}
    assert skips and skips <= set(words) and any(gap["kind"] == "double" for gap in gaps)
    assert words["D"][0] == "#cc79a7" and words[min(skips)][0] == "#e69f00"  # PURPLE, ORANGE
    crop = {p["plant"] for p in state["plants"] if p["crop"]}
    numbered = {int(word.split()[0]) for word in words if word.split()[0].isdigit()}
    assert len(crop & numbered) > 0.8 * len(crop), "a few find no room"
    unsure = {f"{p['plant']} ?" for p in state["plants"] if p["doubtful"]}
    assert unsure and unsure & set(words)
    # the D stands at the double: within some 40 px of one's middle
    screen, box = Screen(page, state), page.locator("#view").bounding_box()
    middles = [screen.at(*gap["points"][len(gap["points"]) // 2]) for gap in gaps if gap["kind"] == "double"]
    x, y = words["D"][1] + box["x"], words["D"][2] + box["y"]
    assert min(np.hypot(x - u, y - v) for u, v in middles) < 45
    assert page.faults == []


def test_plants_are_rings_with_a_dot_and_weeds_crosses(chromium, served, tmp_path):
    server, _ = served
    page = opened(chromium, server, **DESK)
    page.screenshot(path=str(tmp_path / "page.png"))
    shown = cv2.imread(str(tmp_path / "page.png"))[:, :, ::-1].astype(int)
    state = state_of(server)
    screen = Screen(page, state)
    places = {p["plant"]: screen.at(p["x"], p["y"]) for p in state["plants"]}
    looked = {"crop": 0, "weed": 0}
    for plant in state["plants"]:
        x, y = places[plant["plant"]]
        others = [np.hypot(x - u, y - v) for n, (u, v) in places.items() if n != plant["plant"]]
        if min(others) < 30 or plant["doubtful"] or plant["judged"] not in looked:
            continue
        looked[plant["judged"]] += 1
        radius = max(7.0, 10 * np.sqrt(screen.scale))
        around = np.linspace(0, 2 * np.pi, 24, endpoint=False)
        ring = shown[
            np.round(y + radius * np.sin(around) - 0.5).astype(int),
            np.round(x + radius * np.cos(around) - 0.5).astype(int),
        ]
        white = (ring.min(axis=1) > 150).mean()
        centre = shown[int(y), int(x)]
        if plant["judged"] == "crop":
            assert white > 0.6 and np.abs(centre - canvas.SKY).max() < 90, (plant, white, centre)
        else:
            assert white < 0.3 and np.abs(centre - canvas.YELLOW).max() < 90, (plant, white, centre)
    assert min(looked.values()) >= 3, looked


# Relative luminance and contrast as WCAG 2.2 defines them (w3.org/TR/WCAG22, "contrast ratio"); 7 is its level AAA
# (1.4.6), 4.5 its level AA (1.4.3), and 44 px its target size at AAA (2.5.5).
LOOKS = """() => {
  const light = (c) => (c /= 255) <= 0.04045 ? c / 12.92 : ((c + 0.055) / 1.055) ** 2.4;
  const luminance = (rgb) => 0.2126 * light(rgb[0]) + 0.7152 * light(rgb[1]) + 0.0722 * light(rgb[2]);
  const numbers = (text) => text.match(/[\\d.]+/g).map(Number);
  const ground = (e) => {
    for (; e; e = e.parentElement) {
      const own = numbers(getComputedStyle(e).backgroundColor);
      if (own.length === 3 || own[3] === 1) return own;
    }
    return [255, 255, 255];
  };
  const told = [];
  const all = "button, kbd, select, #stand span, aside div, aside h3, dialog td, dialog p";
  for (const e of document.querySelectorAll(all)) {
    const own = [...e.childNodes].some((n) => n.nodeType === 3 && n.data.trim()) || e.tagName === "SELECT";
    if (!own || !e.offsetHeight) continue;
    const style = getComputedStyle(e);
    const [a, b] = [luminance(numbers(style.color)), luminance(ground(e))].sort((p, q) => q - p);
    told.push({ what: e.id || e.textContent.slice(0, 20), size: parseFloat(style.fontSize),
      contrast: (a + 0.05) / (b + 0.05), off: Boolean(e.closest(":disabled")) });
  }
  return told;
}"""


@pytest.mark.parametrize("screen", [DESK, TABLET, PHONE], ids=["desk", "tablet", "phone"])
def test_words_and_buttons_are_for_the_field(chromium, served, screen):
    server, _ = served
    page = opened(chromium, server, **screen)
    size = screen["viewport"]
    for _ in range(2):
        for told in page.evaluate(LOOKS):
            assert told["size"] >= 13 and told["contrast"] >= (4.5 if told["off"] else 7), told
        boxes = {
            b["id"]: b
            for b in page.evaluate(
                "[...document.querySelectorAll('header button, header select, footer button')].map(e => ({id: e.id,"
                " spills: e.tagName !== 'SELECT' && (e.scrollWidth > e.clientWidth || e.scrollHeight > e.clientHeight),"
                " ...e.getBoundingClientRect().toJSON()}))"
            )
        }
        for box in boxes.values():
            assert box["height"] >= 44 and box["width"] >= 44 and not box["spills"], box
            assert box["left"] >= 0 and box["right"] <= size["width"] and box["bottom"] <= size["height"], box
        assert boxes["help"]["top"] == boxes["photos"]["top"] == boxes["before"]["top"], "one line"
        lines = {box["top"] for name, box in boxes.items() if name not in ("help", "photos", "before", "after")}
        assert len(lines) == (1 if size["width"] > 900 else 2)
        view = page.locator("#view").bounding_box()
        assert view["height"] >= 0.4 * size["height"]
        page.click("#next")
        assert "Plant" in page.text_content("#plant")
        page.wait_for_timeout(100)
        assert page.locator("#view").bounding_box() == view, "the photo does not jump when a plant is chosen"
    page.click("#help")
    assert all(told["size"] >= 13 and told["contrast"] >= 4.5 for told in page.evaluate(LOOKS))
    assert page.locator("#close").is_visible() and page.evaluate("document.querySelector('#keys').scrollTop") == 0
    page.click("#close")
    assert page.faults == []


# Moves the photo in every frame, so that no idle frame flatters; "drawn out" also reads a pixel back in each frame, so
# that the browser must have finished drawing.
EVERY_FRAME = """
let drawn = 0;
const draw = CanvasRenderingContext2D.prototype.drawImage;
CanvasRenderingContext2D.prototype.drawImage = function (image, ...more) {
  if (image.width === large[0] && image.height === large[1]) drawn++;
  draw.call(this, image, ...more);
};
window.framesOf = (how) => new Promise((done) => {
  const canvas = document.querySelector("#view");
  const box = canvas.getBoundingClientRect();
  const send = (kind, type, x, y, more) => canvas.dispatchEvent(new kind(type, { bubbles: true, cancelable: true,
    pointerId: 1, pointerType: "mouse", isPrimary: true, clientX: box.x + x, clientY: box.y + y, ...more }));
  canvas.setPointerCapture = () => {};
  const [x, y] = [box.width / 2, 40];
  const times = [];
  if (how.startsWith("pan")) send(PointerEvent, "pointerdown", x, y);
  drawn = 0;
  requestAnimationFrame(function frame(now) {
    times.push(now);
    const k = times.length;
    if (k > 120) {
      send(PointerEvent, "pointerup", x, y);
      return done([times.slice(1).map((t, n) => t - times[n]), drawn]);
    }
    if (how.startsWith("pan")) send(PointerEvent, "pointermove", x + 200 * Math.sin(k / 9), y + 100 * Math.sin(k / 7));
    else send(WheelEvent, "wheel", box.width / 2, box.height / 2, { deltaY: k <= 60 ? -40 : 40 });
    if (how.endsWith("drawn out")) canvas.getContext("2d").getImageData(5, 5, 1, 1);
    requestAnimationFrame(frame);
  });
});
"""


@pytest.mark.speed
def test_zoom_and_pan_of_twelve_megapixels_are_smooth(chromium, serve, tmp_path):
    from PIL import Image

    (tmp_path / "in").mkdir()
    with Image.open(PHOTOS / "fast_1_tilt.jpg") as small:
        large = small.resize((4000, 3000), Image.Resampling.BICUBIC)
        large.save(tmp_path / "in" / "large.jpg", quality=95, exif=small.getexif())
    count(tmp_path)
    server = serve(tmp_path / "out")
    state = state_of(server)
    assert (state["width"], state["height"]) == (4000, 3000) and len(state["plants"]) >= 15 and len(state["rows"]) == 2
    assert asked(server, "/api/picture/0")[0].headers["X-Standcam-Picture"] == "original"
    page = opened(chromium, server, f"window.large = [4000, 3000]; {EVERY_FRAME}", **DESK)
    told = {
        how: page.evaluate("how => framesOf(how)", how) for how in ("zoom", "pan", "zoom, drawn out", "pan, drawn out")
    }
    for how, (intervals, drawn) in told.items():
        median, most = np.median(intervals), np.percentile(intervals, 95)
        print(f"{how}: {drawn} frames, median {median:.1f} ms, 95 of 100 within {most:.1f} ms")
    for how, (intervals, drawn) in told.items():
        assert drawn >= 0.95 * len(intervals), f"{how}: the photo was drawn anew in {drawn} of {len(intervals)} frames"
        assert np.median(intervals) <= 20, how
    assert page.faults == []
