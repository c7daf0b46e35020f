// Keeps the page on this device, so that it opens without a network. What the host has anew is taken at the next start; ends and
// photos lie elsewhere and are not touched.

/** Name of what is kept, and the page's files; the build writes both. */
const KEPT = "@VERSION@";
const FILES = /** @type {string[]} */ (JSON.parse(`@FILES@`));
/** What each answer says, so that the page asks nobody else, from whatever host it came. */
const POLICY = "@POLICY@";

const worker = /** @type {any} */ (self);

worker.addEventListener("install", (/** @type {any} */ event) => {
  event.waitUntil((async () => {
    const kept = await caches.open(KEPT);
    await kept.addAll(FILES.map((file) => new Request(file, { cache: "reload" })));
    await worker.skipWaiting();
  })());
});

worker.addEventListener("activate", (/** @type {any} */ event) => {
  event.waitUntil((async () => {
    const own = (/** @type {string} */ name) => name.startsWith("bossmark-") && name !== KEPT;
    await Promise.all((await caches.keys()).filter(own).map((name) => caches.delete(name)));
    await worker.clients.claim();
  })());
});

worker.addEventListener("fetch", (/** @type {any} */ event) => {
  if (event.request.method !== "GET" || new URL(event.request.url).origin !== worker.location.origin) return;
  event.respondWith((async () => {
    const kept = await caches.open(KEPT);
    const there = await kept.match(event.request, { ignoreSearch: true });
    if (!there) return fetch(event.request);
    const headers = new Headers(there.headers);
    headers.set("Content-Security-Policy", POLICY);
    return new Response(there.body, { status: there.status, statusText: there.statusText, headers });
  })());
});
