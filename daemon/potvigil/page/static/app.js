"use strict";
/* Makes the page one that can be installed, where the browser allows it: by TLS, or on the Pi itself. */
if (navigator.serviceWorker) navigator.serviceWorker.register("/worker.js").catch(() => {});
