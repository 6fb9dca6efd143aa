// Asks the program that serves this page. Every answer is the truth as it stands on the disk.

async function answer(response) {
  const body = await response.json().catch(() => ({ error: `${response.status} ${response.statusText}` }));
  if (!response.ok) throw new Error(body.error ?? `${response.status} ${response.statusText}`);
  return body;
}

export const session = async () => answer(await fetch("session"));

const post = async (path, body) => answer(await fetch(path, {
  method: "POST", headers: { "content-type": "application/json" }, body: JSON.stringify(body),
}));

// Acts go one after the other, in the order of the keys.
let last = Promise.resolve();
export function act(body) {
  const mine = last.then(() => post("act", body));
  last = mine.catch(() => {});
  return mine;
}
/** All acts so far are on the disk. */
export const settled = () => last;

export const keep = (passage) => last.then(() => post("keep", passage));
export const solve = () => post("solve", {});

const asked = (path, values) => {
  const query = new URLSearchParams();
  for (const [name, value] of Object.entries(values)) if (value !== undefined && value !== null) query.set(name, value);
  return fetch(`${path}?${query}`).then(answer);
};
/** Null when something was marked meanwhile. */
export const proposals = (acts, passage) => asked("proposals", { acts, ...passage });
export const curve = (values) => asked("curve", values);
