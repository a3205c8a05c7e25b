// A badge scanner ends with Enter. That moves on to the PIN, instead of sending the form without one.
"use strict";

for (const badge of document.querySelectorAll("[data-then]")) {
  const pin = document.getElementById(badge.dataset.then);
  const told = document.getElementById(badge.getAttribute("aria-describedby"));
  badge.addEventListener("keydown", (event) => {
    if (event.key !== "Enter" || !badge.value || pin.value) return;
    event.preventDefault();
    pin.focus();
    if (told) told.textContent = "Badge read. Type the PIN that goes with it.";
  });
}
