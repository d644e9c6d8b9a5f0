"""The review page in a real browser: whatever the hands do, edits go to what is on the screen, or nowhere with a word.

Needs Chromium (Debian's package ``chromium``) and Playwright; skipped without them.
"""

import json
import time

import cv2
import pytest
from fixtures.review import Screen, asked, edits_of, opened, rows_text, state_of, until, written

# timers of the page are kept, to be run when a test says so
KEPT_TIMERS = "window.polls = []; window.setInterval = (f) => window.polls.push(f);"
PRESS = "(key, repeat) => document.body.dispatchEvent(new KeyboardEvent('keydown', {bubbles: true, key, repeat}))"
TWO_FRAMES = "new Promise(done => requestAnimationFrame(() => requestAnimationFrame(() => done(true))))"


def select(page, number):
    """Go on with J until a plant is chosen."""
    for _ in range(80):
        if page.text_content("#plant").startswith(f"Plant {number},"):
            page.evaluate(TWO_FRAMES)
            return
        page.keyboard.press("j")
    raise AssertionError(f"plant {number} is not reached")


def plants(server, index=0):
    return {p["plant"]: p for p in state_of(server, index)["plants"]}


def first(server, which):
    return next(n for n, p in plants(server).items() if which(p))


def not_counted(plant):
    return not plant["crop"] and plant["judged"] == "doubtful"


def said(page, words):
    until(page, "w => document.querySelector('#said').textContent.includes(w)", words)


class Held:
    """Requests of a kind that wait on the way until they are let go."""

    def __init__(self, page, pattern):
        self.page, self.routes, self.open = page, [], False
        page.route(pattern, self.meet)

    def meet(self, route):
        if self.open:
            route.continue_()
        else:
            self.routes.append(route)

    def come(self):
        for _ in range(100):
            if self.routes:
                return
            self.page.wait_for_timeout(20)
        raise AssertionError("there was no such request")

    def go(self):
        self.open = True
        for route in self.routes:
            route.continue_()


# ---- a photo that is still opening


@pytest.mark.parametrize("what", ["**/api/photo/1", "**/api/picture/1"])
def test_keys_and_clicks_while_the_next_photo_opens_write_nothing(chromium, served, what):
    server, out = served
    page = opened(chromium, server)
    shared = set(plants(server)) & set(plants(server, 1))
    assert shared, "both photos have plants of these numbers"
    select(page, min(shared))
    x, y = state_of(server)["rows"][0]["line"][5]
    page.keyboard.press("0")
    place = Screen(page, state_of(server)).at(x, y)
    held = Held(page, what)
    page.keyboard.press("]")
    held.come()
    for key in ("x", "c", "Enter", "w", "u"):
        page.keyboard.press(key)
    page.keyboard.press("s")
    page.keyboard.press("a")
    page.mouse.click(*place)
    said(page, "opening")
    assert "Opening photo 2" in page.text_content("#opening")
    page.wait_for_timeout(300)
    assert written(out) == []
    held.go()
    until(page, "document.querySelector('#opening').textContent === ''")
    page.wait_for_timeout(300)
    assert written(out) == [] and page.input_value("#photos") == "1"
    select(page, min(shared))
    page.keyboard.press("x")
    names = [p["name"] for p in json.loads(asked(server, "/api/photos")[1])["pictures"]]
    assert edits_of(out, 1)[0]["picture"] == names[1]
    assert page.faults == []


def test_of_quick_steps_the_last_one_holds(chromium, served):
    server, out = served
    page = opened(chromium, server)
    held = Held(page, "**/api/picture/1")
    page.keyboard.press("]")
    held.come()
    page.keyboard.press("[")
    held.go()
    until(page, "document.querySelector('#opening').textContent === ''")
    assert page.input_value("#photos") == "0"
    number = min(plants(server))
    select(page, number)
    page.keyboard.press("x")
    assert edits_of(out, 1)[0]["picture"] == json.loads(asked(server, "/api/photos")[1])["pictures"][0]["name"]


