// Small comforts. Everything on these pages works without this file.
"use strict";

// Readings: Enter goes on to the next field, in the order they are read off.
for (const grid of document.querySelectorAll("[data-enter-goes-on]")) {
  const fields = () => [...grid.querySelectorAll("input:not([type=hidden]), select")].filter((f) => !f.disabled);
  grid.addEventListener("keydown", (event) => {
    if (event.key !== "Enter" || event.ctrlKey || event.metaKey || !event.target.matches("input")) return;
    const all = fields();
    const next = all[all.indexOf(event.target) + (event.shiftKey ? -1 : 1)];
    event.preventDefault();
    if (next) {
      next.focus();
      next.select?.();
    } else if (!event.shiftKey && grid.dataset.enterGoesOn) {
      document.querySelector(grid.dataset.enterGoesOn).focus();
    } else if (!event.shiftKey) {
      // After the last field stands the button: one more Enter saves.
      grid.closest("form").querySelector("[data-after-last]").focus();
    }
  });
}

// Ctrl+Enter saves from any field of a form.
document.addEventListener("keydown", (event) => {
  if (event.key === "Enter" && (event.ctrlKey || event.metaKey) && event.target.form) {
    event.preventDefault();
    event.target.form.requestSubmit();
  }
});

// Lists: show what holds every word typed, at once.
for (const box of document.querySelectorAll("[data-narrows]")) {
  const rows = [...document.querySelectorAll(box.dataset.narrows)];
  const words = rows.map((row) => row.textContent.toLowerCase());
  const count = document.getElementById(box.dataset.count);
  box.addEventListener("input", () => {
    const asked = box.value.toLowerCase().split(/\s+/).filter(Boolean);
    let shown = 0;
    rows.forEach((row, i) => {
      const fits = asked.every((word) => words[i].includes(word));
      row.hidden = !fits;
      shown += fits;
    });
    const more = !shown && box.dataset.none ? `; ${box.dataset.none}` : "";
    if (count) count.textContent = asked.length ? `${shown} of ${rows.length} shown${more}` : "";
  });
}

// A second press while the first is under way must not send twice.
document.addEventListener("submit", (event) => {
  const form = event.target;
  if (form.dataset.sent) {
    event.preventDefault();
    return;
  }
  form.dataset.sent = "yes";
  setTimeout(() => delete form.dataset.sent, 4000);
});

// The tab one is on may lie outside a narrow screen.
for (const current of document.querySelectorAll(".tabs [aria-current]")) {
  const row = current.closest(".tabs");
  row.scrollLeft = current.offsetLeft - row.offsetLeft - (row.clientWidth - current.offsetWidth) / 2;
}

// What went wrong is read out and reached first.
document.querySelector("[data-take-focus]")?.focus();
