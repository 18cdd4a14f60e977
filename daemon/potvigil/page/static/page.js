"use strict";
/* Keeps the pots on the page as the watch sees them, and takes back what it can no longer vouch for.

   News comes as server-sent events. Where none comes for 3 s, the page asks by itself; where no answer comes for
   5 s, the old values go and the page says since when. */
(() => {
  const place = document.querySelector("[data-live]");
  if (!place) return;
  const ASK_AFTER_MS = 3000;
  const LOST_AFTER_MS = 5000;
  const ANSWER_WITHIN_MS = 1900;
  const STREAM_AGAIN_MS = 30000;
  const MOST_PRESSING = ["alarm", "warn", "unknown", "note", "calm"];

  const cards = [...document.querySelectorAll("[data-pot]")];
  const show = (card, name) => card.querySelector(`[data-show="${name}"]`);
  const banner = { lost: document.getElementById("lost"), silent: document.getElementById("silent") };
  const heading = document.title;

  // Two clocks: the one may be set, the other stands still while a phone sleeps.
  const moment = () => ({ wall: Date.now(), steady: performance.now() });
  const age = (then) => Math.max(Math.abs(Date.now() - then.wall), performance.now() - then.steady);

  let heard = moment(); // when the last news came
  let heardAt = ""; // the same by the workshop's clock
  let asking = false;
  let lost = false;
  let announced = new Set([...document.querySelectorAll("[data-alarm]")].map(named));
  let standing = null; // the alarms as written on the page
  let pressed = false; // a finger lies on the page: nothing is changed under it

  function named(item) {
    return `${item.closest("[data-pot]").dataset.pot} ${item.dataset.alarm}`;
  }

  function fill(node, text) {
    if (!node) return;
    const wanted = text ?? "";
    if (node.textContent !== wanted) node.textContent = wanted; // what has not changed is not read out again
    node.hidden = wanted === "";
  }

  function level(card, name) {
    card.classList.remove(...MOST_PRESSING);
    card.classList.add(name);
  }

  function write(card, pot) {
    level(card, pot.level);
    fill(show(card, "sign"), pot.sign);
    fill(show(card, "word"), pot.word);
    fill(show(card, "title"), pot.label || (pot.batch === null ? "" : `batch ${pot.batch}`));
    for (const name of ["pressure", "trend", "forecast", "cure", "care"]) fill(show(card, name), pot[name]);
    fill(show(card, "corrected"), pot.corrected && `${pot.corrected} with temperature and barometer set aside`);
    fill(show(card, "temperatures"), (pot.temperatures ?? []).map(({ place: where, text }) => `${where} ${text}`).join(", "));
    card.querySelector('[data-block="cure"]').hidden = pot.cure === null;
    if (pot.cure_progress !== null) card.querySelector("progress").value = pot.cure_progress;
  }

  function entitle(pots) {
    const rank = (pot) => MOST_PRESSING.indexOf(pot.level);
    const [first] = [...pots].sort((a, b) => rank(a) - rank(b));
    document.title = first ? `${first.sign} ${first.word}, ${first.id} - ${heading}` : heading;
  }

  function announce(pots) {
    const now = new Map();
    for (const pot of pots) {
      for (const alarm of pot.alarms) if (alarm.is_new && !alarm.old) now.set(`${pot.id} ${alarm.alarm}`, `${pot.id}: ${alarm.word}. ${alarm.do}. ${alarm.text}`);
    }
    const fresh = [...now].filter(([name]) => !announced.has(name)).map(([, text]) => text);
    if (fresh.length) document.getElementById("told").textContent = fresh.join(" ");
    announced = new Set(now.keys());
  }

  /* Fetch the alarms as the server writes them; a form that is open, and the focus, stay where they are. */
  async function writeAlarms(signature) {
    const answer = await fetch(location.href, { cache: "no-store" });
    if (!answer.ok || answer.redirected) return;
    const fresh = new DOMParser().parseFromString(await answer.text(), "text/html");
    if (pressed) return; // once more with the next news
    for (const card of cards) {
      const old = card.querySelector(".standing");
      const made = fresh.querySelector(`[data-pot="${CSS.escape(card.dataset.pot)}"] .standing`);
      if (!made) continue;
      const held = old.contains(document.activeElement) && document.activeElement.closest("[data-alarm]").dataset.alarm;
      for (const open of old.querySelectorAll("details[open]")) {
        const same = made.querySelector(`[data-alarm="${open.closest("[data-alarm]").dataset.alarm}"] details`);
        same?.replaceWith(open);
      }
      old.replaceWith(made);
      if (held) (made.querySelector(`[data-alarm="${held}"] :is(button, summary, select)`) ?? card.querySelector("a, button"))?.focus();
    }
    standing = signature;
  }

  function told(now) {
    heard = moment();
    heardAt = now.now;
    lost = false;
    banner.lost.hidden = true;
    fill(banner.silent, now.silent ? now.advice : "");
    const byId = new Map(now.pots.map((pot) => [pot.id, pot]));
    for (const card of cards) {
      const pot = byId.get(card.dataset.pot);
      if (pot) write(card, pot);
      else withdraw(card, "no longer watched");
    }
    entitle(now.pots);
    announce(now.pots);
    const alarms = JSON.stringify(now.pots.map((pot) => pot.alarms));
    if (alarms !== standing) writeAlarms(alarms).catch(() => {}); // once more with the next news
    if (place.dataset.batch === undefined) {
      if (now.pots.some((pot) => !cards.some((card) => card.dataset.pot === pot.id))) location.reload();
      return;
    }
    const alone = byId.get(cards[0].dataset.pot);
    if (!alone) return;
    const isBusy = document.querySelector("main details[open]") !== null; // somebody may be writing
    if (String(alone.batch ?? "") !== place.dataset.batch && !isBusy) location.reload();
    const changed = JSON.stringify([alone.stage, alone.batch, alone.alarms.map(({ alarm, state }) => [alarm, state])]);
    document.dispatchEvent(new CustomEvent("potvigil:changed", { detail: changed }));
  }

  function withdraw(card, word) {
    write(card, {
      level: "unknown", sign: "○", word, batch: null, label: show(card, "title")?.textContent, pressure: null, trend: null,
      forecast: null, cure: null, cure_progress: null, corrected: null, temperatures: [],
    });
    for (const item of card.querySelectorAll("[data-alarm]")) {
      item.classList.remove("unseen");
      const when = item.querySelector(".when");
      if (!when.textContent.includes("as last known")) when.textContent += ", as last known";
    }
  }

  function lose() {
    if (lost) return;
    lost = true;
    const since = heardAt || "it was opened";
    banner.silent.hidden = true;
    fill(banner.lost, `This page has lost the watch since ${since}. Nothing here is up to date. Look at the pot's own gauge.`);
    for (const card of cards) withdraw(card, "not known");
    document.title = `○ lost the watch - ${heading}`;
    standing = null;
  }

  async function ask() {
    if (asking) return;
    asking = true;
    try {
      const answer = await fetch("/api/now", { cache: "no-store", signal: AbortSignal.timeout(ANSWER_WITHIN_MS) });
      if (answer.status === 401) location.assign("/login");
      else if (answer.ok) told(await answer.json());
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
  listen();
  ask();
  setInterval(listen, STREAM_AGAIN_MS);
  setInterval(look, 500);
  addEventListener("pointerdown", () => (pressed = true), true);
  for (const end of ["pointerup", "pointercancel"]) addEventListener(end, () => setTimeout(() => (pressed = false), 300), true);
  document.addEventListener("visibilitychange", () => document.hidden || look());
  addEventListener("pageshow", (event) => {
    if (!event.persisted) return;
    lose(); // kept from long ago by the browser
    ask();
  });
})();
