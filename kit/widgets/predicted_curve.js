// Points that a student sets by dragging, by keys or by typing; later the measured averages beside them.
// The model owns `values`; this page only shows them and proposes new ones.

function render({ model, el }) {
  el.classList.add("kit-curve");
  let W = 760, H = 380, axes; // as wide as the page, so that words keep their size on a narrow one
  const svg = makeSvg("svg", { viewBox: `0 0 ${W} ${H}`, role: "group", "aria-label": model.get("description") });
  const fields = make("div", { class: "kit-curve-fields" });
  el.append(svg, fields);

  const xs = () => model.get("x_values");
  const top = () => model.get("y_max");
  const px = (x) => axes.px(x), py = (value) => axes.py(value);

  const set = (i, value) => {
    if (model.get("locked")) return;
    const values = [...model.get("values")];
    values[i] = value === null ? null : Math.min(Math.max(value, 0), top());
    model.set("values", values);
    model.save_changes();
  };

  const name = (i) => `${model.get("x_name")} ${xs()[i]}`;
  const said = (i) => {
    const value = model.get("values")[i];
    return value === null ? "not set" : `${value} ${model.get("unit")}`;
  };

  // --- drawing, once for each layout ---------------------------------------------------------------------
  let points = [], inputs = [], line, here;

  const layout = () => {
    const focused = [points, inputs].map((nodes) => nodes.indexOf(document.activeElement));
    svg.setAttribute("viewBox", `0 0 ${W} ${H}`);
    svg.replaceChildren();
    fields.replaceChildren();
    const [low, high] = model.get("x_range");
    axes = sketchAxes(svg, { W, H, low, high, top: top(), xs: xs(), xLabel: model.get("x_label"), yLabel: model.get("y_label") });
    line = svg.appendChild(makeSvg("path", { class: "kit-curve-line" }));
    const places = xs().map(px).sort((a, b) => a - b), closest = Math.min(99, ...places.slice(1).map((p, i) => p - places[i]));
    points = xs().map((x, i) => {
      const point = makeSvg("circle", {
        r: Math.min(12, Math.max(6, closest / 2 - 1)), cx: px(x), class: "kit-curve-point", tabindex: 0, role: "slider",
        "aria-label": name(i), "aria-valuemin": 0, "aria-valuemax": top(), "aria-orientation": "vertical",
      });
      point.addEventListener("keydown", (event) => onKey(event, i));
      point.addEventListener("focus", update);
      point.addEventListener("blur", update);
      svg.append(point);
      return point;
    });
    for (const m of model.get("measured")) drawMeasured(m); // on top: a point that hits must not hide it
    here = svg.appendChild(makeSvg("text", { x: W - RIGHT, y: TOP + 6, "text-anchor": "end", class: "kit-curve-here", "aria-hidden": "true" }));
    inputs = xs().map((x, i) => {
      const input = make("input", { type: "number", min: 0, step: "any", disabled: model.get("locked"),
        "aria-label": `${name(i)}, ${model.get("y_label")}`,
        onchange: () => set(i, typedNumber(input)), onkeydown: (event) => event.stopPropagation() });
      fields.append(make("label", {}, String(x), input));
      return input;
    });
    update();
    [points, inputs].forEach((nodes, k) => nodes[focused[k]]?.focus());
  };

  const drawMeasured = ({ x, mean, low, high }) => {
    const at = px(x);
    svg.append(makeSvg("line", { x1: at, x2: at, y1: py(Math.min(high, top())), y2: py(Math.max(low, 0)), class: "kit-curve-measured" }));
    svg.append(makeSvg("rect", { x: at - 5, y: py(mean) - 5, width: 10, height: 10, class: "kit-curve-measured" }));
  };

  const update = () => {
    const values = model.get("values"), order = xs().map((_, i) => i).sort((i, j) => xs()[i] - xs()[j]);
    const placed = order.filter((i) => values[i] !== null).map((i) => `${px(xs()[i])},${py(values[i])}`);
    line.setAttribute("d", placed.length > 1 ? `M${placed.join("L")}` : "");
    points.forEach((point, i) => {
      point.setAttribute("cy", py(values[i] ?? top() / 2));
      point.classList.toggle("kit-curve-unset", values[i] === null);
      point.style.display = values[i] === null && model.get("locked") ? "none" : "";
      point.setAttribute("aria-valuenow", values[i] ?? top() / 2);
      point.setAttribute("aria-valuetext", said(i));
      point.setAttribute("aria-disabled", model.get("locked"));
      if (document.activeElement !== inputs[i]) inputs[i].value = values[i] ?? "";
    });
    fields.style.display = model.get("locked") && values.every((value) => value === null) ? "none" : "";
    const at = points.indexOf(document.activeElement); // its number may have had no room below the axis
    here.textContent = at < 0 ? "" : `${name(at)}: ${said(at)}`;
  };

  // --- keys and dragging ---------------------------------------------------------------------------------
  const onKey = (event, i) => {
    const value = keyed(event, model.get("values")[i], top());
    if (value === undefined) return;
    set(i, value);
    event.preventDefault();
    event.stopPropagation();
  };

  svg.addEventListener("pointerdown", (event) => {
    if (model.get("locked")) return;
    const i = nearestOf(xs(), px, axes.valueAt(event).x, points.indexOf(document.activeElement));
    points[i].focus();
    followPointer(svg, event, (e) => set(i, rounded(axes.valueAt(e).y, top())));
  });

  model.on("change:values", update);
  model.on("change:locked change:measured change:y_max", layout);
  layout();
  return followWidth(el, 380, (width, height) => {
    [W, H] = [width, height];
    layout();
  });
}

export default { render };
