// Clicks heard by this machine's microphone: found while it listens, in the audio thread, and timed by the audio clock.
// The sound itself stays here. Python gets one line a click, as from a gate.

const METER_S = 2; // the meter tells of the last two seconds
const WAKES_S = 0.25; // a microphone that is being switched on crackles: its first sounds are no clicks
const LOUD = 0.97, QUIET_DB = -50; // of full scale: nearly cut off; hardly there

// How loud it is: the words beside the meter. `peak`: the largest sample of the last seconds, as a part of full scale.
function levelWords(peak) {
  if (peak >= LOUD) return "too loud: move the microphone away";
  return peak < 10 ** (QUIET_DB / 20) ? "too quiet: bring the microphone closer" : "fine";
}

// What runs in the audio thread; ClickFinder's own text is put before it.
const CLICK_WORKLET = `class KitClicks extends AudioWorkletProcessor {
  constructor({ processorOptions: { settings, keep } }) {
    super();
    Object.assign(this, { finder: new ClickFinder(settings), keep, batch: [], size: 0, heard: false, first: null, open: true });
    this.port.onmessage = () => {
      if (this.open) this.pass(true);
      this.open = false;
    };
  }
  process([[sound]]) {
    if (!this.open) return false;
    if (!sound) return true;
    this.first ??= currentFrame;
    const lost = currentFrame - this.first - this.finder.frames - this.size;
    if (lost > 0) { // not heard at all: its time still counts
      this.batch.push(new Float32Array(lost));
      this.size += lost;
    }
    this.batch.push(sound.slice());
    this.size += sound.length;
    if (this.size >= 2048) this.pass(false);
    return true;
  }
  pass(last) {
    const sound = new Float32Array(this.size);
    let at = 0, peak = 0;
    for (const part of this.batch) {
      sound.set(part, at);
      at += part.length;
    }
    let lost = 0; // a machine that is too busy hears nothing: exact zeros
    for (const x of sound) {
      peak = Math.max(peak, Math.abs(x));
      if (x === 0 && this.heard) lost += 1;
    }
    this.heard ||= peak > 0;
    [this.batch, this.size] = [[], 0];
    const clicks = this.finder.push(sound);
    if (last) clicks.push(...this.finder.finish());
    this.port.postMessage({ clicks: clicks.filter(([s]) => s > ${WAKES_S}), peak, last, lost, sound: this.keep ? sound : null });
  }
}
registerProcessor("kit-clicks", KitClicks);`;

// 16-bit WAV of one channel.
function wavOf(parts, rate) {
  const n = parts.reduce((sum, part) => sum + part.length, 0), view = new DataView(new ArrayBuffer(44 + 2 * n));
  const text = (at, words) => [...words].forEach((c, i) => view.setUint8(at + i, c.charCodeAt(0)));
  text(0, "RIFF");
  text(8, "WAVEfmt ");
  text(36, "data");
  [[4, 36 + 2 * n], [16, 16], [24, rate], [28, 2 * rate], [40, 2 * n]].forEach(([at, value]) => view.setUint32(at, value, true));
  [[20, 1], [22, 1], [32, 2], [34, 16]].forEach(([at, value]) => view.setUint16(at, value, true));
  let at = 44;
  for (const part of parts) for (const x of part) {
    view.setInt16(at, Math.max(-32768, Math.min(32767, Math.round(x * 32768))), true);
    at += 2;
  }
  return view.buffer;
}

