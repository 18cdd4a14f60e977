"use strict";
/* Updates the pots on the page, and withdraws values once contact is lost. */
(() => {
  const place = document.querySelector("[data-live]");
  const LEVELS = ["alarm", "unknown", "warn", "note", "calm"];
  const cards = [...document.querySelectorAll("[data-pot]")];
  const show = (card, name) => card.querySelector(`[data-show="${name}"]`);

  let standing = null; // the alarms as written on the page
  let pressed = false; // while a finger is down, nothing moves

  function fill(node, text) {
    if (!node) return;
    const wanted = text ?? "";
    if (node.textContent !== wanted) node.textContent = wanted; // unchanged text must not be read out again
    node.hidden = wanted === "";
  }

  function write(card, pot) {
    card.classList.remove(...LEVELS);
    card.classList.add(pot.level);
    fill(show(card, "sign"), pot.sign);
    fill(show(card, "word"), pot.word);
    fill(show(card, "title"), pot.label || (pot.batch === null ? "" : `batch ${pot.batch}`));
    for (const name of ["pressure", "trend", "forecast", "cure", "temperatures", "care", "heard"]) fill(show(card, name), pot[name]);
    fill(show(card, "corrected"), pot.corrected && `${pot.corrected}, corrected for temperature and barometer`);
    card.querySelector('[data-block="cure"]').hidden = pot.cure === null;
    if (pot.cure_progress !== null) card.querySelector("progress").value = pot.cure_progress;
  }

  /* Sort the cards by urgency, but not while one is in use. */
  function sort(pots) {
    if (pressed || cards.some((card) => card.contains(document.activeElement))) return;
    const wanted = pots.map((pot) => cards.find((card) => card.dataset.pot === pot.id)).filter(Boolean);
    if (wanted.some((card, at) => place.querySelectorAll("[data-pot]")[at] !== card)) place.append(...wanted);
  }

  /* Fetch the alarms as rendered by the server, keeping open forms and the focus. */
  async function writeAlarms(signature) {
    const answer = await fetch(location.href, { cache: "no-store" });
    if (!answer.ok || answer.redirected) return;
    const fresh = new DOMParser().parseFromString(await answer.text(), "text/html");
    if (pressed) return; // retried with the next update
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

  /* Reload the page, unless a form is open or that would stop the sound. */
  function reload() {
    const isBusy = document.querySelector("main details[open]") !== null;
    if (!isBusy && document.dispatchEvent(new CustomEvent("potvigil:reload", { cancelable: true }))) location.reload();
  }

  function update(now) {
    const byId = new Map(now.pots.map((pot) => [pot.id, pot]));
    for (const card of cards) {
      const pot = byId.get(card.dataset.pot);
      if (pot) write(card, pot);
      else withdraw(card, "no longer monitored");
    }
    const alarms = JSON.stringify(now.pots.map((pot) => pot.alarms.map(({ left_s: moving, ...still }) => still)));
    if (alarms !== standing) writeAlarms(alarms).catch(() => {}); // retried with the next update
    if (place.dataset.batch === undefined) {
      sort(now.pots);
      if (now.pots.some((pot) => !cards.some((card) => card.dataset.pot === pot.id))) reload();
      return;
    }
    const alone = byId.get(cards[0].dataset.pot);
    if (!alone) return;
    if (String(alone.batch ?? "") !== place.dataset.batch) reload();
    const changed = JSON.stringify([alone.stage, alone.batch, alone.alarms.map(({ alarm, state }) => [alarm, state])]);
    document.dispatchEvent(new CustomEvent("potvigil:changed", { detail: changed }));
  }

  function withdraw(card, word) {
    write(card, {
      level: "unknown", sign: "○", word, batch: null, label: show(card, "title")?.textContent, pressure: null, trend: null,
      forecast: null, cure: null, cure_progress: null, corrected: null, temperatures: null,
    });
    for (const item of card.querySelectorAll("[data-alarm]")) {
      item.classList.remove("unseen");
      const when = item.querySelector(".when");
      if (!when.textContent.includes("as last known")) when.textContent += ", as last known";
    }
  }

  document.addEventListener("potvigil:now", ({ detail }) => update(detail));
  document.addEventListener("potvigil:lost", () => {
    for (const card of cards) withdraw(card, "not known");
    standing = null;
  });
  addEventListener("pointerdown", () => (pressed = true), true);
  for (const end of ["pointerup", "pointercancel"]) addEventListener(end, () => setTimeout(() => (pressed = false), 300), true);
})();
