// Forms marked data-outbox are sent without leaving the page. What can't be sent waits on this phone under a key of
// its own and is sent when the connection is back; the bench stores it once, however often it comes.
"use strict";

(() => {
  const box = document.getElementById("waits");
  if (!box) return;
  const kept = window.tubewright;
  const line = box.querySelector("[data-line]");
  const list = box.querySelector("[data-items]");
  const KEY = "once_key", WAITED = "once_waited_s", TOKEN = "form_token";
  let usable = false;
  let stored = 0; // since this page was opened
  kept.usable().then((yes) => {
    usable = yes;
    if (!yes) say("This browser keeps nothing for later: if the connection fails, what you typed must be sent again.");
  });

  const say = (words) => {
    line.textContent = words;
    box.hidden = false;
  };

  // --- what waits, as the page shows it

  const clock = (ms) => new Date(ms).toTimeString().slice(0, 5);

  const button = (words, about, done) => {
    const made = document.createElement("button");
    made.className = "low";
    made.type = "button";
    made.textContent = words;
    const heard = document.createElement("span");
    heard.className = "only-heard";
    heard.textContent = ` ${about}`;
    made.append(heard);
    made.addEventListener("click", done);
    return made;
  };

  const show = async (words = "") => {
    const items = (await kept.all("outbox")).sort((a, b) => a.at - b.at);
    list.replaceChildren(
      ...items.map((item) => {
        const row = document.createElement("li");
        const about = `${item.what}, ${clock(item.at)}`;
        row.textContent = item.refused ? `${about}: ${item.refused}` : about;
        if (item.refused) {
          const acts = document.createElement("div");
          acts.className = "acts";
          if (!item.late) acts.append(button("Look at it", about, () => open(item)));
          acts.append(button("Throw it away", about, () => kept.remove("outbox", item.key).then(() => show())));
          row.append(acts);
        }
        return row;
      }),
    );
    const waiting = items.filter((item) => !item.refused).length;
    const refused = items.length - waiting;
    const told = [words];
    if (stored) told.push(`Sent and stored: ${stored}.`);
    if (waiting) told.push(`Waits on this phone: ${waiting}. It is sent when the bench answers; leave this page open.`);
    if (refused) told.push(`Not taken by the bench: ${refused}.`);
    const text = told.filter(Boolean).join(" ");
    if (line.textContent !== text) line.textContent = text;
    box.hidden = !text;
  };

  // --- sending

  const fields = (body, changes) => {
    const out = new URLSearchParams(body);
    for (const [name, value] of Object.entries(changes)) out.set(name, value);
    return out;
  };

  const post = (to, body) =>
    fetch(to, {
      method: "POST",
      body,
      headers: { "Content-Type": "application/x-www-form-urlencoded" },
      signal: AbortSignal.timeout(kept.PATIENCE_MS),
    });

  // Sends a form, with a fresh token if the one it had is of a bench that was started anew since.
  const send = async (to, body) => {
    let answer = await post(to, body);
    if (answer.status === 403) {
      const fresh = await kept.token(true);
      if (fresh !== body.get(TOKEN)) answer = await post(to, fields(body, { [TOKEN]: fresh }));
    }
    if (answer.status === 401) throw new kept.Unpaired();
    if (answer.status === 429 || answer.status === 408 || answer.status >= 500) throw new Error(String(answer.status));
    return answer;
  };

  // As a form of the page: the bench answers with its own page, where what is wrong stands at its field.
  const open = async (item) => {
    const body = fields(item.body, { [TOKEN]: await kept.token(true).catch(() => ""), [WAITED]: waited(item) });
    await kept.remove("outbox", item.key);
    plainly(item.to, body);
  };

  const plainly = (to, body) => {
    const form = document.createElement("form");
    form.method = "post";
    form.action = to;
    form.hidden = true;
    for (const [name, value] of body) {
      const field = document.createElement("input");
      field.type = "hidden";
      field.name = name;
      field.value = value;
      form.append(field);
    }
    document.body.append(form);
    form.submit();
  };

  const waited = (item) => Math.max(0, (Date.now() - item.at) / 1000).toFixed(1);

  const sendAll = async () => {
    if (!usable) return false;
    const items = (await kept.all("outbox")).sort((a, b) => a.at - b.at);
    let first = true;
    try {
      for (const item of items) {
        if (item.refused) continue;
        if (item.mostS && Number(waited(item)) > item.mostS) {
          // What was ticked then says nothing of how things stand now.
          await kept.put("outbox", { ...item, late: true, refused: "too late to count; confirm it afresh" });
          continue;
        }
        const body = fields(item.body, { [TOKEN]: await kept.token(first), [WAITED]: waited(item) });
        first = false;
        const answer = await send(item.to, body);
        if (answer.ok) {
          await kept.remove("outbox", item.key);
          stored += 1;
        } else await kept.put("outbox", { ...item, refused: "look at it" });
      }
    } catch (trouble) {
      if (trouble instanceof kept.Unpaired) {
        await show("This phone is no longer paired: pair it again under the same address, and what waits is sent.");
        return true;
      }
    }
    await show();
    return (await kept.all("outbox")).some((item) => !item.refused);
  };
  const soon = kept.again(sendAll);

  // --- forms of the page

  // Says whether it is safe on this phone now.
  const keep = async (form, to, body, at) => {
    if (!usable) return false;
    const name = document.title.split(" · ").slice(1, -1).join(" · ");
    const what = [form.dataset.outbox, name].filter(Boolean).join(", ");
    const mostS = Number(form.dataset.outboxS) || 0;
    await kept.put("outbox", { key: body.get(KEY), to, body: body.toString(), at, what, mostS, refused: "" });
    await show();
    setTimeout(soon, 1500);
    return true;
  };

  // A key for each sending, before any other script reads the form.
  document.addEventListener(
    "submit",
    (event) => {
      const form = event.target;
      if (!form.matches("[data-outbox]")) return;
      for (const [name, value] of [[KEY, kept.newKey()], [WAITED, "0"]]) {
        let field = form.querySelector(`:scope > input[name=${name}]`);
        if (!field) {
          field = document.createElement("input");
          field.type = "hidden";
          field.name = name;
          form.prepend(field);
        }
        field.value = value;
      }
    },
    true,
  );

  document.addEventListener("submit", async (event) => {
    const form = event.target;
    if (!form.matches("[data-outbox]") || event.defaultPrevented || !usable) return;
    if (form.enctype === "multipart/form-data") return; // files have a way of their own
    event.preventDefault();
    const at = Date.now();
    const to = event.submitter?.hasAttribute("formaction") ? event.submitter.formAction : form.action;
    const body = new URLSearchParams(new FormData(form, event.submitter));
    form.setAttribute("aria-busy", "true");
    try {
      const answer = await send(to, body);
      // Nothing of a refused form was stored: sent as a form, it shows the page that says why.
      if (!answer.ok) plainly(to, body);
      else if (answer.redirected) location.assign(answer.url);
      else plainly(to, body);
    } catch (trouble) {
      // Where a button leads elsewhere (to be judged at once), what was typed waits for the form's own address.
      await keep(form, form.action, body, at);
      if (trouble instanceof kept.Unpaired) sendAll();
      form.reset();
      delete form.dataset.sent;
    } finally {
      form.removeAttribute("aria-busy");
    }
  });

  kept.outbox = { keep };
  if (list) kept.usable().then((yes) => yes && show().then(soon));
})();
