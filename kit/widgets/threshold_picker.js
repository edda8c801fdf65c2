// The threshold picker's page: it moves the two lines, asks and shows. threshold_picker.py measures and answers, and
// puts threshold_plot.js before this file. The lines and the veils over what isn't counted are page elements above the
// canvas, so that a drag moves them within one frame, without drawing the runs again.

const WORDS = {
  start: { label: "Start counting when one turn takes", shared: "Fastest start that all runs share" },
  stop: { label: "Stop counting when one turn takes", shared: "Slowest stop that all runs reach" },
};
const NOT_REST = "The last pass isn't rest. It still turned on after that, up to one turn, and the gate saw nothing.";
const SLIDER_KEYS = ["ArrowUp", "ArrowRight", "ArrowDown", "ArrowLeft", "PageUp", "PageDown", "Home", "End"];
const ASKED = ["start_period_s", "stop_period_s", "rule"]; // what an answer answers
const REST_MS = 300, LATE_MS = 3000;
const KEYS_HINT = "Drag, or use the arrow keys. Shift: ten steps. Page Up, Page Down: fifty.";

const stepOf = (period) => 10 ** (Math.floor(Math.log10(period) + 1e-9) - 2); // one in the third digit
const tidy = (period) => Number(period.toPrecision(3)); // never 0.7000000000000001
const written = (period) => (period === tidy(period) ? period.toFixed(Math.max(0, -Math.round(Math.log10(stepOf(period)))))
  : String(period));

const chosen = (model) => Object.fromEntries(ASKED.map((name) => [name, model.get(name)]));

function unpack(view) {
  const [t, p] = halvesOf(view, Float32Array);
  return { t, p };
}

