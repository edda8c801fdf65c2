// The slowdown explorer's page: sliders, each with a number field, two plots that follow at once, and the numbers that
// slowdown_explorer.py works out. slowdown_plot.js, put before this file, draws.

function unpack(view) {
  const [t, v] = halvesOf(view, Float32Array);
  return { t, v };
}

// A round step: about 200 of them make a slider's length.
const stepFor = (top) => sixDigits(roundStep(top / 200));
const shortest = (value) => String(Number(value.toPrecision(4)));

// A slider and a number field that show one value. `take(value)` is asked for a sentence if it refuses, else "".
function dial({ name, top, low = 0, step, unit, take }) {
  const problem = make("span", { class: "slow-problem", role: "alert" });
  const settle = (value, from) => {
    const refused = take(value);
    problem.textContent = refused;
    if (refused) field.setAttribute("aria-invalid", "true");
    else field.removeAttribute("aria-invalid");
    if (!refused && from !== field) field.value = shortest(value);
  };
  const typed = () => {
    const text = field.value.trim().replace(",", ".");
    settle(text === "" ? NaN : Number(text), field);
  };
  const range = make("input", { type: "range", min: low, max: top, step, "aria-label": name,
    oninput: () => settle(sixDigits(Number(range.value)), range) });
  const field = make("input", { type: "text", inputmode: "decimal", autocomplete: "off", class: "slow-number",
    "aria-label": `${name}${unit ? ` (${unit})` : ""}, as a number`, onchange: typed,
    onkeydown: (e) => {
      const up = { ArrowUp: 1, ArrowDown: -1 }[e.key];
      if (e.key === "Enter") typed();
      if (!up) return;
      e.preventDefault();
      settle(sixDigits(Math.max(low, Number(range.value) + up * step)), range);
    } });
  const show = (value) => {
    if (value > Number(range.max)) range.max = value * 1.2; // a fitted or typed value may lie beyond
    range.value = value;
    range.setAttribute("aria-valuetext", `${shortest(value)} ${unit}`.trim());
    const shown = field.value.trim().replace(",", "."); // what someone typed stays as typed while it means the same
    if (field.getAttribute("aria-invalid") == null && (shown === "" || Number(shown) !== value)) field.value = shortest(value);
  };
  return { range, field, problem, show };
}

