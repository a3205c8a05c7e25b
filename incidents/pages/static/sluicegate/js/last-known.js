// The last known state tells its age, which goes on counting, and leaves for Now as soon as the server answers.
// The age is by this device's own clock alone; moments are told by the facility's.
"use strict";

(() => {
  const ASK_MS = 5_000;
  const bar = document.querySelector("[data-known-at]");
  if (!bar || !bar.dataset.keptAt) return; // it comes from the server itself
  const keptAt = Number(bar.dataset.keptAt);
  const aheadMs = Date.parse(bar.dataset.knownAt) - keptAt; // of this device's clock, the server's
  const clock = (at, seconds) => new Intl.DateTimeFormat("en-GB", {
    timeZone: bar.dataset.zone, hour: "2-digit", minute: "2-digit", second: seconds ? "2-digit" : undefined,
  }).format(at);

  const age = (ms) => {
    const s = Math.max(0, Math.floor(ms / 1000));
    const min = Math.floor(s / 60);
    const h = Math.floor(min / 60);
    if (min < 1) return `${s} s`;
    if (min < 10) return `${min} min ${s % 60} s`;
    if (h < 1) return `${min} min`;
    return h < 24 ? `${h} h ${min % 60} min` : `${Math.floor(h / 24)} d ${h % 24} h`;
  };

  const tell = () => { bar.querySelector("[data-age]").textContent = age(Date.now() - keptAt); };
  const since = Math.max(Number(bar.dataset.goneSince), keptAt) + aheadMs;
  bar.querySelector("[data-since]").textContent = clock(since, false);
  bar.querySelector("[data-kept]").hidden = true;
  bar.querySelector("[data-gone]").hidden = false;
  bar.querySelector("[data-no-answer]").hidden = bar.dataset.unanswered !== "yes";
  document.title = `Server can’t be reached · ${document.title}`;
  tell();
  setInterval(tell, 1000);

  setInterval(async () => {
    try {
      if ((await fetch("/readyz", { cache: "no-store" })).ok) location.replace(bar.dataset.home);
    } catch {
      // Still gone.
    }
  }, ASK_MS);
})();
