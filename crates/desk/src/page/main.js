// The marking desk: state, actions, and what is drawn.

import { explain, listen } from "./keys.js";
import * as server from "./server.js";
import { Strip } from "./strip.js";
import { View, ZOOMS } from "./view.js";

const COLOURS = { racket_butt: "#ffb454", racket_throat: "#5fd3bc", racket_tip: "#ff7a90", ball: "#e4f75a" };
const WORDS = { racket_butt: "butt", racket_throat: "throat", racket_tip: "tip", ball: "ball" };
const COURT_COLOUR = "#9be7ff";
/** Seconds around a contact that belong to a stroke. */
const STROKE = [1.05, 0.6];
const $ = (id) => document.getElementById(id);

const state = {
  session: null, views: [], active: 0, name: "racket_tip", mode: "points", courtName: null,
  acts: 0, marks: { cameras: {}, events: [] }, passage: null, proposals: null, seconds: 0, curves: new Map(), working: 0,
};

const view = () => state.views[state.active];
const marksOf = (camera) => state.marks.cameras[camera] ?? { points: {}, carried: {}, court: {} };
const clamp = (value, low, high) => Math.min(Math.max(value, low), high);

function say(text, wrong = false) {
  $("said").textContent = text;
  $("saved").classList.toggle("wrong", wrong);
  if (wrong) $("saved").textContent = "not saved";
}

function took({ acts, marks }) {
  state.acts = acts;
  state.marks = marks;
  $("saved").textContent = "all saved";
  $("saved").classList.remove("wrong");
  document.body.dataset.acts = acts;
}

/** Sends an act, then everything that follows from it. */
async function act(body, words) {
  try {
    took(await server.act(body));
    say(words);
    redraw();
    propose();
  } catch (error) {
    say(`${error.message}`, true);
  }
}

// Proposals ---------------------------------------------------------------------------------------------------------

let asking = 0;
async function propose() {
  const mine = ++asking;
  await server.settled();
  if (mine !== asking) return;
  document.body.dataset.proposals = "working";
  hint();
  try {
    const found = await server.proposals(state.acts, state.passage);
    if (mine !== asking) return;
    if (found === null) return propose();
    state.proposals = found.proposals;
    document.body.dataset.proposals = String(found.acts);
    if (!state.moved) cross();
  } catch (error) {
    if (mine !== asking) return;
    state.proposals = null;
    document.body.dataset.proposals = "failed";
    say(error.message);
  }
  hint();
  redraw();
}

function proposed(camera, frame) {
  const own = state.proposals?.cameras.find((c) => c.camera === camera)?.frames;
  if (!own?.length) return [];
  return own[frame - own[0].frame]?.points ?? [];
}

/** What is to be seen in a frame: marks first, then kept and proposed points. */
function points(camera, frame) {
  const own = marksOf(camera), marked = own.points[frame] ?? {};
  const found = proposed(camera, frame).filter((p) => p.source !== "marked" && !(p.name in marked));
  const doubtful = new Set(proposed(camera, frame).filter((p) => p.doubtful).map((p) => p.name));
  for (const [name, px] of Object.entries(marked)) if (px) found.push({ name, px, ring_px: 2.4, source: "marked", doubtful: doubtful.has(name) });
  for (const [name, at] of Object.entries(own.carried[frame] ?? {})) {
    if (!(name in marked) && !found.some((p) => p.name === name)) found.push({ name, px: at.px, ring_px: 2.45 * at.sd_px, source: "kept" });
  }
  return found;
}

const point = (camera, frame, name) => points(camera, frame).find((p) => p.name === name);

function hint() {
  const element = $("hint");
  if (state.mode === "court") {
    const names = state.session.court;
    element.replaceChildren("Court: ", strong(state.courtName ?? ""), ` (${names.indexOf(state.courtName) + 1} of ${names.length}); 1 and 2 choose the point, R solves again`);
    return;
  }
  if (document.body.dataset.proposals === "working") { element.textContent = "carrying your marks …"; return; }
  const next = state.proposals?.next;
  if (!next) { element.textContent = state.proposals ? "every ring is small: K keeps what was carried" : ""; return; }
  const ring = next.ring_px === null ? "" : `, ring ${next.ring_px.toFixed(0)} px`;
  element.replaceChildren("Next: ", strong(`${next.camera}, frame ${next.frame}`), ` (${next.why}${ring})`);
}
function strong(text) { const element = document.createElement("strong"); element.textContent = text; return element; }

