// What takes longer than two seconds says so, in words, until the answer comes or a hand goes on.
"use strict";

(() => {
  const PATIENCE_MS = 2000;
  const words = document.querySelector("[data-reading]");
  if (!words) return;
  let timer = null;

  const ask = () => {
    clearTimeout(timer);
    timer = setTimeout(() => {
      words.setAttribute("role", "status");
      words.hidden = false;
    }, PATIENCE_MS);
  };
  const settle = () => {
    clearTimeout(timer);
    words.hidden = true;
  };

  document.addEventListener("click", (event) => {
    const link = event.target.closest?.("a[href]");
    if (!link || link.target || link.hasAttribute("download") || event.ctrlKey || event.metaKey) return;
    if (link.getAttribute("href").startsWith("#") || event.defaultPrevented) return;
    ask();
  });
  document.addEventListener("submit", (event) => { if (!event.defaultPrevented) ask(); });
  document.addEventListener("pointerdown", settle, true);
  document.addEventListener("htmx:beforeRequest", ask);
  document.addEventListener("htmx:afterRequest", settle);
  window.addEventListener("pageshow", settle);
})();
