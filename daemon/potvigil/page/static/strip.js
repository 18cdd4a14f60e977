"use strict";
/* Updates the strip at the top, the page's title, and the screen-reader announcement. */
(() => {
  const strip = document.getElementById("strip");
  const link = strip.querySelector("a");
  const stale = strip.querySelector(".stale");
  const announcement = document.getElementById("told");
  const heading = document.title;
  let announced = null; // alarms already standing when the page was opened

  function write(content) {
    for (const part of strip.querySelectorAll("[data-strip]")) {
      const wanted = content[part.dataset.strip] ?? part.textContent;
      if (part.textContent !== wanted) part.textContent = wanted;
    }
    if (content.href) link.setAttribute("href", content.href);
    strip.className = `strip ${content.level}${content.unseen ? " unseen" : ""}`;
    document.title = `${content.sign} ${content.word}${content.pot && `, ${content.pot}`} - ${heading}`;
  }

  function announce(pots) {
    const fresh = new Map();
    for (const pot of pots) {
      for (const alarm of pot.alarms) if (alarm.is_new && !alarm.old) fresh.set(`${pot.id} ${alarm.alarm}`, [`${pot.id}: ${alarm.word}`, alarm.do, alarm.text].filter(Boolean).join(". "));
    }
    const unannounced = [...fresh].filter(([name]) => announced && !announced.has(name)).map(([, text]) => text);
    if (unannounced.length) announcement.textContent = unannounced.join(" ");
    announced = new Set(fresh.keys());
  }

  const MOST_OF_WINDOW = 0.4;
  const measure = () => strip.toggleAttribute("data-tall", strip.offsetHeight > MOST_OF_WINDOW * innerHeight);
  new ResizeObserver(measure).observe(strip);
  addEventListener("resize", measure);

  document.addEventListener("potvigil:now", ({ detail: now }) => {
    stale.hidden = false;
    for (const running of stale.getAnimations()) running.currentTime = 0; // postpone it again
    write(now.strip);
    announce(now.pots);
  });
  document.addEventListener("potvigil:lost", ({ detail: since }) => {
    stale.hidden = true; // replaced by the message below
    write({
      level: "unknown", sign: "○", word: "unknown", pot: "", unseen: false, do: "Read the pot's own gauge",
      state: `No contact with the watch since ${since}; nothing here is up to date.`,
    });
    announcement.textContent = `No contact with the watch since ${since}. Read the pot's own gauge.`;
  });
})();
