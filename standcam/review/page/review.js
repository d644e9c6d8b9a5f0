// Keys, touches and buttons of the review page; all numbers come from standcam, which is asked after every edit.

import { View } from "/view.js";

const token = location.hash.slice(1) || sessionStorage.getItem("standcam-token") || "";
sessionStorage.setItem("standcam-token", token);
history.replaceState(null, "", "/");

const $ = (id) => document.getElementById(id);
const view = new View($("view"));
let photos = [];
let index = 0;
let adding = false;
let busy = Promise.resolve();
let quiet = 0;

function say(words, seconds = 4) {
  $("said").textContent = words;
  clearTimeout(quiet);
  if (words) quiet = setTimeout(() => ($("said").textContent = ""), seconds * 1000);
}

async function ask(path, body) {
  const options = { headers: { "X-Standcam-Token": token } };
  if (body !== undefined) {
    options.method = "POST";
    options.headers["Content-Type"] = "application/json";
    options.body = JSON.stringify(body);
  }
  const answer = await fetch(path, options);
  if (path.startsWith("/api/picture/") && answer.ok) return answer;
  const told = await answer.json().catch(() => ({ error: "standcam gave no answer that can be read." }));
  if (!answer.ok) throw new Error(told.error ?? "That did not work.");
  return told;
}

// one thing after the other, whatever the fingers do
function then(work) {
  busy = busy.then(work).catch((error) =>
    say(error instanceof TypeError ? "standcam review does not answer: is it still running?" : error.message, 8),
  );
  return busy;
}

// the photo as the browser shows it must have the very frame that places are counted in: a wrong place is worse than none
async function pictureOf(state) {
  for (const path of [`/api/picture/${state.index}`, `/api/picture/${state.index}?plain`]) {
    const answer = await ask(path);
    const marked = answer.headers.get("X-Standcam-Picture") === "marked";
    const image = await createImageBitmap(await answer.blob(), { imageOrientation: "from-image" });
    const uneven = Math.abs(image.width * state.height - image.height * state.width);
    const fits = marked ? uneven <= 1.5 * (state.width + state.height) : image.width === state.width && image.height === state.height;
    if (fits) {
      if (marked) say("The photo is not where it was: the small marked one is shown, with what was found drawn in. --photos names its folder.", 10);
      return image;
    }
    image.close();
  }
  throw new Error("The browser shows this photo in another size than standcam reads it: nothing can be edited unseen.");
}

async function open(number) {
  index = Math.min(photos.length - 1, Math.max(0, number));
  $("photos").value = index;
  const state = await ask(`/api/photo/${index}`);
  let image = null;
  try {
    image = await pictureOf(state);
  } catch (error) {
    say(error.message, 8);
  }
  view.chosen = null;
  view.image?.close?.();
  view.show(state, image);
  tell(state);
  $("view").focus();
}

function tell(state) {
  view.state = state;
  if (!state.plants.some((p) => p.plant === view.chosen)) view.chosen = null;
  const left = state.plants.filter((p) => p.doubtful).length;
  photos[index].doubtful = left;
  photos[index].seen = state.seen;
  $("trust").textContent = state.trust ? `Trust: ${state.trust}` : "";
  $("todo").textContent = `${left} doubtful here, ${photos.filter((p) => !p.seen).length} photos to go`;
  $("undo").disabled = !state.undo;
  $("redo").disabled = !state.redo;
  $("add").disabled = !state.can_place;
  list($("rows"), state.rows.map((row) => {
    const part = document.createElement("div");
    part.append(made("h3", "", row.name), made("div", "now", row.now.join(" ")));
    if (row.changed) part.append(made("div", "found", `As found: ${row.found.join(" ")}`));
    return part;
  }));
  list($("reasons"), state.reasons.map((text) => made("div", "", `Look: ${text}`)));
  list($("edited"), state.edited.map((text) => made("div", "", text)));
  names();
  about();
  view.draw();
}

