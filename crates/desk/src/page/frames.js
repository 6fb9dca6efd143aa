// Pictures by camera and frame, kept while they are near.

const KEPT = 120;
const kept = new Map();

/** The picture of a frame as a promise of a bitmap; one that is only fetched ahead lets acts and proposals pass. */
export function picture(camera, frame, priority = "high") {
  const key = `${camera}/${frame}`;
  let found = kept.get(key);
  if (found) {
    kept.delete(key);
  } else {
    found = fetch(`frame/${encodeURIComponent(camera)}/${frame}`, { priority }).then(async (response) => {
      if (!response.ok) throw new Error((await response.json().catch(() => ({}))).error ?? "the picture cannot be had");
      return createImageBitmap(await response.blob());
    });
    // A picture that failed is asked for again.
    found.catch(() => kept.delete(key));
  }
  kept.set(key, found);
  for (const oldest of kept.keys()) {
    if (kept.size <= KEPT) break;
    kept.get(oldest).then((bitmap) => bitmap.close(), () => {});
    kept.delete(oldest);
  }
  return found;
}

/** Asks for the neighbours of a frame before they are wanted. */
export function ahead(camera, frame, count, reach = 6) {
  for (let step = 1; step <= reach; step++) {
    for (const near of [frame + step, frame - step]) if (near >= 0 && near < count) picture(camera, near, "low").catch(() => {});
  }
}
