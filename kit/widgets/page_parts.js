// What the pages with a canvas share: elements, and a canvas to draw on. Python puts this file before theirs.

// An element with attributes (those that begin with "on" are listeners) and children.
function make(tag, attributes = {}, ...children) {
  const node = document.createElement(tag);
  for (const [name, value] of Object.entries(attributes)) {
    if (name.startsWith("on")) node.addEventListener(name.slice(2), value);
    else if (value !== false && value != null) node.setAttribute(name, value === true ? "" : value);
  }
  node.append(...children);
  return node;
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
  return { c, css, colour, paper: colour("paper"), stroke };
}
