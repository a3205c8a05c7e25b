// A badge scanner ends with Enter. That moves on to the PIN, instead of sending the form without one. A badge that
// is scanned while the focus is elsewhere comes from scan.js.
"use strict";

for (const badge of document.querySelectorAll("[data-then]")) {
  const pin = document.getElementById(badge.dataset.then);
  const told = document.getElementById(badge.getAttribute("aria-describedby"));

  const read = () => {
    pin.focus();
    told.textContent = "Badge read. Type its PIN.";
  };

  badge.addEventListener("keydown", (event) => {
    if (event.key !== "Enter" || !badge.value || pin.value) return;
    event.preventDefault();
    read();
  });
  badge.addEventListener("scanned", (event) => {
    badge.value = event.detail;
    read();
  });
}
