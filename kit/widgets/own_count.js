// Count a run yourself: the bench plays it, one tap a turn, a watch that runs from the first tap to the last. What the gate
// counted is not on this page until the count is kept. bench_motion.js and bench_drawing.js play the run.

const FILMS = [[1, "real time"], [0.5, "film at half speed"], [0.25, "film at quarter speed"]];
const QUIET_MS = 10000;

function render({ model, el }) {
  const undo = [], watch = watcher(model, undo), get = (name) => model.get(name), told = get("_setup");
  const doubles = (view) => numbersIn(view, Float64Array), unique = `count-${Math.random().toString(36).slice(2)}`;
  let play = null, rate = 1, frame = 0, waiting = 0, taps = [], flash = 0;

  const stage = makeStage(told.drawing), lamp = makeLamp();
  const choice = make("select", { "aria-label": told.label, onchange: () => stage.show(setting()) },
    ...told.values.map((value) => make("option", { value, selected: value === told.reference }, String(value))));
  const setting = () => ({ value: Number(choice.value), tilt_deg: 0, dry_hub: false });
  const films = FILMS.map(([value, words]) => {
    const radio = make("input", { type: "radio", name: unique, checked: value === 1, onchange: () => setRate(value) });
    return make("label", { class: "bench-choice" }, radio, words);
  });
  const push = make("button", { type: "button", class: "bench-button bench-push", onclick: () => pushNow() }, "Give it a push");
  const stop = make("button", { type: "button", class: "bench-button", onclick: () => { if (play) finish(); } }, "I have stopped counting");
  const pad = make("button", { type: "button", class: "tap-pad count-pad" }, make("strong", {}, "Tap once a turn"), make("span", {}, "press the space bar, or touch here"));
  const shown = ["turns counted", "your watch"].map((words) => ({ value: make("strong", {}, "–"), name: make("span", {}, words) }));
  const status = make("div", { class: "kit-say", role: "status", "aria-live": "polite" });
  const turns = make("input", { type: "number", min: 1, step: 1, class: "bench-number" });
  const keep = make("button", { type: "button", class: "bench-button bench-keep", onclick: () => send() }, "Keep it and show what the gate logged");
  const again = make("button", { type: "button", class: "bench-button", onclick: () => { forget(); say("Thrown away. Give it another push."); push.focus(); } }, "Throw it away");
  const keepRow = make("div", { class: "bench-row" }, make("label", { class: "bench-choice" }, "turns I counted: ", turns), keep, again);
  el.classList.add("kit-box", "kit-bench", "kit-count", "kit-tap");
  el.setAttribute("role", "group");
  el.setAttribute("aria-label", "Count a run yourself (a simulation)");
  el.append(make("p", { class: "bench-simulated" }, told.simulated),
    make("div", { class: "bench-main" },
      make("div", { class: "bench-left" }, stage.root),
      make("div", { class: "bench-right" },
        make("div", { class: "bench-row" }, make("label", { class: "bench-choice" }, `${told.label}: `, choice), push, stop),
        make("div", { class: "bench-row", role: "radiogroup", "aria-label": "How fast it is shown" }, ...films),
        pad,
        make("div", { class: "bench-readouts" }, ...shown.map(({ value, name }) => make("div", {}, name, value))),
        status, keepRow)));

  const say = (text, refused = false) => { status.textContent = text; status.classList.toggle("kit-problem", refused); };
  const seconds = () => (taps.length > 1 ? taps.at(-1) - taps[0] : 0);
  const clock = (now) => Math.min(play.base + ((now - play.mark) / 1000) * rate, play.spin.end_s);
  function setRate(value) {
    if (play) [play.base, play.mark] = [clock(performance.now()), performance.now()];
    rate = value;
  }
  function showAll() {
    const busy = Boolean(play || waiting), counted = !play && taps.length > 0;
    push.setAttribute("aria-disabled", String(busy)); // not disabled: the keyboard's focus would be lost
    push.textContent = busy ? "It is turning …" : "Give it a push";
    stop.setAttribute("aria-disabled", String(!play));
    choice.disabled = busy;
    keepRow.hidden = !counted;
    const running = play && taps.length ? clock(performance.now()) - taps[0] : seconds();
    shown[0].value.textContent = taps.length ? String(taps.length - 1) : "–";
    shown[1].value.textContent = taps.length ? `${running.toFixed(2)} s` : "–";
  }

  // ---- the run ----------------------------------------------------------------------------------------------------
  function pushNow() {
    if (play || waiting) return say("It is still turning. Count it, or say that you have stopped.");
    if (taps.length) return say("Your last count is not kept yet. Keep it or throw it away first.", true);
    waiting = setTimeout(() => { waiting = 0; showAll(); say("Nothing answers. Run the notebook's cells again, then push again.", true); }, QUIET_MS);
    model.send({ push: Number(choice.value) });
    showAll();
    pad.focus();
  }
  function start() {
    const spin = get("_spin");
    clearTimeout(waiting);
    waiting = 0;
    taps = [];
    play = { spin: { ...spin, angles: doubles(spin.angles), speeds: doubles(spin.speeds), passes: doubles(spin.passes) }, base: 0, mark: performance.now(), seen: 0 };
    lamp.off();
    stage.show({ ...setting(), value: spin.value });
    stage.push(true);
    say("Pushed. As soon as your eye can follow it: tap once each time the mark comes round.");
    showAll();
    frame = requestAnimationFrame(function step(now) {
      if (!play) return;
      const { spin: run } = play, time = Math.max(clock(now), 0), seen = countUntil(run.passes, time);
      if (seen > play.seen) lamp.pass(now);
      play.seen = seen;
      const { angle, speed } = motionAt(run, time);
      stage.turn(angle - run.first_turns, smearOf(speed * rate));
      stage.light(lamp.lit(now));
      stage.push(time < run.push_s);
      showAll();
      if (time >= run.end_s) finish();
      else frame = requestAnimationFrame(step);
    });
  }
  function finish() {
    play = null;
    cancelAnimationFrame(frame);
    lamp.off();
    stage.light(false);
    stage.push(false);
    turns.value = Math.max(taps.length - 1, 0) || "";
    if (taps.length) put({ counted: { number: get("_spin").number, taps_s: taps } });
    showAll();
    if (!taps.length) return say("It was not counted: there was no tap.");
    said();
    turns.focus();
  }
  const said = () => say(taps.length === 2
    ? `Your watch shows ${seconds().toFixed(2)} s from start to stop. How many turns did you count?`
    : `You counted ${taps.length - 1} turns in ${seconds().toFixed(2)} s. Is that your count? You can change the number before you keep it.`);
  const put = (values) => { for (const [name, value] of Object.entries(values)) model.set(name, value); model.save_changes(); };
  const forget = () => { taps = []; put({ counted: {} }); showAll(); };
  const send = () => model.send({ keep: { turns: turns.value === "" ? null : Number(turns.value) } });

  // ---- taps -------------------------------------------------------------------------------------------------------
  function tap(time) {
    if (!play) return say(taps.length ? "Keep this count or throw it away first." : "It stands still. Give it a push first.");
    const at = clock(time);
    if (at < play.spin.push_s) return say("Wait until the hand has let go.");
    taps.push(at);
    pad.classList.add("tap-now");
    clearTimeout(flash);
    flash = setTimeout(() => pad.classList.remove("tap-now"), 100);
    showAll();
  }
  const typing = (e) => e.target.closest("input, select, .bench-button");
  const isTap = (e) => e.key === " " || (e.key === "Enter" && e.target === pad);
  const keydown = (e) => {
    if (e.ctrlKey || e.metaKey || e.altKey) return;
    e.stopPropagation(); // keys meant for the widget must not also move or delete the notebook's cells
    if (!isTap(e) || typing(e)) return;
    e.preventDefault();
    if (!e.repeat) tap(e.timeStamp);
  };
  const keyup = (e) => { if (isTap(e) && !typing(e)) e.preventDefault(); }; // else the button is clicked as well
  let pointed = 0;
  el.addEventListener("keydown", keydown);
  el.addEventListener("keyup", keyup);
  pad.addEventListener("pointerdown", (e) => {
    if (e.button !== 0) return;
    pointed = e.timeStamp;
    tap(e.timeStamp);
  });
  pad.addEventListener("click", (e) => { if (e.timeStamp - pointed > 1500 && e.detail === 0) tap(e.timeStamp); }); // an assistive device

  watch("_spin", start);
  watch("counted", () => { // kept, or thrown away on another view
    if (play || get("counted").taps_s?.length || !taps.length) return;
    const going = keepRow.contains(document.activeElement);
    taps = [];
    status.textContent = "";
    showAll();
    if (going) push.focus({ preventScroll: true });
  });
  undo.push(() => cancelAnimationFrame(frame), () => clearTimeout(waiting), () => clearTimeout(flash), () => { play = null; });
  stage.turn(0.62, 0);
  stage.show(setting());
  if (get("counted").taps_s?.length) { // the page was opened again before the count was kept
    taps = [...get("counted").taps_s];
    turns.value = taps.length - 1;
    said();
  }
  showAll();
  return () => undo.forEach((f) => f());
}

export default { render };
