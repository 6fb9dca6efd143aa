"use strict";
// The page around the viewer: loads it from this server, opens the recording of this server, goes to moments in it.

// Without a store the viewer neither keeps anything in the browser nor reports its use to its makers, which it has no setting
// against; the page's policy forbids it to reach anything but this server besides.
Object.defineProperty(window, "localStorage", { value: null });

const canvas = document.getElementById("space");
const notice = document.getElementById("notice");

function say(state, text) {
  document.body.dataset.state = state;
  notice.textContent = text;
}

function failed(reason) {
  say(
    "failed",
    `The 3D view does not run in this browser (${reason}). Use a current Firefox, Chromium, Edge or Safari with WebGL switched ` +
      "on, or save the recording and open it with the native viewer.",
  );
}

// Seconds on the session clock become what the viewer counts in.
const nanoseconds = (seconds) => Math.round(seconds * 1e9);

// Contacts are known once the strokes are found; a recording that still grows is asked again.
async function moments(viewer) {
  const { moments: found, complete } = await (await fetch("moments.json")).json();
  const select = document.getElementById("moments");
  select.replaceChildren(new Option("…"), ...found.map(({ label }) => new Option(label)));
  select.disabled = found.length === 0;
  select.onchange = () => {
    const { timeline, seconds } = found[select.selectedIndex - 1] ?? {};
    const recording = viewer.get_active_recording_id();
    select.selectedIndex = 0;
    if (timeline === undefined || recording === undefined) return;
    viewer.set_playing(recording, false);
    viewer.set_active_timeline(recording, timeline);
    viewer.set_time_for_timeline(recording, timeline, nanoseconds(seconds));
  };
  if (!complete) setTimeout(() => moments(viewer).catch(failed), 2000);
}

function panels(viewer) {
  for (const button of document.querySelectorAll("button[data-panel]")) {
    button.addEventListener("click", () => {
      const open = button.getAttribute("aria-pressed") !== "true";
      button.setAttribute("aria-pressed", String(open));
      viewer.override_panel_state(button.dataset.panel, open ? "Expanded" : "Hidden");
    });
  }
}

// A crash inside the viewer leaves its last picture standing; say so.
function watch(viewer) {
  if (viewer.has_panicked()) failed(viewer.panic_message());
  else setTimeout(() => watch(viewer), 1000);
}

async function start() {
  say("loading", "Loading the viewer from this computer …");
  await wasm_bindgen({ module_or_path: fetch("re_viewer_bg.wasm") });
  const viewer = new wasm_bindgen.WebHandle({
    url: [new URL("recording.rrd", location).href],
    render_backend: new URLSearchParams(location.search).get("renderer"),
    hide_welcome_screen: true,
    persist: false,
    enable_history: false,
    notebook: false,
    panel_state_overrides: { top: "Hidden", blueprint: "Hidden", selection: "Hidden" },
  });
  await viewer.start(canvas);
  // The viewer takes typed text through a field of its own that has no name.
  for (const field of document.querySelectorAll("input")) field.ariaLabel = "Text for the 3D view";
  say("shown", "");
  watch(viewer);
  panels(viewer);
  await moments(viewer);
}

start().catch(failed);
