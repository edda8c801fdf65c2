// A graph by hand: put points on empty axes, then draw a curve by eye; later the fitted curves lie beside it. The model owns
// `points` and `curve`; what is typed for the curve goes to Python, which bends it smoothly to its neighbours.

function render({ model, el }) {
  const undo = [], watch = watcher(model, undo), get = (name) => model.get(name);
  el.classList.add("kit-curve", "kit-hand-graph");
  keepKeys(el, undo);
  let W = 760, H = 380, axes, mode = "points", drawing = null, points = [], inputs = [], heights = [], line, here;
  const unique = `graph-${Math.random().toString(36).slice(2)}`;
  const put = (values) => { for (const [name, value] of Object.entries(values)) model.set(name, value); };
  const keep = () => model.save_changes(); // to Python, and so to the disk: once a key or the pointer is up again
  const xs = () => get("x_values"), top = () => get("y_max"), open = () => !get("locked");
  const within = (value) => (value === null ? null : Math.min(Math.max(value, 0), top()));

  const modes = [["points", "Put the averages on"], ["curve", "Draw the curve"]].map(([value, words]) => {
    const radio = make("input", { type: "radio", name: unique, value, checked: value === mode, onchange: () => { mode = value; show(); } });
    return make("label", { class: "kit-graph-mode" }, radio, words);
  });
  const rub = make("button", { type: "button", class: "jupyter-button", onclick: () => { put({ curve: get("curve").map(() => null) }); keep(); } }, "Rub out the curve");
  const tools = make("div", { class: "kit-graph-tools", role: "group", "aria-label": "What the pointer does" }, ...modes, rub);
  const svg = makeSvg("svg", { viewBox: `0 0 ${W} ${H}`, role: "group", "aria-label": get("description") });
  const legend = make("div", { class: "kit-graph-legend" });
  const typed = make("table", { class: "kit-table kit-graph-table" });
  el.append(tools, svg, legend, make("div", { class: "kit-scroll", tabindex: -1 }, typed));

  const name = (i) => `${get("x_name")} ${xs()[i]}`;
  const set = (i, value) => {
    if (!open()) return;
    const values = [...get("points")];
    values[i] = within(value);
    put({ points: values });
  };
  const bend = (i, value) => { if (open()) model.send({ bend: xs()[i], height: within(value) }); };

  // --- drawing, once for each layout -----------------------------------------------------------------------------
  function layout() {
    const focused = [points, inputs, heights].map((nodes) => nodes.indexOf(document.activeElement));
    svg.setAttribute("viewBox", `0 0 ${W} ${H}`);
    svg.replaceChildren();
    const [low, high] = get("x_range");
    axes = sketchAxes(svg, { W, H, low, high, top: top(), xs: xs(), xLabel: get("x_label"), yLabel: get("y_label") });
    get("fitted").forEach(({ xs: at, ys }, k) => svg.append(makeSvg("path", { d: path(at, ys), class: `kit-graph-fitted kit-graph-fitted-${k}` })));
    for (const m of get("measured")) {
      const at = axes.px(m.x);
      svg.append(makeSvg("line", { x1: at, x2: at, y1: axes.py(Math.min(m.high, top())), y2: axes.py(Math.max(m.low, 0)), class: "kit-curve-measured" }));
      svg.append(makeSvg("rect", { x: at - 5, y: axes.py(m.mean) - 5, width: 10, height: 10, class: "kit-curve-measured" }));
    }
    line = svg.appendChild(makeSvg("path", { class: "kit-graph-mine" }));
    points = xs().map((x, i) => {
      const point = makeSvg("path", { class: "kit-graph-point", tabindex: 0, role: "slider", "aria-label": name(i), "aria-valuemin": 0, "aria-valuemax": top(), "aria-orientation": "vertical" });
      point.addEventListener("keydown", (event) => {
        const value = keyed(event, get("points")[i], top());
        if (value === undefined) return;
        set(i, value);
        event.preventDefault();
      });
      point.addEventListener("keyup", keep);
      point.addEventListener("focus", show);
      point.addEventListener("blur", () => { keep(); show(); });
      svg.append(point);
      return point;
    });
    here = svg.appendChild(makeSvg("text", { x: W - RIGHT, y: TOP + 6, "text-anchor": "end", class: "kit-curve-here", "aria-hidden": "true" }));
    const field = (i, what, change) => make("input", { type: "number", min: 0, step: "any", disabled: !open(), "aria-label": `${what} at ${name(i)}`,
      onchange: (event) => change(i, typedNumber(event.target)) });
    inputs = xs().map((_, i) => field(i, "my point", (k, value) => { set(k, value); keep(); }));
    heights = xs().map((_, i) => field(i, "my curve", bend));
    const row = (words, cells) => make("tr", {}, make("th", { scope: "row" }, words), ...cells.map((cell) => make("td", {}, cell)));
    typed.replaceChildren(make("thead", {}, make("tr", {}, make("th", { scope: "col" }, get("x_label")), ...xs().map((x) => make("th", { scope: "col" }, String(x))))),
      make("tbody", {}, row(`average (${get("unit")})`, get("averages")), row("my point", inputs), row("my curve", heights)));
    legend.replaceChildren(...get("fitted").map(({ name: words }, k) => key(`kit-graph-fitted kit-graph-fitted-${k}`, words)), ...(get("fitted").length ? [key("kit-graph-mine", "my curve")] : []));
    tools.hidden = !open();
    show();
    [points, inputs, heights].forEach((nodes, k) => nodes[focused[k]]?.focus());
  }
  const key = (cls, words) => make("span", {}, makeSvg("svg", { viewBox: "0 0 44 10", width: 44, height: 10, "aria-hidden": "true" }, makeSvg("path", { d: "M2 5H42", class: cls })), words);

  // A path through (x, y), with gaps where nothing is drawn or the curve leaves the axes.
  function path(at, ys) {
    let pen = "M";
    return at.map((x, i) => {
      if (ys[i] === null || ys[i] > top() * 1.02) { pen = "M"; return ""; }
      const step = `${pen}${axes.px(x).toFixed(1)} ${axes.py(ys[i]).toFixed(1)}`;
      pen = "L";
      return step;
    }).join("");
  }

  function show() {
    const values = get("points"), curve = drawing ?? get("curve"), places = get("curve_x");
    line.setAttribute("d", path(places, curve));
    points.forEach((point, i) => {
      const x = axes.px(xs()[i]), y = axes.py(values[i] ?? 0); // the axes are empty: what is not put on waits at their foot
      point.setAttribute("d", values[i] === null ? `M${x - 7} ${y}a7 7 0 1 0 14 0a7 7 0 1 0 -14 0` : `M${x - 7} ${y - 7}L${x + 7} ${y + 7}M${x - 7} ${y + 7}L${x + 7} ${y - 7}M${x - 12} ${y}a12 12 0 1 0 24 0a12 12 0 1 0 -24 0`);
      point.classList.toggle("kit-curve-unset", values[i] === null);
      point.style.display = values[i] === null && !open() ? "none" : "";
      point.setAttribute("aria-valuenow", values[i] ?? top() / 2);
      point.setAttribute("aria-valuetext", values[i] === null ? "not on the graph yet" : `${values[i]} ${get("unit")}`);
      point.setAttribute("aria-disabled", String(!open()));
      if (document.activeElement !== inputs[i]) inputs[i].value = values[i] ?? "";
      const height = curve[places.reduce((best, p, k) => (Math.abs(p - xs()[i]) < Math.abs(places[best] - xs()[i]) ? k : best), 0)];
      if (document.activeElement !== heights[i]) heights[i].value = height === null ? "" : rounded(height, top());
    });
    svg.classList.toggle("kit-graph-drawing", open() && mode === "curve");
    const at = points.indexOf(document.activeElement);
    here.textContent = at < 0 ? "" : `${name(at)}: ${points[at].getAttribute("aria-valuetext")}`;
  }

  // --- the pointer -------------------------------------------------------------------------------------------------
  svg.addEventListener("pointerdown", (event) => {
    if (!open() || event.button !== 0) return;
    if (mode === "points") {
      const i = nearestOf(xs(), axes.px, axes.valueAt(event).x, points.indexOf(document.activeElement));
      points[i].focus({ preventScroll: true });
      followPointer(svg, event, (e) => set(i, rounded(axes.valueAt(e).y, top())), keep);
      return;
    }
    const places = get("curve_x");
    let last = null;
    drawing = [...get("curve")];
    const move = (e) => {
      const now = axes.valueAt(e), from = last ?? now, [a, b] = [Math.min(from.x, now.x), Math.max(from.x, now.x)];
      const half = (places[1] - places[0]) / 2; // the very first touch draws at the place next to it
      places.forEach((x, k) => {
        if (x < a - (last ? 0 : half) || x > b + (last ? 0 : half)) return;
        const share = now.x === from.x ? 1 : (x - from.x) / (now.x - from.x);
        drawing[k] = Math.min(Math.max(from.y + share * (now.y - from.y), 0), top());
      });
      last = now;
      show();
    };
    followPointer(svg, event, move, () => {
      const drawn = drawing.map((y) => (y === null ? null : rounded(y, top())));
      drawing = null;
      put({ curve: drawn });
      keep();
    });
  });

  watch("points curve", show);
  watch("locked fitted measured averages y_max x_values", layout);
  layout();
  undo.push(followWidth(el, 340, (width, height) => {
    [W, H] = [width, height];
    layout();
  }));
  return () => undo.forEach((f) => f());
}

export default { render };
