// The threshold picker's drawing: all runs on one canvas, turn period against time.

// One mark a condition, in the order of kit.plots.style.SYMBOLS, as paths about (0, 0).
const MARKS = [
  "M4.2 0A4.2 4.2 0 1 1-4.2 0A4.2 4.2 0 1 1 4.2 0Z",
  "M-3.8-3.8H3.8V3.8H-3.8Z",
  "M0-5.2L4.6 0L0 5.2L-4.6 0Z",
  "M0-4.8L4.6 3.6H-4.6Z",
  "M-4.4-2.6L-2.6-4.4L0-1.8L2.6-4.4L4.4-2.6L1.8 0L4.4 2.6L2.6 4.4L0 1.8L-2.6 4.4L-4.4 2.6L-1.8 0Z",
  "M0 4.8L4.6-3.6H-4.6Z",
  "M0-5.4L1.5-1.7L5.2-1.7L2.3.8L3.3 4.6L0 2.4L-3.3 4.6L-2.3.8L-5.2-1.7L-1.5-1.7Z",
  "M-1.5-4.8H1.5V-1.5H4.8V1.5H1.5V4.8H-1.5V1.5H-4.8V-1.5H-1.5Z",
];
const seriesOf = (group) => `series-${(group % 8) + 1}`; // a colour of the style sheet
const markOf = (group) => MARKS[(group + Math.floor(group / 8)) % 8]; // a colour meets a mark again only after 64
const GLYPHS = { bounce: "×", missed: "○" };
const MANY_REPAIRS = 120; // beyond this the plot shows only those of the highlighted run

// Round numbers for an axis.
function ticks(low, high, log, most) {
  if (!log) return roundTicks(low, high, most);
  const inside = [];
  for (let decade = 10 ** Math.floor(Math.log10(low)); decade <= high; decade *= 10)
    for (const m of high / low > 200 ? [1] : [1, 2, 3, 5]) inside.push(tidy(decade * m));
  return inside.filter((v) => v >= low && v <= high);
}

// Where a time and a period stand on the canvas, in CSS pixels, and back.
function makeScale(width, height, em, runs, periods, log) {
  const every = (part, key, pick) => runs.map((run) => run[part][key]).filter((a) => a.length).map(pick);
  const s = { width, height, log, left: 4.3 * em, right: width - 2.6 * em, top: 0.6 * em, bottom: height - 3.5 * em };
  s.tMax = 1.02 * Math.max(...every("line", "t", (a) => a.at(-1)), 1e-3);
  s.lowest = 0.8 * Math.min(...every("line", "p", (a) => Math.min(...a)), 1e3); // how far a line can be moved
  const slowest = (part) => Math.max(...every(part, "p", (a) => Math.max(...a)), 1e-2);
  s.highest = 1.1 * Math.min(slowest("line"), 2 * slowest("measured")); // near rest a smooth curve may shoot up
  s.pMin = log ? 0.98 * Math.min(s.lowest, ...periods) : 0; // a typed line may stand farther out
  s.pMax = 1.02 * Math.max(s.highest, ...periods);
  const f = log ? Math.log : (p) => p;
  const back = log ? Math.exp : (v) => v;
  const [low_, high_] = [f(s.pMin), f(s.pMax)];
  s.x = (t) => s.left + (t / s.tMax) * (s.right - s.left);
  s.y = (p) => s.bottom - ((f(p) - low_) / (high_ - low_)) * (s.bottom - s.top);
  s.period = (y) => back(low_ + ((s.bottom - y) / (s.bottom - s.top)) * (high_ - low_));
  return s;
}

function penFor(canvas, s) {
  const { c, css, colour, paper, stroke, upwards } = canvasPen(canvas, s, "pick"), em = parseFloat(css.fontSize);
  const write = (text, x, y, style, align = "left", { halo = false, bold = false, size = 0.93 } = {}) => {
    c.font = `${bold ? "600 " : ""}${size * em}px ${css.fontFamily}`;
    Object.assign(c, { textAlign: align, textBaseline: "middle", fillStyle: style, strokeStyle: paper, lineWidth: 4 });
    if (halo) c.strokeText(text, x, y);
    c.fillText(text, x, y);
  };
  return { c, em, colour, paper, stroke, upwards, write, hue: (run) => colour(seriesOf(run.group)) };
}

const placed = (s, line) => Array.from(line.t, (t, i) => [s.x(t), s.y(line.p[i])]);
const pointAt = (points, share) => {
  const [from, to] = [points[0][0], points.at(-1)[0]];
  return points.find(([x]) => x >= from + share * (to - from)) ?? points.at(-1);
};

