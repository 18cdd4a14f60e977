"use strict";
/* Uses this phone as an alarm clock: sound, vibration, screen kept on.

   The choice is stored on this phone. It sounds for a high alarm until that is acknowledged or silenced here, and when
   contact with the watch is lost for too long. Browsers allow sound only after a tap; until then the page says so. */
(() => {
  const box = document.getElementById("wake");
  const part = (name) => box.querySelector(`[data-wake="${name}"]`);
  const KEPT = "potvigil-wake";
  const SILENCED_MS = 15 * 60000; // the longest a high alarm can be silenced
  const SLEPT_MS = 90000; // background pages run timers once a minute
  const HEARD_AGAIN_MS = 10000;
  const LOGGED_OUT = "Logged out: reload this page and log in.";
  const SHAKEN = [400, 150, 400];

  let chosen = { on: false, lostAfterS: 120, silenced: {}, chimed: [], ...kept() };
  let lock = null;
  let high = new Map(); // the high alarms, with their text
  let heardMs = Date.now(); // last live state
  let hasHeard = false;
  let lookedMs = Date.now();
  let note = "";

  function kept() {
    try {
      return JSON.parse(localStorage.getItem(KEPT)) ?? {};
    } catch {
      return {};
    }
  }

  function keep(change) {
    chosen = { ...chosen, ...change };
    try {
      localStorage.setItem(KEPT, JSON.stringify(chosen));
    } catch {
      note = "This browser stores nothing: choose again after a reload."; // e.g. in a private window
    }
  }

  function hear(now) {
    if (now.silent && hasHeard) return; // alarms that sounded before still do
    if (!now.silent) heardMs = Date.now();
    hasHeard = true;
    high = new Map();
    const low = [];
    for (const pot of now.pots) {
      for (const alarm of pot.alarms) {
        if (!alarm.is_new) continue;
        const cause = `${pot.id} ${alarm.alarm} ${alarm.since_s}`;
        if (alarm.priority === "high") high.set(cause, `${alarm.word}, ${pot.id}`);
        else low.push(cause);
      }
    }
    if (chosen.on && !sound.isBlocked()) {
      if (low.some((cause) => !chosen.chimed.includes(cause))) sound.chime();
      if (String(low) !== String(chosen.chimed)) keep({ chimed: low });
    }
  }

  /* Return the alarms to sound for now, silenced or not. */
  function causes() {
    const all = new Map(high);
    if (Date.now() - heardMs >= 1000 * chosen.lostAfterS) all.set("lost", "there is no word from the watch");
    return all;
  }

  async function stayAwake() {
    if (!chosen.on || lock || document.hidden || !navigator.wakeLock) return;
    try {
      lock = await navigator.wakeLock.request("screen");
      lock.addEventListener("release", () => (lock = null));
    } catch {
      lock = null; // e.g. when the battery is low: reported below
    }
  }

  function words(loud, silencedUntil) {
    if (!sound.can()) return "This browser makes no sound: this phone cannot wake you.";
    if (sound.isBlocked()) return "Sound is blocked: tap once, anywhere on this page.";
    if (loud.length) return `Waking you: ${loud.join("; ")}.`;
    const said = [];
    if (silencedUntil) {
      const clock = new Date(silencedUntil).toLocaleTimeString([], { hour: "2-digit", minute: "2-digit", hourCycle: "h23" });
      said.push(`Silenced on this phone until ${clock}; that acknowledges nothing.`);
    }
    said.push("This phone will wake you while this page stays open and in front.");
    if (!lock) said.push("The screen may sleep: keep the phone plugged in, and set it to keep its screen on.");
    return said.join(" ");
  }

  function look() {
    const now = Date.now();
    // After the phone has slept, allow a moment for an update before reporting lost contact.
    if (now - lookedMs > SLEPT_MS) heardMs = Math.max(heardMs, now - 1000 * chosen.lostAfterS + HEARD_AGAIN_MS);
    lookedMs = now;
    const all = causes();
    const silent = Object.entries(chosen.silenced).filter(([cause, until]) => all.has(cause) && until > now && until <= now + SILENCED_MS);
    if (silent.length !== Object.keys(chosen.silenced).length) keep({ silenced: Object.fromEntries(silent) });
    const loud = [...all].filter(([cause]) => !(cause in chosen.silenced));
    if (chosen.on && loud.length && !sound.isBlocked()) {
      sound.wake();
      navigator.vibrate?.(SHAKEN);
    } else if (sound.isWaking()) {
      sound.calm();
      navigator.vibrate?.(0);
    }
    show(loud.map(([, text]) => text), Math.max(0, ...silent.map(([, until]) => until)));
    if (chosen.on) {
      sound.open().catch(() => {});
      stayAwake();
    }
  }

  function show(loud, silencedUntil) {
    box.hidden = !chosen.on && box.dataset.offered === undefined;
    part("on").hidden = chosen.on;
    part("more").hidden = !chosen.on;
    part("silence").hidden = !(chosen.on && sound.isWaking());
    const state = part("state");
    const text = chosen.on ? [words(loud, silencedUntil), note].filter(Boolean).join(" ") : "";
    if (state.textContent !== text) state.textContent = text;
    state.hidden = text === "";
    box.classList.toggle("blocked", chosen.on && sound.isBlocked());
    box.classList.toggle("awake", chosen.on && sound.isWaking());
  }

  function turn(on) {
    keep({ on, silenced: {} });
    if (!on) {
      sound.close();
      lock?.release();
      navigator.vibrate?.(0);
    }
    look();
  }

  part("lost").value = String(chosen.lostAfterS);
  part("lost").addEventListener("change", (event) => keep({ lostAfterS: Number(event.target.value) }));
  part("on").addEventListener("click", async () => {
    await sound.open();
    part("more").open = true;
    turn(true);
    if (!sound.isWaking()) sound.chime();
  });
  part("off").addEventListener("click", () => turn(false));
  part("try").addEventListener("click", async () => {
    await sound.open();
    sound.try();
    navigator.vibrate?.(SHAKEN);
  });
  part("silence").addEventListener("click", () => {
    const until = Date.now() + SILENCED_MS;
    keep({ silenced: Object.fromEntries([...causes().keys()].map((cause) => [cause, until])) });
    look();
  });
  for (const tap of ["pointerup", "keydown"]) {
    addEventListener(tap, () => {
      if (chosen.on && sound.isBlocked()) sound.open().then(look);
    });
  }
  document.addEventListener("potvigil:now", ({ detail }) => {
    if (note === LOGGED_OUT) note = "";
    hear(detail);
    look();
  });
  // Do not leave or reload the page while that would stop the sound.
  document.addEventListener("potvigil:logged-out", (event) => {
    if (!chosen.on) return;
    event.preventDefault();
    note = LOGGED_OUT;
  });
  document.addEventListener("potvigil:reload", (event) => {
    if (!chosen.on) return;
    event.preventDefault();
    note = "There is news: reload this page, then tap once.";
  });
  document.addEventListener("visibilitychange", look);
  setInterval(look, 1000);
  look();
})();