// Where we are --------------------------------------------------------------------------------------------------------

/** Shows the moment of a frame of the active camera in all pictures. */
function goTo(frame) {
  const own = view();
  own.frame = clamp(frame, 0, own.count - 1);
  state.seconds = own.secondsOf(own.frame);
  state.moved = false;
  const shows = state.views.map((other) => other.show(other === own ? own.frame : other.nearest(state.seconds), redraw));
  cross();
  redraw();
  return Promise.all(shows);
}

/** Where a point was marked or proposed nearest in time to a frame. */
function nearestKnown(own, name) {
  const { camera: { name: camera }, frame } = own;
  const known = [
    ...Object.entries(marksOf(camera).points).map(([at, named]) => [Number(at), named[name]]),
    ...(state.proposals?.cameras.find((c) => c.camera === camera)?.frames ?? []).map((f) => [f.frame, f.points.find((p) => p.name === name)?.px]),
  ].filter(([, px]) => px);
  return known.reduce((best, one) => (!best || Math.abs(one[0] - frame) < Math.abs(best[0] - frame) ? one : best), null)?.[1];
}

/** The cross goes to where the point is thought to be, or was known nearest in time; where nothing is known it stays. */
function cross() {
  for (const own of state.views) {
    const at = state.mode === "court" ? courtPoints(own).find((p) => p.name === state.courtName)?.px
      : point(own.camera.name, own.frame, state.name)?.px ?? nearestKnown(own, state.name);
    if (at) { own.cross = [...at]; own.centre = [...at]; }
  }
}

function strokeAt(seconds) {
  const contacts = allEvents().filter((e) => e.kind === "contact").map((e) => e.seconds).sort((a, b) => a - b);
  if (!contacts.length) return null;
  return contacts.reduce((best, contact) => (Math.abs(contact - seconds) < Math.abs(best - seconds) ? contact : best));
}

function choosePassage(seconds) {
  const contact = strokeAt(seconds) ?? seconds;
  const all = state.views.map((v) => [v.secondsOf(0), v.secondsOf(v.count - 1)]);
  const from = Math.max(...all.map((a) => a[0]), contact - STROKE[0]), to = Math.min(...all.map((a) => a[1]), contact + STROKE[1]);
  // Cameras without a common clock may have nothing in common.
  state.passage = from < to ? { from_seconds: from, to_seconds: to } : { from_seconds: all[0][0], to_seconds: Math.min(all[0][0] + 2, all[0][1]) };
}

function allEvents() {
  const label = (kind) => state.session.event_kinds.find((k) => k.kind === kind)?.label ?? kind;
  const marked = state.marks.events.flatMap((e) => {
    const own = state.views.find((v) => v.camera.name === e.camera);
    return own && e.frame < own.count ? [{ kind: e.kind, seconds: own.secondsOf(e.frame), label: label(e.kind), marked: true }] : [];
  });
  const known = state.session.known_events.filter((k) => !marked.some((m) => m.kind === k.kind && Math.abs(m.seconds - k.session_seconds) < 0.3));
  return [...marked, ...known.map((k) => ({ kind: k.kind, seconds: k.session_seconds, label: label(k.kind), marked: false }))];
}

function courtPoints(own) {
  const marked = marksOf(own.camera.name).court;
  const found = Object.entries(own.camera.court_points).filter(([name]) => !(name in marked)).map(([name, px]) => ({ name, px, own: false }));
  for (const [name, px] of Object.entries(marked)) if (px) found.push({ name, px, own: true });
  return found.map((p) => ({ ...p, chosen: p.name === state.courtName }));
}

// Curves ----------------------------------------------------------------------------------------------------------------

