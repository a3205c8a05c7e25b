// The keypad writes into the PIN field beside it; Clear on an empty PIN starts again with the badge. Without this
// file the field is an ordinary password field.
"use strict";

(() => {
  document.documentElement.dataset.keypad = "";
  for (const keypad of document.querySelectorAll("[data-keypad-for]")) {
    const field = document.getElementById(keypad.dataset.keypadFor);
    keypad.addEventListener("click", (event) => {
      const button = event.target.closest("[data-key]");
      if (!button || !field) return;
      if (button.dataset.key !== "clear") {
        field.value += button.dataset.key;
      } else if (field.value) {
        field.value = "";
      } else {
        field.form.reset();
        field.form.querySelector("[data-then]")?.focus();
      }
      field.dispatchEvent(new Event("input", { bubbles: true }));
    });
  }
})();
