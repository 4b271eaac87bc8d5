// Keeps the shell of the page (never data) so that a tablet can open it while the rig's computer
// is away, and say so. The network comes first: a new version of the page is never held back.

const CACHE = "drumlin-shell-1";

self.addEventListener("install", (event) => {
  event.waitUntil(caches.open(CACHE).then((cache) => cache.addAll(["./", "icon.svg"])));
  self.skipWaiting();
});

self.addEventListener("activate", (event) => {
  event.waitUntil(
    caches
      .keys()
      .then((names) => Promise.all(names.filter((name) => name !== CACHE).map((name) => caches.delete(name))))
      .then(() => self.clients.claim()),
  );
});

const SHELL = /\.(js|css|svg|woff2|webmanifest|html)$|\/$|\/texts\/\w+\.json$/;

self.addEventListener("fetch", (event) => {
  const { request } = event;
  const url = new URL(request.url);
  const ours = url.origin === location.origin;
  if (request.method !== "GET" || !ours || url.pathname.startsWith("/api") || !SHELL.test(url.pathname)) return;
  event.respondWith(
    fetch(request)
      .then((response) => {
        if (response.ok) {
          const copy = response.clone();
          event.waitUntil(caches.open(CACHE).then((cache) => cache.put(request, copy)));
        }
        return response;
      })
      .catch(async () => (await caches.match(request, { ignoreSearch: true })) ?? Response.error()),
  );
});
