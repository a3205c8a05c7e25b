// What is typed into a deed's form and not sent is kept on the server for its author alone, and offered again where it
// was typed. No badge, PIN or password is ever kept; what was recorded is forgotten, and what is refused for good.
"use strict";

(() => {
  const PAUSE_MS = 800;
  const NEVER = ["hidden", "password", "submit", "button", "reset", "file", "image"];
  const PROVES = /^(badge|pin)/;
  const place = document.querySelector("[data-drafts]");
  const token = document.querySelector("[name=csrfmiddlewaretoken]")?.value;
  const inside = (url) => url.pathname + url.search; // of which hold a form is, stands in the query
  const here = inside(location);
  const forms = new Map();
  for (const form of document.querySelectorAll("main form[method=post]")) {
    if (!form.querySelector("[name=deed]")) continue;
    const path = inside(new URL(form.getAttribute("action") ?? location.href, location.href));
    if (!forms.has(path)) forms.set(path, { form, path, timer: null, typed: false, sending: null });
  }
  if (!place || !token || !forms.size) return;

  const controls = (form) => [...form.elements].filter(
    (each) => each.name && !NEVER.includes(each.type) && !PROVES.test(each.name));
  const ticked = (each) => each.type === "radio" || each.type === "checkbox";

  const fieldsOf = (form) => {
    const fields = {};
    for (const each of controls(form)) {
      if (ticked(each) ? each.checked : each.value) (fields[each.name] ??= []).push(each.value);
    }
    return fields;
  };

  const shown = (each) => each.innerText.replace(/\s+/g, " ").trim(); // a choice not made isn't in it

  const keep = (said, signal) => {
    const body = new URLSearchParams({ author: place.dataset.author, page: here, ...said });
    const asked = { method: "POST", body, headers: { "X-CSRFToken": token }, redirect: "manual", keepalive: true };
    return fetch(place.dataset.drafts, { ...asked, signal }).catch(() => {});
  };

  const send = (one, fields) => {
    clearTimeout(one.timer);
    one.timer = null;
    one.sending?.abort();
    one.sending = new AbortController();
    const acts = [...one.form.elements].filter((each) => each.type === "submit");
    const h1 = document.querySelector("h1");
    const heading = h1 ? shown(h1) : document.title;
    const title = acts.length === 1 ? `${heading}: ${shown(acts[0])}` : heading;
    return keep({ form: one.path, title, fields: JSON.stringify(fields) }, one.sending.signal);
  };
  const flush = () => [...forms.values()].filter((one) => one.timer !== null)
    .map((one) => send(one, fieldsOf(one.form)));

  for (const one of forms.values()) {
    const named = Object.assign(document.createElement("input"), { type: "hidden", name: "draft", value: one.path });
    one.form.append(named); // what is sent and done is forgotten by the server
    one.form.addEventListener("input", (event) => {
      if (!controls(one.form).includes(event.target)) return;
      clearTimeout(one.timer);
      one.timer = setTimeout(() => send(one, fieldsOf(one.form)), PAUSE_MS);
    });
    one.form.addEventListener("submit", () => {
      clearTimeout(one.timer);
      one.timer = null;
      one.sending?.abort();
    });
  }
  window.addEventListener("pagehide", flush);
  const who = document.querySelector("form.who"); // a change of person waits until the words are kept
  who?.addEventListener("submit", (event) => {
    const waiting = flush();
    if (!waiting.length) return;
    event.preventDefault();
    Promise.race([Promise.all(waiting), new Promise((go) => { setTimeout(go, 2000); })]).then(() => who.submit());
  });

  const putBack = (one, fields) => {
    for (const each of controls(one.form)) {
      const values = fields[each.name] ?? [];
      if (ticked(each)) each.checked = values.includes(each.value);
      else if (values.length) each.value = values[0];
    }
    one.form.closest("details")?.setAttribute("open", "");
    controls(one.form)[0]?.focus();
  };

  const offer = (one, draft) => {
    const notice = place.content.firstElementChild.cloneNode(true);
    notice.querySelector("time").textContent = draft.kept_at;
    notice.querySelector("[data-put-back]").addEventListener("click", () => {
      putBack(one, draft.fields);
      notice.remove();
    });
    notice.querySelector("[data-let-go]").addEventListener("click", () => {
      send(one, {});
      notice.remove();
    });
    one.form.before(notice);
    one.form.closest("details")?.setAttribute("open", "");
  };

  const asked = new URLSearchParams({ page: here });
  fetch(`${place.dataset.drafts}?${asked}`, { redirect: "manual" })
    .then((answer) => (answer.ok ? answer.json() : { drafts: [] }))
    .then(({ drafts }) => {
      for (const draft of drafts) {
        const one = forms.get(draft.form);
        if (!one) keep({ form: draft.form, title: "", fields: "{}" }); // the page takes it no longer
        const same = one && JSON.stringify(fieldsOf(one.form)) === JSON.stringify(draft.fields);
        if (one && !same) offer(one, draft);
      }
    })
    .catch(() => {});
})();