def test_photo_done_twice_in_a_hurry_is_for_one_photo(chromium, served):
    server, out = served
    page = opened(chromium, server)
    page.evaluate(f"() => {{ const press = {PRESS}; press('s', false); press('s', true); press('s', false); }}")
    until(page, "document.querySelector('#photos').value === '1'")
    until(page, "document.querySelector('#opening').textContent === ''")
    assert [e["what"] for e in written(out)] == ["seen"]
    assert page.text_content("#todo").endswith("1 photo to go")
    page.keyboard.press("s")
    edits_of(out, 2)
    said(page, "All photos are done")
    assert page.text_content("#todo").endswith("0 photos to go")


# ---- a photo that is lost


def test_on_the_picture_cut_out_of_a_marked_photo_clicks_write_the_right_places(chromium, served, lost, tmp_path):
    shots = []
    for n, (server, out) in enumerate((served, lost)):
        page = opened(chromium, server)
        if n:
            said(page, "--photos")
        page.evaluate("document.querySelector('#said').textContent = ''")
        page.evaluate(TWO_FRAMES)
        path = tmp_path / f"{n}.png"
        page.locator("#view").screenshot(path=str(path))
        shots.append(cv2.GaussianBlur(cv2.imread(str(path)), (0, 0), 3).astype(int))
        state = state_of(server)
        x, y = state["rows"][0]["line"][12]
        screen = Screen(page, state)
        page.keyboard.press("a")
        page.mouse.click(*screen.at(x, y))
        (added,) = edits_of(out, 1)
        assert abs(added["x_px"] - x) < 1 / screen.scale and abs(added["y_px"] - y) < 1 / screen.scale
        assert page.faults == []
    # one and the same picture, but for the symbols of the marked one; stretched over head and legend it is another
    apart = abs(shots[0] - shots[1]).max(axis=2)
    assert (apart > 40).mean() < 0.06, (apart > 40).mean()


def test_without_any_picture_nothing_is_edited_unseen(chromium, lost):
    server, out = lost
    for path in (out / "marked").iterdir():
        cv2.imwrite(str(path), cv2.imread(str(path)))  # the place of the picture is no longer told
    page = opened(chromium, server)
    until(page, "document.querySelector('#unseen').textContent.includes('--photos')")
    page.keyboard.press("j")
    for key in ("x", "c", "Enter", "s"):
        page.keyboard.press(key)
    page.keyboard.press("a")
    screen = Screen(page, state_of(server))
    page.mouse.click(*screen.at(*state_of(server)["rows"][0]["line"][5]))
    page.mouse.move(*screen.at(*state_of(server)["rows"][0]["line"][5]))
    page.wait_for_timeout(400)
    assert written(out) == [] and page.is_disabled("#add")
    assert page.evaluate("document.querySelector('#photos').value") == "0", "S does not go on either"


# ---- Enter


def test_enter_asks_what_a_find_is_that_was_not_counted(chromium, served):
    server, out = served
    page = opened(chromium, server)
    number = first(server, not_counted)
    select(page, number)
    before = rows_text(page)
    page.keyboard.press("Enter")
    said(page, f"Plant {number} is not counted. What is it? Crop (C), weed (W), or nothing there (X).")
    page.wait_for_timeout(200)
    assert written(out) == [] and rows_text(page) == before
    page.keyboard.press("c")
    assert edits_of(out, 1)[0]["judged"] == "crop"
    rows_text(page, before)


@pytest.mark.parametrize("kind", ["crop", "weed", "nothing"])
def test_enter_never_changes_a_count(chromium, served, kind):
    server, out = served
    number = first(server, lambda p: p["judged"] == ("crop" if kind == "nothing" else kind))
    if kind == "nothing":
        asked(server, "/api/edit/0", "POST", json.dumps({"what": "judge", "plant": number, "judged": "nothing"}))
    page = opened(chromium, server)
    before, count = page.text_content("#rows .now"), len(written(out))
    select(page, number)
    page.keyboard.press("Enter")
    last = edits_of(out, count + 1)[-1]
    assert (last["what"], last["plant"], last["judged"]) == ("judge", number, kind)
    page.wait_for_timeout(200)
    assert page.text_content("#rows .now") == before
    assert plants(server)[number]["judged"] == kind and plants(server)[number]["crop"] == (kind == "crop")


