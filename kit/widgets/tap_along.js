// Tapping along: one tap a turn, by the space bar or the button. The times are those of the browser's own events; they
// stay here, and in this tab's memory, until Python says that they are saved. tap_along.py judges and saves.

const KEEP_QUIET_MS = 4000; // Python answers sooner than this, or it is not there
const BEATS = 22;
const FLASH_MS = 130;

function render({ model, el }) {
  const undo = [], watch = watcher(model, undo);
  const get = (name) => model.get(name);
  const store = `kit-${get("_key")}`; // in this tab only
  const put = (values) => {
    for (const [name, value] of Object.entries(values)) model.set(name, value);
    try {
      model.save_changes();
    } catch { /* the kernel is gone; what counts stays on the page */ }
  };
  const timeOf = (e) => performance.timeOrigin + e.timeStamp; // goes on when the page is loaded anew
  let taps = [...get("taps_ms")], practice = null, frame = 0, asked = null, waiting = 0, sure = 0, byHand = 0;

  // ---- the parts of the page ------------------------------------------------------------------------------------
  const said = make("div", { class: "kit-say", role: "status", "aria-live": "polite" });
  const say = (sentences, problem = false) => {
    said.classList.toggle("kit-problem", problem);
    said.replaceChildren(...[sentences].flat().filter(Boolean).map((text) => make("p", {}, text)));
  };
  const button = (words, onclick, extra = "") => make("button", { type: "button", class: `jupyter-button ${extra}`, onclick }, words);
  const pad = make("button", { type: "button", class: "tap-pad" }, make("strong", {}, "Tap once a turn"),
    make("span", {}, "press the space bar, or touch here"));
  const dot = make("div", { class: "tap-dot", "aria-hidden": "true" });
  const stage = make("div", { class: "tap-stage" }, dot);
  stage.hidden = true;
  const undoOne = button("Take back the last tap", () => takeBack());
  const clear = button("Start over", () => startOver());
  const save = button("Save this run", () => ask(), "mod-active");
  const load = button("Download the taps", () => download());
  const beat = make("select", { "aria-label": "The dot blinks every" },
    ...[0.6, 0.8, 1, 1.5, 2].map((s) => make("option", { value: 1000 * s, selected: s === 1 }, `${s} s`)));
  const practise = button("Practise with a blinking dot", () => (practice ? endPractice() : startPractice()));
  const choices = get("_choices");
  const choice = make("select", { onchange: () => put({ choice: Number(choice.value) }) },
    ...choices.map((words, i) => make("option", { value: i, selected: i === get("choice") }, words)));
  const note = make("input", { type: "text", class: "tap-note", value: get("note"), onchange: () => put({ note: note.value }) });
  const cells = make("div", { class: "live-numbers", "aria-hidden": "true" });
  const canvas = make("canvas", { class: "live-canvas tap-canvas", role: "img" });
  const numbers = make("table", { class: "kit-table" });
  el.classList.add("kit-tap", "kit-box", "kit-live");
  el.setAttribute("role", "group");
  el.setAttribute("aria-label", "Time the turns by tapping along");
  el.append(
    make("div", { class: "tap-row" },
      ...(choices.length ? [make("label", { class: "tap-ask" }, `${get("_label")}: `, choice)] : []),
      make("label", { class: "tap-ask tap-right" }, "The dot blinks every ", beat), practise),
    stage,
    make("div", { class: "tap-main" }, pad, canvas),
    make("details", { class: "kit-details" }, make("summary", {}, "The taps in numbers"), make("div", { class: "kit-scroll", tabindex: 0, role: "region", "aria-label": "The taps in numbers" }, numbers)),
    make("div", { class: "tap-row" }, cells, undoOne, clear),
    said,
    make("div", { class: "tap-row" }, make("label", { class: "tap-ask tap-wide" }, "Note (if anything was odd): ", note), save, load),
  );

  // ---- taps -----------------------------------------------------------------------------------------------------
  function tap(time) {
    pad.classList.add("tap-now");
    clearTimeout(byHand);
    byHand = setTimeout(() => pad.classList.remove("tap-now"), 100);
    if (practice) {
      practice.taps.push(time);
      return;
    }
    taps.push(time);
    if (taps.length === 1) say("Timing has begun. Tap each time the mark comes round, until it stops.");
    changed();
  }
  function takeBack() {
    const list = practice ? practice.taps : taps;
    if (!list.length) return say("There is no tap to take back.");
    list.pop();
    say(`The last tap is taken back. ${list.length} left.`);
    if (!practice) changed();
  }
  function startOver() {
    if (taps.length && Date.now() - sure > 6000) { // nothing goes by one slip of the hand
      sure = Date.now();
      return say(`That throws away ${taps.length} taps. Press “Start over” once more if you mean it.`, true);
    }
    sure = 0;
    taps = [];
    say("Ready. Give it a push, then tap once a turn.");
    changed();
    pad.focus();
  }
  function changed() {
    put({ taps_ms: [...taps] });
    try {
      if (taps.length) sessionStorage.setItem(store, JSON.stringify(taps));
      else sessionStorage.removeItem(store);
    } catch { /* no memory allowed: the page and Python still have them */ }
    show();
  }
  const isTap = (e) => e.key === " " || (e.key === "Enter" && e.target === pad);
  const typing = (e) => e.target.closest("input, select, .jupyter-button");
  const keydown = (e) => {
    if (e.ctrlKey || e.metaKey || e.altKey) return;
    e.stopPropagation(); // keys meant for the widget must not also move or delete the notebook's cells
    if (e.key === "Backspace" && !typing(e)) return takeBack();
    if (!isTap(e) || typing(e)) return;
    e.preventDefault();
    if (!e.repeat) tap(timeOf(e));
  };
  const keyup = (e) => { if (isTap(e) && !typing(e)) e.preventDefault(); }; // else the button is clicked as well
  el.addEventListener("keydown", keydown);
  el.addEventListener("keyup", keyup);
  undo.push(() => el.removeEventListener("keydown", keydown), () => el.removeEventListener("keyup", keyup));
  let pointed = 0;
  pad.addEventListener("pointerdown", (e) => {
    if (e.button !== 0) return;
    pointed = e.timeStamp;
    tap(timeOf(e));
  });
  pad.addEventListener("click", (e) => { // an assistive device clicks without pointer or key
    if (e.timeStamp - pointed > 1500 && e.detail === 0) tap(timeOf(e));
  });

  // ---- practice: a dot that blinks ------------------------------------------------------------------------------
  function startPractice() {
    const beat_ms = Number(beat.value), first = performance.timeOrigin + performance.now() + 1500;
    practice = { beat_ms, first, taps: [] };
    practise.textContent = "Stop practising";
    stage.hidden = false;
    say(`Tap with every blink, ${BEATS} times. Look at the dot.`);
    pad.focus();
    const step = (now) => {
      if (!practice) return;
      const since = performance.timeOrigin + now - first;
      dot.classList.toggle("tap-on", since >= 0 && since % beat_ms < FLASH_MS);
      if (since > (BEATS - 0.5) * beat_ms) endPractice();
      else requestAnimationFrame(step);
    };
    requestAnimationFrame(step);
  }
  function endPractice() {
    const { beat_ms, first, taps: those } = practice;
    practice = null;
    practise.textContent = "Practise with a blinking dot";
    stage.hidden = true;
    dot.classList.remove("tap-on");
    send({ practice: those.map((v) => v - first), beat_ms });
  }

  // ---- to Python and back ---------------------------------------------------------------------------------------
  function send(message) {
    asked = Math.random().toString(36).slice(2);
    clearTimeout(waiting);
    waiting = setTimeout(() => say(["Python does not answer. Your taps are still on this page.",
      "Download them, or start the kernel again, run this cell, and your taps come back."], true), KEEP_QUIET_MS);
    try {
      model.send({ ...message, asked });
    } catch { /* said above, after a while */ }
  }
  const ask = () => send({ save: taps, note: note.value, choice: Number(choice.value || 0) });
  watch("msg:custom", (answer) => {
    if (answer.asked !== asked) return;
    clearTimeout(waiting);
    asked = null;
    say(answer.sentences, answer.problem);
    if (!answer.saved) return;
    taps = [];
    note.value = "";
    changed();
  });
  function download() {
    const rows = taps.map((v) => ((v - taps[0]) / 1000).toFixed(4)).join("\n");
    const link = make("a", { download: "taps.csv", href: URL.createObjectURL(new Blob([`# tapped by hand, once a turn\ntime (s)\n${rows}\n`], { type: "text/csv" })) });
    link.click();
    setTimeout(() => URL.revokeObjectURL(link.href), 10000);
  }

  // ---- what is on the page --------------------------------------------------------------------------------------
  const seconds = (ms) => `${(ms / 1000).toFixed(2)} s`;
  function show() {
    const last = taps.length > 1 ? seconds(taps.at(-1) - taps.at(-2)) : "–", whole = taps.length ? seconds(taps.at(-1) - taps[0]) : "–";
    cells.replaceChildren(...[["taps", String(taps.length)], ["last turn took", last], ["since the first tap", whole]].map(
      ([name, value]) => make("div", { class: "live-number" }, make("small", {}, name), make("strong", {}, value))));
    canvas.setAttribute("aria-label", `Turn period against time. Taps: ${taps.length}. Last turn took: ${last}.`);
    const row = (kind, ...texts) => make("tr", {}, ...texts.map((text) => make(kind, {}, text)));
    numbers.replaceChildren(make("thead", {}, row("th", "time since the first tap (s)", "one turn took (s)")),
      make("tbody", {}, ...taps.slice(1).map((v, i) => row("td", ((v - taps[0]) / 1000).toFixed(2), ((v - taps[i]) / 1000).toFixed(2)))));
    for (const part of [save, load]) part.disabled = taps.length < 2;
    frame ||= requestAnimationFrame(() => {
      frame = 0;
      drawLive(canvas, taps.slice(1).map((v) => (v - taps[0]) / 1000), taps.slice(1).map((v, i) => (v - taps[i]) / 1000), "Each tap makes a point here.");
    });
  }
  followPage([canvas], undo, show);
  undo.push(() => cancelAnimationFrame(frame), () => [waiting, byHand].forEach(clearTimeout), () => { practice = null; });
  if (!taps.length) {
    try {
      taps = JSON.parse(sessionStorage.getItem(store) ?? "[]");
    } catch { taps = []; }
    if (taps.length) {
      changed();
      say(`${taps.length} taps from before are here again. Save them, or start over.`);
    }
  }
  show();
  return () => undo.forEach((f) => f());
}

export default { render };
