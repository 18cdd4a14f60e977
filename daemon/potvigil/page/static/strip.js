"use strict";
/* Keeps the strip at the top, the page's title, and what is told to who does not see. */
(() => {
  const strip = document.getElementById("strip");
  const link = strip.querySelector("a");
  const stale = strip.querySelector(".stale");
  const spoken = document.getElementById("told");
  const heading = document.title;
  let announced = null; // what stood as the page was opened is on it

  function write(told) {
    for (const part of strip.querySelectorAll("[data-strip]")) {
      const wanted = told[part.dataset.strip] ?? part.textContent;
      if (part.textContent !== wanted) part.textContent = wanted;
    }
    if (told.href) link.setAttribute("href", told.href);
    strip.className = `strip ${told.level}${told.unseen ? " unseen" : ""}`;
    document.title = `${told.sign} ${told.word}${told.pot && `, ${told.pot}`} - ${heading}`;
  }

  function announce(pots) {
    const fresh = new Map();
    for (const pot of pots) {
      for (const alarm of pot.alarms) if (alarm.is_new && !alarm.old) fresh.set(`${pot.id} ${alarm.alarm}`, [`${pot.id}: ${alarm.word}`, alarm.do, alarm.text].filter(Boolean).join(". "));
    }
    const unheard = [...fresh].filter(([name]) => announced && !announced.has(name)).map(([, text]) => text);
    if (unheard.length) spoken.textContent = unheard.join(" ");
    announced = new Set(fresh.keys());
  }

  const MOST_OF_WINDOW = 0.4;
  const measure = () => strip.toggleAttribute("data-tall", strip.offsetHeight > MOST_OF_WINDOW * innerHeight);
  new ResizeObserver(measure).observe(strip);
  addEventListener("resize", measure);

  document.addEventListener("potvigil:now", ({ detail: now }) => {
    stale.hidden = false;
    for (const running of stale.getAnimations()) running.currentTime = 0; // put off once more
    write(now.strip);
    announce(now.pots);
  });
  document.addEventListener("potvigil:lost", ({ detail: since }) => {
    stale.hidden = true; // said better below
    write({
      level: "unknown", sign: "○", word: "unknown", pot: "", unseen: false, do: "Read the pot's own gauge",
      state: `No contact with the watch since ${since}; nothing here is up to date.`,
    });
    spoken.textContent = `No contact with the watch since ${since}. Read the pot's own gauge.`;
  });
})();
