// Clicks in sound while it is heard: the same detector as kit/sound/clicks.py, one piece of sound after another. A band's
// power is followed (its analytic signal, by a filter with that module's shape); a click is a moment at which it rises
// most, and exceeds the noise around it by a factor. All numbers come from Python (`click_settings`).

class ClickFinder {
  // settings: { rate, fewer, reach, low, high, factor, quartile, least, min_gap_s, echo_dB, fall_dB_per_s, piece }
  constructor(settings) {
    Object.assign(this, settings);
    this.half = Math.ceil(0.01 * this.rate); // the filter has died away by then
    [this.re, this.im] = this.taps();
    this.sound = new Float32Array(1 << 15); // what the filter still needs: from sample `from` on, `held` of them
    this.from = -this.half;
    this.held = this.half; // silence before the beginning
    this.frames = 0;
    this.power = []; // of moments `powerFrom` on, one in `fewer` samples
    this.after = []; // mean power of the next few, from moment `afterFrom` on
    this.powerFrom = this.afterFrom = 0;
    this.noise = []; // of each piece so far
    this.heard = false; // whether there was anything but silence
    this.next = this.reach + 1; // the moment to judge next
    this.kept = null; // the last click: it may still give way to a stronger one
  }

  // The band's filter at the places −half … half: flat, with quarter-wave edges an eighth of the band wide.
  taps() {
    const n = 2048, step = (this.high - this.low) / n, re = [], im = [];
    const gain = Array.from({ length: n }, (_, i) => {
      const f = (i + 0.5) / n;
      return Math.sin((Math.PI / 2) * Math.min(1, 8 * Math.min(f, 1 - f))) * Math.SQRT2 * (step / this.rate);
    });
    for (let k = -this.half; k <= this.half; k++) {
      let a = 0, b = 0, c = Math.cos((2 * Math.PI * (this.low + step / 2) * k) / this.rate), s = Math.sin((2 * Math.PI * (this.low + step / 2) * k) / this.rate);
      const turnC = Math.cos((2 * Math.PI * step * k) / this.rate), turnS = Math.sin((2 * Math.PI * step * k) / this.rate);
      for (let i = 0; i < n; i++) {
        a += gain[i] * c;
        b += gain[i] * s;
        [c, s] = [c * turnC - s * turnS, s * turnC + c * turnS];
      }
      re.push(a);
      im.push(b);
    }
    return [Float64Array.from(re), Float64Array.from(im)];
  }

  // Take the next samples; returns the clicks that are certain now, each [s since the first sample, dB over the noise].
  push(samples) {
    this.take(samples);
    this.frames += samples.length;
    return this.judge(false);
  }

  // No sound follows: the clicks that were still open.
  finish() {
    const moments = Math.ceil(this.frames / this.fewer);
    this.take(new Float32Array(this.half + (this.reach + 1) * this.fewer));
    this.after.length = Math.min(this.after.length, moments - this.afterFrom);
    return this.judge(true);
  }

  take(samples) {
    if (this.held + samples.length > this.sound.length) {
      const wider = new Float32Array(2 * (this.held + samples.length));
      wider.set(this.sound.subarray(0, this.held));
      this.sound = wider;
    }
    this.sound.set(samples, this.held);
    this.held += samples.length;
    const { sound, half, fewer, reach, re, im, power, after } = this, width = 2 * half + 1;
    for (;;) { // the sound of moment m stands around its sample m · fewer
      const at = (this.powerFrom + power.length) * fewer - half - this.from;
      if (at + width > this.held) break;
      let a = 0, b = 0;
      for (let k = 0; k < width; k++) {
        const x = sound[at + width - 1 - k];
        a += x * re[k];
        b += x * im[k];
      }
      power.push(a * a + b * b);
    }
    while (this.afterFrom + after.length + reach <= this.powerFrom + power.length) {
      const at = this.afterFrom + after.length - this.powerFrom;
      let sum = 0;
      for (let k = at; k < at + reach; k++) sum += power[k];
      after.push(sum / reach);
    }
    const done = Math.min((this.powerFrom + power.length) * fewer - half - this.from, this.held);
    if (done > 1 << 13) {
      sound.copyWithin(0, done, this.held);
      this.from += done;
      this.held -= done;
      const old = this.afterFrom + after.length - this.powerFrom;
      this.power.splice(0, old);
      this.powerFrom += old;
    }
  }

  // The noise of a piece, from the lower quartile of its powers: clicks do not reach it.
  piecesDone(last) {
    for (;;) {
      const start = this.noise.length * this.piece - this.afterFrom, stop = Math.min(start + this.piece, this.after.length);
      if (stop <= start || (stop < start + this.piece && !last)) return;
      if (this.noise.length && stop - start < this.piece / 2) { // too short to tell, where the sound is cut off
        this.noise.push(this.noise.at(-1));
        continue;
      }
      const sorted = Float64Array.from(this.after.slice(start, stop)).sort(), quartile = sorted[Math.floor(sorted.length / 4)];
      // digital silence tells nothing of the noise: the piece before stands for it, at the beginning the first one heard
      if (quartile > this.least) {
        if (!this.heard) this.noise.fill(Math.max(quartile / this.quartile, this.least));
        this.heard = true;
        this.noise.push(Math.max(quartile / this.quartile, this.least));
      } else this.noise.push(this.heard ? this.noise.at(-1) : this.least);
    }
  }

  noiseAt(moment, last) { // between the middles of two pieces; null: not known yet
    if (!this.heard && !last) return null;
    const place = moment / this.piece - 0.5, low = Math.floor(place);
    if (place < 0) return this.noise.length ? this.noise[0] : null;
    if (low + 1 < this.noise.length) return this.noise[low] + (place - low) * (this.noise[low + 1] - this.noise[low]);
    return last && this.noise.length ? this.noise.at(-1) : null;
  }

  judge(last) {
    const found = [], a = (i) => this.after[i - this.afterFrom], rise = (i) => a(i) - a(i - this.reach);
    this.piecesDone(last);
    const end = this.afterFrom + this.after.length - 1;
    for (; this.next < end; this.next++) {
      const i = this.next, noise = this.noiseAt(i, last);
      if (noise === null) break;
      const before = rise(i - 1), at = rise(i), behind = rise(i + 1);
      if (at < before || at <= behind || a(i) <= this.factor * noise) continue;
      const vertex = (before - behind) / (2 * (before - 2 * at + behind)), gap_s = this.kept ? ((i - this.kept.i) * this.fewer) / this.rate : Infinity;
      const click = { i, at, s: ((i + vertex) * this.fewer) / this.rate, dB: 10 * Math.log10(a(i) / noise) };
      if (gap_s < this.min_gap_s) {
        if (at > this.kept.at) this.kept = { ...click, told: this.kept.told };
      } else if (!(this.kept && at < this.kept.at * 10 ** ((this.echo_dB - this.fall_dB_per_s * gap_s) / 10))) {
        this.tell(found);
        this.kept = click;
      }
    }
    if (this.kept && (last || ((this.next - this.kept.i) * this.fewer) / this.rate > this.min_gap_s)) this.tell(found);
    const old = Math.min(this.next - this.reach - 2, this.noise.length * this.piece) - this.afterFrom;
    if (old > 4096) {
      this.after.splice(0, old);
      this.afterFrom += old;
    }
    return found;
  }

  tell(found) {
    if (this.kept && !this.kept.told) found.push([this.kept.s, this.kept.dB]);
    if (this.kept) this.kept.told = true;
  }
}
