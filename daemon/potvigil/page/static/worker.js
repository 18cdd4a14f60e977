"use strict";
/* Shows an offline page when the Pi is unreachable. Never caches live values.

   The server prepends SHELL_VERSION; a new value makes browsers install a new worker. */
importScripts("/static/told.js");
const SHELL = ["/static/offline.html", "/static/offline.js", "/static/page.css", "/static/icon.svg"];
const CACHE = `shell ${SHELL_VERSION}`;

addEventListener("install", (event) => {
  const fill = async () => {
    const cache = await caches.open(CACHE);
    await cache.addAll(SHELL.map((path) => new Request(path, { cache: "reload" })));
    await skipWaiting();
  };
  event.waitUntil(fill());
});

addEventListener("activate", (event) => {
  const clear = async () => {
    for (const name of await caches.keys()) if (name !== CACHE) await caches.delete(name);
    await clients.claim();
  };
  event.waitUntil(clear());
});

addEventListener("fetch", (event) => {
  const path = new URL(event.request.url).pathname;
  const kept = event.request.mode === "navigate" ? SHELL[0] : SHELL.find((one) => one === path);
  if (event.request.method !== "GET" || !kept) return;
  const open = async () => {
    try {
      return await fetch(event.request);
    } catch {
      return (await caches.match(kept)) ?? Response.error();
    }
  };
  event.respondWith(open());
});