function drawRun(pen, s, run, row, width) {
  const counts = row?.counted && !run.set_aside, hollow = run.set_aside || row?.doubtful;
  const { c, stroke, paper } = pen, hue = pen.hue(run), points = placed(s, run.line);
  if (!points.length) return;
  stroke(points, hue, width, counts ? [] : [5, 4]);
  for (const share of [0.2, 0.55, 0.9]) {
    c.save();
    c.translate(...pointAt(points, share));
    const path = new Path2D(markOf(run.group));
    Object.assign(c, { fillStyle: hollow ? paper : hue, strokeStyle: hollow ? hue : paper, lineWidth: 1.3 });
    c.stroke(path);
    c.fill(path);
    c.restore();
  }
}

function drawRepairs({ write, colour, em }, s, run) {
  let last = -Infinity; // where a symbol would cover the one before, it is left to the list
  for (const r of run.repairs) {
    const x = s.x(r.time_s), shade = colour(r.accepted ? "ink" : "muted");
    if (r.period_s == null || x < last + 6) continue;
    write(GLYPHS[r.kind] ?? "?", x, s.y(r.period_s) - 0.6 * em, shade, "center", { size: 0.8 });
    last = x;
  }
}

// Behind the veils: the grid and all runs.
function drawRuns(canvas, s, runs, rows) {
  const pen = penFor(canvas, s), { c, stroke } = pen, grid = pen.colour("grid");
  for (const v of ticks(s.pMin, s.pMax, s.log, 6)) stroke([[s.left, s.y(v)], [s.right, s.y(v)]], grid, 1);
  c.rect(s.left, 0, s.width - s.left, s.bottom);
  c.clip();
  runs.forEach((run, i) => drawRun(pen, s, run, rows[i], 1.7));
  if (runs.reduce((sum, run) => sum + run.repairs.length, 0) <= MANY_REPAIRS) runs.forEach((run) => drawRepairs(pen, s, run));
}

// Before the veils: the axes, the names of the conditions, and the highlighted run (−1: none) with its duration.
function drawFront(canvas, s, runs, rows, bright, periods) {
  const pen = penFor(canvas, s), { em, stroke, upwards, write } = pen, ink = pen.colour("ink"), muted = pen.colour("muted");
  for (const v of ticks(s.pMin, s.pMax, s.log, 6)) write(String(v), s.left - 0.5 * em, s.y(v), muted, "right");
  for (const v of ticks(0, s.tMax, false, 9)) {
    stroke([[s.x(v), s.bottom], [s.x(v), s.bottom + 5]], muted, 1);
    write(String(v), s.x(v), s.bottom + 1.1 * em, muted, "center");
  }
  stroke([[s.left, s.top], [s.left, s.bottom], [s.right, s.bottom]], muted, 1);
  write("time since the push ended (s)", (s.left + s.right) / 2, s.height - 0.75 * em, ink, "center");
  upwards(0.8 * em, (s.top + s.bottom) / 2, () => write("one turn takes (s)", 0, 0, ink, "center"));
  if (bright >= 0) drawBright(pen, s, runs[bright], rows[bright], periods);
  drawNames(pen, s, runs);
}

function drawNames({ c, em, write, colour }, s, runs) {
  const taken = []; // a later name slides down its curve until its place is free
  for (const group of [...new Set(runs.map((run) => run.group))].sort((a, b) => a - b)) {
    const longest = runs.filter((run) => run.group === group && run.line.t.length)
      .reduce((a, b) => (a && a.line.t.at(-1) > b.line.t.at(-1) ? a : b), null);
    const text = longest?.cells.join(", ");
    if (!text) continue;
    const points = placed(s, longest.line), wide = c.measureText(text).width + 8;
    for (let share = 1; share > 0.3; share -= 0.05) {
      const [px, py] = pointAt(points, share);
      const x = Math.min(px + 8, s.width - wide), y = Math.max(py + (share < 1 ? 0.6 * em : 0), s.top + 0.5 * em);
      if (taken.some((b) => Math.abs(b.y - y) < 1.15 * em && x < b.x + b.wide && b.x < x + wide)) continue;
      taken.push({ x, y, wide });
      write(text, x, y, colour(seriesOf(group)), "left", { halo: true, bold: true });
      break;
    }
  }
}

function drawBright(pen, s, run, row, periods) {
  const { c, stroke, colour } = pen, ink = colour("ink");
  c.save();
  c.beginPath();
  c.rect(s.left, 0, s.width - s.left, s.bottom);
  c.clip();
  drawRun(pen, s, run, row, 3.5);
  c.fillStyle = ink; // what the gate measured, turn by turn
  run.measured.t.forEach((t, k) => c.fillRect(s.x(t) - 1.5, s.y(run.measured.p[k]) - 1.5, 3, 3));
  drawRepairs(pen, s, run);
  c.restore();
  if (!row?.counted) return;
  const ends = [[row.start, periods[0]], [row.stop, periods[1] ?? run.line.p.at(-1)]];
  for (const [t, p] of ends) stroke([[s.x(t), s.y(p)], [s.x(t), s.bottom]], ink, 1.2, [2, 3]);
  stroke(ends.map(([t]) => [s.x(t), s.bottom]), ink, 5); // the duration, as a length on the time axis
}