function made(tag, name, text) {
  const part = document.createElement(tag);
  part.className = name;
  part.textContent = text;
  return part;
}

function list(place, parts) {
  place.replaceChildren(...parts);
}

function names() {
  const told = photos.map((p, k) => {
    const option = document.createElement("option");
    option.value = k;
    option.textContent = `${p.seen ? "✓ " : ""}${k + 1} of ${photos.length}: ${p.name}${p.doubtful ? ` (${p.doubtful})` : ""}`;
    return option;
  });
  $("photos").replaceChildren(...told);
  $("photos").value = index;
}

function chosen() {
  return view.state?.plants.find((p) => p.plant === view.chosen) ?? null;
}

function about() {
  const plant = chosen();
  for (const id of ["accept", "crop", "weed", "remove"]) $(id).disabled = !plant;
  if (!plant) return list($("plant"), [made("div", "", "No plant chosen: N goes to the next doubtful one.")]);
  const kind = plant.judged === "nothing" ? "nothing there" : plant.crop ? "crop" : plant.judged === "weed" ? "weed" : "not counted";
  const parts = [made("h3", "", `Plant ${plant.plant}, row ${plant.row}: ${kind}${plant.edited ? ", by hand" : ""}`)];
  if (plant.place && plant.position !== null) parts.push(made("div", "", `at ${plant.place}`));
  if (plant.p !== null) parts.push(made("div", "", `crop with ${Math.round(plant.p * 100)} of 100`));
  for (const flag of plant.flags) parts.push(made("div", "", flag));
  list($("plant"), parts);
}

function choose(plant, go = true) {
  view.chosen = plant?.plant ?? null;
  view.moved = null;
  if (plant && go) view.centre(plant);
  else view.draw();
  about();
}

function step(by, which) {
  const plants = view.state.plants;
  const at = plants.findIndex((p) => p.plant === view.chosen);
  for (let k = 1; k <= plants.length; k++) {
    const n = (((at < 0 ? (by > 0 ? -1 : 0) : at) + by * k) % plants.length + plants.length) % plants.length;
    if (which(plants[n]) && plants[n].plant !== view.chosen) return choose(plants[n]);
  }
  say("No doubtful plant is left in this photo: S goes on.");
}

const edit = (body) => then(async () => tell(await ask(`/api/edit/${index}`, body)));

function judge(judged) {
  const plant = chosen();
  if (!plant) return;
  edit({ what: "judge", plant: plant.plant, judged }).then(() => {
    if (plant.doubtful && view.state.plants.some((p) => p.doubtful)) step(1, (p) => p.doubtful);
  });
}

const does = {
  next: () => step(1, (p) => p.doubtful),
  back: () => step(-1, (p) => p.doubtful),
  onward: () => step(1, () => true),
  backward: () => step(-1, () => true),
  accept: () => judge(chosen()?.judged === "weed" ? "weed" : "crop"),
  crop: () => judge("crop"),
  weed: () => judge("weed"),
  remove: () => judge("nothing"),
  add: () => {
    adding = !adding && view.state.can_place;
    $("add").setAttribute("aria-pressed", String(adding));
    say(adding ? "Click or tap at the base of each stem that is missing." : "");
  },
  undo: () => edit({ what: "undo" }),
  redo: () => edit({ what: "redo" }),
  before: () => then(() => open(index - 1)),
  after: () => then(() => open(index + 1)),
  seen: () =>
    then(async () => {
      tell(await ask(`/api/edit/${index}`, { what: "seen" }));
      const next = photos.findIndex((p, k) => k > index && !p.seen);
      const any = next < 0 ? photos.findIndex((p) => !p.seen) : next;
      if (any < 0) say("All photos are done. Close the page and end with Ctrl-C.", 8);
      else await open(any);
    }),
  whole: () => view.fit(),
  nearer: () => view.zoom(1.4, middle()),
  farther: () => view.zoom(1 / 1.4, middle()),
  help: () => $("keys").showModal(),
};

