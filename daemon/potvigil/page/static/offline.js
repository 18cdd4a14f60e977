"use strict";
/* Opens the requested page as soon as the Pi answers again. */
setInterval(async () => {
  try {
    await fetch("/api/now", { cache: "no-store", signal: AbortSignal.timeout(5000) });
    location.reload();
  } catch {
    // still offline
  }
}, 10000);
