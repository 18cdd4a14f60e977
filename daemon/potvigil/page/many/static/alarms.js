"use strict";
/* Updates the list of alarms: fetches it again from the server whenever one has changed. */
(() => {
  const place = document.querySelector("[data-alarms]");
  let standing = null;

  async function write(signature) {
    const answer = await fetch(location.href, { cache: "no-store" });
    if (!answer.ok || answer.redirected) return;
    const fresh = new DOMParser().parseFromString(await answer.text(), "text/html").querySelector("[data-alarms]");
    if (!fresh) return;
    if (fresh.innerHTML !== place.innerHTML && !place.contains(document.activeElement)) place.replaceChildren(...fresh.childNodes);
    standing = signature;
  }

  document.addEventListener("potvigil:now", ({ detail: now }) => {
    const alarms = JSON.stringify(now.pots.map((pot) => [pot.id, pot.heard, pot.alarms.map(({ left_s: moving, ...still }) => still)]));
    if (alarms !== standing) write(alarms).catch(() => {}); // once more with the next news
  });
  document.addEventListener("potvigil:lost", () => {
    standing = null;
    for (const what of place.querySelectorAll(".what")) if (!what.textContent.includes("as last known")) what.textContent += " As last known.";
  });
})();
