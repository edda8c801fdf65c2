// A mark that passes a field of the camera's picture, or of a film: the field's brightness, frame by frame, with the
// picture's own times. The picture stays in this page; Python gets one number a frame.

const TELL_MS = 250; // frames go to Python this often, together

// The mean brightness of a square of the picture, 0 … 255. `field`: { x, y, size } of its middle, parts of the picture.
function brightnessOf(video, field, pen) {
  const { videoWidth: w, videoHeight: h } = video, side = Math.max(2, Math.round(field.size * w)), n = pen.canvas.width;
  const x = Math.min(Math.max(0, field.x * w - side / 2), w - side), y = Math.min(Math.max(0, field.y * h - side / 2), Math.max(0, h - side));
  pen.drawImage(video, x, y, side, Math.min(side, h), 0, 0, n, n);
  const { data } = pen.getImageData(0, 0, n, n);
  let sum = 0;
  for (let i = 0; i < data.length; i += 4) sum += 0.2126 * data[i] + 0.7152 * data[i + 1] + 0.0722 * data[i + 2];
  return sum / (n * n);
}

function render({ model, el }) {
  const undo = [];
  const devices = navigator.mediaDevices;
  const { said, say, button } = pagePanel(el, "Stick a broad mark on what turns, about a third of a turn, dark on bright or bright on dark. The camera watches one field of the picture. Your browser asks whether this page may use the camera. The picture stays in this page and is not stored: Python gets one number a frame, how bright the field is.");
  const number = (words, value, min, max, step) => {
    const input = make("input", { type: "number", min, max, step, value, oninput: () => place() });
    return [input, make("label", { class: "mic-keep" }, `${words} `, input)];
  };
  const open = button("Open the camera", () => useCamera(), "mod-active");
  const file = make("input", { type: "file", accept: "video/*", onchange: () => useFile() });
  const go = button("Watch the mark", () => start(), "kit-page-go");
  const halt = button("End this run now", () => stop("stopped"));
  const shut = button("Close the camera", () => close());
  const [across, acrossLabel] = number("Field, across (%)", 50, 0, 100, 1), [down, downLabel] = number("down (%)", 50, 0, 100, 1);
  const [wide, wideLabel] = number("size (%)", 20, 2, 60, 1), [slowed, slowedLabel] = number("The film shows it slower by", 1, 1, 64, 1);
  const speed = make("select", {}, ...[[1, "at full speed"], [0.5, "at half speed"], [0.25, "at quarter speed"]].map(([v, words]) => make("option", { value: v }, words)));
  const speedLabel = make("label", { class: "mic-keep" }, "Play it ", speed);
  const video = make("video", { class: "cam-video", playsinline: true, "aria-hidden": "true" });
  video.muted = true;
  const square = make("div", { class: "cam-field", "aria-hidden": "true" });
  const stage = make("div", { class: "cam-stage", onpointerdown: (e) => pick(e) }, video, square);
  const facts = make("p", { class: "cam-facts" });
  const pen = new OffscreenCanvas(32, 32).getContext("2d", { willReadFrequently: true });
  el.append(make("div", { class: "kit-page-row" }, open, make("label", { class: "mic-keep" }, "or a film of your own: ", file), shut), stage,
    make("div", { class: "kit-page-row" }, acrossLabel, downLabel, wideLabel, slowedLabel, speedLabel),
    make("div", { class: "kit-page-row" }, go, halt), facts, said);
  let stream = null, address = "", timer = 0, asked = 0, last = null, waiting = [], times = [], levels = [], missed = 0, presented = 0, useMedia = true;
  const link = pageLink(model, undo, "camera", () => show(), (refusal) => {
    clearInterval(timer);
    if (address) video.pause();
    say(refusal || "The run is over, and its numbers are on the disk.", Boolean(refusal));
    buttons();
  });
  const field = () => ({ x: across.value / 100, y: down.value / 100, size: wide.value / 100 });
  const isFilm = () => Boolean(address), ready = () => Boolean(stream || address);
  function buttons() {
    open.disabled = !devices || link.on || link.ending;
    file.disabled = link.on || link.ending;
    [go.hidden, halt.hidden] = [link.on, !link.on];
    go.disabled = !ready() || link.on || link.ending;
    halt.disabled = !link.on;
    shut.hidden = !stream || link.on;
    stage.hidden = !ready();
    for (const label of [slowedLabel, speedLabel]) label.hidden = !isFilm();
    for (const part of [across, down, wide, slowed]) part.disabled = link.on; // a field that moves would change the levels
  }
  function show() {
    const told = linkWords(link, isFilm() ? "The film is read." : "It watches. Give it a push; the run ends by itself when it rests.");
    if (told) say(...told);
    buttons();
  }
  function place() {
    const { x, y, size } = field(), w = video.clientWidth, h = video.clientHeight, side = size * w;
    Object.assign(square.style, { left: `${Math.min(Math.max(0, x * w - side / 2), w - side)}px`, top: `${Math.min(Math.max(0, y * h - side / 2), Math.max(0, h - side))}px`, width: `${side}px`, height: `${Math.min(side, h)}px` });
  }
  function pick(e) {
    if (link.on) return;
    const box = video.getBoundingClientRect();
    across.value = Math.round((100 * (e.clientX - box.left)) / box.width);
    down.value = Math.round((100 * (e.clientY - box.top)) / box.height);
    place();
  }
  async function useCamera() {
    try {
      const asking = devices.getUserMedia({ video: { facingMode: { ideal: "environment" }, frameRate: { ideal: 60 }, width: { ideal: 640 } } });
      const given = await asking;
      close();
      stream = given;
      stream.getVideoTracks()[0].addEventListener("ended", () => stop("unplugged"));
      video.srcObject = stream;
      await video.play();
      watch();
      say("Place the field where the mark passes: click on the picture, or type. About a fifth of a turn wide is good.");
    } catch (error) {
      if (error.name === "NotAllowedError") say(["You said no, so nothing is seen.", OTHER_WAYS]);
      else if (error.name === "NotFoundError") say(["There is no camera here. A film of your own will do.", OTHER_WAYS]);
      else say([`The camera can't be used (${error.message}).`, OTHER_WAYS], true);
    }
    buttons();
    place();
  }
  async function useFile() {
    if (!file.files.length) return;
    close();
    address = URL.createObjectURL(file.files[0]);
    video.srcObject = null;
    video.src = address;
    try {
      await new Promise((done, fail) => Object.assign(video, { onloadeddata: done, onerror: () => fail(new Error("this browser can't play it")) }));
      say("Place the field where the mark passes, then press “Watch the mark”: the film is played and read.");
    } catch (error) {
      close();
      say([`This film can't be read (${error.message}).`, "Save it as MP4 or WebM and try again.", OTHER_WAYS], true);
    }
    buttons();
    place();
  }
  function watch() {
    video.cancelVideoFrameCallback(asked);
    last = null;
    asked = video.requestVideoFrameCallback(frame);
  }
  function frame(now, { mediaTime, captureTime, presentedFrames }) {
    asked = video.requestVideoFrameCallback(frame);
    if (last && !link.on) useMedia = mediaTime > last.mediaTime; // else the camera's own time, if the browser tells it
    const t = (useMedia || isFilm() ? mediaTime : (captureTime ?? now) / 1000) / (isFilm() ? Number(slowed.value) || 1 : 1);
    const level = brightnessOf(video, field(), pen);
    if (link.on) {
      if (last && presentedFrames > presented + 1) missed += presentedFrames - presented - 1;
      if (!times.length || t > times.at(-1)) {
        times.push(t);
        levels.push(level);
        waiting.push(`${Math.round(1e6 * t)};${level.toFixed(3)}\n`);
      }
    } else if (!last || now - last.now > 200) facts.textContent = `The field's brightness is ${level.toFixed(0)} of 255.`;
    presented = presentedFrames;
    last = { mediaTime, now: !last || now - last.now > 200 ? now : last.now };
  }
  async function start() {
    [waiting, times, levels, missed] = [[], [], [], 0];
    link.clock = () => times.at(-1) ?? 0;
    link.begin();
    link.print(`# brightness of a field of ${isFilm() ? "a film" : "a camera's picture"}, one frame a line`);
    link.print("time (us);brightness");
    timer = setInterval(tell, TELL_MS);
    if (isFilm()) {
      video.currentTime = 0;
      video.playbackRate = Number(speed.value);
      video.onended = () => stop("stopped");
      watch();
      await video.play();
    }
    show();
  }
  function tell() {
    if (waiting.length) link.add(new TextEncoder().encode(waiting.splice(0).join("")));
    const found = passesFromSamples(times.slice(-1800), levels.slice(-1800));
    facts.textContent = found ? `The mark came by ${countOf(found.passes.length, "time", "times")}. ${(1 / found.step).toFixed(0)} frames a second: with this mark, up to ${found.fastest.toFixed(1)} turns a second can be told apart.${missed ? ` ${countOf(missed, "frame", "frames")} dropped.` : ""}`
      : "The mark has not been seen yet: no two clear levels of brightness.";
  }
  function stop(why) {
    if (!link.on) return;
    tell();
    clearInterval(timer);
    link.end(why);
    if (isFilm()) video.pause();
    buttons();
  }
  function close() {
    video.cancelVideoFrameCallback?.(asked);
    stream?.getTracks().forEach((track) => track.stop());
    if (address) URL.revokeObjectURL(address);
    [stream, address] = [null, ""];
    video.srcObject = null;
    video.removeAttribute("src");
    facts.textContent = "";
    buttons();
  }
  undo.push(() => clearInterval(timer), close);
  followPage([video], undo, place);
  const able = !window.isSecureContext ? "A browser lets a page see only with https, or on this machine itself."
    : "requestVideoFrameCallback" in HTMLVideoElement.prototype ? "yes" : "This browser can't tell when a picture was taken. A newer one can.";
  if (able !== "yes") {
    open.disabled = file.disabled = true;
    say([able, OTHER_WAYS], true);
  }
  model.send({ able });
  if (link.recover()) say("A run from before is still on this page. It goes to Python now.");
  buttons();
  return () => undo.forEach((f) => f());
}

export default { render };
