// Mouse, pen and fingers on the photo. A drag moves the photo, unless it begins on purpose on a plant: with the mouse
// within its symbol, with a finger on the plant that is chosen already.

const TAP = { mouse: 16, touch: 26 }; // how near a click or tap must be to choose a plant [CSS px]
const STILL = { mouse: 4, touch: 9 }; // farther than this a press is a drag [CSS px]

const kind = (event) => (event.pointerType === "touch" ? "touch" : "mouse");

/**
 * @param view View
 * @param can {choose(plant), move(plant, place), add(place), adding(), editing()}: what hands may ask for
 * @returns {{busy: () => boolean}} whether fingers are on the photo
 */
export function hands(view, can) {
  const fingers = new Map();
  let held = null; // the plant that a drag would move
  let begun = null;
  let wandered = false;
  let pinched = false;

  const at = (event) => {
    const box = view.canvas.getBoundingClientRect();
    return [event.clientX - box.left, event.clientY - box.top];
  };

  const takes = (event) => {
    if (can.adding() || !can.editing()) return null;
    if (kind(event) === "mouse") return view.plantAt(at(event), view.radius() + 3);
    const near = view.plantAt(at(event), TAP.touch);
    return near && near.plant === view.chosen ? near : null;
  };

  view.canvas.addEventListener("pointerdown", (event) => {
    if (!view.state || (kind(event) === "mouse" && event.button > 1)) return;
    view.canvas.setPointerCapture(event.pointerId);
    fingers.set(event.pointerId, at(event));
    if (fingers.size === 1) {
      [begun, wandered, pinched] = [at(event), false, false];
      held = takes(event);
    } else {
      [held, pinched, view.moved] = [null, true, null];
      view.draw();
    }
  });

  view.canvas.addEventListener("pointermove", (event) => {
    const before = fingers.get(event.pointerId);
    if (!before) {
      if (view.state && kind(event) === "mouse")
        view.canvas.style.cursor = can.adding() ? "crosshair" : takes(event) ? "move" : "grab";
      return;
    }
    const now = at(event);
    fingers.set(event.pointerId, now);
    if (fingers.size === 2) {
      const [a, b] = [...fingers.values()];
      const other = [...fingers.entries()].find(([id]) => id !== event.pointerId)[1];
      const spread = Math.hypot(a[0] - b[0], a[1] - b[1]);
      const was = Math.hypot(before[0] - other[0], before[1] - other[1]);
      view.pan((now[0] - before[0]) / 2, (now[1] - before[1]) / 2);
      if (was > 0) view.zoom(spread / was, [(a[0] + b[0]) / 2, (a[1] + b[1]) / 2]);
      return;
    }
    if (fingers.size > 2) return;
    if (!wandered && Math.hypot(now[0] - begun[0], now[1] - begun[1]) < STILL[kind(event)]) return;
    if (!wandered && held) can.choose(held);
    wandered = true;
    if (held) {
      const [x, y] = view.toScreen(held.x, held.y);
      view.moved = view.toPhoto([x + now[0] - begun[0], y + now[1] - begun[1]]);
      view.draw();
    } else {
      view.pan(now[0] - before[0], now[1] - before[1]);
    }
  });

  function lifted(event) {
    if (!fingers.delete(event.pointerId) || fingers.size) return;
    const moved = view.moved;
    view.moved = null;
    view.draw();
    if (event.type === "pointercancel" || pinched) return;
    if (wandered) {
      if (held && moved) can.move(held, moved);
    } else if (can.adding()) {
      can.add(view.toPhoto(at(event)));
    } else {
      can.choose(view.plantAt(at(event), TAP[kind(event)]));
    }
  }
  view.canvas.addEventListener("pointerup", lifted);
  view.canvas.addEventListener("pointercancel", lifted);
  view.canvas.addEventListener(
    "wheel",
    (event) => {
      event.preventDefault();
      if (view.state) view.zoom(Math.exp(-event.deltaY * (event.ctrlKey ? 0.01 : 0.0015)), at(event));
    },
    { passive: false },
  );
  return { busy: () => fingers.size > 0 };
}
