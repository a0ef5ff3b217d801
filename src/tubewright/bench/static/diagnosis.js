// The diagnosis without a new page at each touch. Everything here works without this file, too.
"use strict";

(() => {
  const live = document.getElementById("live");
  const line = document.querySelector("[data-shift]");
  if (!live || !line) return;
  document.documentElement.classList.add("with-script");

  // What is focused, and where on the screen it stands, so that both can be as they were.
  const place = () => {
    const at = document.activeElement;
    return at && live.contains(at) ? { id: at.id, top: at.getBoundingClientRect().top } : null;
  };

  const openFolds = () =>
    new Set([...live.querySelectorAll("details[open]")].map((fold) => fold.closest("[id]")?.id + fold.querySelector("summary").textContent.replace(/[\d%]/g, "")));

  const swap = (text, kept) => {
    const fresh = new DOMParser().parseFromString(text, "text/html");
    const part = fresh.getElementById("live");
    if (!part) return false;
    const folds = openFolds();
    live.replaceChildren(...part.childNodes);
    for (const fold of live.querySelectorAll("details")) {
      if (folds.has(fold.closest("[id]")?.id + fold.querySelector("summary").textContent.replace(/[\d%]/g, ""))) fold.open = true;
    }
    for (const name of [".done", ".wrong[role=alert]"]) {
      document.querySelector(`#content > ${name}`)?.remove();
      const said = fresh.querySelector(`#content > ${name}`);
      if (said) document.getElementById("content").prepend(said);
    }
    const shift = fresh.querySelector("[data-shift]");
    if (shift) line.replaceChildren(...shift.childNodes);
    if (kept) {
      const again = (kept.id && document.getElementById(kept.id)) || document.getElementById(kept.otherwise || "now");
      if (again) {
        again.focus({ preventScroll: true });
        if (again.id === kept.id) window.scrollBy({ top: again.getBoundingClientRect().top - kept.top, behavior: "instant" });
        else again.scrollIntoView({ block: "start" });
      }
    }
    return true;
  };

  const leave = (to) => {
    window.location.href = to;
  };

  const send = async (form, body, kept) => {
    live.setAttribute("aria-busy", "true");
    try {
      const get = form.method === "get";
      const address = get ? `${form.action}?${body}` : form.action;
      const answer = await fetch(address, get ? {} : { method: "POST", body, headers: { "Content-Type": "application/x-www-form-urlencoded" } });
      const text = await answer.text();
      // A guard or a fault has its own page, with what was typed still in it.
      if (!answer.ok || !swap(text, kept)) {
        if (get) leave(answer.url);
        else resend(form, body);
      } else if (get) history.replaceState(null, "", answer.url);
      return answer.ok;
    } catch {
      // A phone keeps it until the bench answers.
      const kept = form.method === "post" && body.has("once_key") && (await window.tubewright?.outbox?.keep(form, form.action, body, Date.now()));
      if (!kept) line.textContent = "The bench does not answer; nothing was stored. Try again.";
      return false;
    } finally {
      live.removeAttribute("aria-busy");
    }
  };

  // Nothing of a refused form was stored: sent once more, it shows the page that says why.
  const resend = (form, body) => {
    const plain = document.createElement("form");
    plain.method = "post";
    plain.action = form.action;
    plain.hidden = true;
    for (const [name, value] of body) {
      const field = document.createElement("input");
      field.type = "hidden";
      field.name = name;
      field.value = value;
      plain.append(field);
    }
    document.body.append(plain);
    plain.submit();
  };

  // Marks go one after the other, each with what the page last knew of it; the page is drawn anew after the last.
  let waiting = [];
  let sending = false;
  const sendMarks = async () => {
    if (sending) return;
    sending = true;
    while (waiting.length) {
      const { form, name, was, now } = waiting.shift();
      const body = new URLSearchParams();
      for (const field of form.querySelectorAll(":scope > input[type=hidden]")) body.append(field.name, field.value);
      body.append(`was_${name}`, was);
      body.append(`is_${name}`, now);
      const outbox = window.tubewright?.outbox;
      if (outbox) body.set("once_key", window.tubewright.newKey());
      const last = waiting.length === 0;
      if (!last) await fetch(form.action, { method: "POST", body, redirect: "manual" }).catch(() => outbox?.keep(form, form.action, body, Date.now()));
      else await send(form, body, place());
    }
    sending = false;
  };

  live.addEventListener("change", (event) => {
    const form = event.target.closest("form[data-marks]");
    const box = event.target.closest("[data-mark]");
    if (!form || !box || event.target.type !== "radio") return;
    const held = box.querySelector("input[type=hidden]");
    waiting.push({ form, name: box.dataset.mark, was: held.value, now: event.target.value });
    held.value = event.target.value;
    sendMarks();
  });

  live.addEventListener("submit", (event) => {
    const form = event.target.closest("form[data-live]");
    if (!form || event.defaultPrevented) return;
    event.preventDefault();
    const body = new URLSearchParams(new FormData(form, event.submitter));
    const kept = place() || { id: "", top: 0 };
    if (form.closest("#next")) kept.otherwise = "next";
    if (/\/tests\//.test(form.action)) Object.assign(kept, { id: "", otherwise: "now" });
    if (form.method === "get") kept.id = "q";
    send(form, body, kept);
  });
})();
