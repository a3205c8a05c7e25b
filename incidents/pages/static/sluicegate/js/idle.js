// A workstation that nobody has touched is locked: the person is signed out on the server, the board stays readable.
// Half a minute before, a dialog says so, and any touch goes on working.
"use strict";

(() => {
  const LOCK_MS = 5 * 60_000;
  const WARN_MS = 30_000;
  const form = document.querySelector("form.who");
  const dialog = document.querySelector("[data-idle]");
  if (!form || !dialog) return;
  let touched = Date.now();

  const touch = () => {
    touched = Date.now();
    if (dialog.open) dialog.close();
  };
  for (const kind of ["pointerdown", "keydown", "input", "scroll"]) {
    document.addEventListener(kind, touch, { capture: true, passive: true });
  }
  const look = () => {
    const idle = Date.now() - touched;
    if (idle >= LOCK_MS) form.requestSubmit();
    else if (idle >= LOCK_MS - WARN_MS && !dialog.open) dialog.showModal();
  };
  setInterval(look, 1000);
  document.addEventListener("visibilitychange", look); // a tablet that slept locks as it wakes
})();
