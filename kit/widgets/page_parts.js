// What the pages with a drawing share: the model's changes, keys, sizes and themes, a canvas to draw on, scales.
// Python puts make.js and this file before theirs.

// A function watch("names of traits or msg:custom", f) whose listeners go when the view closes: `undo` collects how.
function watcher(model, undo) {
  return (names, f) => names.split(" ").forEach((name) => {
    const event = name.includes(":") ? name : `change:${name}`;
    model.on(event, f);
    undo.push(() => model.off(event, f));
  });
}

// Keys meant for the widget must not also move or delete the notebook's cells.
function keepKeys(el, undo) {
  const keys = (e) => { if (!e.ctrlKey && !e.metaKey && !e.altKey) e.stopPropagation(); };
  el.addEventListener("keydown", keys);
  undo.push(() => el.removeEventListener("keydown", keys));
}

// Calls `resized` when one of the elements changes its size, and `redraw` when JupyterLab changes its theme. It hides
// the page for a moment then, and nothing can be drawn: so once more a little later.
function followPage(elements, undo, redraw, resized = redraw) {
  let late = 0;
  const sizes = new ResizeObserver(() => resized());
  elements.forEach((element) => sizes.observe(element));
  const theme = new MutationObserver(() => { redraw(); clearTimeout(late); late = setTimeout(redraw, 300); });
  theme.observe(document.body, { attributes: true, attributeFilter: ["data-jp-theme-light", "class"] });
  undo.push(() => sizes.disconnect(), () => theme.disconnect(), () => clearTimeout(late));
}

// The numbers in the bytes that Python sent. `Kind`: Float32Array or Float64Array. `halves`: the first half, the second.
const numbersIn = (view, Kind) => new Kind(view.buffer.slice(view.byteOffset, view.byteOffset + view.byteLength));
function halvesOf(view, Kind) {
  const all = numbersIn(view, Kind);
  return [all.subarray(0, all.length / 2), all.subarray(all.length / 2)];
}

// A canvas made ready to draw on in CSS pixels, sharp on dense screens. Colours come from the style sheet, where their
// names begin with `prefix`. `size`: { width, height }.
function canvasPen(canvas, size, prefix) {
  const css = getComputedStyle(canvas), dense = window.devicePixelRatio || 1;
  canvas.width = Math.round(size.width * dense);
  canvas.height = Math.round(size.height * dense);
  const c = canvas.getContext("2d");
  c.scale(dense, dense);
  const colour = (name) => css.getPropertyValue(`--${prefix}-${name}`).trim();
  const stroke = (points, style, width, dash = []) => {
    c.beginPath();
    points.forEach(([x, y], i) => (i ? c.lineTo(x, y) : c.moveTo(x, y)));
    Object.assign(c, { strokeStyle: style, lineWidth: width, lineJoin: "round" });
    c.setLineDash(dash);
    c.stroke();
    c.setLineDash([]);
  };
  const upwards = (x, y, write) => { // what `write` draws at (0, 0) reads from bottom to top
    c.save();
    c.translate(x, y);
    c.rotate(-Math.PI / 2);
    write();
    c.restore();
  };
  return { c, css, colour, paper: colour("paper"), stroke, upwards };
}

const sixDigits = (value) => Number(value.toPrecision(6)); // never 0.30000000000000004

// A round step, 1, 2 or 5 times a power of ten, that is at least this long.
function roundStep(least) {
  const power = 10 ** Math.floor(Math.log10(least));
  return power * [1, 2, 5, 10].find((m) => m * power >= least * 0.999);
}

// At most about `most` round numbers from low to high.
function roundTicks(low, high, most) {
  const step = roundStep((high - low) / most), first = Math.ceil(low / step - 1e-9);
  return Array.from({ length: Math.floor(high / step + 1e-9) - first + 1 }, (_, i) => sixDigits((first + i) * step));
}
