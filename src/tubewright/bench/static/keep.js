// What a phone keeps for itself until the bench has it: readings and photographs, over reloads and lost connections.
"use strict";

window.tubewright = (() => {
  const PATIENCE_MS = 20000; // a piece of a photograph over a poor connection
  const FIRST_WAIT_MS = 1500, LONGEST_WAIT_MS = 30000;

  const opened = new Promise((resolve, reject) => {
    if (!window.indexedDB) {
      reject(new Error("no storage"));
      return;
    }
    const asked = indexedDB.open("tubewright", 1);
    asked.onupgradeneeded = () => {
      for (const name of ["outbox", "uploads"]) asked.result.createObjectStore(name, { keyPath: "key" });
    };
    asked.onsuccess = () => resolve(asked.result);
    asked.onerror = () => reject(asked.error);
  });
  opened.catch(() => {}); // told where it is needed

  const work = async (name, mode, what) => {
    const base = await opened;
    return new Promise((resolve, reject) => {
      const going = base.transaction(name, mode);
      const asked = what(going.objectStore(name));
      going.oncomplete = () => resolve(asked.result);
      going.onerror = going.onabort = () => reject(going.error);
    });
  };

  // Random keys: crypto.randomUUID and crypto.subtle are missing on plain HTTP, this is not.
  const newKey = () =>
    [...crypto.getRandomValues(new Uint8Array(16))].map((byte) => byte.toString(16).padStart(2, "0")).join("");

  let known = "";
  const token = async (anew) => {
    if (anew || !known) {
      const answer = await fetch("/token", { cache: "no-store", signal: AbortSignal.timeout(PATIENCE_MS) });
      if (answer.status === 401) throw new Unpaired();
      if (!answer.ok) throw new Error(`token: ${answer.status}`);
      known = (await answer.json()).token;
    }
    return known;
  };

  class Unpaired extends Error {}

  // Runs a job again and again until it says that nothing is left; sooner when the connection comes back.
  const again = (job) => {
    let wait = FIRST_WAIT_MS, timer = 0, running = false, asked = false;
    const run = async () => {
      clearTimeout(timer);
      if (running) {
        asked = true;
        return;
      }
      running = true;
      let left = true;
      try {
        left = await job();
      } catch {
        left = true;
      }
      running = false;
      if (asked) {
        asked = false;
        wait = FIRST_WAIT_MS;
        run();
      } else if (left) {
        // A little at random, so that all phones of a shop don't ask at the same moment.
        timer = setTimeout(run, wait * (0.75 + Math.random() / 2));
        wait = Math.min(wait * 2, LONGEST_WAIT_MS);
      } else wait = FIRST_WAIT_MS;
    };
    const soon = () => {
      wait = FIRST_WAIT_MS;
      run();
    };
    addEventListener("online", soon);
    addEventListener("pageshow", soon);
    document.addEventListener("visibilitychange", () => document.hidden || soon());
    return soon;
  };

  return {
    PATIENCE_MS,
    Unpaired,
    usable: () => opened.then(() => true, () => false),
    all: (name) => work(name, "readonly", (store) => store.getAll()),
    get: (name, key) => work(name, "readonly", (store) => store.get(key)),
    put: (name, item) => work(name, "readwrite", (store) => store.put(item)),
    remove: (name, key) => work(name, "readwrite", (store) => store.delete(key)),
    newKey,
    token,
    again,
  };
})();
