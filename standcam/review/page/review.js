// Keys and buttons of the review page; all numbers come from standcam, which is asked after every edit.
//
// Two rules keep edits where the person meant them. What is asked of standcam goes through one queue, one request after
// the other. And an edit is for the photo and plant that are on the screen when the key goes down: while another photo
// is opening, or the plant that a judgement led on to is not drawn yet, the key is refused with a word.

import { hands } from "/hands.js";
import { View } from "/view.js";

const token = location.hash.slice(1) || sessionStorage.getItem("standcam-token") || "";
sessionStorage.setItem("standcam-token", token);
history.replaceState(null, "", "/");

const $ = (id) => document.getElementById(id);
const view = new View($("view"));
let photos = [];
let wanted = null; // number of the photo that is being opened
let adding = false;
let quiet = 0;

function say(words, seconds = 4) {
  $("said").textContent = words;
  clearTimeout(quiet);
  if (words) quiet = setTimeout(() => ($("said").textContent = ""), seconds * 1000);
}

// ---- asking standcam

let queue = Promise.resolve();
let queued = 0;

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

const reason = (error) =>
  error instanceof TypeError ? "standcam review does not answer: is it still running?" : error.message;

/** Do it when all that was asked before is answered. */
function then(work, failed = (error) => say(reason(error), 8)) {
  queued++;
  queue = queue
    .then(work)
    .catch(failed)
    .finally(() => queued--);
  return queue;
}

// the photo as the browser shows it must have the very frame that places are counted in: a wrong place is worse than none
async function pictureOf(state) {
  for (const path of [`/api/picture/${state.index}`, `/api/picture/${state.index}?plain`]) {
    const answer = await ask(path);
    const marked = answer.headers.get("X-Standcam-Picture") === "marked";
    const image = await createImageBitmap(await answer.blob(), { imageOrientation: "from-image" });
    const uneven = Math.abs(image.width * state.height - image.height * state.width);
    const fits = marked
      ? uneven <= 1.5 * (state.width + state.height)
      : image.width === state.width && image.height === state.height;
    if (fits) {
      if (marked)
        say("The photo is not where it was: the small marked one is shown, with what was found drawn in. --photos names its folder.", 10);
      return image;
    }
    image.close();
  }
  throw new Error("The browser shows this photo in another size than standcam reads it: nothing can be edited unseen.");
}

// ---- photos

const current = () => view.state?.index ?? 0;

/** Open a photo. Of several quick steps only the last one's photo is opened. */
function go(number) {
  const to = Math.min(photos.length - 1, Math.max(0, number));
  if (wanted === null && view.state && to === current()) return $("view").focus();
  wanted = to;
  $("photos").value = to;
  $("opening").textContent = `Opening photo ${to + 1} ...`;
  then(async () => {
    if (wanted === to) await open(to);
  });
}

async function open(number) {
  let image = null;
  let trouble = "";
  try {
    const state = await ask(`/api/photo/${number}`);
    try {
      image = await pictureOf(state);
    } catch (error) {
      trouble = reason(error);
    }
    if (wanted !== number) return image?.close();
    view.image?.close();
    view.show(state, image);
    if (adding && !placing()) add(false);
    if (trouble) say(trouble, 12);
    $("unseen").textContent = trouble;
    tell(state);
  } finally {
    if (wanted === number) {
      wanted = null;
      $("opening").textContent = "";
      $("photos").value = current();
      $("view").focus();
    }
  }
}

const placing = () => Boolean(view.state?.can_place && view.image);

function tell(state) {
  const now = changed(state);
  view.state = now;
  if (!now.plants.some((p) => p.plant === view.chosen)) view.choose(null);
  const left = now.plants.filter((p) => p.doubtful).length;
  photos[now.index].doubtful = left;
  photos[now.index].seen = now.seen;
  const more = photos.filter((p) => !p.seen).length;
  $("trust").textContent = now.trust ? `Trust: ${now.trust}` : "";
  $("todo").textContent = `${left} doubtful here, ${more} ${more === 1 ? "photo" : "photos"} to go`;
  $("undo").disabled = !now.undo;
  $("redo").disabled = !now.redo;
  $("add").disabled = !placing();
  list($("rows"), now.rows.map((row) => {
    const part = document.createElement("div");
    part.append(made("h3", "", row.name), made("div", "now", row.now.join(" ")));
    if (row.changed) part.append(made("div", "found", `As found: ${row.found.join(" ")}`));
    return part;
  }));
  list($("reasons"), now.reasons.map((text) => made("div", "", `Look: ${text}`)));
  list($("edited"), now.edited.map((text) => made("div", "", text)));
  names();
  about();
  view.draw();
}

function made(tag, name, text) {
  const part = document.createElement(tag);
  part.className = name;
  part.textContent = text.replaceAll(" %", "\u00a0%");
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
  $("photos").value = wanted ?? current();
}

