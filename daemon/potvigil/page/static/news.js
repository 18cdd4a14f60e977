"use strict";
/* Fetches the live state, and reports when contact is lost.

   Dispatches on the document: `potvigil:now` with /api/now, `potvigil:lost` with the time of the last contact. Pages
   of pots use server-sent events; others poll every two seconds, since a browser allows few open connections. Without
   an answer for 5 s, contact is lost. */
(() => {
  const streams = document.querySelector("[data-live]") !== null;
  const ASK_AFTER_MS = streams ? 3000 : 1900;
  const LOST_AFTER_MS = 5000;
  const ANSWER_WITHIN_MS = 1900;
  const STREAM_AGAIN_MS = 30000;

  // Two clocks: the wall clock may be set, the other stops while a phone sleeps.
  const moment = () => ({ wall: Date.now(), steady: performance.now() });
  const age = (then) => Math.max(Math.abs(Date.now() - then.wall), performance.now() - then.steady);
  const dispatch = (name, detail) => document.dispatchEvent(new CustomEvent(`potvigil:${name}`, { detail, cancelable: true }));

  let last = moment(); // time of the last update
  let lastAsOf = document.querySelector('[data-strip="as_of"]').textContent; // the same on the workshop's clock
  let polling = false;
  let lost = false;

  function received(now) {
    last = moment();
    lastAsOf = now.strip.as_of;
    lost = false;
    dispatch("now", now);
  }

  function lose() {
    if (lost) return;
    lost = true;
    dispatch("lost", lastAsOf);
  }

  async function poll() {
    if (polling) return;
    polling = true;
    try {
      const answer = await fetch("/api/now", { cache: "no-store", signal: AbortSignal.timeout(ANSWER_WITHIN_MS) });
      if (answer.ok) received(await answer.json());
      else if (answer.status === 401 && dispatch("logged-out")) location.assign(`/login?next=${location.pathname}`);
    } catch {
      // no answer: look() notices when that takes too long
    } finally {
      polling = false;
    }
  }

  function look() {
    const waited = age(last);
    if (waited >= LOST_AFTER_MS) lose();
    if (waited >= ASK_AFTER_MS) poll();
  }

  let stream = null;
  function listen() {
    if (stream && stream.readyState !== EventSource.CLOSED) return;
    stream = new EventSource("/api/events");
    stream.addEventListener("now", (event) => received(JSON.parse(event.data)));
  }

  if (/^\?(said|asked)=/.test(location.search)) history.replaceState(null, "", location.pathname); // a reload must not repeat the banner
  // once every script of the page is listening
  document.addEventListener("DOMContentLoaded", () => {
    poll();
    setInterval(look, 500);
    if (!streams) return;
    listen();
    setInterval(listen, STREAM_AGAIN_MS);
  });
  document.addEventListener("visibilitychange", () => document.hidden || look());
  addEventListener("pageshow", (event) => {
    if (!event.persisted) return;
    lose(); // restored from the back/forward cache
    poll();
  });
})();
