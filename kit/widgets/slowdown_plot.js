// The slowdown explorer's model and drawing: speed against time, and duration or turns against what was changed.

// --- the model: dv/dt = −(a + b v + c v²), v in turns/s -------------------------------------------------------

// SI coefficients of ω (rad/s) become those of v (turns/s).
const inTurns = ([a, b, c]) => [a / (2 * Math.PI), b, c * 2 * Math.PI];
const dragAt = ([a, b, c], v) => a + v * (b + v * c);

// Time (s) and turns from one speed to a slower one, by Simpson's rule over the logarithm of the speed.
function stretch(drag, from, to, pieces = 64) {
  const h = Math.log(from / to) / pieces;
  let time = 0, turns = 0;
  for (let i = 0; i <= pieces; i++) {
    const v = to * Math.exp(i * h), weight = (i === 0 || i === pieces ? 1 : i % 2 ? 4 : 2) * (h / 3);
    time += (weight * v) / dragAt(drag, v);
    turns += (weight * v * v) / dragAt(drag, v);
  }
  return { duration_s: time, turns };
}

// Points (t, v) of the model's curve, t = 0 at speed `start`, from the top of the plot until it rests or leaves it.
function modelCurve(drag, start, top, from, until) {
  if (!(dragAt(drag, start) > 0)) return [[from, start], [until, start]];
  const walk = (to, pieces, leaves) => {
    const points = [[0, start]], step = (to - start) / pieces;
    let v = start, t = 0;
    for (let i = 0; i < pieces && !leaves(t); i++, v += step) { // Simpson's rule over each small piece
      const end = Math.max(v + step, 0), slowest = dragAt(drag, end);
      if (!(slowest > 0)) { points.push([until, v]); break; } // it never quite rests
      t -= (step / 6) * (1 / dragAt(drag, v) + 4 / dragAt(drag, v + step / 2) + 1 / slowest);
      points.push([t, end]);
    }
    return points;
  };
  const before = walk(top, 40, (t) => t < from).slice(1).reverse();
  const after = walk(0, 400, (t) => t > until);
  const [t, v] = after.at(-1);
  if (v === 0 && t < until) after.push([until, 0]);
  return [...before, ...after];
}

// --- scales and pens ------------------------------------------------------------------------------------------

// The next of the steps 1, 1.5, 2, 3, 5, 7 … above a number: a frame that stays while the model moves a little.
function frameFor(value) {
  const power = 10 ** Math.floor(Math.log10(value));
  return power * ([1, 1.5, 2, 3, 5, 7].find((m) => m * power >= value) ?? 10);
}

function makeScale(canvas, em, x, y) {
  const s = { width: canvas.clientWidth, height: canvas.clientHeight, em };
  Object.assign(s, { left: 3.9 * em, right: s.width - 1.3 * em, top: 0.7 * em, bottom: s.height - 3.3 * em, xs: x, ys: y });
  s.x = (v) => s.left + ((v - x[0]) / (x[1] - x[0])) * (s.right - s.left);
  s.y = (v) => s.bottom - ((v - y[0]) / (y[1] - y[0])) * (s.bottom - s.top);
  return s;
}

function penFor(canvas, s) {
  const { c, css, colour, paper, stroke, upwards } = canvasPen(canvas, s, "kit");
  const dot = (x, y, radius, style, hollow = false) => {
    c.beginPath();
    c.arc(x, y, radius, 0, 2 * Math.PI);
    Object.assign(c, { fillStyle: hollow ? paper : style, strokeStyle: style, lineWidth: 2 });
    c.fill();
    if (hollow) c.stroke();
  };
  const ring = (x, y, radius, style) => {
    c.beginPath();
    c.arc(x, y, radius, 0, 2 * Math.PI);
    Object.assign(c, { strokeStyle: style, lineWidth: 2.5 });
    c.stroke();
  };
  const write = (text, x, y, style, align = "left", bold = false) => {
    c.font = `${bold ? "600 " : ""}${0.93 * s.em}px ${css.fontFamily}`;
    Object.assign(c, { textAlign: align, textBaseline: "middle", fillStyle: style, strokeStyle: paper, lineWidth: 4, lineJoin: "round" });
    c.strokeText(text, x, y);
    c.fillText(text, x, y);
  };
  const inside = (draw) => {
    c.save();
    c.beginPath();
    c.rect(s.left, s.top - 4, s.right - s.left + 6, s.bottom - s.top + 8);
    c.clip();
    draw();
    c.restore();
  };
  return { c, colour, stroke, upwards, dot, ring, write, inside };
}

