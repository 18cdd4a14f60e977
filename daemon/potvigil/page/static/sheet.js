"use strict";
/* Makes a report's frame as tall as its content, so that the page scrolls instead of the frame. */
(() => {
  const frame = document.querySelector("iframe.sheet");
  const waiting = document.querySelector('[data-part="waiting"]');

  function fit() {
    const root = frame.contentDocument?.documentElement;
    if (!root || !root.scrollHeight) return;
    frame.style.height = "0"; // else it could never shrink
    frame.style.height = `${root.scrollHeight + 4}px`;
  }

  function come() {
    waiting.hidden = true;
    fit();
    new ResizeObserver(() => requestAnimationFrame(fit)).observe(document.body);
  }

  const isThere = frame.contentDocument?.readyState === "complete" && frame.contentDocument.URL !== "about:blank";
  if (isThere) come();
  else {
    waiting.hidden = false;
    frame.addEventListener("load", come);
  }
})();