function render({ model, el }) {
  const undo = []; // what to take back when this view closes
  const watch = watcher(model, undo);
  const choose = (name, value) => {
    model.set(name, value);
    model.save_changes(); // one message is under way at a time; those in between are merged
  };
  const get = (name) => model.get(name);
  const words = get("_words"), limits = get("_limits"), unique = Math.random().toString(36).slice(2);
  let runs = [], frame = 0, saying = 0;

  // ---- the sliders ------------------------------------------------------------------------------------------
  const count = dial({
    name: words.label, top: limits.count, step: limits.whole ? 1 : stepFor(limits.count), unit: "",
    take: (value) => (value >= 0 && value < Infinity ? (choose("count", value), "") : "Type a number from 0 on."),
  });
  const threshold = (which, label) => dial({
    name: label, low: sixDigits(limits.fastest), top: sixDigits(limits.slowest), step: 0.001, unit: "s",
    take: (value) => {
      const start = which === "start" ? value : get("start_period_s"), stop = which === "stop" ? value : get("stop_period_s");
      if (!(value > 0 && value < Infinity)) return "Type a number of seconds above zero.";
      if (start >= stop) return `The start (${shortest(start)} s) has to be less than the stop (${shortest(stop)} s).`;
      choose(`${which}_period_s`, value);
      return "";
    },
  });
  const start = threshold("start", "Counting starts when one turn takes");
  const stop = threshold("stop", "Counting stops when one turn takes");
  const kinds = get("_kinds").map((kind, k) => {
    const part = (name, label, top) => dial({
      name: `${kind.words}: ${label}`, top: top * kind.from_si, step: stepFor(top * kind.from_si), unit: kind.unit,
      take: (value) => {
        if (!(value >= 0 && value < Infinity)) return "Type a number from 0 on.";
        choose(name, get(name).map((old, i) => (i === k ? value / kind.from_si : old)));
        return "";
      },
    });
    return { kind, spindle: part("spindle", "the apparatus alone", kind.spindle_to), added: part("added", `each ${words.one} adds`, kind.added_to) };
  });

  // ---- the parts of the page --------------------------------------------------------------------------------
  const cell = ({ range, field, problem }) => make("div", { class: "slow-cell" }, range, field, problem);
  const named = (text, after, parts) => make("div", {}, make("div", { "aria-hidden": "true" }, text, make("small", {}, after)), cell(parts));
  const speeds = make("canvas", { class: "slow-canvas", role: "img" });
  const trend = make("canvas", { class: "slow-canvas", role: "img" });
  const quantityOf = Object.fromEntries([["duration_s", "coasting time"], ["turns", "turns"]].map(([name, text]) => {
    const radio = make("input", { type: "radio", name: `quantity-${unique}`, value: name, onchange: () => choose("quantity", name) });
    return [name, { radio, label: make("label", { class: "slow-choice" }, radio, text) }];
  }));
  const cards = make("div", { class: "slow-cards" });
  const summary = make("p", { class: "slow-summary", "aria-live": "polite" });
  el.classList.add("kit-slow");
  el.setAttribute("role", "group");
  el.setAttribute("aria-label", "Explore how it slows down");
  el.append(
    make("div", { class: "slow-plots" },
      make("figure", { class: "slow-speeds" }, make("figcaption", {}, "How the speed falls: squares measured, line the model"), speeds),
      make("figure", { class: "slow-trend" }, make("figcaption", {}, make("span", { role: "radiogroup", "aria-label": "What the second plot shows" },
        "All conditions: ", quantityOf.duration_s.label, quantityOf.turns.label)), trend)),
    cards, summary,
    make("div", { class: "slow-controls" },
      make("fieldset", { class: "slow-case" }, make("legend", {}, "What is compared"),
        named(words.label, "", count), named("Counting starts at", " s a turn", start), named("Counting stops at", " s a turn", stop)),
      make("fieldset", { class: "slow-kinds" }, make("legend", {}, "The model's drag"),
        make("span", { class: "slow-head", "aria-hidden": "true" }), make("span", { class: "slow-head", "aria-hidden": "true" }, "the apparatus alone"),
        make("span", { class: "slow-head", "aria-hidden": "true" }, `each ${words.one} adds`),
        ...kinds.flatMap(({ kind, spindle, added }) => [
          make("div", { class: "slow-kind", "aria-hidden": "true" }, kind.words, make("small", {}, kind.unit)), cell(spindle), cell(added)]))),
  );
  keepKeys(el, undo);

  // ---- from the model to the page ---------------------------------------------------------------------------
  const dragOf = (n) => inTurns(get("spindle").map((v, i) => v + n * get("added")[i]));
  function draw() {
    frame = 0;
    if (!speeds.clientWidth) return; // not on the screen
    const em = parseFloat(getComputedStyle(speeds).fontSize), from = 1 / get("start_period_s"), to = 1 / get("stop_period_s");
    drawSpeeds(speeds, em, pictureOf(runs, dragOf(get("count")), get("count"), from, to));
    drawTrend(trend, em, { measured: get("_measured"), quantity: get("quantity"), most: limits.count, count: get("count"),
      start: from, stop: to, dragOf, xTitle: words.x });
  }
  const redraw = () => { frame ||= requestAnimationFrame(draw); };
  function showChoices() {
    count.show(get("count"));
    start.show(get("start_period_s"));
    stop.show(get("stop_period_s"));
    kinds.forEach(({ kind, spindle, added }, k) => {
      spindle.show(get("spindle")[k] * kind.from_si);
      added.show(get("added")[k] * kind.from_si);
    });
    for (const [name, { radio }] of Object.entries(quantityOf)) radio.checked = name === get("quantity");
    dimUntilAnswered();
    redraw();
  }
  // Numbers for an earlier setting are shown, but dimmed, until those asked for arrive.
  function dimUntilAnswered() {
    const asked = get("_answer").asked ?? {};
    const fresh = Object.entries(asked).every(([name, value]) => JSON.stringify(value) === JSON.stringify(get(name)));
    cards.classList.toggle("slow-waiting", !fresh);
    cards.setAttribute("aria-busy", String(!fresh));
  }
  function showAnswer() {
    const { cards: rows = [], sentences = [] } = get("_answer");
    cards.replaceChildren(...rows.map(([name, measured, says]) => make("div", { class: "slow-card" }, make("strong", {}, name),
      make("span", { class: "slow-measured" }, make("small", {}, "measured "), measured),
      make("span", { class: "slow-model" }, make("small", {}, "model "), says))));
    const text = sentences.join(" ");
    clearTimeout(saying); // a screen reader hears the resting place of a slider, not every step of a drag
    saying = setTimeout(() => {
      summary.textContent = text;
      speeds.setAttribute("aria-label", `Speed against time since counting started. Squares: measured runs. Line: the model. ${text}`);
      trend.setAttribute("aria-label", `The model's curve over ${words.x} beside the averages measured. ${text}`);
    }, summary.textContent ? 350 : 0);
    dimUntilAnswered();
  }
  watch("spindle added count start_period_s stop_period_s quantity", showChoices);
  watch("_measured", redraw);
  watch("_answer", showAnswer);
  followPage([speeds, trend], undo, redraw, () => {
    el.toggleAttribute("data-narrow", el.clientWidth < 38 * parseFloat(getComputedStyle(el).fontSize));
    redraw();
  });
  undo.push(() => clearTimeout(saying), () => cancelAnimationFrame(frame));
  runs = get("_runs").map((run) => ({ at: run.at, smooth: unpack(run.smooth), turns: unpack(run.turns) }));
  showChoices();
  showAnswer();
  return () => undo.forEach((f) => f());
}

export default { render };