function drawAxes(pen, s, xTitle, yTitle, xTicks) {
  const { colour, stroke, upwards, write } = pen, ink = colour("ink"), muted = colour("muted");
  for (const v of roundTicks(...s.ys, 5)) {
    stroke([[s.left, s.y(v)], [s.right, s.y(v)]], colour("grid"), 1);
    write(String(v), s.left - 0.5 * s.em, s.y(v), muted, "right");
  }
  for (const v of xTicks) {
    stroke([[s.x(v), s.bottom], [s.x(v), s.bottom + 5]], muted, 1);
    write(String(v), s.x(v), s.bottom + 1.05 * s.em, muted, "center");
  }
  stroke([[s.left, s.top], [s.left, s.bottom], [s.right, s.bottom]], muted, 1);
  write(xTitle, (s.left + s.right) / 2, s.height - 0.8 * s.em, ink, "center");
  upwards(0.75 * s.em, (s.top + s.bottom) / 2, () => write(yTitle, 0, 0, ink, "center"));
}

// --- speed against time ---------------------------------------------------------------------------------------

// When (s) a run's smooth curve passes a speed; null where it never does.
function crossing({ smooth: { t, v } }, speed) {
  let k = 0;
  while (k < v.length && v[k] > speed) k++;
  if (k === 0 || k === v.length) return null;
  return t[k - 1] + ((v[k - 1] - speed) / (v[k - 1] - v[k])) * (t[k] - t[k - 1]);
}

// What the first plot shows: the condition's runs with t = 0 where counting starts, the model, and their durations.
function pictureOf(runs, drag, count, start, stop) {
  const shown = runs.filter((run) => run.at === count).map((run) => ({ run, zero: crossing(run, start), end: crossing(run, stop) }))
    .filter(({ zero }) => zero != null);
  const model = dragAt(drag, start) > 0 ? stretch(drag, start, stop) : { duration_s: Infinity, turns: Infinity };
  const lasted = shown.filter(({ end }) => end != null).map(({ zero, end }) => end - zero);
  const longest = lasted.length ? 1.42 * Math.max(...lasted) : frameFor(1.25 * Math.min(model.duration_s, 1e5));
  return { shown, model, lasted, times: [-0.08 * longest, longest], top: 1.18 * start, start, stop, drag };
}