function render({ model, el }) {
  const undo = []; // what to take back when this view closes
  const watch = watcher(model, undo);
  const listen = (target, type, f) => {
    target.addEventListener(type, f);
    undo.push(() => target.removeEventListener(type, f));
  };
  // During a drag Python answers with figures alone; with all else as soon as the line rests.
  const choose = (changes, dragging = false) => {
    for (const [name, value] of Object.entries({ ...changes, _dragging: dragging })) model.set(name, value);
    model.save_changes(); // one message is under way at a time; those in between are merged
    clearTimeout(resting);
    if (dragging) resting = setTimeout(rest, REST_MS); // held still, or let go out of sight
    insist();
    dimUntilAnswered();
  };
  const rest = () => { if (model.get("_dragging")) choose({}); };
  const insist = (times = 5) => { // a message may be lost on the way, there or back
    clearTimeout(late);
    if (times) late = setTimeout(() => { model.send(chosen(model)); insist(times - 1); }, LATE_MS);
  };
  const unique = Math.random().toString(36).slice(2); // names of radio groups, for two views of one widget

  let runs = [], scale = null, bright = -1, drawing = 0, stale = true, saying = 0;
  let resting = 0, late = 0, shown = { ...model.get("_answer"), complete: true };
  let lastStop = model.get("stop_period_s");
  const periodOf = (which) => model.get(`${which}_period_s`);
  const rows = () => shown.rows;

  // ---- the two lines: dragged, typed, moved by keys -----------------------------------------------------------
  function limits(which) {
    const start = periodOf("start"), stop = periodOf("stop");
    const low = which === "start" ? Math.min(scale.lowest, start) : start + stepOf(start);
    const high = which === "stop" || stop == null ? Math.max(scale.highest, periodOf(which)) : stop - stepOf(stop);
    return [tidy(low), tidy(high)];
  }
  function move(which, period, dragging) {
    const [low, high] = limits(which);
    settle(which, tidy(Math.min(Math.max(period, low), Math.max(low, high))), dragging);
  }
  function settle(which, period, dragging) {
    lines[which].problem.textContent = "";
    lines[which].field.removeAttribute("aria-invalid");
    if (period !== periodOf(which)) choose({ [`${which}_period_s`]: period }, dragging);
    lines[which].field.value = written(period);
  }
  // A typed or shared value is taken as it stands, or refused with a sentence; what was typed stays in its field.
  function take(which, period) {
    const other = periodOf(which === "start" ? "stop" : "start");
    const tooLate = other != null && (which === "start" ? period >= other : period <= other);
    let problem = "";
    if (!(period > 0 && period < Infinity)) problem = "Type a number of seconds above zero, such as 0.25.";
    else if (tooLate) problem = which === "start" ? `The start has to be less than the stop, ${other} s.`
      : `The stop has to be more than the start, ${other} s.`;
    if (!problem) return settle(which, period);
    lines[which].problem.textContent = problem;
    lines[which].field.setAttribute("aria-invalid", "true");
  }
  function pressed(which, event, keys) {
    const steps = { ArrowUp: 1, ArrowRight: 1, ArrowDown: -1, ArrowLeft: -1, PageUp: 50, PageDown: -50 }[event.key];
    const end = { Home: 0, End: 1 }[event.key];
    if (!keys.includes(event.key)) return;
    event.preventDefault();
    const now = periodOf(which);
    if (end != null) move(which, limits(which)[end]);
    else move(which, now + steps * stepOf(now) * (event.shiftKey && Math.abs(steps) === 1 ? 10 : 1));
  }
  function makeLine(which) {
    const typed = () => take(which, Number(field.value.trim().replace(",", ".") || NaN));
    const field = make("input", {
      type: "text", inputmode: "decimal", autocomplete: "off", class: "pick-number", "aria-label": `${WORDS[which].label} (s)`,
      onchange: typed,
      onkeydown: (e) => (e.key === "Enter" ? typed() : pressed(which, e, ["ArrowUp", "ArrowDown"])),
    });
    const tag = make("span", { class: "pick-tag", "aria-hidden": "true" });
    let grab = 0, y = 0, frame = 0;
    const slider = make("div", {
      class: `pick-line pick-line-${which}`, role: "slider", tabindex: "0", "aria-orientation": "vertical",
      "aria-label": `${WORDS[which].label} (s)`, title: KEYS_HINT,
      onkeydown: (e) => pressed(which, e, SLIDER_KEYS),
      onpointerdown: (e) => {
        slider.setPointerCapture(e.pointerId);
        grab = e.clientY - scale.y(periodOf(which)); // the line doesn't jump to the pointer
        slider.focus();
        e.preventDefault();
      },
      onpointermove: (e) => {
        if (!slider.hasPointerCapture(e.pointerId)) return;
        y = e.clientY - grab;
        frame ||= requestAnimationFrame(() => {
          frame = 0;
          move(which, scale.period(Math.min(Math.max(y, scale.top), scale.bottom)), slider.hasPointerCapture(e.pointerId));
        });
      },
      onlostpointercapture: rest,
    }, tag);
    const shared = make("button", {
      type: "button", class: "pick-button", onclick: () => take(which, model.get("_common")[which]),
    }, WORDS[which].shared);
    return { field, slider, tag, shared, problem: make("span", { class: "pick-problem", role: "alert" }) };
  }
  const lines = { start: makeLine("start"), stop: makeLine("stop") };
  const veils = { start: make("div", { class: "pick-veil" }), stop: make("div", { class: "pick-veil" }) };

  // ---- the parts of the page ----------------------------------------------------------------------------------
  const radio = (name, value, onchange) => make("input", { type: "radio", name: `${name}-${unique}`, value, onchange });
  const stopAt = {
    threshold: radio("stop", "threshold", () => choose({ stop_period_s: usableStop() })),
    last: radio("stop", "last", () => choose({ stop_period_s: null })),
  };
  function usableStop() {
    const start = periodOf("start");
    return [lastStop, model.get("_common").stop].find((v) => v > start) ?? tidy(start * 2);
  }
  const notRest = make("p", { class: "pick-note" }, NOT_REST);
  const rules = model.get("_rules");
  const ruleOf = Object.fromEntries(rules.map(({ name }) => [name, radio("rule", name, () => choose({ rule: name }))]));
  const logBox = make("input", { type: "checkbox", onchange: () => choose({ log_period: logBox.checked }) });
  const canvas = make("canvas", { class: "pick-canvas", role: "img" });
  const front = make("canvas", { class: "pick-canvas pick-front", "aria-hidden": "true" });
  const plot = make("div", { class: "pick-plot" },
    canvas, veils.start, veils.stop, front, lines.stop.slider, lines.start.slider);
  const reading = make("p", { class: "pick-reading" });
  const columns = model.get("_columns");
  const named = columns.length ? [`Numbers on the curves: ${columns.join(", ")}`] : [];
  const key = make("p", { class: "pick-key" }, [...named, "dashed: not counted", "hollow mark: doubtful, or set aside (dashed)",
    "× bounce left out", "○ missed pass filled in"].join(" · "));
  const summary = make("p", { class: "pick-summary", "aria-live": "polite" });
  const shareNote = make("p", { class: "pick-note" });
  const body = make("tbody");
  const titles = [...columns, "trial", "coasting time (s)", "turns", "status"];
  const head = make("tr", {}, make("th", { scope: "col" }, make("span", { class: "pick-hidden" }, "mark")),
    ...titles.map((title, i) => {
      const figure = i === titles.length - 3 || i === titles.length - 2;
      return make("th", { scope: "col", class: figure && "pick-figure" }, title);
    }));
  const table = make("table", { class: "pick-table" },
    make("caption", {}, "What every run gives, as far as trials repeat. Point at a run to read how exactly the gate timed it."), make("thead", {}, head), body);
  const more = make("p", { class: "pick-more", "aria-hidden": "true" }); // the table itself is read aloud whole
  const scroll = make("div", { class: "pick-scroll" }, table, more);
  const repairs = make("details", { class: "pick-repairs" });

  el.classList.add("kit-picker");
  el.setAttribute("role", "group");
  el.setAttribute("aria-label", "Where counting starts and stops");
  el.append(
    make("div", { class: "pick-row" }, make("label", { class: "pick-ask" }, `${WORDS.start.label} `, lines.start.field, " s"),
      lines.start.shared, make("label", { class: "pick-choice pick-log" }, logBox, "logarithmic axis"), lines.start.problem),
    make("div", { class: "pick-row", role: "radiogroup", "aria-label": "Where counting stops" },
      make("label", { class: "pick-ask" }, stopAt.threshold, `${WORDS.stop.label} `, lines.stop.field, " s"), lines.stop.shared,
      make("label", { class: "pick-choice" }, stopAt.last, "or at the last pass of each log"), lines.stop.problem),
    notRest, plot, key, reading, summary, shareNote, scroll,
    make("fieldset", { class: "pick-rules" }, make("legend", {}, "How to count"), ...rules.map((r) =>
      make("label", { class: "pick-choice" }, ruleOf[r.name], make("span", {}, make("strong", {}, r.label), ` ${r.assumes}`)))),
    repairs,
  );
  keepKeys(el, undo);

  // ---- the table ----------------------------------------------------------------------------------------------
  const all = model.get("_runs");
  const cells = all.map((run, i) => {
    const mark = make("td");
    mark.innerHTML = `<svg width="30" height="16" viewBox="-15 -8 30 16" aria-hidden="true">` + // only our own words
      `<path class="pick-dash" d="M-15 0H15"/><path class="pick-mark" d="${markOf(run.group)}"/></svg>`;
    mark.style.color = `var(--pick-${seriesOf(run.group)})`;
    const [duration, turns, status] = ["figure", "figure", "status"].map((kind) => make("td", { class: `pick-${kind}` }));
    const row = make("tr", { tabindex: "-1", onpointerenter: () => highlight(i), onfocus: () => highlight(i) },
      mark, ...run.cells.map((text) => make("td", {}, text)), make("td", {}, String(run.trial)), duration, turns, status);
    return { row, duration, turns, status };
  });
  const inOrder = [...cells.keys()].sort((i, j) => all[i].group - all[j].group || all[i].trial - all[j].trial);
  body.append(...inOrder.map((i) => cells[i].row));
  cells[inOrder[0]].row.setAttribute("tabindex", "0"); // one stop for the Tab key; arrows go from row to row
  listen(body, "pointerleave", () => highlight(cells.findIndex((cell) => cell.row === document.activeElement)));
  listen(body, "focusout", () => highlight(-1));
  listen(body, "keydown", (e) => {
    const now = document.activeElement;
    const { nextSibling: ArrowDown, previousSibling: ArrowUp } = now;
    const next = { ArrowDown, ArrowUp, Home: body.firstChild, End: body.lastChild }[e.key];
    if (!next) return;
    e.preventDefault();
    now.setAttribute("tabindex", "-1");
    next.setAttribute("tabindex", "0");
    next.focus();
  });

  function sayWhatIsBelow() {
    const below = () => { // what the bar itself covers is not seen either
      const end = scroll.scrollTop + scroll.clientHeight - more.offsetHeight;
      return [...body.rows].filter((row) => row.offsetTop + row.offsetHeight / 2 > end).length;
    };
    if (!more.textContent && below()) more.textContent = "↓";
    const n = below();
    const words = n ? `${n} more ${n === 1 ? "row" : "rows"} below ↓` : "";
    if (more.textContent !== words) more.textContent = words;
  }
  listen(scroll, "scroll", sayWhatIsBelow);
  const fits = new ResizeObserver(sayWhatIsBelow);
  [scroll, table].forEach((part) => fits.observe(part));
  undo.push(() => fits.disconnect());

  function highlight(i, bringIntoView = false) {
    if (i === bright) return;
    cells[bright]?.row.classList.remove("pick-bright");
    bright = i;
    const row = cells[i]?.row;
    row?.classList.add("pick-bright");
    canvas.classList.toggle("pick-faint", i >= 0);
    if (row && bringIntoView) { // moves the table only, never the page
      const below = row.offsetTop + row.offsetHeight + more.offsetHeight - scroll.clientHeight, above = row.offsetTop - head.offsetHeight;
      scroll.scrollTop = Math.min(Math.max(scroll.scrollTop, below), above);
    }
    read();
    redraw(false);
  }
  function read() {
    const row = rows()[bright];
    reading.classList.toggle("pick-note", !row);
    const figures = row && (row.exact ? `${row.exact} (by the gate alone)` : `${row.duration} s, ${row.turns} turns`);
    reading.textContent = row ? `${runs[bright].name}: ${row.counted ? figures : row.status}`
      : "Point at a run to see it alone, with every turn the gate measured.";
  }
  listen(plot, "pointerleave", () => highlight(-1));
  listen(plot, "pointermove", (e) => {
    if (e.buttons || e.target.closest(".pick-line")) return;
    const box = plot.getBoundingClientRect(), mx = e.clientX - box.left, my = e.clientY - box.top;
    let best = -1, nearest = 14; // px
    runs.forEach((run, i) => run.line.t.forEach((t, k) => {
      const away = Math.hypot(scale.x(t) - mx, scale.y(run.line.p[k]) - my);
      if (away < nearest) [best, nearest] = [i, away];
    }));
    highlight(best, true);
  });

  // ---- repairs, each to be refused or accepted ----------------------------------------------------------------
  const boxes = new Map(); // "run:repair" → checkbox
  const total = all.reduce((sum, run) => sum + run.repairs.length, 0);
  const repairsTitle = make("summary");
  const list = make("div", { class: "pick-scroll" });
  repairs.append(repairsTitle,
    make("p", { class: "pick-note" }, "Untick a repair to refuse it. The log itself is never changed."), list);
  repairs.hidden = total === 0;
  const fillRepairs = () => { // only when opened: a long log may have thousands
    if (boxes.size) return;
    for (const i of inOrder.filter((run) => all[run].repairs.length)) {
      const choices = all[i].repairs.map((r, k) => {
        const box = make("input", { type: "checkbox", onchange: () => {
          const others = model.get("refused_repairs").filter(([a, b]) => a !== i || b !== k);
          choose({ refused_repairs: box.checked ? others : [...others, [i, k]] });
        } });
        boxes.set(`${i}:${k}`, box);
        return make("label", { class: "pick-choice" }, box, `${GLYPHS[r.kind] ?? ""} ${r.words}`);
      });
      list.append(make("fieldset", { onpointerenter: () => highlight(i), onfocusin: () => highlight(i) },
        make("legend", {}, all[i].name), ...choices));
    }
    showRefused();
  };
  listen(repairs, "toggle", fillRepairs);
  function showRefused() {
    const refused = new Set(model.get("refused_repairs").map(([i, k]) => `${i}:${k}`));
    repairsTitle.textContent = `Repairs in the logs: ${total}, of which you refused ${refused.size}`;
    boxes.forEach((box, name) => { box.checked = !refused.has(name); });
  }

  // ---- from the model to the page -----------------------------------------------------------------------------
  function placeLines() {
    const start = periodOf("start"), stop = periodOf("stop");
    if (stop != null) lastStop = stop;
    for (const [which, period] of [["start", start], ["stop", stop]]) {
      const { slider, field, tag, shared } = lines[which];
      const gone = period == null;
      slider.hidden = veils[which].hidden = gone;
      field.disabled = gone;
      shared.disabled = gone || model.get("_common")[which] == null;
      const beingMended = document.activeElement === field && field.hasAttribute("aria-invalid");
      if (!beingMended) field.value = written(period ?? lastStop ?? usableStop());
      if (gone || !scale) continue;
      const y = scale.y(period), [low, high] = limits(which);
      slider.style.transform = `translateY(${y}px)`;
      slider.classList.toggle("pick-flip", which === "start" ? y > scale.bottom - 26 : y < 26); // the tag stays in sight
      veils[which].style.top = `${which === "stop" ? scale.top : y}px`;
      veils[which].style.height = `${Math.max(0, which === "stop" ? y - scale.top : scale.bottom - y)}px`;
      tag.textContent = `${which} ${written(period)} s`;
      const told = { now: period, min: low, max: high, text: `${written(period)} seconds for one turn` };
      for (const [name, value] of Object.entries(told)) slider.setAttribute(`aria-value${name}`, value);
    }
    stopAt[stop == null ? "last" : "threshold"].checked = true;
    notRest.hidden = stop != null;
    dimUntilAnswered();
  }
  // Figures for an earlier place of the lines are shown, but dimmed, until those asked for arrive.
  function dimUntilAnswered() {
    const now = chosen(model);
    const fresh = ASKED.every((name) => shown[name] === now[name]), done = fresh && shown.complete;
    if (done) clearTimeout(late);
    el.classList.toggle("pick-waiting", !fresh);
    scroll.setAttribute("aria-busy", String(!done));
  }
  const write = (cell, text) => { if (cell.textContent !== text) cell.textContent = text; }; // or the table is laid out anew
  function showRows() {
    const notes = rows().filter((row) => row.counted).map((row) => row.note);
    const common = notes.length > 1 && notes.every((note) => note === notes[0]) ? notes[0] : ""; // said once, not 60 times
    let changed = false;
    rows().forEach((row, i) => {
      const { duration, turns, status, row: line } = cells[i];
      const counts = row.counted && !runs[i].set_aside;
      changed ||= line.classList.contains("pick-out") === counts;
      line.classList.toggle("pick-out", !counts);
      line.classList.toggle("pick-aside", runs[i].set_aside !== "" || row.doubtful);
      write(duration, row.duration);
      write(turns, row.turns);
      write(status, [row.status, row.note === common ? "" : row.note].filter(Boolean).join("; "));
    });
    shareNote.textContent = common && stopAt.threshold.checked ? `All counted runs: ${common}.` : "";
    clearTimeout(saying); // a screen reader hears the resting place of a line, not every step of a drag
    dimUntilAnswered();
    read();
    if (changed || bright >= 0) redraw(changed);
  }
  function showAnswer() {
    const answer = model.get("_answer");
    shown = { ...answer, complete: true };
    showRows();
    saying = setTimeout(() => {
      summary.textContent = answer.summary;
      canvas.setAttribute("aria-label", "Plot of the time one turn takes against time since the push ended. " +
        `Every curve rises: the turns get slower. ${answer.summary} The table below has all numbers.`);
    }, summary.textContent ? 400 : 0);
  }
  function showFigures({ status, counted, ...drawn }) { // a run's words stay as they were, unless it counts no more
    const figures = ["duration", "turns", "start", "stop"];
    shown = { ...drawn, complete: false, rows: rows().map((row, i) => {
      const same = row.counted === counted[i];
      return {
        ...row, ...Object.fromEntries(figures.map((name) => [name, drawn[name][i]])), exact: "", counted: counted[i],
        status: status[i] ?? (same ? row.status : "counted"), note: same ? row.note : "", doubtful: same && row.doubtful,
      };
    }) };
    showRows();
  }
  function showRuns() {
    runs = model.get("_runs").map((run) => ({ ...run, line: unpack(run.line), measured: unpack(run.measured) }));
    layout();
  }
  function layout() {
    if (!plot.clientWidth) return; // not on the screen
    const periods = [periodOf("start"), periodOf("stop")].filter((p) => p != null);
    const em = parseFloat(getComputedStyle(plot).fontSize);
    scale = makeScale(plot.clientWidth, plot.clientHeight, em, runs, periods, model.get("log_period"));
    plot.style.setProperty("--pick-left", `${scale.left}px`);
    plot.style.setProperty("--pick-right", `${scale.width - scale.right}px`);
    placeLines();
    redraw();
  }
  function redraw(everything = true) {
    stale ||= everything;
    drawing ||= requestAnimationFrame(() => {
      drawing = 0;
      if (!scale) return;
      if (stale) drawRuns(canvas, scale, runs, rows());
      stale = false;
      drawFront(front, scale, runs, rows(), bright, [periodOf("start"), periodOf("stop")]);
    });
  }
  const outside = (which) => { // typed beyond the axis
    const period = periodOf(which);
    return period != null && scale && (period > scale.pMax || period < scale.pMin);
  };
  const showChoices = () => {
    const rule = ruleOf[model.get("rule")];
    if (rule) rule.checked = true;
    logBox.checked = model.get("log_period");
  };

  watch("start_period_s stop_period_s", () => (outside("start") || outside("stop") ? layout() : placeLines()));
  watch("rule", () => { showChoices(); dimUntilAnswered(); });
  watch("log_period", () => { showChoices(); layout(); });
  watch("_answer", showAnswer);
  watch("msg:custom", showFigures);
  watch("_common", placeLines);
  watch("_runs", showRuns);
  watch("refused_repairs", showRefused);
  followPage([plot], undo, () => redraw(), layout);
  showRuns();
  showChoices();
  showRefused();
  placeLines();
  showAnswer();
  rest(); // a page that closed during a drag could not say so
  undo.push(rest, () => [resting, late, saying].forEach(clearTimeout));
  return () => undo.forEach((f) => f());
}

export default { render };
