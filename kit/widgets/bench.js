// The bench's page: set it up, push, watch. It plays a run by itself from the motion and the pass times that Python sent
// in one message; until the person asks for something else, nothing goes to Python.

const RATES = [1, 2, 5, 20], TEXT_MS = 125, PLOT_MS = 250, CALM_MS = 500, ANSWER_MS = 10000;
const written = (value) => String(Number(value.toPrecision(4)));

// A soft click, made of a few milliseconds of noise. The context is made when sound is first switched on.
function makeClicker() {
  let audio = null, noise = null, last = -Infinity;
  return {
    start() {
      audio ??= new AudioContext();
      audio.resume();
      if (noise) return;
      noise = audio.createBuffer(1, Math.round(audio.sampleRate * 0.008), audio.sampleRate);
      noise.getChannelData(0).forEach((_, i, data) => { data[i] = (Math.random() * 2 - 1) * Math.exp(-i / (data.length / 5)); });
    },
    click(now) {
      if (!audio || now - last < 60) return; // faster than this it would be a buzz
      last = now;
      const source = audio.createBufferSource(), gain = audio.createGain();
      source.buffer = noise;
      gain.gain.value = 0.06;
      source.connect(gain).connect(audio.destination);
      source.start();
    },
    close: () => audio?.close(),
  };
}