def test_enter_on_a_button_presses_that_button(chromium, served):
    server, out = served
    page = opened(chromium, server)
    number = first(server, lambda p: p["crop"])
    select(page, number)
    page.focus("#weed")
    page.keyboard.press("Enter")
    page.wait_for_timeout(300)
    assert [(e["plant"], e["judged"]) for e in edits_of(out, 1)] == [(number, "weed")]


# ---- one queue


def test_quick_judgements_go_to_one_plant_each(chromium, served):
    server, out = served
    unsure = [p["plant"] for p in state_of(server)["plants"] if p["doubtful"]]
    page = opened(chromium, server)
    held = Held(page, "**/api/edit/0")
    page.keyboard.press("n")
    for key in ("c", "w", "x"):  # none is answered before the last is pressed
        page.evaluate(TWO_FRAMES)
        page.keyboard.press(key)
    held.come()
    page.wait_for_timeout(200)
    assert len(held.routes) == 1, "one request after the other"
    held.go()
    done = edits_of(out, 3, page)
    assert [(e["plant"], e["judged"]) for e in done] == list(zip(unsure[:3], ("crop", "weed", "nothing"), strict=True))
    assert page.text_content("#plant").startswith(f"Plant {unsure[3]},")
    until(page, "n => parseInt(document.querySelector('#todo').textContent) === n", len(unsure) - 3)


def test_a_key_that_is_held_down_or_bounces_judges_once(chromium, served):
    server, out = served
    unsure = [p["plant"] for p in state_of(server)["plants"] if p["doubtful"]]
    page = opened(chromium, server)
    page.keyboard.press("n")
    page.evaluate(TWO_FRAMES)
    presses = "press('c', false); press('c', false); for (let k = 0; k < 9; k++) press('c', true);"
    page.evaluate(f"() => {{ const press = {PRESS}; {presses} }}")
    said(page, "Too quick")
    page.wait_for_timeout(300)
    assert [e["plant"] for e in written(out)] == unsure[:1]
    assert page.text_content("#plant").startswith(f"Plant {unsure[1]},")


def test_an_edit_that_fails_leaves_the_plant_as_it_was_and_says_so(chromium, served):
    server, out = served
    page = opened(chromium, server)
    number = first(server, lambda p: p["crop"])
    select(page, number)
    before = rows_text(page)
    page.route("**/api/edit/0", lambda route: route.fulfill(status=507, body='{"error": "The disk is full."}'))
    page.keyboard.press("x")
    said(page, f"Plant {number} stays as it was: The disk is full.")
    until(page, f"document.querySelector('#plant').textContent.startsWith('Plant {number}, row 1: crop')")
    page.unroute("**/api/edit/0")
    assert rows_text(page) == before and written(out) == []
    page.keyboard.press("x")
    assert edits_of(out, 1)[0]["plant"] == number


def test_looking_for_others_edits_waits_in_the_queue(chromium, served):
    server, out = served
    page = opened(chromium, server, KEPT_TIMERS)
    told = []
    page.on("request", lambda request: told.append(request.url.partition("/api/")[2]))
    number = first(server, lambda p: p["crop"])
    select(page, number)
    poll = "window.polls.forEach(f => f())"
    held = Held(page, "**/api/edit/0")
    page.keyboard.press("x")
    held.come()
    page.evaluate(poll)
    page.wait_for_timeout(200)
    assert "edits" not in told, "not while an edit is under way"
    held.go()
    edits_of(out, 1, page)
    until(page, "document.querySelector('#plant').textContent.includes('nothing there, by hand')")
    # and an edit waits while others' edits are fetched: what is drawn last is the newest
    other = first(server, lambda p: p["crop"])
    asked(server, "/api/edit/0", "POST", json.dumps({"what": "judge", "plant": other, "judged": "weed"}))
    held = Held(page, "**/api/photo/0")
    page.evaluate(poll)
    held.come()
    page.keyboard.press("u")
    page.wait_for_timeout(200)
    assert len(written(out)) == 2
    held.go()
    edits_of(out, 3, page)
    until(page, "document.querySelector('#redo').disabled === false")
    now = plants(server)
    assert now[number]["judged"] == "nothing" and now[other]["judged"] == "crop", (
        "undo takes back the latest of this name"
    )
    assert page.text_content("#plant").startswith(f"Plant {other},"), "and shows what came back"