/** Velocity in the picture from the frames around, px per second of session time. */
function velocity(own, frame) {
  const before = point(own.camera.name, frame - 1, state.name), after = point(own.camera.name, frame + 1, state.name);
  if (!before || !after || frame < 1 || frame + 1 >= own.count) return {};
  const seconds = own.secondsOf(frame + 1) - own.secondsOf(frame - 1);
  return { vx: (after.px[0] - before.px[0]) / seconds, vy: (after.px[1] - before.px[1]) / seconds };
}

async function curves() {
  const wanted = new Map();
  if (state.mode === "points" && !state.session.not_calibrated) {
    for (const own of state.views) {
      const at = point(own.camera.name, own.frame, state.name);
      if (!at || at.source === "course") continue;
      for (const other of state.views) {
        if (other === own || wanted.has(other.index)) continue;
        wanted.set(other.index, { from: own.camera.name, from_frame: own.frame, x: at.px[0], y: at.px[1], ...velocity(own, own.frame), to: other.camera.name, to_frame: other.frame });
      }
    }
  }
  for (const other of state.views) {
    const values = wanted.get(other.index), key = values && JSON.stringify(values), old = state.curves.get(other.index);
    if (old?.key === key) continue;
    state.curves.set(other.index, { key, parts: [] });
    if (!values) continue;
    server.curve(values).then((found) => {
      if (state.curves.get(other.index)?.key !== key) return;
      state.curves.set(other.index, { key, parts: found.parts_px });
      other.section.dataset.curve = String(found.parts_px.reduce((sum, part) => sum + part.length, 0));
      redraw();
    }, () => {});
  }
}

// Drawing -----------------------------------------------------------------------------------------------------------------

let waiting = false;
function redraw() {
  if (waiting) return;
  waiting = true;
  requestAnimationFrame(() => { waiting = false; draw(); });
}

function draw() {
  if (!state.session) return;
  curves();
  const colour = state.mode === "court" ? COURT_COLOUR : COLOURS[state.name];
  for (const own of state.views) {
    const hidden = (marksOf(own.camera.name).points[own.frame] ?? {})[state.name] === null;
    const shown = state.mode === "court" ? [] : points(own.camera.name, own.frame);
    const apart = (own.secondsOf(own.frame) - state.seconds) * 1000;
    own.draw({
      active: own.index === state.active, colour, chosen: state.name, points: shown, colourOf: (name) => COLOURS[name],
      curve: state.curves.get(own.index)?.parts, court: state.mode === "court" ? courtPoints(own) : [],
      note: [hidden ? `${WORDS[state.name]} hidden` : "", own.index === state.active ? `${state.seconds.toFixed(3)} s` : `${apart >= 0 ? "+" : "−"}${Math.abs(apart).toFixed(1)} ms`].filter(Boolean).join(" · "),
      words: shown.map((p) => `${WORDS[p.name]} ${p.source}`).join(", ") || "nothing marked",
    });
  }
  $("points").replaceChildren(...state.session.names.map((name, index) => {
    const chip = document.createElement("span");
    chip.className = `point${state.mode === "points" && name === state.name ? " chosen" : ""}`;
    chip.style.setProperty("--own", COLOURS[name]);
    const key = document.createElement("span");
    key.className = "key"; key.textContent = index + 1;
    chip.append(key, WORDS[name]);
    return chip;
  }));
  strip.draw({
    passage: state.passage, seconds: state.seconds, colour, events: allEvents(),
    rows: state.views.map((own) => {
      const frames = state.proposals?.cameras.find((c) => c.camera === own.camera.name)?.frames ?? [];
      const next = state.proposals?.next;
      return {
        name: own.camera.name,
        frames: frames.map(({ frame }) => { const at = point(own.camera.name, frame, state.name); return { seconds: own.secondsOf(frame), ring_px: at?.ring_px, source: at?.source }; }),
        next: next?.camera === own.camera.name ? own.secondsOf(next.frame) : undefined,
      };
    }),
  });
}

// Actions -------------------------------------------------------------------------------------------------------------------

/** Whether the active picture is the one that its frame number says; what is on the screen until then is not to be marked. */
function seen() {
  const own = view();
  if (!own.isShown) say(`${own.camera.name}: the picture of frame ${own.frame} is not here yet; nothing was marked`);
  return own.isShown;
}

