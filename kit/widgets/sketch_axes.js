// The axes of a graph that a person draws: a number line below, a scale from zero at the left. Shared by the sketch of what
// is expected and the graph by hand.

const LEFT = 64, RIGHT = 20, TOP = 16, BOTTOM = 48;
const rounded = (value, top) => Number(value.toFixed(Math.max(0, 2 - Math.floor(Math.log10(top)))));

// What is typed stays as it is typed; only what is pointed at is rounded.
const typedNumber = (input) => (input.value === "" || Number.isNaN(Number(input.value)) ? null : Number(input.value));

// Which of the texts below an axis have room: the two outer ones first, then from left to right. The others keep their
// mark, and what is focused says its number. `places`: in pixels.
function withRoom(places, texts) {
  const wide = (i) => 4.5 * texts[i].length + 5, kept = [];
  const order = places.map((_, i) => i).sort((a, b) => places[a] - places[b]);
  for (const i of [order[0], order.at(-1), ...order.slice(1, -1)])
    if (kept.every((j) => j !== i && Math.abs(places[i] - places[j]) >= wide(i) + wide(j))) kept.push(i);
  return new Set(kept);
}

// Draws the axes and says where a value stands (px, py) and which value stands at a place (valueAt).
function sketchAxes(svg, { W, H, low, high, top, xs, xLabel, yLabel }) {
  const px = (x) => LEFT + ((W - LEFT - RIGHT) * (x - low)) / (high - low);
  const py = (y) => H - BOTTOM - ((H - TOP - BOTTOM) * y) / top;
  const write = (x, y, text, anchor = "middle", more = {}) => svg.append(makeSvg("text", { x, y, "text-anchor": anchor, ...more }, text));
  const rule = (x1, x2, y1, y2, name) => svg.append(makeSvg("line", { x1, x2, y1, y2, class: name }));
  const each = roundStep(top / 6);
  for (let y = 0; y <= top * 1.0001; y += each) {
    rule(LEFT, W - RIGHT, py(y), py(y), "kit-curve-grid");
    write(LEFT - 8, py(y) + 5, String(Number(y.toPrecision(6))), "end");
  }
  rule(LEFT, W - RIGHT, py(0), py(0), "kit-curve-axis");
  if (low === 0 && !xs.includes(0)) write(LEFT, py(0) + 22, "0");
  const places = xs.map(px), texts = xs.map(String), room = withRoom(places, texts);
  xs.forEach((_, i) => {
    rule(places[i], places[i], py(0), py(0) + 6, "kit-curve-axis");
    if (room.has(i)) write(places[i], py(0) + 22, texts[i], "middle", { class: "kit-curve-tick" });
  });
  write(LEFT, H - 6, xLabel, "start");
  write(-H / 2, 14, yLabel, "middle", { transform: "rotate(-90)" });
  const valueAt = (event) => {
    const box = svg.getBoundingClientRect(), x = ((event.clientX - box.left) / box.width) * W, y = ((event.clientY - box.top) / box.height) * H;
    return { x: low + ((x - LEFT) / (W - LEFT - RIGHT)) * (high - low), y: ((H - BOTTOM - y) / (H - TOP - BOTTOM)) * top };
  };
  return { px, py, valueAt };
}

// The condition that is meant by a place on the number line: the nearest, but one that is focused keeps its turn where
// another lies almost on it.
function nearestOf(xs, px, x, focused) {
  const off = (i) => Math.abs(px(xs[i]) - px(x));
  const nearest = xs.reduce((best, _, i) => (off(i) < off(best) ? i : best), 0);
  return focused >= 0 && off(focused) <= off(nearest) + 3 ? focused : nearest;
}

// What the keys of a slider do to a value; undefined for any other key.
function keyed(event, value, top) {
  const small = (top / 100) * (event.shiftKey ? 5 : 1);
  const moves = { ArrowUp: small, ArrowRight: small, ArrowDown: -small, ArrowLeft: -small, PageUp: 10 * small, PageDown: -10 * small };
  if (event.key in moves) return rounded((value ?? top / 2) + moves[event.key], top);
  return { Home: 0, End: top, Delete: null, Backspace: null }[event.key];
}

// Follows a pointer that is down on an element until it is lifted: move(event) for each move, done() at the end.
function followPointer(element, event, move, done = () => {}) {
  element.setPointerCapture(event.pointerId);
  const end = () => {
    element.removeEventListener("pointermove", move);
    element.removeEventListener("pointerup", end);
    element.removeEventListener("pointercancel", end);
    done();
  };
  move(event);
  element.addEventListener("pointermove", move);
  element.addEventListener("pointerup", end);
  element.addEventListener("pointercancel", end);
}

// Calls `resized(width, height)` when the drawing's place gets another width; returns how to stop.
function followWidth(el, tallest, resized) {
  let known = 0;
  const sizes = new ResizeObserver(() => {
    const width = Math.round(el.clientWidth);
    if (!width || width === known) return; // not on the screen, or nothing new
    known = width;
    resized(width, Math.min(tallest, Math.max(240, Math.round(width / 2))));
  });
  sizes.observe(el);
  return () => sizes.disconnect();
}
