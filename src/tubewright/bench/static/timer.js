// The clock of the next reading. Without this file the page says the time of day; with it, it counts down,
// says when it is time, and makes a sound or vibrates only if somebody asks for it. The time itself comes
// from the job, so nothing is lost by leaving or loading the page again.
"use strict";

const MINUTE = 60_000;
// Said aloud when so many minutes are left; the seconds are only shown.
const SAID_AT = [30, 10, 5, 1];

function spoken(minutes) {
  if (minutes < 1) return "less than a minute";
  if (minutes < 90) return `${minutes} minute${minutes === 1 ? "" : "s"}`;
  const hours = Math.round(minutes / 6) / 10;
  return `${hours} hours`;
}

function shown(left) {
  const seconds = Math.max(0, Math.ceil(left / 1000));
  const pad = (n) => String(n).padStart(2, "0");
  const h = Math.floor(seconds / 3600);
  return `${h ? `${h}:` : ""}${h ? pad(Math.floor(seconds / 60) % 60) : Math.floor(seconds / 60)}:${pad(seconds % 60)}`;
}

// What this device was asked to do when it is time; kept here and nowhere else.
const wishes = {
  get: (name) => {
    try {
      return localStorage.getItem(`tubewright-clock-${name}`) === "yes";
    } catch {
      return false;
    }
  },
  set: (name, on) => {
    try {
      localStorage.setItem(`tubewright-clock-${name}`, on ? "yes" : "no");
    } catch {
      // A browser that keeps nothing asks again on the next page.
    }
  },
};

let sounding = null;
function wakeSound() {
  // A browser lets a page sound only once somebody has touched it.
  sounding ??= new AudioContext();
  sounding.resume();
}

function beep() {
  if (!sounding || sounding.state !== "running") return;
  for (const number of [0, 1, 2]) {
    const from = sounding.currentTime + 0.35 * number;
    const tone = sounding.createOscillator();
    const volume = sounding.createGain();
    tone.frequency.value = 880;
    volume.gain.setValueAtTime(0, from);
    volume.gain.linearRampToValueAtTime(0.25, from + 0.02);
    volume.gain.linearRampToValueAtTime(0, from + 0.2);
    tone.connect(volume).connect(sounding.destination);
    tone.start(from);
    tone.stop(from + 0.22);
  }
}

function switchOf(button, name, turnedOn) {
  const paint = (on) => button.setAttribute("aria-pressed", on ? "true" : "false");
  paint(wishes.get(name));
  button.addEventListener("click", () => {
    const on = button.getAttribute("aria-pressed") !== "true";
    paint(on);
    wishes.set(name, on);
    if (on) turnedOn();
  });
}

for (const clock of document.querySelectorAll("[data-clock]")) {
  const find = (name) => clock.querySelector(`[data-clock-${name}]`);
  const due = Date.parse(clock.dataset.due);
  // The bench's clock counts: a phone's may be wrong by minutes.
  const ahead = Date.now() - Date.parse(clock.dataset.now);
  const now = () => Date.now() - ahead;
  const left = find("left");
  const says = find("said");
  const before = document.title;
  let rung = due - now() <= 0;
  let lastSaid = null;

  find("asks").hidden = false;
  const sound = find("sound");
  switchOf(sound, "sound", wakeSound);
  if (wishes.get("sound")) {
    for (const touch of ["pointerdown", "keydown"]) document.addEventListener(touch, wakeSound, { once: true });
  }
  const shake = find("shake");
  if ("vibrate" in navigator) {
    shake.hidden = false;
    switchOf(shake, "shake", () => navigator.vibrate(60));
  }

  const tick = () => {
    const ms = due - now();
    left.hidden = false;
    if (ms > 0) {
      left.textContent = shown(ms);
      const minutes = Math.ceil(ms / MINUTE);
      const mark = SAID_AT.find((one) => minutes === one);
      if (mark !== undefined && mark !== lastSaid) {
        lastSaid = mark;
        says.textContent = `${clock.dataset.what} in ${spoken(mark)}.`;
      }
      document.title = `${shown(ms)} · ${before}`;
    } else {
      left.textContent = "It is time";
      document.title = `It is time · ${before}`;
      if (lastSaid !== 0) {
        lastSaid = 0;
        says.textContent = `It is time: ${clock.dataset.what.toLowerCase()}.`;
      }
      if (!rung) {
        rung = true;
        clock.dataset.rung = "yes";
        if (sound.getAttribute("aria-pressed") === "true") beep();
        if (shake.getAttribute("aria-pressed") === "true") navigator.vibrate([300, 150, 300, 150, 300]);
      }
    }
  };
  tick();
  setInterval(tick, 1000);
  // A phone that slept wakes with the right time at once.
  document.addEventListener("visibilitychange", () => document.hidden || tick());
}