// ---- plants

function chosen() {
  return view.state?.plants.find((p) => p.plant === view.chosen) ?? null;
}

function about() {
  const plant = chosen();
  for (const id of ["accept", "crop", "weed", "remove"]) $(id).disabled = !plant;
  if (!plant) return list($("plant"), [made("div", "", "No plant chosen: Next doubtful goes to one.")]);
  const kind = plant.judged === "nothing" ? "nothing there" : plant.crop ? "crop" : plant.judged === "weed" ? "weed" : "not counted";
  const parts = [made("h3", "", `Plant ${plant.plant}, row ${plant.row}: ${kind}${plant.edited ? ", by hand" : ""}`)];
  if (plant.place && plant.position !== null) parts.push(made("div", "", `at ${plant.place}`));
  if (plant.p !== null) parts.push(made("div", "", `crop with ${Math.round(plant.p * 100)} of 100`));
  for (const flag of plant.flags) parts.push(made("div", "", flag));
  list($("plant"), parts);
}

function choose(plant, show = true) {
  view.choose(plant?.plant ?? null);
  if (plant && show) view.centre(plant);
  about();
}

/** Choose the next plant that is so, from the chosen one on. */
function step(by, which) {
  const plants = view.state.plants;
  const at = plants.findIndex((p) => p.plant === view.chosen);
  for (let k = 1; k <= plants.length; k++) {
    const n = (((at < 0 ? (by > 0 ? -1 : 0) : at) + by * k) % plants.length + plants.length) % plants.length;
    if (which(plants[n]) && plants[n].plant !== view.chosen) return choose(plants[n]);
  }
  say("No doubtful plant is left in this photo: Photo done (S) goes on.");
}

// ---- edits

const unanswered = []; // {photo, plant, changes}: shown at once, until standcam has answered

function changed(state) {
  for (const { photo, plant, changes } of unanswered) {
    const own = photo === state.index && state.plants.find((p) => p.plant === plant);
    if (own) Object.assign(own, changes);
  }
  return state;
}

/** Whether an edit is for what the person sees; says why not. */
function seeing() {
  if (!view.state) return false;
  if (wanted !== null) say("The next photo is opening: that was not used.");
  else if (!view.image) say($("unseen").textContent || "This photo cannot be shown: nothing can be edited unseen.");
  else if (!view.painted) say("Too quick: the plant was not on the screen yet. Look, then press.");
  else return true;
  return false;
}

function edit(body, changes = {}, answered = () => {}) {
  const own = { photo: current(), plant: body.plant, changes };
  unanswered.push(own);
  changed(view.state);
  about();
  view.draw();
  then(
    async () => {
      const state = await ask(`/api/edit/${own.photo}`, body);
      unanswered.splice(unanswered.indexOf(own), 1);
      const before = view.state;
      tell(state);
      answered(before, state);
    },
    async (error) => {
      unanswered.splice(unanswered.indexOf(own), 1);
      say(`${body.plant ? `Plant ${body.plant}` : "That"} stays as it was: ${reason(error)}`, 10);
      try {
        tell(await ask(`/api/photo/${own.photo}`));
        choose(view.state.plants.find((p) => p.plant === body.plant) ?? chosen(), false);
      } catch {
        // it was said already that standcam does not answer
      }
    },
  );
}

function judge(judged) {
  if (!seeing()) return;
  const plant = chosen();
  if (!plant) return say("No plant is chosen: Next doubtful (N) goes to one.");
  if (unanswered.some((e) => e.plant === plant.plant && e.changes.judged === judged)) return; // a key that bounced
  const { doubtful } = plant;
  edit({ what: "judge", plant: plant.plant, judged }, { judged, crop: judged === "crop", doubtful: false });
  if (doubtful && view.state.plants.some((p) => p.doubtful)) {
    step(1, (p) => p.doubtful);
    view.painted = false;
  }
}

/** The plant is what it is shown as: this never changes a count. */
function accept() {
  const plant = chosen();
  if (!plant || plant.crop) return judge("crop");
  if (plant.judged === "weed" || plant.judged === "nothing") return judge(plant.judged);
  if (seeing()) say(`Plant ${plant.plant} is not counted. What is it? Crop (C), weed (W), or nothing there (X).`, 8);
}

function back(what) {
  if (wanted !== null) return say("The next photo is opening: that was not used.");
  edit({ what }, {}, (before, state) => {
    // what came back is shown: the eye may be elsewhere by now
    const looks = (p) => p && `${p.judged} ${p.crop} ${p.x} ${p.y} ${p.edited}`;
    const other = state.plants.find((p) => looks(p) !== looks(before.plants.find((q) => q.plant === p.plant)));
    if (other) choose(other, offScreen(other));
  });
}

