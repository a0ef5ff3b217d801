// SHA-256 (FIPS 180-4), piece by piece. Browsers have it too, but not on plain HTTP.
"use strict";

window.tubewright.Sha256 = (() => {
  // The first 32 bits of the fractions of the cube and square roots of the first primes (sections 4.2.2 and 5.3.3).
  const primes = [];
  for (let n = 2; primes.length < 64; n += 1) if (primes.every((p) => n % p)) primes.push(n);
  const root = (value, degree) => {
    // Whole numbers, as floating point has too few digits: the largest r with r**degree <= value * 2**(32 * degree).
    const target = BigInt(value) << BigInt(32 * degree);
    let low = 0n, high = 1n << 40n;
    while (low < high) {
      const mid = (low + high + 1n) >> 1n;
      if (mid ** BigInt(degree) <= target) low = mid;
      else high = mid - 1n;
    }
    return Number(low & 0xffffffffn);
  };
  const K = Uint32Array.from(primes, (p) => root(p, 3));
  const START = Uint32Array.from(primes.slice(0, 8), (p) => root(p, 2));

  return class {
    constructor() {
      this.state = START.slice();
      this.words = new Uint32Array(64);
      this.rest = new Uint8Array(64);
      this.held = 0;
      this.length = 0;
    }

    update(bytes) {
      this.length += bytes.length;
      let at = 0;
      while (at < bytes.length) {
        const take = Math.min(64 - this.held, bytes.length - at);
        this.rest.set(bytes.subarray(at, at + take), this.held);
        this.held += take;
        at += take;
        if (this.held === 64) {
          this.block();
          this.held = 0;
        }
      }
      return this;
    }

    block() {
      const w = this.words, bytes = this.rest;
      for (let i = 0; i < 16; i += 1)
        w[i] = (bytes[4 * i] << 24) | (bytes[4 * i + 1] << 16) | (bytes[4 * i + 2] << 8) | bytes[4 * i + 3];
      for (let i = 16; i < 64; i += 1) {
        const x = w[i - 15], y = w[i - 2];
        const s0 = ((x >>> 7) | (x << 25)) ^ ((x >>> 18) | (x << 14)) ^ (x >>> 3);
        const s1 = ((y >>> 17) | (y << 15)) ^ ((y >>> 19) | (y << 13)) ^ (y >>> 10);
        w[i] = w[i - 16] + s0 + w[i - 7] + s1;
      }
      let [a, b, c, d, e, f, g, h] = this.state;
      for (let i = 0; i < 64; i += 1) {
        const s1 = ((e >>> 6) | (e << 26)) ^ ((e >>> 11) | (e << 21)) ^ ((e >>> 25) | (e << 7));
        const t1 = (h + s1 + ((e & f) ^ (~e & g)) + K[i] + w[i]) | 0;
        const s0 = ((a >>> 2) | (a << 30)) ^ ((a >>> 13) | (a << 19)) ^ ((a >>> 22) | (a << 10));
        const t2 = (s0 + ((a & b) ^ (a & c) ^ (b & c))) | 0;
        h = g;
        g = f;
        f = e;
        e = (d + t1) | 0;
        d = c;
        c = b;
        b = a;
        a = (t1 + t2) | 0;
      }
      [a, b, c, d, e, f, g, h].forEach((value, i) => { this.state[i] += value; });
    }

    hex() {
      const length = this.length;
      const tail = new Uint8Array(((this.held + 8) >> 6 << 6) + 64 - this.held);
      tail[0] = 0x80;
      const view = new DataView(tail.buffer);
      view.setUint32(tail.length - 8, Math.floor(length / 2 ** 29));
      view.setUint32(tail.length - 4, (length * 8) >>> 0);
      this.update(tail);
      return [...this.state].map((word) => word.toString(16).padStart(8, "0")).join("");
    }
  };
})();
