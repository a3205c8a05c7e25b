// A deed is sent once: its button says so in words until the answer comes.
"use strict";

(() => {
  let waiting = [];

  const settle = () => {
    for (const [button, words] of waiting) {
      button.removeAttribute("aria-busy");
      button.replaceChildren(...words);
    }
    waiting = [];
  };

  document.addEventListener("submit", (event) => {
    const button = event.submitter;
    if (!button?.dataset.busy) return;
    if (button.getAttribute("aria-busy") === "true") {
      event.preventDefault();
      event.stopImmediatePropagation();
      return;
    }
    waiting.push([button, [...button.childNodes]]);
    button.setAttribute("aria-busy", "true");
    button.replaceChildren(button.dataset.busy);
  }, true);

  document.addEventListener("htmx:afterRequest", settle);
  window.addEventListener("pageshow", settle); // back from the next page
})();