function offScreen(plant) {
  const [x, y] = view.toScreen(plant.x, plant.y);
  return x < 20 || y < 20 || x > view.canvas.clientWidth - 20 || y > view.canvas.clientHeight - 20;
}

function add(on) {
  adding = on && placing();
  $("add").setAttribute("aria-pressed", String(adding));
  if (on && !adding) return say("In this photo no plant can be added.");
  say(adding ? "Click or tap at the base of each stem that is missing." : "");
}

function done() {
  if (!seeing()) return;
  const at = current();
  then(async () => {
    tell(await ask(`/api/edit/${at}`, { what: "seen" }));
    const next = photos.findIndex((p, k) => k > at && !p.seen);
    const any = next < 0 ? photos.findIndex((p) => !p.seen) : next;
    if (any < 0) {
      say("All photos are done. Close the page and end with Ctrl-C.", 8);
      wanted = null;
      $("opening").textContent = "";
    } else await open((wanted = any));
  }, (error) => {
    [wanted, $("opening").textContent] = [null, ""];
    say(reason(error), 8);
  });
  // from here on the photo is left
  wanted = at;
  $("opening").textContent = "Photo done ...";
}

const does = {
  next: () => step(1, (p) => p.doubtful),
  back: () => step(-1, (p) => p.doubtful),
  onward: () => step(1, () => true),
  backward: () => step(-1, () => true),
  accept,
  crop: () => judge("crop"),
  weed: () => judge("weed"),
  remove: () => judge("nothing"),
  add: () => add(!adding),
  undo: () => back("undo"),
  redo: () => back("redo"),
  before: () => go((wanted ?? current()) - 1),
  after: () => go((wanted ?? current()) + 1),
  seen: done,
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
// a key that is held down may do these again and again, and nothing that writes
const REPEATS = new Set(["onward", "backward", "next", "back", "nearer", "farther"]);
const PANS = { ArrowLeft: [60, 0], ArrowRight: [-60, 0], ArrowUp: [0, 60], ArrowDown: [0, -60] };

function press(event) {
  if (event.ctrlKey || event.metaKey) {
    const key = event.key.toLowerCase();
    if (key === "z") return event.shiftKey ? "redo" : "undo";
    return key === "y" ? "redo" : null;
  }
  return KEYS[event.key] ?? KEYS[event.key.toLowerCase()] ?? null;
}

document.addEventListener("keydown", (event) => {
  if ($("keys").open || event.altKey || !view.state) return;
  if (event.target.tagName === "SELECT") return;
  if (event.target.tagName === "BUTTON" && (event.key === "Enter" || event.key === " ")) return; // presses that button
  const name = press(event);
  if (event.key === "Escape" && adding) add(false);
  else if (name && event.repeat && !REPEATS.has(name)) event.preventDefault();
  else if (name) does[name]();
  else if (PANS[event.key] && !event.ctrlKey && !event.metaKey) view.pan(...PANS[event.key]);
  else return;
  event.preventDefault();
});

for (const id of ["next", "accept", "crop", "weed", "remove", "add", "undo", "redo", "before", "after", "seen", "whole", "help"])
  $(id).addEventListener("click", () => {
    if (!view.state) return;
    does[id]();
    if (id !== "help") $("view").focus();
  });
$("close").addEventListener("click", () => $("keys").close());
$("photos").addEventListener("change", () => go(Number($("photos").value)));

const fingers = hands(view, {
  adding: () => adding,
  editing: () => placing() && wanted === null,
  choose: (plant) => choose(plant, false),
  move: (plant, [x, y]) => {
    if (!seeing()) return;
    edit({ what: "move", plant: plant.plant, x, y }, { x, y }, () => say(`Plant ${plant.plant} was moved. Undo (U) puts it back.`));
  },
  add: ([x, y]) => {
    if (!seeing()) return;
    edit({ what: "add", judged: "crop", x, y }, {}, (before, state) => {
      const fresh = state.plants.find((p) => p.added && !before.plants.some((q) => q.plant === p.plant));
      if (fresh) choose(fresh, false);
    });
  },
});

// ---- another page may edit the same results

setInterval(() => {
  const idle = () => !fingers.busy() && wanted === null;
  if (!view.state || document.hidden || queued || !idle()) return;
  then(
    async () => {
      const told = await ask("/api/edits");
      if (told.edits === view.state.edits || !idle()) return;
      const state = await ask(`/api/photo/${current()}`);
      if (idle()) tell(state);
    },
    () => {}, // the next edit will say it
  );
}, 5000);

addEventListener("beforeunload", (event) => {
  if (unanswered.length) event.preventDefault();
});

then(async () => {
  const all = await ask("/api/photos");
  photos = all.pictures;
  document.title = `Review: ${all.folder}`;
  if (all.notes.length) say(all.notes.join(" "), 10);
  go(Math.max(0, photos.findIndex((p) => !p.seen)));
});
