"use strict";
/* Keeps the line that says of what this page does without: its broker, or its database. */
(() => {
  const line = document.querySelector("[data-notice]");
  document.addEventListener("potvigil:now", ({ detail: now }) => {
    const wanted = now.notice ?? "";
    if (line.textContent !== wanted) line.textContent = wanted; // what has not changed is not read out again
    line.hidden = wanted === "";
  });
})();
