// Lets the bench's pages be opened without network: each is asked for first, and what was seen last is shown when no
// answer comes. Only pages of the run and of the box are kept, and what they are made of; nothing that was sent.

const VERSION = "bench-1";
const PAGES = `${VERSION}-pages`;
const PARTS = `${VERSION}-parts`;
const PATIENCE = 4000;
const KEPT_PAGE = /^\/bench\/(checks\/\d+|box)\/$/;
const PART = /^\/static\//;
const NAMED_BY_CONTENT = /\.[0-9a-f]{12}\.[a-z0-9]+$/; // such a file never changes

self.addEventListener("install", () => self.skipWaiting());
self.addEventListener("activate", (event) =>
  event.waitUntil(
    caches
      .keys()
      .then((names) => Promise.all(names.filter((name) => !name.startsWith(VERSION)).map((name) => caches.delete(name))))
      .then(() => self.clients.claim()),
  ),
);

self.addEventListener("fetch", (event) => {
  const { request } = event;
  const address = new URL(request.url);
  if (request.method !== "GET" || address.origin !== location.origin) return;
  if (PART.test(address.pathname)) event.respondWith(part(request, address.pathname));
  else if (request.mode === "navigate" && KEPT_PAGE.test(address.pathname)) event.respondWith(page(event));
});

async function part(request, path) {
  const kept = await caches.match(request, { cacheName: PARTS });
  if (kept && NAMED_BY_CONTENT.test(path)) return kept;
  try {
    const answer = await fetch(request);
    if (answer.ok) {
      const copy = answer.clone();
      (await caches.open(PARTS)).put(request, copy);
    }
    return answer;
  } catch (error) {
    if (kept) return kept;
    throw error;
  }
}

async function page(event) {
  const { request } = event;
  const key = new URL(request.url).pathname;
  const asked = fetch(request).then(async (answer) => {
    // A redirect (to the sign-in page) or an error is no page to keep.
    if (answer.ok && !answer.redirected) await (await caches.open(PAGES)).put(key, answer.clone());
    return answer;
  });
  event.waitUntil(asked.catch(() => {}));
  const kept = await caches.match(key, { cacheName: PAGES });
  if (!kept) return asked;
  const late = new Promise((resolve) => setTimeout(() => resolve(kept), PATIENCE));
  return Promise.race([asked.then((answer) => (answer.status >= 500 ? kept : answer)).catch(() => kept), late]);
}
