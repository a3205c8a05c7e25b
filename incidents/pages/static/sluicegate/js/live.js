// Every page hears the live stream. A bar says since when what is shown is old, and when the watch is late. The panes
// of Now and of the wall ask for themselves again when the log has grown, and by the clock; what a finger is pressing
// is never swapped away under it; and an alarm that arrives is told in words, to who can't see it too.
"use strict";

(() => {
  const OLD_MS = 15_000;
  const PRESS_MS = 1500; // no press of a button takes longer
  const LATE_S = 60; // as in the header's words
  const bar = document.querySelector("[data-not-live]");
  if (!bar) return;
  const panes = document.querySelector("#panes");
  // A bar becomes a live region only when it has something to say.
  const show = (element, role, shown) => {
    if (shown) element.setAttribute("role", role);
    element.hidden = !shown;
  };
  const late = document.querySelector("[data-watch-late]");
  const told = document.querySelector("[data-told]");
  const read = () => (panes?.querySelector("[data-read-at]") ?? bar).dataset;
  let answered = performance.now();
  let pressed = -PRESS_MS;
  const waiting = () => JSON.parse(read().waiting || "{}"); // key: [title, priority, is it an unseen alarm]
  let known = waiting();
  let news = []; // the keys of what the words above the panes tell of
  let stream = null;
  let shown = panes?.dataset.tag ?? ""; // the tag of what stands here

  const look = () => {
    const old = performance.now() - answered >= OLD_MS;
    if (old === !bar.hidden) return;
    if (old) bar.querySelector("time").textContent = read().readAt; // the facility's own clock
    show(bar, "alert", old);
  };
  const heard = () => { answered = performance.now(); look(); };

  // What is new stands in words above the panes until it is seen or over; who turned the sound on hears it too.
  const tell = (now) => {
    // A decision that follows from an alarm which stood here is no news to whoever has just seen that alarm.
    const owners = new Set(Object.keys(known).map((key) => key.slice(0, 36)));
    const came = Object.keys(now).filter((key) => !(key in known) && (now[key][2] || !owners.has(key.slice(0, 36))));
    news = (came.length ? came : news).filter((key) => key in now);
    if (told && (came.length || !news.length)) told.textContent = news.map((key) => now[key][0]).join(" · ");
    known = now;
    document.dispatchEvent(new CustomEvent("waiting", { detail: came.map((key) => now[key]) }));
  };

  // The browser opens a broken stream again by itself; the first thing it then hears is how long the log is.
  const listen = () => {
    stream = new EventSource(bar.dataset.live);
    stream.addEventListener("position", () => {
      if (panes) htmx.trigger(panes, "told");
      else heard();
    });
    stream.addEventListener("beat", (event) => {
      heard();
      if (late && event.data) show(late, "alert", Number(event.data) > LATE_S);
    });
  };
  const hush = () => { stream?.close(); stream = null; };

  if (panes) {
    document.addEventListener("pointerdown", () => { pressed = performance.now(); }, true);
    document.addEventListener("click", () => { pressed = -PRESS_MS; });
    panes.addEventListener("htmx:configRequest", (event) => {
      if (shown) event.detail.headers["If-None-Match"] = shown;
    });
    panes.addEventListener("htmx:beforeSwap", (event) => {
      if (event.detail.xhr.status === 304) { // nothing has changed: what stands here was read now
        event.detail.shouldSwap = false;
        read().readAt = event.detail.xhr.getResponseHeader("X-Read-At");
        heard();
        return;
      }
      if (performance.now() - pressed < PRESS_MS) event.detail.shouldSwap = false;
    });
    panes.addEventListener("htmx:afterSwap", (event) => {
      if (event.target === panes) shown = event.detail.xhr.getResponseHeader("ETag") || "";
      heard();
      tell(waiting());
    });
  }
  listen();
  window.addEventListener("pagehide", hush);
  window.addEventListener("pageshow", (event) => { if (event.persisted) listen(); });
  setInterval(look, 1000);
  document.addEventListener("visibilitychange", () => {
    look(); // a tablet that slept has not asked either
    if (panes) return;
    if (document.hidden) hush(); // a browser keeps few streams open at once
    else if (!stream) listen();
  });
})();
