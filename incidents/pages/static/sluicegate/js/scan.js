// The scan field is always listening. A scanner is a keyboard that types fast: what arrives outside of any field
// goes to the scan field, and its Enter opens it; where a signature is asked for, it is the signer's badge. One lone
// key typed by a hand is dropped again.
"use strict";

(() => {
  const form = document.querySelector("[data-scan]");
  if (!form) return;
  const field = form.querySelector("input[name=code]");
  const keys = document.querySelector("[data-keys]");
  const FAST_MS = 60; // between two characters of a scanner; a hand needs longer
  let burst = "";
  let last = 0;

  const FIELDS = "input:not([type=radio], [type=checkbox]), select, textarea, [contenteditable]";
  const isField = (element) => element instanceof Element && element.closest(FIELDS) !== null;

  document.addEventListener("keydown", (event) => {
    if (event.ctrlKey || event.metaKey || event.altKey || event.isComposing) return;
    if (isField(event.target) || document.querySelector("dialog[open]")) return;

    if (event.key === "Shift") return; // belongs to the capital that follows

    const quick = event.timeStamp - last < FAST_MS;
    last = event.key.length === 1 ? event.timeStamp : -FAST_MS; // a quick Tab and Space are no scan

    if (event.key === "Enter") {
      if (quick && burst.length > 2) {
        event.preventDefault(); // or a focused button would be pressed by the scanner
        const badge = [...document.querySelectorAll("[data-then]")].find((each) => !each.value);
        if (badge) {
          badge.dispatchEvent(new CustomEvent("scanned", { detail: burst }));
        } else {
          field.value = burst;
          form.requestSubmit();
        }
      }
      burst = "";
      return;
    }
    if (event.key.length !== 1) return;

    burst = quick ? burst + event.key : event.key;
    if (quick && event.key === " ") event.preventDefault();
    if (quick) return;

    if (event.key === "/") {
      event.preventDefault();
      field.focus();
      field.select();
    } else if (event.key === "?" && keys) {
      event.preventDefault();
      keys.showModal();
    }
  });

  field.addEventListener("keydown", (event) => {
    if (event.key === "Escape") field.blur();
  });
})();