function mark(px = view().cross) {
  if (!seen()) return;
  const own = view(), camera = own.camera.name, at = px.map((v) => Math.round(v * 100) / 100);
  own.cross = [...px];
  if (state.mode === "court") {
    return act({ act: "court", camera, name: state.courtName, px: at }, `${state.courtName} marked in ${camera} at ${at.join(", ")}`);
  }
  const { name } = state, frame = own.frame;
  const done = act({ act: "point", camera, frame, name, px: at }, `${WORDS[name]} marked in ${camera}, frame ${frame}, at ${at.join(", ")}`);
  // The racket's points follow each other: butt, throat, tip.
  const order = state.session.names, index = order.indexOf(name);
  if (index < 2) { choose(order[index + 1]); } else { state.moved = false; }
  return done;
}

function choose(name) {
  state.name = name;
  state.moved = false;
  cross();
  redraw();
}

const actions = {
  choose(_, key) {
    if (state.mode === "court") {
      const names = state.session.court, step = key === "1" ? -1 : 1;
      state.courtName = names[(names.indexOf(state.courtName) + step + names.length) % names.length];
      cross(); hint(); redraw();
      return;
    }
    choose(state.session.names[Number(key) - 1]);
  },
  mark: () => mark(),
  move(event, key) {
    const step = event.shiftKey ? 10 : 1, own = view();
    const [dx, dy] = { w: [0, -1], a: [-1, 0], s: [0, 1], d: [1, 0] }[key];
    own.cross = [own.cross[0] + dx * step, own.cross[1] + dy * step].map((v, axis) => clamp(v, 0, own.camera.size_px[axis] - 1));
    const [x, y] = own.screen(own.cross);
    if (x < 20 || y < 20 || x > own.canvas.clientWidth - 20 || y > own.canvas.clientHeight - 20) own.centre = [...own.cross];
    state.moved = true;
    redraw();
  },
  step(event, key) { goTo(view().frame + (key === "ArrowLeft" ? -1 : 1) * (event.shiftKey ? 10 : 1)); },
  leap(_, key) { goTo(view().nearest(state.seconds + (key === "PageUp" ? -0.5 : 0.5))); },
  other() {
    state.active = (state.active + 1) % state.views.length;
    state.seconds = view().secondsOf(view().frame);
    redraw();
  },
  next() {
    const next = state.proposals?.next;
    if (!next) { say("no frame is asked for"); return; }
    state.active = state.views.findIndex((v) => v.camera.name === next.camera);
    goTo(next.frame);
    if (state.name !== "ball") {
      const first = state.session.names.slice(0, 3).find((name) => !(name in (marksOf(next.camera).points[next.frame] ?? {})));
      choose(first ?? state.name);
    }
    say(`${next.camera}, frame ${next.frame}: mark ${WORDS[state.name]}, or H if it is hidden`);
  },
  zoom(event) {
    for (const own of state.views) {
      own.zoom = (own.zoom + (event.shiftKey ? ZOOMS.length - 1 : 1)) % ZOOMS.length;
      own.centre = [...own.cross];
    }
    redraw();
  },
  hide() {
    const { camera: { name: camera }, frame } = view(), { name } = state;
    if (state.mode === "court" || !seen()) return;
    act({ act: "point", camera, frame, name, px: null }, `${WORDS[name]} hidden in ${camera}, frame ${frame}`);
    const order = state.session.names, index = order.indexOf(name);
    if (index < 2) choose(order[index + 1]);
  },
  remove() {
    const { camera: { name: camera }, frame } = view(), { name } = state;
    if (state.mode === "court") return act({ act: "court", camera, name: state.courtName, px: null }, `${state.courtName} does not count in ${camera}`);
    return act({ act: "unmark", camera, frame, name }, `${WORDS[name]} no longer marked in ${camera}, frame ${frame}`);
  },
  undo: () => act({ act: "undo" }, "the last act is undone"),
  async keep() {
    say("keeping what the pictures carried …");
    try { took(await server.keep(state.passage)); say("what the pictures carried is part of the session now; U takes it back, one point of one camera at a time"); } catch (error) { say(error.message, true); }
    redraw();
    propose();
  },
  event() {
    if (!seen()) return;
    const own = view(), camera = own.camera.name, frame = own.frame;
      pick(`Event in ${camera}, frame ${frame}`, state.session.event_kinds.map((k) => k.label), (index) => {
      const kind = state.session.event_kinds[index];
      const there = state.marks.events.some((e) => e.kind === kind.kind && e.camera === camera && e.frame === frame);
      act({ act: there ? "no-event" : "event", kind: kind.kind, camera, frame }, `${kind.label} ${there ? "taken away from" : "marked in"} ${camera}, frame ${frame}`);
    });
  },
  court() {
    if (!state.session.court) { say("session.toml names no court; add [court] with model = \"itf-tennis\""); return; }
    state.mode = state.mode === "court" ? "points" : "court";
    state.courtName ??= state.session.court[0];
    cross(); hint(); redraw();
  },
  passage(_, key) {
    const changed = { ...state.passage, [key === "[" ? "from_seconds" : "to_seconds"]: state.seconds };
    if (changed.to_seconds - changed.from_seconds < 0.05) { say("the passage must start before it ends"); return; }
    state.passage = changed;
    propose();
  },
  stroke(event) {
    const contacts = allEvents().filter((e) => e.kind === "contact").map((e) => e.seconds).sort((a, b) => a - b);
    const now = (state.passage.from_seconds + STROKE[0]);
    const found = event.shiftKey ? contacts.filter((c) => c < now - 0.05).at(-1) : contacts.find((c) => c > now + 0.05);
    if (found === undefined) { say("there is no further stroke"); return; }
    choosePassage(found);
    goTo(view().nearest(found));
    propose();
  },
  async solve() {
    say("finding the cameras' places …");
    try {
      const { not_calibrated } = await server.solve();
      await load();
      say(not_calibrated ? `not found: ${not_calibrated}` : "the cameras' places are found");
      propose();
    } catch (error) { say(error.message); }
  },
  help() { $("help").showModal(); },
};

