"use strict";
/* Updates the line that reports a missing broker or database. */
(() => {
  const line = document.querySelector("[data-notice]");
  document.addEventListener("potvigil:now", ({ detail: now }) => {
    const wanted = now.notice ?? "";
    if (line.textContent !== wanted) line.textContent = wanted; // what has not changed is not read out again
    line.hidden = wanted === "";
  });
})();
