// A plot that grows while something is timed: turn period against time on a canvas.

// `nothing`: the words to show while there is no point.
function drawLive(canvas, times, periods, nothing) {
  const size = { width: canvas.clientWidth, height: canvas.clientHeight };
  if (!size.width) return; // not on the screen
  const { c, css, colour, stroke, upwards } = canvasPen(canvas, size, "kit"), em = parseFloat(css.fontSize);
  const left = 4.2 * em, right = size.width - em, top = 0.8 * em, bottom = size.height - 3.2 * em;
  const tMax = 1.05 * Math.max(10, times.at(-1) ?? 0), pMax = 1.15 * Math.max(0.2, ...periods.slice(-2000), 0);
  const x = (t) => left + (t / tMax) * (right - left), y = (p) => bottom - (Math.min(p, pMax) / pMax) * (bottom - top);
  const write = (text, px, py, style, align) => {
    c.font = `${0.93 * em}px ${css.fontFamily}`;
    Object.assign(c, { textAlign: align, textBaseline: "middle", fillStyle: colour(style) });
    c.fillText(text, px, py);
  };
  for (const v of roundTicks(0, pMax, 5)) {
    stroke([[left, y(v)], [right, y(v)]], colour("grid"), 1);
    write(String(v), left - 0.5 * em, y(v), "muted", "right");
  }
  for (const v of roundTicks(0, tMax, 8)) {
    stroke([[x(v), bottom], [x(v), bottom + 5]], colour("muted"), 1);
    write(String(v), x(v), bottom + 1.1 * em, "muted", "center");
  }
  stroke([[left, top], [left, bottom], [right, bottom]], colour("muted"), 1);
  write("time since the start (s)", (left + right) / 2, size.height - 0.7 * em, "ink", "center");
  upwards(0.8 * em, (top + bottom) / 2, () => write("one turn takes (s)", 0, 0, "ink", "center"));
  if (!times.length) {
    write(nothing, (left + right) / 2, (top + bottom) / 2, "muted", "center");
    return;
  }
  stroke(times.map((t, i) => [x(t), y(periods[i])]), colour("accent"), 1.2);
  c.fillStyle = colour("accent");
  for (let i = 0; i < times.length; i++) c.fillRect(x(times[i]) - 2.5, y(periods[i]) - 2.5, 5, 5);
  c.beginPath(); // where it is now
  c.arc(x(times.at(-1)), y(periods.at(-1)), 6, 0, 2 * Math.PI);
  Object.assign(c, { strokeStyle: colour("warm"), lineWidth: 2.5 });
  c.stroke();
}
