// One pattern over the whole window, dot on dot, and nothing else. Without this file
// the page still shows its first picture, scaled, and a click goes to the next.
"use strict";

const page = document.body.dataset;
const stage = document.getElementById("stage");
const notice = document.getElementById("notice");
const veil = document.getElementById("veil");
const links = [...document.querySelectorAll("#patterns a")];
const raster = { width: Number(page.width), height: Number(page.height) };
const NOTICE_MS = 6000;
const DIGITS_MS = 900;
const LEAD_MS = 4000; // before the first flash: time to read the warning and look away

let at = links.findIndex((link) => link.hasAttribute("aria-current"));
let sources = [], pictures = [];
let shown = 0;
let asked = 0;
let stopped = matchMedia("(prefers-reduced-motion: reduce)").matches;
let turning, fading, darkening, digits = "", typing;

// --- size: each dot of the raster a whole number of dots of the screen, or said otherwise

function room() {
  const ratio = window.devicePixelRatio || 1;
  const wide = Math.round(window.innerWidth * ratio), high = Math.round(window.innerHeight * ratio);
  const across = wide / raster.width, down = high / raster.height;
  if (Number.isInteger(across) && Number.isInteger(down)) {
    const said = across > 1 || down > 1 ? `Each dot of the raster is ${across} by ${down} dots of this screen.` : "";
    return { ratio, left: 0, top: 0, width: wide, height: high, across, down, said };
  }
  const shape = Number(page.across) / Number(page.down);
  const width = Math.min(wide, Math.round(high * shape)), height = Math.min(high, Math.round(width / shape));
  const said = `Scaled, not true to the dot: this window has ${wide} by ${high} dots, the raster ${raster.width} by ${raster.height}. `
    + "Set the screen to that, or to a multiple, and press F.";
  return { ratio, left: Math.floor((wide - width) / 2), top: Math.floor((high - height) / 2), width, height, said };
}

// Browsers that scale a picture by other factors across and down miss dots, however they are asked; so we repeat them.
function repeated(picture, across, down) {
  const small = new OffscreenCanvas(raster.width, raster.height).getContext("2d");
  small.drawImage(picture, 0, 0);
  const dots = new Uint32Array(small.getImageData(0, 0, raster.width, raster.height).data.buffer);
  const large = new ImageData(raster.width * across, raster.height * down);
  const out = new Uint32Array(large.data.buffer);
  const row = new Uint32Array(large.width);
  for (let y = 0; y < raster.height; y += 1) {
    for (let x = 0; x < raster.width; x += 1) row.fill(dots[y * raster.width + x], x * across, (x + 1) * across);
    for (let k = 0; k < down; k += 1) out.set(row, (y * down + k) * large.width);
  }
  return large;
}

function place() {
  const { ratio, left, top, width, height, across, down, said } = room();
  sources.forEach((source, number) => {
    const picture = pictures[number];
    picture.width = width;
    picture.height = height;
    const drawn = picture.getContext("2d", { alpha: false });
    drawn.imageSmoothingEnabled = false;
    if (across) drawn.putImageData(repeated(source, across, down), 0, 0);
    else drawn.drawImage(source, 0, 0, width, height);
    picture.style.left = `${left / ratio}px`;
    picture.style.top = `${top / ratio}px`;
    picture.style.width = `${width / ratio}px`;
    picture.style.height = `${height / ratio}px`;
  });
  return said;
}

function resized() {
  const said = place();
  const line = document.getElementById("size");
  if (line.textContent === said) return;
  line.textContent = said;
  if (said) tell();
}

// --- the notice comes, and fades by itself

function tell(stay) {
  notice.classList.remove("away");
  clearTimeout(fading);
  if (!stay) fading = setTimeout(() => { if (!notice.contains(document.activeElement)) hush(); }, NOTICE_MS);
}

function hush() {
  clearTimeout(fading);
  notice.classList.add("away");
  if (notice.contains(document.activeElement)) document.activeElement.blur();
}

// --- stepping stays on one page, as a new page would fall out of the full screen

