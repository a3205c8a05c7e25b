// Has the last known state kept for when the server is gone. A browser that can't do that goes on without it.
"use strict";

(() => {
  const place = document.querySelector("[data-offline]");
  if (!place || !("serviceWorker" in navigator)) return;
  navigator.serviceWorker.register(place.dataset.offline).catch(() => {});
})();
