// Has the last known state kept for when the server is gone. A browser that can't do that goes on without it.
"use strict";

(() => {
  const place = document.querySelector("[data-offline]");
  if (!place || !("serviceWorker" in navigator)) return;
  const workers = navigator.serviceWorker;
  workers.register(place.dataset.offline).catch(() => {});
  // A page that was opened just while the worker began is nobody's: it asks to be looked after.
  workers.ready.then((here) => { if (!workers.controller) here.active.postMessage("look after me"); });
})();