function drawSpeeds(canvas, em, picture) {
  const { shown, model, lasted, times, top, start, stop, drag } = picture;
  const s = makeScale(canvas, em, times, [0, top]), pen = penFor(canvas, s), { c, colour, stroke, dot, write, inside } = pen;
  const ink = colour("ink"), blue = colour("accent"), warm = colour("warm");
  drawAxes(pen, s, "time since counting started (s)", "speed (turns/s)", roundTicks(...times, 8));
  inside(() => {
    for (const v of [start, stop]) stroke([[s.left, s.y(v)], [s.right, s.y(v)]], ink, 1.3, [7, 4]);
    for (const { run, zero, end } of shown) {
      run.turns.t.forEach((t, i) => {
        const x = s.x(t - zero), counts = t >= zero && (end == null || t <= end);
        c.globalAlpha = counts ? 1 : 0.35;
        c.fillStyle = blue;
        c.fillRect(x - 1.5, s.y(run.turns.v[i]) - 1.5, 3, 3);
      });
    }
    c.globalAlpha = 1;
    const points = modelCurve(drag, start, top, ...times).map(([t, v]) => [s.x(t), s.y(v)]);
    stroke(points, warm, 1.6, [4, 4]);
    c.save(); // the stretch that counts is drawn in full
    c.beginPath();
    c.rect(s.x(0), s.y(start), s.x(Math.min(model.duration_s, times[1])) - s.x(0), s.y(stop) - s.y(start) + 1);
    c.clip();
    stroke(points, warm, 2.8);
    c.restore();
  });
  write(`starts: ${(1 / start).toPrecision(3)} s a turn`, s.right, s.y(start) - 0.8 * em, ink, "right");
  write(`stops: ${(1 / stop).toPrecision(3)} s a turn`, s.right, s.y(stop) - 0.8 * em, ink, "right");
  const bars = [[lasted.length ? lasted.reduce((a, b) => a + b) / lasted.length : null, blue, 9], [model.duration_s, warm, 3]];
  for (const [length, shade, up] of bars) // both durations as lengths on the time axis
    if (length != null) stroke([[s.x(0), s.bottom - up], [s.x(Math.min(length, times[1])), s.bottom - up]], shade, 4.5);
  const inFrame = model.duration_s <= times[1];
  if (inFrame) dot(s.x(model.duration_s), s.y(stop), 6, warm);
  nameBoth(pen, s, picture, blue, warm);
}

// "measured" and "model" stand in the free corner at the top right, each beside its own sign.
function nameBoth({ stroke, write, c }, s, { shown, model, times }, blue, warm) {
  const x = s.right - 12.2 * s.em, y = s.y(s.ys[1] / 1.18) + 1.3 * s.em;
  if (shown.length) {
    c.fillStyle = blue;
    for (const dx of [4, 12, 20]) c.fillRect(x + dx - 2, y - 2, 4, 4);
    write(`measured, ${shown.length} run${shown.length > 1 ? "s" : ""}`, x + 2.2 * s.em, y, blue, "left", true);
  }
  const below = y + 1.4 * s.em;
  stroke([[x, below], [x + 24, below]], warm, 3.2);
  write(model.duration_s > times[1] ? "model: goes on →" : "model", x + 2.2 * s.em, below, warm, "left", true);
}

// --- duration or turns against what was changed ---------------------------------------------------------------

function drawTrend(canvas, em, { measured, quantity, most, count, start, stop, dragOf, xTitle }) {
  const rows = measured[quantity] ?? [];
  const modelAt = (n) => (dragAt(dragOf(n), stop) > 0 ? stretch(dragOf(n), start, stop)[quantity] : Infinity);
  const here = modelAt(count), highest = Math.max(...rows.map((row) => row[3]), 1e-6);
  const top = 1.12 * (here < 4 * highest ? Math.max(here, highest) : highest); // a little above the data is still shown
  const s = makeScale(canvas, em, [0, 1.06 * Math.max(most, count)], [0, rows.length ? top : 100]);
  const pen = penFor(canvas, s), { colour, stroke, dot, ring, inside } = pen, blue = colour("accent"), warm = colour("warm");
  drawAxes(pen, s, xTitle, quantity === "turns" ? "turns" : "coasting time (s)", roundTicks(...s.xs, 7));
  stroke([[s.x(count), s.top], [s.x(count), s.bottom]], colour("muted"), 1.3, [2, 3]);
  inside(() => {
    const points = [];
    for (let i = 0; i <= 90; i++) {
      const n = s.xs[1] * (i / 90) ** 1.6; // closer where the curve is steep
      points.push([s.x(n), s.y(Math.min(modelAt(n), 20 * s.ys[1]))]);
    }
    stroke(points, warm, 3);
    for (const [x, mean, low, high] of rows) {
      stroke([[s.x(x), s.y(low)], [s.x(x), s.y(high)]], blue, 2.5);
      dot(s.x(x), s.y(mean), x === count ? 5.5 : 4, blue, x !== count);
    }
    if (here <= s.ys[1]) ring(s.x(count), s.y(here), 8, warm);
  });
}
