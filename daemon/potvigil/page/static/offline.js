"use strict";
/* Opens the page that was wanted as soon as the Pi answers again. */
setInterval(async () => {
  try {
    await fetch("/api/now", { cache: "no-store", signal: AbortSignal.timeout(5000) });
    location.reload();
  } catch {
    // not yet
  }
}, 10000);
