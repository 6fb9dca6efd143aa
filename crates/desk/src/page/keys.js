// Which key does what. `short` stands in the line at the foot, `long` in the list of all keys.

export const KEYS = [
  { keys: ["1", "2", "3", "4"], shown: "1–4", run: "choose", short: "point", long: "choose butt, throat, tip, ball" },
  { keys: ["Enter", " "], shown: "Enter", run: "mark", short: "mark at cross", long: "mark the point at the cross (or click); on a ring: confirm it" },
  { keys: ["w", "a", "s", "d"], shown: "W A S D", run: "move", short: "move cross", long: "move the cross by one pixel; with Shift by ten" },
  { keys: ["ArrowLeft", "ArrowRight"], shown: "← →", run: "step", short: "frame", long: "step one frame of the active camera; with Shift ten" },
  { keys: ["Tab"], shown: "Tab", run: "other", short: "camera", long: "the other camera" },
  { keys: ["n"], shown: "N", run: "next", short: "next useful frame", long: "go to the frame whose mark helps most" },
  { keys: ["z"], shown: "Z", run: "zoom", short: "enlarge", long: "enlarge around the cross: 1, 2.5, 6 times; with Shift smaller" },
  { keys: ["h"], shown: "H", run: "hide", short: "hidden", long: "the point cannot be seen in this frame" },
  { keys: ["x"], shown: "X", run: "remove", short: "unmark", long: "take the mark of this frame away" },
  { keys: ["u"], shown: "U", run: "undo", short: "undo", long: "undo the last act, again and again (also Ctrl Z)" },
  { keys: ["k"], shown: "K", run: "keep", short: "keep carried", long: "keep all that the pictures carried in this passage: it becomes part of the session" },
  { keys: ["e"], shown: "E", run: "event", short: "event", long: "mark an event in this frame, such as contact or bounce; again takes it away" },
  { keys: ["c"], shown: "C", run: "court", short: "court", long: "mark court points instead, and back" },
  { keys: ["[", "]"], shown: "[ ]", run: "passage", short: "", long: "the passage starts or ends here" },
  { keys: ["g"], shown: "G", run: "stroke", short: "next stroke", long: "go to the next stroke that was found; with Shift the one before" },
  { keys: ["PageUp", "PageDown"], shown: "Page ↑ ↓", run: "leap", short: "", long: "half a second back or on" },
  { keys: ["r"], shown: "R", run: "solve", short: "", long: "find the cameras' places again from the court points" },
  { keys: ["?"], shown: "?", run: "help", short: "help", long: "all keys" },
];

export function listen(actions, blocked) {
  const by = new Map(KEYS.flatMap((entry) => entry.keys.map((key) => [key, entry.run])));
  window.addEventListener("keydown", (event) => {
    if (blocked() || event.altKey || event.metaKey) return;
    if (event.ctrlKey) {
      if (event.key.toLowerCase() === "z") { event.preventDefault(); actions.undo(event); }
      return;
    }
    const key = event.key.length === 1 ? event.key.toLowerCase() : event.key;
    const run = by.get(key);
    if (!run) return;
    event.preventDefault();
    actions[run](event, key);
  });
}

function kbd(text) { const element = document.createElement("kbd"); element.textContent = text; return element; }

export function explain(foot, list) {
  for (const { shown, short, long } of KEYS) {
    if (short) { const item = document.createElement("li"); item.append(kbd(shown), short); foot.append(item); }
    const term = document.createElement("dt"), words = document.createElement("dd");
    term.append(kbd(shown)); words.textContent = long; list.append(term, words);
  }
}
