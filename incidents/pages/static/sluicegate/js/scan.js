// The scan field is always listening. A scanner is a keyboard that types fast: what arrives outside of any field
// goes to the scan field, and its Enter opens it; where a signature is asked for, it is the signer's badge. What is
// scanned while the cursor stands in a field for words is taken out of it again. One lone key typed by a hand is dropped
// again. A scan means the same as a tap: where the page offers what was scanned as a
// choice (data-code), it is chosen there; else the code opens its own page.
"use strict";

(() => {
  const form = document.querySelector("[data-scan]");
  if (!form) return;
  const field = form.querySelector("input[name=code]");
  const keys = document.querySelector("[data-keys]");
  const GAP_MS = 300; // a slow scanner, or a slow tablet, takes no longer between two characters of one code
  const FAST_MS = 60; // for each character of a scan, on the average; a hand needs longer
  const NOTHING = { code: "", began: 0, last: -Infinity, into: null, before: "" };
  let burst = NOTHING;

  const FIELDS = "input:not([type=radio], [type=checkbox]), select, textarea, [contenteditable]";
  const WORDS = "textarea:not([name=labels]), [name=words], [name=machine_cycle]"; // no code belongs there
  const fieldOf = (element) => (element instanceof Element ? element.closest(FIELDS) : null);

  // What is offered and can't be chosen says why, here, so that nothing ticked is lost; else its own page says it.
  const refused = (choice) => {
    const said = document.querySelector("[data-scan-said]");
    if (!said || !choice.dataset.why) return null;
    said.querySelector("p").textContent = choice.dataset.why;
    said.hidden = false;
    said.scrollIntoView({ block: "nearest" });
    return choice;
  };

  // The choice of the page that this code stands for, ticked or unticked as a finger would; null where there is none.
  const chosenBy = (code) => {
    const fits = [...document.querySelectorAll("main input[data-code]")].filter(
      (each) => each.dataset.code.toLowerCase() === code.trim().toLowerCase());
    if (fits.length !== 1) return null; // a machine of several chambers does not say which
    const [choice] = fits;
    if (choice.disabled) return refused(choice);
    document.querySelector("[data-scan-said]")?.setAttribute("hidden", "");
    if (!choice.checked) choice.click();
    choice.focus();
    choice.closest("label")?.scrollIntoView({ block: "nearest" });
    return choice;
  };

  form.addEventListener("submit", (event) => {
    if (!chosenBy(field.value)) return;
    event.preventDefault();
    event.stopImmediatePropagation();
    field.value = "";
  });

  const commands = {
    "/": () => { field.focus(); field.select(); },
    "?": () => keys?.showModal(),
  };

  const heard = (event, into) => {
    const goesOn = event.timeStamp - burst.last < GAP_MS && burst.into === into;
    if (!goesOn) burst = { ...NOTHING, began: event.timeStamp, into, before: into?.value };
    burst = { ...burst, code: burst.code + event.key, last: event.timeStamp };
  };

  // What was scanned, if it was; what it left in a field it was not meant for is taken back.
  const scanned = (event) => {
    const { code, began, last, into, before } = burst;
    burst = NOTHING;
    if (code.length < 3 || event.timeStamp - last >= GAP_MS) return "";
    if (!into) return code;
    if (event.timeStamp - began > FAST_MS * code.length) return "";
    into.value = before;
    into.dispatchEvent(new Event("input", { bubbles: true }));
    return code;
  };

  const takes = (code) => {
    const badge = [...document.querySelectorAll("[data-then]")].find((each) => !each.value);
    if (badge) {
      badge.dispatchEvent(new CustomEvent("scanned", { detail: code }));
    } else {
      field.value = code;
      form.requestSubmit();
    }
  };

  document.addEventListener("keydown", (event) => {
    if (event.ctrlKey || event.metaKey || event.altKey || event.isComposing || event.repeat) return;
    if (event.key === "Shift") return; // belongs to the capital that follows
    const into = fieldOf(event.target);
    if ((into && !into.matches(WORDS)) || document.querySelector("dialog[open]")) {
      burst = NOTHING;
    } else if (event.key === "Enter") {
      const code = scanned(event);
      if (!code) return;
      event.preventDefault(); // or a focused button would be pressed by the scanner
      takes(code);
    } else if (event.key.length !== 1) {
      burst = NOTHING; // a quick Tab and Space are no scan
    } else if (!into && !burst.code && commands[event.key]) {
      event.preventDefault();
      commands[event.key]();
    } else {
      heard(event, into);
      if (!into && event.key === " " && burst.code.trim()) event.preventDefault();
    }
  });

  field.addEventListener("keydown", (event) => {
    if (event.key === "Escape") field.blur();
  });
})();
