// Points that a student sets by dragging, by keys or by typing; later the measured averages beside them.
// The model owns `values`; this page only shows them and proposes new ones.

const LEFT = 64, RIGHT = 20, TOP = 16, BOTTOM = 48;
const rounded = (value, top) => Number(value.toFixed(Math.max(0, 2 - Math.floor(Math.log10(top)))));

function render({ model, el }) {
  el.classList.add("kit-curve");
  let W = 760, H = 380; // as wide as the page, so that words keep their size on a narrow one
  const svg = makeSvg("svg", { viewBox: `0 0 ${W} ${H}`, role: "group", "aria-label": model.get("description") });
  const fields = make("div", { class: "kit-curve-fields" });
  el.append(svg, fields);

  const xs = () => model.get("x_values");
  const top = () => model.get("y_max");
  const px = (i) => LEFT + ((W - LEFT - RIGHT) * (i + 0.5)) / xs().length;
  const py = (value) => H - BOTTOM - ((H - TOP - BOTTOM) * value) / top();

  const set = (i, value) => {
    if (model.get("locked")) return;
    const values = [...model.get("values")];
    values[i] = value === null ? null : rounded(Math.min(Math.max(value, 0), top()), top());
    model.set("values", values);
    model.save_changes();
  };

  const name = (i) => `${model.get("x_name")} ${xs()[i]}`;
  const said = (i) => {
    const value = model.get("values")[i];
    return value === null ? "not set" : `${value} ${model.get("unit")}`;
  };

  // --- drawing, once for each layout ---------------------------------------------------------------------
  let points = [], inputs = [], line;

  const layout = () => {
    const focused = [points, inputs].map((nodes) => nodes.indexOf(document.activeElement));
    svg.setAttribute("viewBox", `0 0 ${W} ${H}`);
    svg.replaceChildren();
    fields.replaceChildren();
    const each = roundStep(top() / 6);
    for (let y = 0; y <= top() * 1.0001; y += each) {
      svg.append(makeSvg("line", { x1: LEFT, x2: W - RIGHT, y1: py(y), y2: py(y), class: "kit-curve-grid" }));
      svg.append(makeSvg("text", { x: LEFT - 8, y: py(y) + 5, "text-anchor": "end" }, String(Number(y.toPrecision(6)))));
    }
    svg.append(makeSvg("text", { x: LEFT, y: H - 8 }, model.get("x_label")));
    svg.append(makeSvg("text", { x: -H / 2, y: 14, transform: "rotate(-90)", "text-anchor": "middle" }, model.get("y_label")));
    line = svg.appendChild(makeSvg("path", { class: "kit-curve-line" }));
    for (const m of model.get("measured")) drawMeasured(m);
    points = xs().map((x, i) => {
      svg.append(makeSvg("text", { x: px(i), y: H - BOTTOM + 20, "text-anchor": "middle" }, String(x)));
      const point = makeSvg("circle", {
        r: 12, cx: px(i), class: "kit-curve-point", tabindex: 0, role: "slider",
        "aria-label": name(i), "aria-valuemin": 0, "aria-valuemax": top(), "aria-orientation": "vertical",
      });
      point.addEventListener("keydown", (event) => onKey(event, i));
      svg.append(point);
      return point;
    });
    inputs = xs().map((x, i) => {
      const input = make("input", { type: "number", min: 0, step: "any", disabled: model.get("locked"),
        "aria-label": `${name(i)}, ${model.get("y_label")}`,
        onchange: () => set(i, input.value === "" ? null : Number(input.value)), onkeydown: (event) => event.stopPropagation() });
      fields.append(make("label", {}, String(x), input));
      return input;
    });
    update();
    [points, inputs].forEach((nodes, k) => nodes[focused[k]]?.focus());
  };

  const drawMeasured = ({ x, mean, low, high }) => {
    const at = px(xs().indexOf(x));
    svg.append(makeSvg("line", { x1: at, x2: at, y1: py(Math.min(high, top())), y2: py(Math.max(low, 0)), class: "kit-curve-measured" }));
    svg.append(makeSvg("rect", { x: at - 5, y: py(mean) - 5, width: 10, height: 10, class: "kit-curve-measured" }));
  };

  const update = () => {
    const values = model.get("values");
    const placed = values.map((v, i) => (v === null ? null : `${px(i)},${py(v)}`)).filter(Boolean);
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
  };

  // --- keys and dragging ---------------------------------------------------------------------------------
  const onKey = (event, i) => {
    const small = top() / 100;
    const moves = { ArrowUp: small, ArrowRight: small, ArrowDown: -small, ArrowLeft: -small, PageUp: 10 * small, PageDown: -10 * small };
    if (event.key in moves) set(i, (model.get("values")[i] ?? top() / 2) + moves[event.key] * (event.shiftKey ? 5 : 1));
    else if (event.key === "Home") set(i, 0);
    else if (event.key === "End") set(i, top());
    else if (event.key === "Delete" || event.key === "Backspace") set(i, null);
    else return;
    event.preventDefault();
    event.stopPropagation();
  };

  svg.addEventListener("pointerdown", (event) => {
    if (model.get("locked")) return;
    const at = (e) => {
      const box = svg.getBoundingClientRect();
      return { x: ((e.clientX - box.left) / box.width) * W, y: ((e.clientY - box.top) / box.height) * H };
    };
    const i = Math.floor(((at(event).x - LEFT) / (W - LEFT - RIGHT)) * xs().length);
    if (i < 0 || i >= xs().length) return;
    points[i].focus();
    svg.setPointerCapture(event.pointerId);
    const move = (e) => set(i, ((H - BOTTOM - at(e).y) / (H - TOP - BOTTOM)) * top());
    move(event);
    svg.addEventListener("pointermove", move);
    svg.addEventListener("pointerup", () => svg.removeEventListener("pointermove", move), { once: true });
    svg.addEventListener("pointercancel", () => svg.removeEventListener("pointermove", move), { once: true });
  });

  model.on("change:values", update);
  model.on("change:locked change:measured change:y_max", layout);
  layout();
  const sizes = new ResizeObserver(() => {
    const width = Math.round(el.clientWidth);
    if (!width || width === W) return; // not on the screen, or nothing new
    [W, H] = [width, Math.min(380, Math.max(240, Math.round(width / 2)))];
    layout();
  });
  sizes.observe(el);
  return () => sizes.disconnect();
}

export default { render };
