"use strict";
/* Touch, mouse, wheel and keyboard on a curve: change the range, or move the readout. */

/* over: the area of the curve. box: receives keys. range(): the current [from, to]. ask(from, to): change it.
   read(step): move the readout by that share of the range. whole(): show everything. */
function followGestures(over, box, { range, ask, read, whole }) {
  const fingers = new Map(); // pointer -> x, pixels from the left of the area
  let begun = null; // finger positions and range at the start; reset when a finger is added or lifted

  const at = (event) => event.clientX - over.getBoundingClientRect().left;
  const share = (x) => x / over.clientWidth;

  function begin() {
    begun = { xs: [...fingers.values()], range: range() };
  }

  function moved() {
    const [from, to] = begun.range;
    const span = to - from;
    const now = [...fingers.values()].map(share);
    const then = begun.xs.map(share);
    if (now.length === 1) {
      const shift = (then[0] - now[0]) * span;
      ask(from + shift, to + shift);
    } else if (Math.abs(now[1] - now[0]) > 0.02 && Math.abs(then[1] - then[0]) > 0.02) {
      // each finger keeps its point of the curve
      const wide = (span * (then[1] - then[0])) / (now[1] - now[0]);
      const left = from + then[0] * span - now[0] * wide;
      ask(left, left + wide);
    }
  }

  function stretch(factor, middle) {
    const [from, to] = range();
    const pivot = from + middle * (to - from);
    ask(pivot + (from - pivot) * factor, pivot + (to - pivot) * factor);
  }

  function pan(part) {
    const [from, to] = range();
    ask(from + part * (to - from), to + part * (to - from));
  }

  over.addEventListener("pointerdown", (event) => {
    if (event.button !== 0 || fingers.size === 2) return;
    fingers.set(event.pointerId, at(event));
    over.setPointerCapture(event.pointerId);
    begin();
  });
  over.addEventListener("pointermove", (event) => {
    if (!fingers.has(event.pointerId)) return;
    const trembles = fingers.size === 1 && Math.abs(at(event) - begun.xs[0]) < 6 && !begun.moving;
    fingers.set(event.pointerId, at(event));
    if (trembles) return; // a tap moves the readout
    begun.moving = true;
    moved();
  });
  for (const end of ["pointerup", "pointercancel"]) {
    over.addEventListener(end, (event) => {
      if (fingers.delete(event.pointerId)) begin();
    });
  }
  over.addEventListener(
    "wheel",
    (event) => {
      // The wheel alone scrolls the page. A touchpad pinch arrives as wheel with Ctrl.
      const sideways = event.shiftKey || Math.abs(event.deltaX) > Math.abs(event.deltaY);
      if (!sideways && !event.ctrlKey && !event.metaKey) return;
      event.preventDefault();
      if (sideways) pan((event.deltaX || event.deltaY) / 1000);
      else stretch(Math.exp(Math.max(-200, Math.min(200, event.deltaY)) / 400), share(at(event)));
    },
    { passive: false },
  );

  const keys = {
    ArrowLeft: () => read(-1 / 60),
    ArrowRight: () => read(1 / 60),
    PageUp: () => pan(-0.5),
    PageDown: () => pan(0.5),
    "+": () => stretch(0.5, 0.5),
    "=": () => stretch(0.5, 0.5),
    "-": () => stretch(2, 0.5),
    Home: whole,
    0: whole,
  };
  box.addEventListener("keydown", (event) => {
    const act = keys[event.key];
    if (!act || event.ctrlKey || event.metaKey || event.altKey) return;
    event.preventDefault();
    act();
  });
  return { stretch, pan };
}