function render({ model, el }) {
  const undo = [], get = (name) => model.get(name), told = get("_setup"), unique = Math.random().toString(36).slice(2);
  const watch = watcher(model, undo), doubles = (view) => numbersIn(view, Float64Array);
  const choose = (name, value) => { model.set(name, value); model.save_changes(); showSetting(); };
  let asked = 0, waiting = 0, rate = 1, play = null, finished = null, timer = 0, frame = 0;
  const ask = (request) => {
    model.set("_asked", [...get("_asked").slice(-19), { ...request, id: `${unique}-${++asked}` }]);
    model.save_changes();
  };

  // ---- setting it up ----------------------------------------------------------------------------------------
  const take = (value) => { problem.textContent = ""; typed.removeAttribute("aria-invalid"); choose("value", value); };
  const problem = make("span", { class: "bench-problem", role: "alert" });
  const typed = make("input", { type: "text", inputmode: "decimal", autocomplete: "off", class: "bench-number", "aria-label": `${told.label}, as a number`,
    onchange: () => {
      const text = typed.value.trim().replace(",", "."), value = text === "" ? NaN : Number(text);
      const fits = value >= 0 && value <= told.top && (!told.whole || Number.isInteger(value));
      if (fits) return take(value);
      problem.textContent = `Type a ${told.whole ? "whole " : ""}number from 0 to ${told.top}.`;
      typed.setAttribute("aria-invalid", "true");
    },
    onkeydown: (e) => { if (e.key === "Enter") typed.dispatchEvent(new Event("change")); } });
  const chips = told.values.map((value) => make("button", { type: "button", class: "bench-chip", onclick: () => take(value) }, written(value)));
  const slider = (name, label, attributes, say, factor = 1) => {
    const shown = make("output", { class: "bench-shown" });
    const input = make("input", { type: "range", "aria-label": label, ...attributes, oninput: () => choose(name, Number(input.value) / factor) });
    return { row: [make("span", { "aria-hidden": "true" }, label), make("span", { class: "bench-slide" }, input, shown)],
      show() { input.value = get(name) * factor; shown.textContent = say(input.value); input.setAttribute("aria-valuetext", say(input.value)); } };
  };
  const strength = slider("strength", "Push", { min: told.weakest * 100, max: 100, step: 5 }, (v) => `${v} %`, 100);
  const tilt = slider("tilt_deg", "Tilt", { min: 0, max: told.max_tilt_deg, step: 0.5 }, (v) => (Number(v) ? `${v}°` : "level"));
  const hubs = [[false, "greased"], [true, "dry"]].map(([dry, text]) => {
    const radio = make("input", { type: "radio", name: `hub-${unique}`, onchange: () => choose("dry_hub", dry) });
    return { dry, radio, label: make("label", { class: "bench-choice" }, radio, text) };
  });
  const chance = [["", "nothing special"], ...told.faults, [told.surprise, "something, or nothing: find out"]];
  const fault = make("select", { class: "bench-fault", "aria-label": "What may go wrong today?", onchange: () => choose("fault", fault.value) },
    ...chance.map(([value, text]) => make("option", { value }, text)));
  const has = (control) => told.controls.includes(control);
  const setting = make("fieldset", { class: "bench-setting" }, make("legend", {}, "Set it up"),
    make("span", { "aria-hidden": "true" }, told.label),
    make("span", { class: "bench-values", role: "group", "aria-label": told.label }, make("span", { class: "bench-chips" }, ...chips), make("span", { "aria-hidden": "true" }, "or"), typed, problem),
    ...strength.row, ...(has("tilt") ? tilt.row : []),
    ...(has("hub") ? [make("span", { "aria-hidden": "true" }, "Hub"), make("span", { role: "radiogroup", "aria-label": "Hub" }, ...hubs.map((h) => h.label))] : []),
    ...(told.faults.length ? [make("span", { class: "bench-ask", "aria-hidden": "true" }, "What may go wrong today?"), fault] : []));

  // ---- running it -------------------------------------------------------------------------------------------
  const stage = makeStage(told.drawing, told.drawn_label, told.controls, told.whole || !told.drawn_label), clicker = makeClicker(), lamp = makeLamp();
  const lampText = make("p", { class: "bench-lamp-text" });
  const pushButton = make("button", { type: "button", class: "bench-button bench-push", onclick: () => pushNow() }, "Give it a push");
  const skip = make("button", { type: "button", class: "bench-button", onclick: () => { if (play) finish(); } }, "Skip to the end");
  const rates = RATES.map((r) => {
    const radio = make("input", { type: "radio", name: `rate-${unique}`, checked: r === 1, onchange: () => setRate(r) });
    return make("label", { class: "bench-choice" }, radio, r === 1 ? "real time" : `${r} ×`);
  });
  const sound = make("input", { type: "checkbox", onchange: () => { if (sound.checked) clicker.start(); caution.hidden = !sound.checked; } });
  const caution = make("small", { hidden: true }, "Keep the volume low, and lower still with headphones.");
  const readouts = ["passes logged", "last turn took", "time since the push"].map((name) => ({ value: make("strong", {}, "–"), name: make("span", {}, name) }));
  const plot = make("canvas", { class: "bench-plot", role: "img", "aria-label": "Plot of how long each turn took: empty until you push." });
  const status = make("div", { class: "kit-say", role: "status", "aria-live": "polite" });
  const noteField = make("input", { type: "text", class: "bench-note", "aria-label": "A note for this run, if you like", placeholder: "a note, if you like", maxlength: 200 });
  const keepRow = make("div", { class: "bench-row", hidden: true },
    ...(told.can_keep ? [make("button", { type: "button", class: "bench-button bench-keep", onclick: () => keep(finished.number, noteField.value) }, "Keep this run"), noteField] : []),
    make("button", { type: "button", class: "bench-button", onclick: () => ask({ do: "log", number: finished.number }) }, "Download the log"));
  const numbers = make("details", { class: "kit-details", hidden: true, ontoggle: () => showNumbers() }, make("summary", {}, "The plot in numbers"), make("div", { class: "kit-scroll bench-list" }));
  const table = make("div", { class: "kit-scroll bench-list", role: "region", "aria-label": "Runs so far", tabindex: 0, hidden: true });
  el.classList.add("kit-box", "kit-bench");
  el.setAttribute("role", "group");
  el.setAttribute("aria-label", "Bench (a simulation)");
  el.append(
    make("p", { class: "bench-simulated" }, told.simulated),
    make("div", { class: "bench-main" },
      make("div", { class: "bench-left" }, stage.root, lampText,
        make("div", { class: "bench-row" }, pushButton, skip),
        make("div", { class: "bench-row" }, make("span", { class: "bench-rates", role: "radiogroup", "aria-label": "Speed of the show" }, ...rates),
          make("label", { class: "bench-choice" }, sound, "click at each pass"), caution)),
      make("div", { class: "bench-right" }, setting,
        make("div", { class: "bench-readouts" }, ...readouts.map(({ value, name }) => make("div", {}, name, value))),
        make("figure", {}, make("figcaption", {}, "How long each turn took (s), as the gate logs it"), plot))),
    status, keepRow, numbers, table,
  );
  keepKeys(el, undo);

  const say = (text, refused = false) => { status.textContent = text; status.classList.toggle("kit-problem", refused); };
  function showSetting() {
    chips.forEach((chip, i) => chip.setAttribute("aria-pressed", String(told.values[i] === get("value"))));
    if (!typed.hasAttribute("aria-invalid") && Number(typed.value.replace(",", ".") || NaN) !== get("value")) typed.value = written(get("value"));
    strength.show();
    tilt.show();
    hubs.forEach((h) => { h.radio.checked = h.dry === get("dry_hub"); });
    fault.value = get("fault");
    if (!play) stage.show({ value: get("value"), tilt_deg: get("tilt_deg"), dry_hub: get("dry_hub") });
  }
  function showButtons() {
    const busy = Boolean(play || waiting);
    pushButton.setAttribute("aria-disabled", String(busy)); // not disabled: the keyboard's focus would be lost
    pushButton.textContent = busy ? "It is turning …" : get("_runs").length ? "Give it another push" : "Give it a push";
    skip.setAttribute("aria-disabled", String(!play));
    keepRow.hidden = numbers.hidden = busy || !finished;
    const row = finished && get("_runs").find((r) => r.number === finished.number);
    if (told.can_keep) keepRow.firstChild.hidden = noteField.hidden = Boolean(row?.kept);
  }
  function pushNow() {
    if (play || waiting) return say("It is still turning. Wait, or skip to the end.");
    if (typed.hasAttribute("aria-invalid")) return typed.focus();
    waiting = setTimeout(() => { waiting = 0; showButtons(); say("Nothing answers. Run the notebook's cells again, then push again.", true); }, ANSWER_MS);
    ask({ do: "push" });
    showButtons();
  }
  const answered = () => { clearTimeout(waiting); waiting = 0; };
  const keep = (number, note) => ask({ do: "keep", number, note });

  // ---- playing a run ----------------------------------------------------------------------------------------
  const calm = matchMedia("(prefers-reduced-motion: reduce)");
  const unpacked = (spin) => ({ ...spin, angles: doubles(spin.angles), speeds: doubles(spin.speeds), passes: doubles(spin.passes), at_gate: doubles(spin.at_gate) });
  const clock = (now) => Math.min(play.base + ((now - play.mark) / 1000) * rate, play.spin.end_s);
  function start() {
    answered();
    play = { spin: unpacked(get("_spin")), base: 0, mark: performance.now(), seen: 0, lit: 0, texts: -Infinity, plots: -Infinity };
    finished = null;
    lamp.off();
    noteField.value = "";
    stage.show(play.spin);
    say(`Run ${play.spin.number}: pushed. It is turning.`);
    showButtons();
    showRuns();
    loop();
  }
  function loop() {
    cancelAnimationFrame(frame);
    clearInterval(timer);
    if (!play) return;
    if (calm.matches) timer = setInterval(() => step(performance.now()), CALM_MS);
    else frame = requestAnimationFrame(function again(now) { step(now); if (play) frame = requestAnimationFrame(again); });
    undo.loop = () => { cancelAnimationFrame(frame); clearInterval(timer); };
  }
  function step(now) {
    const { spin } = play, time = Math.max(clock(now), 0), seen = countUntil(spin.passes, time), lit = countUntil(spin.at_gate, time), passed = lit > play.lit;
    if (passed && sound.checked) clicker.click(now);
    [play.seen, play.lit] = [seen, lit];
    if (calm.matches) stage.light(passed);
    else {
      const { angle, speed } = motionAt(spin, time);
      if (passed) lamp.pass(now);
      stage.turn(angle - spin.first_turns, smearOf(speed * rate));
      stage.light(lamp.lit(now));
    }
    if (calm.matches || now - play.texts >= TEXT_MS) {
      play.texts = now;
      stage.push(time < spin.push_s);
      showReadouts(spin, seen, time);
    }
    if (calm.matches || now - play.plots >= PLOT_MS) {
      play.plots = now;
      drawTurns(plot, spin.passes, seen, time, told.start_period_s);
    }
    if (time >= spin.end_s) finish();
  }
  function finish() {
    const { spin } = play;
    play = null;
    undo.loop?.();
    finished = spin;
    lamp.off();
    showFinished();
    const slow = spin.end_s - spin.passes.at(-1) > 14.9;
    say(`${slow ? "No pass for 15 s: the gate stopped logging." : "It is at rest."} ${spin.outcome}`);
  }
  function showFinished() {
    const spin = finished;
    stage.push(false);
    stage.light(false);
    stage.show(spin);
    stage.turn(motionAt(spin, spin.end_s).angle - spin.first_turns, 0);
    showReadouts(spin, spin.passes.length, spin.end_s);
    drawTurns(plot, spin.passes, spin.passes.length, spin.end_s, told.start_period_s);
    plot.setAttribute("aria-label", `Plot of how long each turn took against the time since the push: the turns get slower. ${spin.outcome}`);
    numbers.open = false;
    showButtons();
    showRuns();
  }
  function setRate(r) {
    if (play) [play.base, play.mark] = [clock(performance.now()), performance.now()];
    rate = r;
  }
  function showReadouts(spin, seen, time) {
    const gap = seen > 1 ? spin.passes[seen - 1] - spin.passes[seen - 2] : NaN;
    readouts[0].value.textContent = seen;
    readouts[1].value.textContent = seen > 1 ? `${gap.toFixed(gap < 1 ? 3 : 2)} s` : "–";
    readouts[2].value.textContent = `${time.toFixed(1)} s`;
    const shown_s = Math.max(gap, time - spin.passes[seen - 1]) / rate, quick = shown_s < LAMP_REST / 1000;
    lampText.textContent = `Gate lamp: ${!play ? "dark" : !quick ? "blinks at each pass" : calm.matches ? "on while the flag passes" : "stays on: more than two passes a second"}`;
  }

  // ---- the runs so far --------------------------------------------------------------------------------------
  function showRuns() {
    const rows = get("_runs"), body = make("tbody");
    table.hidden = !rows.length;
    for (const row of [...rows].reverse()) {
      const turning = play?.spin.number === row.number, name = `run ${row.number}`;
      const small = (text, label, f) => make("button", { type: "button", class: "bench-button bench-small", "aria-label": label, onclick: f }, text);
      body.append(make("tr", {}, make("th", { scope: "row" }, String(row.number)), make("td", {}, written(row.value)),
        ...(has("tilt") ? [make("td", {}, row.tilt_deg ? `${row.tilt_deg}°` : "level")] : []), ...(has("hub") ? [make("td", {}, row.hub)] : []),
        make("td", {}, `${Math.round(row.strength * 100)} %`), make("td", {}, String(row.trial)), make("td", {}, turning ? "…" : String(row.passes)),
        make("td", {}, turning ? "turning" : row.kept ? "✓ kept" : "not kept"),
        make("td", {}, ...(turning ? [] : [...(told.can_keep && !row.kept ? [small("Keep", `Keep ${name}`, () => keep(row.number, ""))] : []),
          small("Log", `Download the log of ${name}`, () => ask({ do: "log", number: row.number }))]))));
    }
    const heads = ["run", told.label.toLowerCase(), ...(has("tilt") ? ["tilt"] : []), ...(has("hub") ? ["hub"] : []), "push", "trial", "passes", "kept?", ""];
    table.replaceChildren(make("table", { class: "kit-table" }, make("caption", {}, "Runs so far, the latest first. A run you have not kept can still be kept."),
      make("thead", {}, make("tr", {}, ...heads.map((text) => make(text ? "th" : "td", text ? { scope: "col" } : {}, text)))), body));
  }
  function showNumbers() {
    if (!numbers.open || !finished) return;
    const rows = Array.from(finished.passes, (t, i) => make("tr", {}, make("th", { scope: "row" }, String(i + 1)), make("td", {}, t.toFixed(3)),
      make("td", {}, i ? (t - finished.passes[i - 1]).toFixed(3) : "–")));
    numbers.lastChild.replaceChildren(make("table", { class: "kit-table" },
      make("thead", {}, make("tr", {}, ...["pass", "time since the push (s)", "since the pass before (s)"].map((text) => make("th", { scope: "col" }, text)))), make("tbody", {}, ...rows)));
  }
  function download() {
    const { name, text } = get("_log");
    if (!text || !get("_log").id.startsWith(`${unique}-`)) return; // another view of the same bench asked
    const address = URL.createObjectURL(new Blob([text], { type: "text/csv" })), link = make("a", { href: address, download: name });
    el.append(link);
    link.click();
    link.remove();
    setTimeout(() => URL.revokeObjectURL(address), 10000);
    say(`The log goes to your downloads as ${name}.`);
  }

  watch("_spin", start);
  watch("_runs", () => { // a button that goes when it is pressed hands the keyboard's focus on
    const focused = el.getRootNode().activeElement, going = keepRow.contains(focused) || table.contains(focused);
    showRuns();
    showButtons();
    if (going && !(focused.isConnected && focused.checkVisibility())) pushButton.focus({ preventScroll: true });
  });
  watch("_log", download);
  watch("_said", () => { const said = get("_said"); if (!said.text) return; answered(); showButtons(); say(said.text, said.problem); });
  watch("value tilt_deg dry_hub strength fault", showSetting);
  const redraw = () => { if (!play) drawTurns(plot, finished?.passes ?? [], finished?.passes.length ?? 0, finished?.end_s ?? 0, told.start_period_s); };
  followPage([plot], undo, redraw);
  calm.addEventListener("change", loop);
  undo.push(() => calm.removeEventListener("change", loop), () => clearTimeout(waiting), () => undo.loop?.(), clicker.close);
  stage.turn(0.62, 0);
  lampText.textContent = "Gate lamp: dark";
  showSetting();
  if (get("_spin").number) { finished = unpacked(get("_spin")); showFinished(); } // the page was opened again
  showRuns();
  showButtons();
  return () => undo.forEach((f) => f());
}

export default { render };
