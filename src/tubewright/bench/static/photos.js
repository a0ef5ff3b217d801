// Photographs: a place to drop them, what is too large told before it is sent, and progress without reloading.
// Everything on these pages works without this file.
"use strict";

for (const form of document.querySelectorAll("form[data-photos]")) {
  const input = form.querySelector("input[type=file]");
  const drop = form.querySelector("[data-drop]");
  const list = form.querySelector("[data-chosen]");
  const wrong = form.querySelector("#photos-large");
  const mib = 2 ** 20;
  form.querySelector(".drop-words").hidden = false;

  const told = () => {
    const files = [...input.files];
    list.replaceChildren(
      ...files.map((file) => {
        const line = document.createElement("li");
        line.textContent = `${file.name}, ${(file.size / mib).toFixed(1)} MiB`;
        return line;
      }),
    );
    list.hidden = !files.length;
    const { mostFiles, mostMib, mostTotalMib } = form.dataset;
    const large = files.filter((file) => file.size > mostMib * mib).map((file) => file.name);
    const empty = files.filter((file) => !file.size).map((file) => file.name);
    let words = "";
    if (files.length > mostFiles) words = `These are ${files.length} photographs; send at most ${mostFiles} at once.`;
    else if (large.length) words = `${large.join(", ")}: more than ${mostMib} MiB. Send the phone's JPEG or HEIC.`;
    else if (empty.length) words = `${empty.join(", ")}: the file is empty.`;
    else if (files.reduce((sum, file) => sum + file.size, 0) > mostTotalMib * mib)
      words = `Together these have more than ${mostTotalMib} MiB; send fewer at once.`;
    wrong.textContent = words;
    wrong.hidden = !words;
    return !words;
  };

  input.addEventListener("change", told);
  form.addEventListener("submit", (event) => {
    if (told()) return;
    event.preventDefault();
    event.stopPropagation();
    input.focus();
  });

  const carries = (event) => [...(event.dataTransfer?.types ?? [])].includes("Files");
  let over = 0;
  for (const [name, step] of [["dragenter", 1], ["dragleave", -1]]) {
    drop.addEventListener(name, (event) => {
      if (!carries(event)) return;
      over = Math.max(0, over + step);
      drop.classList.toggle("over", over > 0);
    });
  }
  // Missing the field by a little must not make the browser leave the page for the photograph.
  document.addEventListener("dragover", (event) => carries(event) && event.preventDefault());
  document.addEventListener("drop", (event) => {
    if (!carries(event)) return;
    event.preventDefault();
    over = 0;
    drop.classList.remove("over");
    if (!event.dataTransfer.files.length) return;
    input.files = event.dataTransfer.files;
    told();
  });
}

for (const section of document.querySelectorAll("[data-measuring]")) {
  const bar = section.querySelector("progress");
  const step = section.querySelector("#step");
  let missed = 0;
  const ask = async () => {
    try {
      const answer = await fetch(section.dataset.measuring, { cache: "no-store" });
      if (!answer.ok) throw new Error(String(answer.status));
      const now = await answer.json();
      missed = 0;
      if (now.over) {
        location.replace(location.pathname);
        return;
      }
      bar.value = now.percent;
      const words = `${now.words.charAt(0).toUpperCase()}${now.words.slice(1)}.`;
      if (step.textContent !== words) step.textContent = words;
    } catch {
      missed += 1;
      if (missed > 3) step.textContent = "The bench doesn't answer: it may have been stopped.";
    }
    setTimeout(ask, missed > 3 ? 5000 : 700);
  };
  setTimeout(ask, 400);
}
