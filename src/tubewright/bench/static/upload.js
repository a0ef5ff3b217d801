// Photographs go to the bench piece by piece and go on where they stopped: after a lost connection, after a reload.
// Without this file the same forms send them whole.
"use strict";

(() => {
  const kept = window.tubewright;
  const box = document.getElementById("sending");
  if (!box) return;
  const line = box.querySelector("[data-line]");
  const list = box.querySelector("[data-items]");
  const HASHED_AT_ONCE = 1 << 20;
  const done = []; // of this page: what arrived
  const waiting = new Map(); // of this page: who waits for which group
  let usable = false;
  const ready = kept.usable().then((yes) => { usable = yes; });

  // --- what is under way, as the page shows it

  const show = async (words = "") => {
    const items = await kept.all("uploads");
    const rows = items.map((item) => {
      const row = list.querySelector(`[data-key="${item.key}"]`) ?? document.createElement("li");
      if (!row.dataset.key) {
        row.dataset.key = item.key;
        const name = document.createElement("label");
        const bar = document.createElement("progress");
        bar.max = 100;
        bar.id = `sending-${item.key}`;
        name.htmlFor = bar.id;
        row.append(name, bar);
      }
      const [name, bar] = [row.querySelector("label"), row.querySelector("progress")];
      const percent = Math.floor((100 * item.received) / item.size);
      const text = item.refused ? `${item.name}: ${item.refused}` : `${item.name}, ${percent} %`;
      if (name.textContent !== text) name.textContent = text;
      bar.value = percent;
      bar.hidden = Boolean(item.refused);
      if (item.refused && !row.querySelector("button")) {
        const away = document.createElement("button");
        away.className = "low";
        away.type = "button";
        away.textContent = `Let it go: ${item.name}`;
        away.addEventListener("click", () => kept.remove("uploads", item.key).then(() => show()));
        row.append(away);
      }
      return row;
    });
    list.replaceChildren(...rows);
    const going = items.filter((item) => !item.refused).length;
    const told = [words];
    if (going) told.push(`On the way to the bench: ${going}. Leave this page open.`);
    if (done.length) told.push(`Arrived: ${done.length}.`);
    if (items.length > going) told.push(`Not taken by the bench: ${items.length - going}.`);
    const text = told.filter(Boolean).join(" ");
    if (line.textContent !== text) line.textContent = text;
    const link = box.querySelector("[data-measure]");
    const jobs = [...new Set(done.map((one) => one.job))];
    link.hidden = jobs.length !== 1 || going > 0;
    if (!link.hidden) link.href = `/jobs/${jobs[0]}/measure?${done.map((one) => `photo=${one.photo}`).join("&")}`;
    box.hidden = !text;
  };

  // --- sending

  class Refused extends Error {}

  const ask = async (path, { json, bytes, key } = {}, anew = false) => {
    const headers = { "Tubewright-Token": await kept.token(anew) };
    if (key) headers["Tubewright-Key"] = key;
    const asks = { headers, cache: "no-store", signal: AbortSignal.timeout(kept.PATIENCE_MS) };
    if (json || bytes) {
      asks.method = "POST";
      asks.body = json ? JSON.stringify(json) : bytes;
      headers["Content-Type"] = json ? "application/json" : "application/octet-stream";
    }
    const answer = await fetch(path, asks);
    if (answer.status === 401) throw new kept.Unpaired();
    if (answer.status === 429 || answer.status === 408 || answer.status >= 500) throw new Error(String(answer.status));
    const said = await answer.json().catch(() => ({}));
    if (said.stale && !anew) return ask(path, { json, bytes, key }, true);
    if (said.faults) throw new Refused(said.faults.map((fault) => `${fault.what}. ${fault.mend}`).join(" "));
    if (answer.status === 413) throw new Refused("it is too large");
    if (typeof said.received !== "number") throw new Error(`no sense in the answer: ${answer.status}`);
    return said;
  };

  const hash = async (file) => {
    const sum = new kept.Sha256();
    for (let at = 0; at < file.size; at += HASHED_AT_ONCE)
      sum.update(new Uint8Array(await file.slice(at, at + HASHED_AT_ONCE).arrayBuffer()));
    return sum.hex();
  };

  const sendOne = async (item) => {
    if (!item.sha256) {
      item.sha256 = await hash(item.file);
      await kept.put("uploads", item);
    }
    const { key, job, name, size, sha256 } = item;
    let at = await ask("/uploads", { json: { key, job, name, size, sha256 } });
    let stuck = 0;
    while (at.state === "open") {
      item.received = at.received;
      await kept.put("uploads", item);
      await show();
      if (at.received === size) {
        at = await ask(`/uploads/${at.id}/finish`, { key, json: { stage: item.stage, note: item.note } });
        stuck += 1;
      } else {
        const before = at.received;
        // A copy of its own: a browser that gives the piece up half-way must not keep hold of the file.
        const bytes = await item.file.slice(before, before + at.piece).arrayBuffer();
        at = await ask(`/uploads/${at.id}?offset=${before}`, { key, bytes });
        stuck = at.received === before ? stuck + 1 : 0;
      }
      if (stuck > 3) throw new Error("it does not move");
    }
    if (at.state !== "done") throw new Error("it was dropped, and begins anew");
    if (!at.photo) throw new Refused("the bench could not read it");
    await kept.remove("uploads", key);
    done.push({ job, photo: at.photo, group: item.group });
  };

  const sendAll = async () => {
    await ready;
    if (!usable) return false;
    let words = "";
    for (const item of (await kept.all("uploads")).sort((a, b) => a.at - b.at)) {
      if (item.refused) continue;
      try {
        await sendOne(item);
        await show();
      } catch (trouble) {
        if (trouble instanceof Refused) {
          await kept.put("uploads", { ...item, refused: trouble.message });
          continue;
        }
        const unpaired = trouble instanceof kept.Unpaired;
        words = unpaired ? "This phone is no longer paired: pair it again, and it goes on." : "The bench does not answer; it goes on by itself.";
        break;
      }
    }
    await show(words);
    const items = await kept.all("uploads");
    for (const [group, settled] of waiting)
      if (!items.some((item) => item.group === group && !item.refused)) {
        waiting.delete(group);
        settled(done.filter((one) => one.group === group).map((one) => one.photo), items.some((item) => item.group === group));
      }
    return items.some((item) => !item.refused);
  };
  const soon = kept.again(sendAll);

  // Takes files over for good; the promise comes true once they are safe on this phone.
  const take = async (job, files, { stage = "", note = "" } = {}, settled = null) => {
    const group = kept.newKey();
    if (settled) waiting.set(group, settled);
    let at = Date.now();
    for (const file of files) {
      const key = kept.newKey();
      await kept.put("uploads", {
        key, group, job, name: file.name || "photograph.jpg", size: file.size, file, stage, note, sha256: "", received: 0, at, refused: "",
      });
      at += 1;
    }
    await show();
    soon();
  };

  // --- forms of the page

  // One touch: the camera opens, and what it took is on its way.
  for (const form of document.querySelectorAll("form[data-shoot]")) {
    const input = form.querySelector("input[type=file]");
    input.addEventListener("change", async () => {
      await ready;
      if (!usable || !input.files.length) return;
      await take(Number(form.dataset.shoot), [...input.files], { stage: form.dataset.stage || "" });
      form.reset();
    });
    ready.then(() => {
      if (usable) form.classList.add("by-itself");
    });
  }

  // The whole form: its words go along, and what was to be done then is done when all have arrived.
  for (const form of document.querySelectorAll("form[data-photos][data-pieces]")) {
    form.addEventListener("submit", async (event) => {
      const input = form.querySelector("input[type=file]");
      if (event.defaultPrevented || !usable || !input.files.length) return;
      event.preventDefault();
      const then = event.submitter?.value ?? "keep";
      const job = Number(form.dataset.pieces);
      const words = new FormData(form);
      const given = { stage: String(words.get("stage") ?? ""), note: String(words.get("note") ?? "") };
      await take(job, [...input.files], given, (photos, some) => {
        if (some || !photos.length) return;
        if (then !== "measure") {
          location.assign(`/jobs/${job}/photos?said=photos`);
          return;
        }
        const asks = document.createElement("form");
        asks.method = "post";
        asks.action = `/jobs/${job}/measure`;
        asks.hidden = true;
        const fields = [...words].filter(([name, value]) => typeof value === "string" && name !== "note");
        for (const [name, value] of [...fields, ...photos.map((photo) => ["photo", photo])])
          asks.append(Object.assign(document.createElement("input"), { type: "hidden", name, value }));
        document.body.append(asks);
        asks.submit();
      });
      input.value = "";
      input.dispatchEvent(new Event("change"));
      delete form.dataset.sent;
    });
  }

  ready.then(() => usable && show().then(soon));
})();