let picked = null;
function pick(title, labels, then) {
  $("choice-title").textContent = title;
  $("choices").replaceChildren(...labels.map((label, index) => {
    const item = document.createElement("li"), key = document.createElement("kbd");
    key.textContent = String.fromCharCode(97 + index);
    item.append(key, label);
    item.addEventListener("click", () => { $("choice").close(); then(index); });
    return item;
  }));
  picked = (key) => { const index = key.charCodeAt(0) - 97; if (key.length === 1 && index >= 0 && index < labels.length) { $("choice").close(); then(index); } };
  $("choice").showModal();
}
$("choice").addEventListener("keydown", (event) => {
  // The letter is for this list alone: once it is closed, H would hide a point as well.
  event.stopPropagation();
  if (event.key !== "Escape") { event.preventDefault(); picked?.(event.key.toLowerCase()); }
});

// Start -----------------------------------------------------------------------------------------------------------------------

const strip = new Strip($("strip"), (seconds) => goTo(view().nearest(seconds)));

async function load() {
  const session = await server.session();
  state.session = session;
  took(session.state);
  if (!state.views.length) {
    state.views = session.cameras.map((camera, index) => new View(camera, index, $("views"), (own, px) => { state.active = own.index; state.seconds = own.secondsOf(own.frame); mark(px); }));
  } else {
    session.cameras.forEach((camera, index) => { state.views[index].camera = camera; });
  }
}

try {
  await load();
  $("player").textContent = state.session.player;
  explain($("keys"), $("all-keys"));
  choosePassage(strokeAt(-Infinity) ?? state.views[0].secondsOf(0) + 1);
  listen(actions, () => document.querySelector("dialog[open]") !== null);
  window.addEventListener("resize", redraw);
  const contact = strokeAt(state.passage.from_seconds);
  choose("racket_butt");
  await goTo(view().nearest(contact ?? state.passage.from_seconds));
  say(state.session.not_calibrated ? `Without 3D for now: ${state.session.not_calibrated}` : "N goes to the first frame to mark; ? lists all keys");
  document.body.dataset.ready = "yes";
  propose();
} catch (error) {
  say(`The page cannot start: ${error.message}. Is the program still running?`, true);
}
