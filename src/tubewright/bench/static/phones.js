// The code counts down by itself, and the page says when it was used. Without this file it is drawn anew now and then.
"use strict";

const box = document.getElementById("code-now");
const left = document.getElementById("left");
if (box && left) {
  let until = Date.now() + 1000 * Number(box.dataset.left);
  const tell = () => {
    const s = Math.max(0, Math.round((until - Date.now()) / 1000));
    left.textContent = `It counts once, for ${Math.floor(s / 60)} min ${s % 60} s more.`;
  };
  const ask = async () => {
    try {
      const now = await (await fetch("/phones/now", { cache: "no-store" })).json();
      if (String(now.number) !== box.dataset.number || !now.left_s || now.used_by !== null) {
        location.reload();
        return;
      }
      until = Date.now() + 1000 * now.left_s;
    } catch {
      left.textContent = "The bench doesn't answer: it may have been stopped.";
    }
    setTimeout(ask, 2000);
  };
  setInterval(tell, 1000);
  setTimeout(ask, 1500);
}