async function show(number) {
  const link = links[((number % links.length) + links.length) % links.length];
  const mine = ++asked;
  const coming = link.dataset.frames.split(" ").map((address) => Object.assign(new Image(), { src: address }));
  try {
    await Promise.all(coming.map((picture) => picture.decode()));
  } catch {
    document.getElementById("mind").textContent = "This pattern did not come: is the bench still running?";
    tell(true);
    return false;
  }
  if (mine !== asked) return true; // a later key was quicker
  at = links.indexOf(link);
  links.forEach((other) => other.removeAttribute("aria-current"));
  link.setAttribute("aria-current", "page");
  sources = coming;
  pictures = coming.map((_, number) => Object.assign(document.createElement("canvas"), { hidden: number > 0 }));
  pictures[0].setAttribute("role", "img");
  pictures[0].setAttribute("aria-label", link.dataset.says);
  shown = 0;
  document.getElementById("size").textContent = place();
  stage.replaceChildren(...pictures);
  stage.href = links[(at + 1) % links.length].href;
  document.title = `${link.textContent} · Tubewright`;
  history.replaceState(null, "", link.href);
  start();
  for (const near of [at + 1, at - 1 + links.length]) new Image().src = links[near % links.length].dataset.frames.split(" ")[0];
  return true;
}

function start() {
  clearTimeout(turning);
  const link = links[at];
  const mind = document.getElementById("mind");
  const space = stopped ? "It stands still: Space starts it." : "It begins in a few seconds; Space stops it.";
  mind.textContent = link.dataset.mind ? `${link.dataset.mind} ${space}` : "";
  if (link.dataset.mind) tell(); else hush();
  turn(LEAD_MS);
}

function turn(lead) {
  clearTimeout(turning);
  const state = Number(links[at].dataset.stateMs);
  if (stopped || !state || pictures.length < 2 || !veil.hidden) return;
  // One step at a time: a late timer never makes up for itself by flashing faster.
  turning = setTimeout(() => {
    shown = (shown + 1) % pictures.length;
    pictures.forEach((picture, place) => { picture.hidden = place !== shown; });
    turn();
  }, lead ?? state);
}

// --- dark after a while, to spare the phosphor

function awake() {
  clearTimeout(darkening);
  darkening = setTimeout(() => {
    veil.hidden = false;
    clearTimeout(turning);
    hush();
  }, Number(page.darkMs));
  if (veil.hidden) return false;
  veil.hidden = true;
  turn();
  return true;
}

// --- keys and touch

function back() {
  window.location.assign(page.back);
}

let byKey = false;
function fill() {
  if (document.fullscreenElement) {
    byKey = true;
    document.exitFullscreen();
  } else {
    document.documentElement.requestFullscreen?.().catch(() => tell());
  }
}

document.addEventListener("fullscreenchange", () => {
  // The browser takes Escape for itself in a full screen: leaving it so means to go back.
  if (!document.fullscreenElement && !byKey) back();
  byKey = false;
  hush();
});

function typed(digit) {
  clearTimeout(typing);
  digits += digit;
  const go = () => {
    const number = Number(digits);
    digits = "";
    if (number >= 1 && number <= links.length) show(number - 1);
  };
  // A second digit may follow only where there are that many patterns; 05 is 5 at once.
  if (Number(digits) * 10 > links.length || digits.length > 1) go();
  else typing = setTimeout(go, DIGITS_MS);
}

const STEPS = { ArrowRight: 1, ArrowDown: 1, PageDown: 1, ArrowLeft: -1, ArrowUp: -1, PageUp: -1 };

document.addEventListener("keydown", (event) => {
  if (event.ctrlKey || event.altKey || event.metaKey) return;
  if (awake()) {
    event.preventDefault();
    return;
  }
  if ((event.key === "Enter" || event.key === " ") && event.target.closest?.("#notice a, #notice button")) return;
  if (event.key in STEPS) show(at + STEPS[event.key]);
  else if (event.key === "Home") show(0);
  else if (event.key === "End") show(links.length - 1);
  else if (/^[0-9]$/.test(event.key)) typed(event.key);
  else if (event.key === "f" || event.key === "F") { if (!event.repeat) fill(); }
  else if (event.key === "Escape") back();
  else if (event.key === "i" || event.key === "I") { if (notice.classList.contains("away")) tell(true); else hush(); }
  else if (event.key === " ") {
    stopped = !stopped;
    start();
  } else {
    if (event.key === "Tab") tell(true);
    return;
  }
  event.preventDefault();
});

document.addEventListener("click", (event) => {
  const woke = awake();
  if (notice.contains(event.target)) {
    if (event.target.id === "fill") fill();
    return;
  }
  event.preventDefault();
  if (woke) return;
  if (event.detail === 0) return void show(at + 1); // the link was followed by key
  const third = event.clientX / window.innerWidth;
  if (third < 1 / 3) show(at - 1);
  else if (third > 2 / 3) show(at + 1);
  else if (notice.classList.contains("away")) tell(true);
  else hush();
});

document.getElementById("fill").hidden = !document.fullscreenEnabled;
stage.tabIndex = -1;
window.addEventListener("resize", resized);
awake();
show(at).then((came) => { if (came) tell(); });