function render({ model, el }) {
  const undo = [];
  const devices = navigator.mediaDevices;
  const { said, say, button } = pagePanel(el, "A card that is struck once a turn clicks once a turn. Your browser asks whether this page may listen. The sound is searched for clicks here in the page, and then it is gone: only the times of the clicks go to Python.");
  const go = button("Let it listen", () => start(), "kit-page-go");
  const halt = button("End this run now", () => stop("stopped"));
  const keep = make("input", { type: "checkbox" });
  const level = make("meter", { class: "mic-level", min: -70, max: 0, low: QUIET_DB, high: -1, optimum: -20, value: -70, "aria-label": "Loudness (decibels below full scale)" });
  const words = make("span", { class: "mic-words" }, "–");
  const count = make("strong", {}, "0");
  const link = pageLink(model, undo, "microphone", () => show(), (refusal) => {
    close();
    if (refusal) say(refusal, true);
    else say(["The run is over, and its clicks are on the disk.", parts.length ? "The sound is still in this page. Download it if you want it; it goes with the next run." : ""]);
    buttons();
  });
  const save = button("Download the sound", () => download());
  el.append(make("div", { class: "kit-page-row" }, go, halt, make("label", { class: "mic-keep" }, keep, " Keep the sound too, for me to download")),
    make("div", { class: "kit-page-row" }, make("span", {}, "Loudness: "), level, words, make("span", {}, "Clicks: ", count), save), said);
  let context = null, stream = null, node = null, parts = [], peaks = [], clicks = 0, rate = 0, opening = false, lost = 0, noted = false;
  function buttons() {
    [go.hidden, halt.hidden] = [link.on, !link.on];
    go.disabled = !devices || opening || link.on || link.ending;
    halt.disabled = !link.on;
    keep.disabled = link.on;
    save.hidden = !parts.length || link.on;
  }
  function show() {
    const told = linkWords(link, "It listens. Give it a push; the run ends by itself when no click has come for a while.");
    if (told) say(...told);
    buttons();
  }
  async function start() {
    opening = true;
    buttons();
    try {
      // what makes speech clear would blunt clicks
      stream = await devices.getUserMedia({ audio: { echoCancellation: false, noiseSuppression: false, autoGainControl: false } });
      context = new AudioContext();
      const settings = model.get("settings")[String(context.sampleRate)];
      if (!settings) throw new Error(`its ${context.sampleRate} samples a second are none of the usual numbers`);
      const address = URL.createObjectURL(new Blob([`${ClickFinder}\n${CLICK_WORKLET}`], { type: "text/javascript" }));
      await context.audioWorklet.addModule(address).finally(() => URL.revokeObjectURL(address));
      [parts, peaks, clicks, lost, noted, rate] = [[], [], 0, 0, false, context.sampleRate];
      node = new AudioWorkletNode(context, "kit-clicks", { numberOfOutputs: 0, channelCount: 1, channelCountMode: "explicit", processorOptions: { settings, keep: keep.checked } });
      node.port.onmessage = ({ data }) => take(data);
      link.begin();
      link.print(`# clicks by a microphone, ${rate} samples a second; unit us`);
      context.createMediaStreamSource(stream).connect(node);
      stream.getAudioTracks()[0].addEventListener("ended", () => stop("unplugged"));
    } catch (error) {
      close();
      if (error.name === "NotAllowedError") say(["You said no, so nothing is heard.", OTHER_WAYS]);
      else if (error.name === "NotFoundError") say(["There is no microphone here.", OTHER_WAYS]);
      else say([`The microphone can't be used (${error.message}).`, OTHER_WAYS], true);
    } finally {
      opening = false;
      buttons();
    }
  }
  function take({ clicks: found, peak, last, sound, lost: gone }) {
    lost += gone;
    if (lost > 0.05 * rate && !noted) {
      noted = true;
      link.note("For a moment nothing at all was heard: the machine was too busy, or the microphone was off. Clicks may be missing.");
    }
    if (sound) parts.push(sound);
    for (const [s] of found) {
      const us = Math.round(1e6 * s);
      if (us >= 0) link.print(String(us));
    }
    clicks += found.length;
    count.textContent = String(clicks);
    peaks.push([performance.now(), peak]);
    peaks = peaks.filter(([at]) => at > performance.now() - 1000 * METER_S);
    const loudest = Math.max(...peaks.map(([, p]) => p));
    level.value = Math.max(-70, 20 * Math.log10(loudest + 1e-9));
    words.textContent = levelWords(loudest);
    if (last) {
      link.end(ended);
      close();
      buttons();
    }
  }
  let ended = "stopped";
  function stop(why) { // the audio thread first gives what it still has
    if (!node) return;
    ended = why;
    node.port.postMessage("stop");
    const stopped = node; // if it does not answer; by then the next run may be on
    setTimeout(() => { if (node === stopped && link.on) { link.end(why); close(); } }, 1500);
  }
  function close() {
    stream?.getTracks().forEach((track) => track.stop());
    context?.close().catch(() => {});
    stream = context = node = null;
  }
  function download() {
    const a = make("a", { download: "clicks.wav", href: URL.createObjectURL(new Blob([wavOf(parts, rate)], { type: "audio/wav" })) });
    a.click();
    setTimeout(() => URL.revokeObjectURL(a.href), 10000);
  }
  undo.push(close);
  const able = devices?.getUserMedia && window.AudioWorkletNode ? "yes" : "A browser lets a page listen only with https, or on this machine itself.";
  if (able !== "yes") say([able, OTHER_WAYS], true);
  model.send({ able });
  if (link.recover()) say("A run from before is still on this page. It goes to Python now.");
  buttons();
  return () => undo.forEach((f) => f());
}

export default { render };
