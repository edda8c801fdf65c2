// The bench's live plot: how long each turn took, against the time since the push, as the gate logs it.

const niceTop = (value) => {
  const power = 10 ** Math.floor(Math.log10(value));
  return sixDigits(power * [1, 1.5, 2, 3, 4, 5, 6, 8, 10].find((m) => m * power >= value * 0.9999));
};

function drawTurns(canvas, passes, seen, now, start_period_s) {
  const width = canvas.clientWidth, height = canvas.clientHeight;
  if (!width) return; // not on the screen
  const { c, css, colour, paper, stroke } = canvasPen(canvas, { width, height }, "kit"), em = parseFloat(css.fontSize);
  const write = (text, x, y, style, align = "left") => {
    c.font = `${0.9 * em}px ${css.fontFamily}`;
    Object.assign(c, { textAlign: align, textBaseline: "middle", fillStyle: style });
    c.fillText(text, x, y);
  };
  const tTop = niceTop(Math.max(10, now)), slowest = Math.max(0, ...Array.from({ length: Math.max(seen - 1, 0) }, (_, i) => passes[i + 1] - passes[i]));
  const pTop = niceTop(Math.max(1, slowest * 1.05)), box = { left: 2.9 * em, right: width - 0.8 * em, top: 0.8 * em, bottom: height - 2.9 * em };
  const x = (t) => box.left + (t / tTop) * (box.right - box.left), y = (p) => box.bottom - (p / pTop) * (box.bottom - box.top);
  for (const share of [0, 0.25, 0.5, 0.75, 1]) {
    if (share) stroke([[box.left, y(share * pTop)], [box.right, y(share * pTop)]], colour("grid"), 1);
    if (share * 2 === Math.round(share * 2)) write(String(sixDigits(share * pTop)), box.left - 0.4 * em, y(share * pTop), colour("muted"), "right");
    stroke([[x(share * tTop), box.bottom], [x(share * tTop), box.bottom + 4]], colour("muted"), 1);
    if (share * 2 === Math.round(share * 2)) write(String(sixDigits(share * tTop)), x(share * tTop), box.bottom + 1 * em, colour("muted"), share === 1 ? "right" : "center");
  }
  stroke([[box.left, box.top], [box.left, box.bottom], [box.right, box.bottom]], colour("muted"), 1);
  write("time since the push (s)", (box.left + box.right) / 2, height - 0.75 * em, colour("ink"), "center");
  if (start_period_s) {
    stroke([[box.left, y(start_period_s)], [box.right, y(start_period_s)]], colour("ink"), 2.2);
    c.font = `${0.9 * em}px ${css.fontFamily}`;
    const text = `counting starts: ${start_period_s} s`, wide = c.measureText(text).width;
    c.fillStyle = paper;
    c.fillRect(box.right - wide - 4, y(start_period_s) - 1.35 * em, wide + 4, 1.15 * em);
    write(text, box.right - 2, y(start_period_s) - 0.75 * em, colour("ink"), "right");
  }
  c.fillStyle = colour("accent");
  for (let i = 1; i < seen; i++) {
    c.beginPath();
    c.arc(x((passes[i] + passes[i - 1]) / 2), y(passes[i] - passes[i - 1]), 2.2, 0, 7);
    c.fill();
  }
}
