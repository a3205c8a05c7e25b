// A tone for what is new on Now and on the wall, in a browser in which a person turned it on. Nothing rests on it: the
// words above the panes say the same. High: two tones, again each 30 s until it is seen; medium: one; low: none.
"use strict";

(() => {
  const KEPT = "sluicegate-sound"; // nothing: off; "on"; or until when it is muted
  const AGAIN_MS = 30_000;
  const MUTE_MS = 600_000;
  const TONES = { high: [880, 660], medium: [660] }; // Hz
  const panes = document.querySelector("#panes");
  if (!panes || !window.AudioContext) return;
  let context = null;
  let rang = performance.now();

  const kept = () => { try { return localStorage.getItem(KEPT) || ""; } catch { return ""; } };
  const keep = (value) => { try { localStorage.setItem(KEPT, value); } catch { /* then it stays off */ } };
  const state = () => {
    const value = kept();
    if (!value || value === "on") return value || "off";
    if (Number(value) > Date.now()) return "muted";
    keep("on"); // a mute ends by itself
    return "on";
  };

  const WORDS = {
    off: () => ["Sound: off", "turn it on"],
    on: () => [context?.state === "running" ? "Sound: on" : "Sound: waits for a touch", "mute it for ten minutes"],
    muted: () => [`Sound: muted until ${new Date(Number(kept())).toTimeString().slice(0, 5)}`, "turn it off"],
  };
  const show = () => {
    const [stands, act] = WORDS[state()]();
    for (const button of document.querySelectorAll("[data-sound]")) {
      if (button.textContent !== `${stands}: ${act}`) {
        const more = Object.assign(document.createElement("span"), { className: "vh", textContent: `: ${act}` });
        button.replaceChildren(stands, more);
      }
      button.hidden = false;
    }
  };

  // Browsers let a page sound only after a touch; each touch is taken as leave to.
  const wake = async () => {
    if (state() === "off") return;
    context ??= new AudioContext();
    if (context.state === "suspended") await context.resume();
    show();
  };
  const ring = (tones) => {
    if (state() !== "on" || context?.state !== "running") return;
    tones.forEach((hertz, n) => {
      const start = context.currentTime + n * 0.25;
      const tone = context.createOscillator();
      const loudness = context.createGain();
      tone.frequency.value = hertz;
      loudness.gain.setValueAtTime(0, start);
      loudness.gain.linearRampToValueAtTime(0.3, start + 0.02);
      loudness.gain.linearRampToValueAtTime(0, start + 0.2);
      tone.connect(loudness).connect(context.destination);
      tone.start(start);
      tone.stop(start + 0.22);
    });
  };

  document.addEventListener("click", (event) => {
    if (!event.target.closest?.("[data-sound]")) return;
    const next = { off: "on", on: String(Date.now() + MUTE_MS), muted: "" }[state()];
    keep(next);
    show();
    if (next === "on") wake().then(() => ring(TONES.high)); // so that the person hears what it is like
  });
  for (const touch of ["pointerup", "keyup"]) {
    document.addEventListener(touch, () => { if (context?.state !== "running") wake(); });
  }

  const unseen = () => {
    const told = panes.querySelector("[data-waiting]")?.dataset.waiting;
    return Object.values(JSON.parse(told || "{}")).some(([, priority, alarm]) => alarm && priority === "high");
  };
  document.addEventListener("waiting", (event) => {
    show();
    const came = event.detail.map(([, priority]) => priority);
    const loudest = ["high", "medium"].find((priority) => came.includes(priority));
    if (!loudest) return;
    if (loudest === "high") rang = performance.now();
    ring(TONES[loudest]);
  });
  setInterval(() => {
    show();
    if (performance.now() - rang < AGAIN_MS || !unseen()) return;
    rang = performance.now();
    ring(TONES.high);
  }, 1000);
  wake();
  show();
})();
