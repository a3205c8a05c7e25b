// The panes of Now ask for themselves again when the live stream tells that the log has grown, and by the clock. While they get no answer, a bar says since when what is shown is old;
// what a finger is pressing is never swapped away under it; and an alarm that arrives is told to who can't see it.
"use strict";

(() => {
  const OLD_MS = 15_000;
  const PRESS_MS = 1500; // no press of a button takes longer
  const panes = document.querySelector("[data-live]");
  const bar = document.querySelector("[data-not-live]");
  const told = document.querySelector("[data-told]");
  if (!panes || !bar || !told) return;
  const read = () => panes.querySelector("[data-read-at]").dataset;
  let answered = performance.now();
  let pressed = -PRESS_MS;
  let unseen = Number(read().unseen);

  const look = () => {
    const old = performance.now() - answered >= OLD_MS;
    if (old === !bar.hidden) return;
    if (old) bar.querySelector("time").textContent = read().readAt; // the facility's own clock
    bar.hidden = !old;
  };

  document.addEventListener("pointerdown", () => { pressed = performance.now(); }, true);
  document.addEventListener("click", () => { pressed = -PRESS_MS; });

  panes.addEventListener("htmx:beforeSwap", (event) => {
    if (performance.now() - pressed < PRESS_MS) event.detail.shouldSwap = false;
  });
  panes.addEventListener("htmx:afterSwap", () => {
    answered = performance.now();
    look();
    const now = Number(read().unseen);
    if (now > unseen) told.textContent = read().alarm;
    unseen = now;
  });
  // The browser opens a broken stream again by itself; the first thing it then hears is how long the log is.
  const stream = new EventSource(panes.dataset.live);
  stream.addEventListener("position", () => htmx.trigger(panes, "told"));
  stream.addEventListener("beat", () => { answered = performance.now(); look(); });
  window.addEventListener("pagehide", () => stream.close());
  setInterval(look, 1000);
  document.addEventListener("visibilitychange", look); // a tablet that slept has not asked either
})();