# ---- drags


def drag(page, begin, by):
    page.mouse.move(*begin)
    page.mouse.down()
    for k in range(1, 6):
        page.mouse.move(begin[0] + by[0] * k / 5, begin[1] + by[1] * k / 5)
    page.mouse.up()


def alone(state, screen, least=45):
    """A crop plant with no other near it on the screen."""
    places = [(p, screen.at(p["x"], p["y"])) for p in state["plants"]]
    for p, (x, y) in places:
        if p["crop"] and all(q is p or abs(u - x) + abs(v - y) > least for q, (u, v) in places):
            return p, (x, y)
    raise AssertionError("plants stand too close")


def test_with_the_mouse_only_a_press_on_the_symbol_moves_a_plant(chromium, served):
    server, out = served
    page = opened(chromium, server)
    state = state_of(server)
    screen = Screen(page, state)
    plant, (x, y) = alone(state, screen)
    drag(page, (x + 14, y + 12), (0, 60))  # 18 px beside it
    page.wait_for_timeout(300)
    assert written(out) == []
    page.keyboard.press("0")
    drag(page, (x, y), (24, 3))
    (moved,) = edits_of(out, 1)
    assert moved["what"] == "move" and moved["plant"] == plant["plant"]
    assert abs(moved["x_px"] - plant["x"] - 24 / screen.scale) < 1.5 / screen.scale
    said(page, "was moved")
    page.keyboard.press("u")
    assert edits_of(out, 2)[1]["what"] == "undo"
    until(page, "document.querySelector('#redo').disabled === false")
    assert plants(server)[plant["plant"]]["x"] == plant["x"]


def test_a_plant_dragged_where_no_row_is_goes_back(chromium, served):
    server, out = served
    page = opened(chromium, server)
    screen = Screen(page, state_of(server))
    plant, (x, y) = alone(state_of(server), screen)
    page.route(
        "**/api/edit/0", lambda route: route.fulfill(status=422, body='{"error": "No measured row lies there."}')
    )
    drag(page, (x, y), (24, 3))
    said(page, "No measured row lies there.")
    page.unroute("**/api/edit/0")
    page.wait_for_timeout(200)
    drag(page, (x, y), (0, 12))  # it is where it was, to be taken again
    assert abs(edits_of(out, 1)[0]["x_px"] - plant["x"]) < 1.5 / screen.scale


def swipe(page, begin, by):
    cdp = page.context.new_cdp_session(page)
    points = [(begin[0] + by[0] * k / 6, begin[1] + by[1] * k / 6) for k in range(7)]
    for k, (x, y) in enumerate(points):
        kind = "touchStart" if k == 0 else "touchMove"
        cdp.send("Input.dispatchTouchEvent", {"type": kind, "touchPoints": [{"x": x, "y": y}]})
        time.sleep(0.02)
    cdp.send("Input.dispatchTouchEvent", {"type": "touchEnd", "touchPoints": []})


def test_a_finger_moves_only_the_plant_that_was_tapped_before(chromium, served):
    server, out = served
    page = opened(chromium, server, viewport={"width": 820, "height": 1180}, has_touch=True, is_mobile=True)
    state = state_of(server)
    screen = Screen(page, state)
    plant, (x, y) = alone(state, screen)
    swipe(page, (x, y), (0, 80))
    page.wait_for_timeout(300)
    assert written(out) == [] and "No plant chosen" in page.text_content("#plant")
    page.touchscreen.tap(x + 10, y + 80)  # the photo moved along; a finger is some 10 px off
    assert page.text_content("#plant").startswith(f"Plant {plant['plant']},")
    swipe(page, (x + 4, y + 80), (30, 0))
    (moved,) = edits_of(out, 1)
    assert moved["what"] == "move" and moved["plant"] == plant["plant"]
    assert abs(moved["x_px"] - plant["x"] - 30 / screen.scale) < 2 / screen.scale
    assert page.faults == []
