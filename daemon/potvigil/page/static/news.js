"use strict";
/* Hears from the watch what is known now, and says when nothing is heard any more.

   To the document: `potvigil:now` with what /api/now says, `potvigil:lost` with since when. Pages of pots hear it as
   server-sent events; others ask every two seconds, for a browser holds only a few connections open. Where no answer
   comes for 5 s, all is lost. */
(() => {
  const streams = document.querySelector("[data-live]") !== null;
  const ASK_AFTER_MS = streams ? 3000 : 1900;
  const LOST_AFTER_MS = 5000;
  const ANSWER_WITHIN_MS = 1900;
  const STREAM_AGAIN_MS = 30000;

  // Two clocks: the one may be set, the other stands still while a phone sleeps.
  const moment = () => ({ wall: Date.now(), steady: performance.now() });
  const age = (then) => Math.max(Math.abs(Date.now() - then.wall), performance.now() - then.steady);
  const tell = (name, detail) => document.dispatchEvent(new CustomEvent(`potvigil:${name}`, { detail, cancelable: true }));

  let heard = moment(); // when the last news came
  let heardAt = document.querySelector('[data-strip="as_of"]').textContent; // the same by the workshop's clock
  let asking = false;
  let lost = false;

  function told(now) {
    heard = moment();
    heardAt = now.strip.as_of;
    lost = false;
    tell("now", now);
  }

  function lose() {
    if (lost) return;
    lost = true;
    tell("lost", heardAt);
  }

  async function ask() {
    if (asking) return;
    asking = true;
    try {
      const answer = await fetch("/api/now", { cache: "no-store", signal: AbortSignal.timeout(ANSWER_WITHIN_MS) });
      if (answer.ok) told(await answer.json());
      else if (answer.status === 401 && tell("logged-out")) location.assign(`/login?next=${location.pathname}`);
    } catch {
      // no answer: the clock below says when that is too long
    } finally {
      asking = false;
    }
  }

  function look() {
    const waited = age(heard);
    if (waited >= LOST_AFTER_MS) lose();
    if (waited >= ASK_AFTER_MS) ask();
  }

  let stream = null;
  function listen() {
    if (stream && stream.readyState !== EventSource.CLOSED) return;
    stream = new EventSource("/api/events");
    stream.addEventListener("now", (event) => told(JSON.parse(event.data)));
  }

  if (/^\?(said|asked)=/.test(location.search)) history.replaceState(null, "", location.pathname); // said once
  // once every script of the page listens
  document.addEventListener("DOMContentLoaded", () => {
    ask();
    setInterval(look, 500);
    if (!streams) return;
    listen();
    setInterval(listen, STREAM_AGAIN_MS);
  });
  document.addEventListener("visibilitychange", () => document.hidden || look());
  addEventListener("pageshow", (event) => {
    if (!event.persisted) return;
    lose(); // kept from long ago by the browser
    ask();
  });
})();
