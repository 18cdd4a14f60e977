"use strict";
/* Makes the page installable as an app; browsers require TLS or localhost for that. */
if (navigator.serviceWorker) navigator.serviceWorker.register("/worker.js").catch(() => {});