const middle = () => [view.canvas.clientWidth / 2, view.canvas.clientHeight / 2];

const KEYS = {
  n: "next", b: "back", j: "onward", k: "backward", Enter: "accept", c: "crop", w: "weed", x: "remove",
  Delete: "remove", Backspace: "remove", a: "add", u: "undo", y: "redo", "]": "after", "[": "before",
  PageDown: "after", PageUp: "before", s: "seen", 0: "whole", "+": "nearer", "=": "nearer", "-": "farther", "?": "help",
};
const PANS = { ArrowLeft: [60, 0], ArrowRight: [-60, 0], ArrowUp: [0, 60], ArrowDown: [0, -60] };

document.addEventListener("keydown", (event) => {
  if ($("keys").open || event.altKey || !view.state) return;
  if (event.ctrlKey || event.metaKey) {
    if (event.key === "z") does.undo();
    else if (event.key === "y") does.redo();
    else return;
    return event.preventDefault();
  }
  if (event.key === "Escape" && adding) does.add();
  if (event.target.tagName === "SELECT") return;
  const name = KEYS[event.key] ?? KEYS[event.key.toLowerCase()];
  if (name) does[name]();
  else if (PANS[event.key]) view.pan(...PANS[event.key]);
  else return;
  event.preventDefault();
});

for (const id of ["next", "accept", "crop", "weed", "remove", "add", "undo", "redo", "before", "after", "seen", "whole", "help"])
  $(id).addEventListener("click", () => {
    does[id]();
    if (id !== "help") $("view").focus();
  });
$("close").addEventListener("click", () => $("keys").close());
$("photos").addEventListener("change", () => then(() => open(Number($("photos").value))));

// ---- mouse, pen and fingers

const fingers = new Map();
let held = null; // the plant under the finger
let begun = null;
let wandered = false;
let pinched = false;

const at = (event) => {
  const box = view.canvas.getBoundingClientRect();
  return [event.clientX - box.left, event.clientY - box.top];
};

view.canvas.addEventListener("pointerdown", (event) => {
  if (!view.state) return;
  view.canvas.setPointerCapture(event.pointerId);
  fingers.set(event.pointerId, at(event));
  if (fingers.size === 1) {
    [begun, wandered, pinched] = [at(event), false, false];
    held = adding ? null : view.plantAt(begun);
  } else {
    [held, pinched, view.moved] = [null, true, null];
  }
});

view.canvas.addEventListener("pointermove", (event) => {
  const before = fingers.get(event.pointerId);
  if (!before) return;
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
  if (!wandered && Math.hypot(now[0] - begun[0], now[1] - begun[1]) < 6) return;
  if (!wandered && held && view.state.can_place) choose(held, false);
  wandered = true;
  if (held && view.state.can_place) {
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
  if (event.type === "pointercancel" || pinched) {
    view.moved = null;
    return view.draw();
  }
  if (held && wandered && moved) {
    const plant = held.plant;
    edit({ what: "move", plant, x: moved[0], y: moved[1] }).then(() => {
      view.moved = null;
      view.draw();
    });
  } else if (!wandered && adding) {
    const [x, y] = view.toPhoto(at(event));
    edit({ what: "add", judged: "crop", x, y });
  } else if (!wandered) {
    choose(held, false);
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

// ---- another page may edit the same results

setInterval(() => {
  if (!view.state || document.hidden || fingers.size) return;
  ask("/api/edits")
    .then(async (told) => {
      if (told.edits !== view.state.edits && !fingers.size) tell(await ask(`/api/photo/${index}`));
    })
    .catch(() => {});
}, 5000);

then(async () => {
  const all = await ask("/api/photos");
  photos = all.pictures;
  document.title = `Review: ${all.folder}`;
  if (all.notes.length) say(all.notes.join(" "), 10);
  names();
  await open(Math.max(0, photos.findIndex((p) => !p.seen)));
});
